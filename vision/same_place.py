"""Back to where an earlier film was made: what differs, what to do first, whether it is there.

"Same" is said only where every difference is surely inside its tolerance and has been for a while:
P(|x| <= tolerance) >= `Within.confidence` of each, from its own normal marginal. The place is told
against the rods as they lie, then and now.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from vision.advice import Advice, Move
from vision.governed import probability_inside
from vision.joint import Both
from vision.placement import QUANTITIES
from vision.setup import Setup
from vision.steady import Steady

# The tripod on the ground first, then its height, then the head: what comes later disturbs least.
ORDER = ("distance_m", "offset_m", "height_m", "yaw_rad", "pitch_rad", "roll_rad")
HOLD_S = 1.0  # surely inside for so long before "same" is said
STAY = 0.95  # what was sure stays so while it is at least so probable
GRACE_S = 0.6  # inside but no longer surely so for so long before it is taken back
SETTLED_LOOKS, SETTLED_S = 8, 1.5  # a phone that has stood so long is known as well as it can be
CLEAR = 2.0  # sigmas beyond a tolerance at which a phone need not stand first
DONE = 0.8  # a move is done when what is left is this share of what would be surely inside
MARGIN = 0.15  # beyond its tolerance by this share, an earlier quantity interrupts


class Sameness(StrEnum):
    """Keys of the texts file (`again.<value>`)."""

    SAME = "same"
    OFF = "off"
    UNSURE = "unsure"  # inside, but not surely


class Doubt(StrEnum):
    """What keeps a standing phone from being sure. Keys of the texts (`again.doubt.<value>`)."""

    KIT = "kit"  # another phone, lens or rods than then
    TILT_SENSOR = "tilt-sensor"  # none now, or none then
    FIRST_LOOK = "first-look"  # the rods' own layout is not measured
    STEADY = "steady"  # hold still, more light, both rods whole in the picture


class Other(StrEnum):
    """Why two stands cannot be compared. Keys of the texts file (`again.other.<value>`)."""

    VIEW = "view"
    HAND = "hand"
    NO_PLACE = "no-place"  # the earlier film has none
    LINE = "line"  # told from another line (toes, hands, middle), and no pictures to tell anew
    MISFIT = "misfit"  # the rods of one of them fit no pose together with the other's


@dataclass(frozen=True, slots=True)
class Within:
    """How near is the same place (SI units)."""

    offset_m: float = 0.03
    distance_m: float = 0.05
    height_m: float = 0.03
    yaw_rad: float = math.radians(0.5)
    pitch_rad: float = math.radians(0.5)
    roll_rad: float = math.radians(0.5)
    confidence: float = 0.99


@dataclass(frozen=True, slots=True)
class Gap:
    """One of `vision.placement.QUANTITIES`, then and now; `difference` is now minus then."""

    quantity: str
    then: float
    now: float
    sigma: float
    tolerance: float
    confidence: float

    @property
    def difference(self) -> float:
        """Now minus then."""
        return self.now - self.then

    @property
    def inside(self) -> bool:
        """The estimate itself lies inside the tolerance, however sure."""
        return abs(self.difference) <= self.tolerance

    @property
    def sure(self) -> bool:
        """Inside the tolerance with the confidence asked for."""
        chance = probability_inside(self.difference, self.sigma, self.tolerance)
        return self.inside and chance >= self.confidence

    @property
    def still_sure(self) -> bool:
        """Surely enough inside for what was sure before: noise alone takes nothing back."""
        chance = probability_inside(self.difference, self.sigma, self.tolerance)
        return self.inside and chance >= min(STAY, self.confidence)

    @property
    def reachable(self) -> bool:
        """Whether even no difference at all could be sure, at this spread."""
        return probability_inside(0.0, self.sigma, self.tolerance) >= self.confidence

    @property
    def room(self) -> float:
        """How large a difference may be and still be sure; 0 where nothing can be."""
        if not self.reachable:
            return 0.0
        low, high = 0.0, self.tolerance
        for _ in range(24):  # to a ten-millionth of the tolerance
            middle = (low + high) / 2
            chance = probability_inside(middle, self.sigma, self.tolerance)
            low, high = (middle, high) if chance >= self.confidence else (low, middle)
        return low


@dataclass(frozen=True, slots=True)
class Leading:
    """What one moment leaves for the next: whose move is told, and since when all is well."""

    told: str | None = None
    since_s: float | None = None
    sure_s: float = float("-inf")


@dataclass(frozen=True, slots=True)
class Led:
    """What is said now: READY exactly where `verdict` is SAME; a HOLD may have a `doubt`."""

    verdict: Sameness
    gaps: tuple[Gap, ...]
    advice: Advice
    doubt: Doubt | None = None


def comparable(then: Setup, now: Setup) -> Other | None:
    """Why a place of one setup says nothing in the other; None where it does."""
    if then.view is not now.view:
        return Other.VIEW
    return Other.HAND if then.handed is not now.handed else None


def gaps_of(both: Both, within: Within = Within()) -> tuple[Gap, ...]:
    """The differences in the order in which a person can act on them; `both.a` is the earlier."""
    cov = both.difference_cov
    out = []
    for name in ORDER:
        k = QUANTITIES.index(name)
        var = float(cov[k, k])
        out.append(
            Gap(
                name,
                float(getattr(both.a, name)),
                float(getattr(both.b, name)),
                math.sqrt(var) if var >= 0 else math.nan,
                float(getattr(within, name)),
                within.confidence,
            )
        )
    return tuple(out)


def judge(gaps: tuple[Gap, ...]) -> Sameness:
    """SAME only where every difference is surely inside its tolerance."""
    if all(g.sure for g in gaps):
        return Sameness.SAME
    return Sameness.UNSURE if all(g.inside for g in gaps) else Sameness.OFF


def settled(now: Steady) -> bool:
    """Whether the phone has stood long enough to be known as well as it can be."""
    return now.looks >= SETTLED_LOOKS and now.seconds >= SETTLED_S


def lead(
    state: Leading,
    gaps: tuple[Gap, ...],
    standing: bool,
    doubt: Doubt,
    time_s: float,
    believed: bool = True,
) -> tuple[Leading, Led]:
    """The one instruction of this moment, and the state for the next.

    `standing`: `settled` holds. `doubt`: what to blame where a standing phone cannot be sure.
    `believed`: rods that are hard to see may guide, but make nothing sure.
    Far differences are told at once; near ones only once the phone has stood, for a person follows
    what is shown and not what it will be. An instruction stays until its quantity is well inside;
    an earlier one interrupts it only where it is clearly outside.
    """
    now = judge(gaps)
    said = state.since_s is not None and state.sure_s - state.since_s >= HOLD_S
    if said and all(g.still_sure for g in gaps):
        now = Sameness.SAME
    if now is Sameness.SAME and not believed:
        now, doubt = Sameness.UNSURE, Doubt.STEADY
    state, verdict = _hold(state, now, time_s)
    if verdict is Sameness.SAME:
        return replace(state, told=None), Led(verdict, gaps, Advice(Move.READY))
    told = _choose(state.told, gaps, standing)
    state = replace(state, told=None if told is None else told.quantity)
    if told is not None:
        return state, Led(verdict, gaps, move_for(told))
    unsure = any(not g.sure and not g.reachable for g in gaps)
    hopeless = standing and (unsure or not believed)
    return state, Led(verdict, gaps, Advice(Move.HOLD), doubt if hopeless else None)


def move_for(gap: Gap) -> Advice:
    """The move that takes the difference to zero; signs as in docs/conventions.md."""
    size, over = abs(gap.difference), gap.difference > 0
    match gap.quantity:
        case "distance_m":
            return Advice(Move.CLOSER, "forward" if over else "back", amount_m=size)
        case "offset_m":
            return Advice(Move.SLIDE, "left" if over else "right", amount_m=size)
        case "height_m":
            return Advice(Move.RAISE, "down" if over else "up", amount_m=size)
        case "yaw_rad":
            return Advice(Move.TURN, "left" if over else "right", amount_rad=size)
        case "pitch_rad":
            return Advice(Move.TILT, "down" if over else "up", amount_rad=size)
    return Advice(Move.LEVEL, "counterclockwise" if over else "clockwise", amount_rad=size)


def _choose(last: str | None, gaps: tuple[Gap, ...], standing: bool) -> Gap | None:
    """Whose move is told; None: hold still."""
    wanted = [g for g in gaps if _wanted(g, standing)]
    kept = next((g for g in gaps if g.quantity == last and _not_done(g, standing)), None)
    if kept is None:
        return wanted[0] if wanted else None
    for g in wanted:
        if ORDER.index(g.quantity) >= ORDER.index(kept.quantity):
            break
        if abs(g.difference) > (1 + MARGIN) * g.tolerance:
            return g
    return kept


def _wanted(gap: Gap, standing: bool) -> bool:
    size = abs(gap.difference)
    if gap.sure or not (math.isfinite(size) and math.isfinite(gap.sigma)):
        return False
    if not standing:
        return size > gap.tolerance + CLEAR * gap.sigma
    return size > (gap.room if gap.reachable else gap.tolerance)


def _not_done(gap: Gap, standing: bool) -> bool:
    size = abs(gap.difference)
    if not math.isfinite(size):
        return False
    if not standing:
        return size > max(gap.tolerance / 2, gap.sigma)
    return size > (DONE * gap.room if gap.reachable else gap.tolerance)


def _hold(state: Leading, now: Sameness, time_s: float) -> tuple[Leading, Sameness]:
    """Enter SAME after `HOLD_S`; leave at once when outside, after `GRACE_S` when unsure."""
    since = state.since_s
    if now is Sameness.SAME:
        since = time_s if since is None or time_s < since else since
        state = replace(state, since_s=since, sure_s=time_s)
        return state, now if time_s - since >= HOLD_S else Sameness.UNSURE
    if now is Sameness.UNSURE and since is not None and 0 <= time_s - state.sure_s <= GRACE_S:
        return state, Sameness.SAME if state.sure_s - since >= HOLD_S else Sameness.UNSURE
    return replace(state, since_s=None), now
