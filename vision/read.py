"""The whole chain on one picture: frame -> rods -> pose -> placement -> effect -> advice."""

from __future__ import annotations

import numpy as np

from vision.advice import Advice, Move, Remedy, advise
from vision.effect import film_effect
from vision.find import ACCEPT, find
from vision.frame import Frame
from vision.framing import frame_swing
from vision.hint import Hint
from vision.placement import ground_from_view, place
from vision.pose import Pose, mark_hidden, solve_pose
from vision.reading import Evidence, Reading, Verdict
from vision.rods import NotFound, Reason, Rods
from vision.setup import Setup
from vision.verdict import judge
from vision.wrong import surely_not

MISFIT_LIMIT = 25.0  # chi^2 per degree of freedom from which the rods are no such layout


def read(frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()) -> Reading:
    """Everything that one picture says under this setup; `hints` say where rods are."""
    return conclude(find(frame, setup, hints), (frame.width, frame.height), setup)


def conclude(
    rods: Rods | NotFound, size: tuple[int, int], setup: Setup, pose: Pose | None = None
) -> Reading:
    """The chain from the found rods on, for a picture of `size` (width, height).

    `pose`: the rods' pose from a solution of several views together (`vision.walk`), whose
    agreement stands for the tests of a single view. It must come with that view's setup.
    """
    if isinstance(rods, NotFound):
        return _not_found(rods, setup)
    if pose is not None:
        return _from_pose(rods, pose, size, setup)
    ends_px = np.stack([rod.ends_px for rod in rods.both])
    # Asked first: a pose can explain away a wrong layout by taking ends for covered ones.
    wrong = surely_not(ends_px, size, setup)
    if wrong is not None:
        return _not_found(NotFound(wrong, rods.both), setup)
    pose = solve_pose(rods, size, setup)
    if not np.isfinite(pose.cost) or pose.misfit > MISFIT_LIMIT:
        return _not_found(NotFound(Reason.WRONG_LAYOUT, rods.both), setup)
    return _from_pose(rods, pose, size, setup)


def refuse(rods: Rods, reason: Reason, setup: Setup) -> Reading:
    """The reading of rods that were found and are not to be believed."""
    return _not_found(NotFound(reason, rods.both), setup)


def _from_pose(rods: Rods, pose: Pose, size: tuple[int, int], setup: Setup) -> Reading:
    rods = mark_hidden(rods, pose)
    placement, layout = place(pose, setup)
    cam_from_ground = pose.cam_from_view @ np.linalg.inv(ground_from_view(setup))
    framing = frame_swing(cam_from_ground, pose.lens.focal_px, size, setup)
    verdict, unsure = judge(placement, layout, framing, setup)
    advice = advise(rods, placement, layout, framing, setup)
    if verdict is Verdict.SQUARE and rods.score < ACCEPT:
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
    )


def _not_found(rods: NotFound, setup: Setup) -> Reading:
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
