"""Stage 5b: what to do, in the order in which a person can act; first = now."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from vision.framing import Cure, Framing
from vision.governed import Governed, Quantity, governed, layout_error_rad
from vision.placement import Layout, Placement
from vision.rods import NotFound, Rods
from vision.setup import Handed, Role, Setup, View

# Errors smaller than these are not worth a step: a person cannot move a tripod more finely.
FINEST = {
    Quantity.OFFSET: 0.01,
    Quantity.DISTANCE: 0.05,
    Quantity.HEIGHT: 0.02,
    Quantity.YAW: math.radians(0.3),
    Quantity.ROLL: math.radians(0.3),
    Quantity.LAYOUT: math.radians(0.3),
    Quantity.FRAMING: 0.0,
}


class Move(StrEnum):
    """Kinds of instruction."""

    FIND = "find"  # nothing usable in view: direction holds the Reason's value
    RODS = "rods"  # the rods lie wrong: direction holds a RodMove's value
    CLOSER = "closer"  # along the line: forward, back
    SLIDE = "slide"  # left, right
    RAISE = "raise"  # up, down
    TURN = "turn"  # left, right
    TILT = "tilt"  # up, down (pitch, for framing)
    LEVEL = "level"  # roll: clockwise, counterclockwise
    ROTATE = "rotate"  # phone: upright, sideways
    HOLD = "hold"  # not yet for long enough or not yet sure enough: None or a Remedy's value
    READY = "ready"  # square has held


class RodMove(StrEnum):
    """Which rod's end goes where, seen from behind the phone."""

    STEM_LEFT = "stem-left"  # the stem's near end, about the junction
    STEM_RIGHT = "stem-right"
    BALL_ROD_LEFT = "ball-rod-left"  # the ball rod's far end, about its near end
    BALL_ROD_RIGHT = "ball-rod-right"


class Remedy(StrEnum):
    """What makes a quantity known that cannot be known well enough so far."""

    TILT_SENSOR = "tilt-sensor"  # allow the phone's tilt sensor
    LENS = "lens"  # state the focal length, or take a first look at the rods
    STEADY = "steady"  # hold still, more light, both rods whole in the picture


@dataclass(frozen=True, slots=True)
class Advice:
    """One instruction. Amounts are positive or None; the words are made later."""

    move: Move
    direction: str | None = None
    amount_m: float | None = None
    amount_rad: float | None = None


def advise(
    rods: Rods | NotFound,
    placement: Placement | None,
    layout: Layout | None,
    framing: Framing | None,
    setup: Setup,
) -> tuple[Advice, ...]:
    """All instructions that apply, first = now; never empty.

    Order: rods in view, rods laid right, distance and framing, slide, height, turn, level, hold.
    A quantity outside its tolerance gets its move. One inside but unsure gets its move too while
    that can make it sure, else a HOLD with what would make it known. READY stands exactly where
    `vision.verdict.judge` says SQUARE. Behind HOLD or READY follow suggestions that nobody asked
    to be governed (framing). Amounts put the lens on its line when followed one after another:
    sliding is across the line and turning about the lens, so neither changes the other.
    """
    if isinstance(rods, NotFound):
        return (Advice(Move.FIND, rods.reason.value),)
    if placement is None:
        return (Advice(Move.FIND, "unsure"),)
    quantities = governed(placement, layout, framing, setup)
    moves: list[Advice] = []
    remedies: list[Advice] = []
    for g in quantities:
        if g.sure:
            continue
        if asks(g):
            moves += moves_for(g, layout, framing, setup)
        else:
            remedies.append(Advice(Move.HOLD, _remedy(g, setup)))
    # A remedy for one quantity serves all that need the same: said once.
    remedies = sorted(set(remedies), key=lambda a: _REMEDY_ORDER.index(a.direction))
    if not moves and not remedies:
        done = all(g.sure for g in quantities)
        remedies = [Advice(Move.READY) if done else _fallback()]
    suggestions = [] if setup.goal.framing else _suggest_framing(framing, setup)
    return (*moves, *remedies, *suggestions)


def holding(advice: tuple[Advice, ...]) -> tuple[Advice, ...]:
    """The same advice while square has not yet held for long enough: READY becomes HOLD."""
    return tuple(Advice(Move.HOLD) if a.move is Move.READY else a for a in advice)


_REMEDY_ORDER: tuple[str | None, ...] = (*(r.value for r in Remedy), None)


def _fallback() -> Advice:
    """The swing leaves the picture for no reason that the pose explains: back, by eye."""
    return Advice(Move.CLOSER, "back")


