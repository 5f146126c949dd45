"""The whole chain on one picture: frame -> rods -> pose -> placement -> effect -> advice."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.advice import Advice, Move, Remedy, advise
from vision.aim import aim
from vision.around import may_stand_aside, solve_around
from vision.belief import ACCEPT, log_odds
from vision.effect import film_effect
from vision.find import find_first, find_others
from vision.frame import Frame
from vision.framing import frame_swing
from vision.hint import Hint
from vision.lens_check import LensCheck, compare, freed, is_profile, set_aside
from vision.placement import ground_from_view, place
from vision.pose import Pose, mark_hidden, solve_pose
from vision.reading import Evidence, Reading, Verdict
from vision.rods import NotFound, Reason, Rods
from vision.setup import Setup
from vision.verdict import judge
from vision.wrong import refused, surely_not

HOPE = 3.0  # log-odds below `ACCEPT` at which rods may still be there, badly seen
SURE = 3.0  # log-odds from which no other layout is asked: a shadow may be believed a little
MISFIT_LIMIT = 25.0  # chi^2 per degree of freedom from which the rods are no such layout


def read(frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()) -> Reading:
    """Everything that one picture says under this setup; `hints` say where rods are."""
    return conclude_alone(search(frame, setup, hints), (frame.width, frame.height), setup)


def search(
    frame: Frame, setup: Setup, hints: tuple[Hint, ...] = (), quick: bool = False
) -> Rods | NotFound:
    """`vision.find.find`, and where what it found is not surely believed, other layouts.

    The most believed one of all is taken, if it is believed; else what was found at first.
    `quick`: that alone.
    """
    rods, seen = find_first(frame, setup, hints, quick=quick)
    size = (frame.width, frame.height)
    first = _belief(rods, size, setup) if isinstance(rods, Rods) else -np.inf
    if quick or first >= SURE:
        return rods
    others = find_others(frame, setup, hints, seen)
    beliefs = [_belief(other, size, setup) for other in others]
    best = max(beliefs, default=-np.inf)
    return others[int(np.argmax(beliefs))] if best >= max(ACCEPT, first) else rods


def conclude_alone(rods: Rods | NotFound, size: tuple[int, int], setup: Setup) -> Reading:
    """`conclude` for a picture without company: a lens profile that it contradicts is set aside."""
    reading = conclude(rods, size, setup, check_lens=True)
    if reading.lens_check is None or not reading.lens_check.contradicts:
        return reading
    return replace(conclude(rods, size, set_aside(setup)), lens_check=reading.lens_check)


def conclude(
    rods: Rods | NotFound,
    size: tuple[int, int],
    setup: Setup,
    accept: float = ACCEPT,
    *,
    pose: Pose | None = None,
    check_lens: bool = False,
    laid: bool = False,
) -> Reading:
    """The chain from the found rods on, for a picture of `size` (width, height).

    Rods whose log-odds are below `accept` are taken for none; below `ACCEPT`, never for square.
    `pose`: the rods' pose from a solution of several views together (`vision.walk`), whose
    agreement stands for the tests of a single view. It must come with that view's setup.
    `check_lens` asks whether the picture fits the lens's profile (a second pose, where there is a
    profile); it changes nothing else. `laid`: these rods, where they lie now, were just asked
    whether they could be another layout, and need not be asked again.
    """
    if isinstance(rods, NotFound):
        return not_found(rods, setup)
    if pose is not None:
        return _from_pose(rods, pose, size, setup, np.inf)
    weighed = weigh(rods, size, setup, laid)
    if isinstance(weighed, Reason):
        return not_found(NotFound(weighed, rods.both), setup)
    rods, pose, belief = weighed.rods, weighed.pose, weighed.belief
    check = lens_check(pose, rods, size, setup) if check_lens else None
    if not weighed.fits:
        return replace(not_found(NotFound(Reason.WRONG_LAYOUT, rods.both), setup), lens_check=check)
    if belief < accept:
        likely = rods.both if rods.search is None else rods.search.likely
        doubted = refused(likely, size, setup, belief >= ACCEPT - HOPE)
        return replace(not_found(doubted, setup), lens_check=check)
    return replace(_from_pose(rods, pose, size, setup, belief), lens_check=check)


@dataclass(frozen=True, slots=True, eq=False)
class Weighed:
    """Found rods with their pose. `belief`: log-odds that they are laid; -inf where they misfit."""

    rods: Rods
    pose: Pose
    belief: float

    @property
    def fits(self) -> bool:
        """Whether there is a pose from which such a layout looks like this."""
        return self.belief > -np.inf


def weigh(rods: Rods, size: tuple[int, int], setup: Setup, laid: bool = False) -> Weighed | Reason:
    """The rods' pose and how far they are believed, or why they are surely another layout.

    `laid`: as in `conclude`.
    """
    # Asked first: a pose can explain away a wrong layout by taking ends for covered ones.
    asks = not laid or setup.aim is not None  # with an aim a turned T is told by its reason
    wrong = surely_not(rods.ends_px, size, setup) if asks else None
    if may_stand_aside(setup, wrong):
        rods, pose = solve_around(rods, size, setup)
    elif wrong is not None:
        return wrong
    else:
        pose = solve_pose(rods, size, setup)
    fits = np.isfinite(pose.cost) and pose.misfit <= MISFIT_LIMIT
    return Weighed(rods, pose, log_odds(rods, pose) if fits else -np.inf)


def _belief(rods: Rods, size: tuple[int, int], setup: Setup) -> float:
    weighed = weigh(rods, size, setup)
    return -np.inf if isinstance(weighed, Reason) else weighed.belief


def refuse(rods: Rods, reason: Reason, setup: Setup) -> Reading:
    """The reading of rods that were found and are not to be believed."""
    return not_found(NotFound(reason, rods.both), setup)


def _from_pose(
    rods: Rods, pose: Pose, size: tuple[int, int], setup: Setup, belief: float
) -> Reading:
    rods = mark_hidden(rods, pose)
    placement, layout = place(pose, setup)
    cam_from_ground = pose.cam_from_view @ np.linalg.inv(ground_from_view(setup))
    framing = frame_swing(cam_from_ground, pose.lens.focal_px, size, setup)
    verdict, unsure = judge(placement, layout, framing, setup)
    advice = advise(rods, placement, layout, framing, setup)
    if verdict is Verdict.SQUARE and belief < ACCEPT:
        # Doubtful rods may guide, but are never called square.
        verdict, advice = Verdict.OFF, (Advice(Move.HOLD, Remedy.STEADY.value),)
    return Reading(
        setup=setup,
        verdict=verdict,
        rods=rods,
        placement=placement,
        layout=layout,
        lens=pose.lens,
        framing=framing,
        effect=film_effect(placement, layout, setup),
        advice=advice,
        evidence=Evidence(pose.residual_px, pose.runner_up_ratio),
        unsure=unsure,
        pose=pose,
        belief=belief,
        aim=None if setup.aim is None else aim(pose, size, setup, setup.aim),
    )


def lens_check(pose: Pose, rods: Rods, size: tuple[int, int], setup: Setup) -> LensCheck | None:
    """How well one view fits its lens's profile; None where there is no profile."""
    if setup.lens is None or not is_profile(setup):
        return None
    free = solve_pose(rods, size, freed(setup))
    if free.misfit > MISFIT_LIMIT:
        return None  # the rods fit no lens at all
    return compare(pose, free, setup.lens.focal_px)


def not_found(rods: NotFound, setup: Setup) -> Reading:
    """The reading of a picture without believed rods."""
    return Reading(
        setup=setup,
        verdict=Verdict.NOT_FOUND,
        rods=rods,
        placement=None,
        layout=None,
        lens=None,
        framing=None,
        effect=None,
        advice=advise(rods, None, None, None, setup),
        evidence=None,
    )