def asks(g: Governed) -> bool:
    """Whether this quantity is told to be moved, as opposed to left alone or known better."""
    return not g.sure and _worth_moving(g)


def _worth_moving(g: Governed) -> bool:
    """Whether to move for an unsure or outside quantity, or first to know it better.

    Where even a perfect reading could not be sure, only an error that stands clear of its own
    spread is worth walking for; where it could, any error that is not mere noise.
    """
    size = abs(g.error)
    if not (math.isfinite(size) and math.isfinite(g.sigma)):
        return False
    if not g.reachable:
        return size > g.tolerance + 2 * g.sigma
    return not g.inside or size >= max(g.sigma / 2, FINEST[g.quantity])


def _remedy(g: Governed, setup: Setup) -> str | None:
    """What would make this quantity known; None where holding still is all it takes."""
    if g.reachable:
        return None
    if setup.tilt is None and g.quantity is not Quantity.LAYOUT:
        return Remedy.TILT_SENSOR.value
    blind = setup.lens is None and setup.known is None
    if blind and g.quantity in (Quantity.DISTANCE, Quantity.HEIGHT, Quantity.LAYOUT):
        return Remedy.LENS.value
    return Remedy.STEADY.value


def moves_for(
    g: Governed, layout: Layout | None, framing: Framing | None, setup: Setup
) -> list[Advice]:
    """The move that takes the quantity's error to zero (framing: its cure)."""
    size, over = abs(g.error), g.error > 0
    if g.quantity is Quantity.OFFSET:
        return [Advice(Move.SLIDE, "left" if over else "right", amount_m=size)]
    if g.quantity is Quantity.YAW:
        return [Advice(Move.TURN, "left" if over else "right", amount_rad=size)]
    if g.quantity is Quantity.ROLL:
        direction = "counterclockwise" if over else "clockwise"
        return [Advice(Move.LEVEL, direction, amount_rad=size)]
    if g.quantity is Quantity.HEIGHT:
        return [Advice(Move.RAISE, "down" if over else "up", amount_m=size)]
    if g.quantity is Quantity.DISTANCE:
        return [Advice(Move.CLOSER, "forward" if over else "back", amount_m=size)]
    if g.quantity is Quantity.FRAMING:
        return [] if framing is None else _cure(framing, setup)
    return [] if layout is None else [_lay(layout, setup)]


def _lay(layout: Layout, setup: Setup) -> Advice:
    """Which end to move. T: the stem's near end about the junction. Pair: the ball rod's far end.

    T: + leans toward the target, so the end goes the other way; the target is camera-right for a
    right-handed golfer. Pair: + closes toward the target, so the ball rod's far end goes out, to
    the ball's side, which is camera-right for a right-handed golfer.
    """
    error = layout_error_rad(layout, setup)
    out_is_right = setup.handed is Handed.RIGHT
    if setup.view is View.FACE_ON:
        right = (error < 0) == out_is_right
        direction = RodMove.STEM_RIGHT if right else RodMove.STEM_LEFT
        length = setup.length_m(Role.STEM)
    else:
        right = (error > 0) == out_is_right
        direction = RodMove.BALL_ROD_RIGHT if right else RodMove.BALL_ROD_LEFT
        length = setup.length_m(Role.BALL)
    # the chord that the rod's end travels
    amount_m = 2 * length * math.sin(min(abs(error), math.pi) / 2)
    return Advice(Move.RODS, direction.value, amount_m=amount_m, amount_rad=abs(error))


def _cure(framing: Framing, setup: Setup) -> list[Advice]:
    """The framing's cure as an instruction; none where it is the distance that will be told."""
    if framing.cure in (Cure.UPRIGHT, Cure.SIDEWAYS):
        return [Advice(Move.ROTATE, framing.cure.value)]
    if framing.cure is Cure.TILT:
        return [_tilt(framing.tilt_rad)]
    stated = setup.goal.distance_m is not None and setup.tolerance.distance_m is not None
    if framing.cure is Cure.BACK and not stated:
        back = Advice(Move.CLOSER, "back", amount_m=framing.back_m)
        return [back, _tilt(framing.tilt_rad)] if framing.tilt_rad else [back]
    if framing.cure is Cure.BACK and framing.tilt_rad:
        return [_tilt(framing.tilt_rad)]
    return []


def _tilt(tilt_rad: float) -> Advice:
    return Advice(Move.TILT, "up" if tilt_rad > 0 else "down", amount_rad=abs(tilt_rad))


def _suggest_framing(framing: Framing | None, setup: Setup) -> list[Advice]:
    """The cure of a framing that nobody asked to be governed."""
    if framing is None or framing.ok or setup.goal.distance_m is not None:
        return []
    return _cure(framing, setup)
