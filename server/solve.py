"""One picture through the core, timed, with the view chosen where nobody stated it."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

from vision.frame import Frame
from vision.hint import Hint
from vision.pose import Pose
from vision.reading import Reading, Timing, Verdict
from vision.rods import NotFound, Rods
from vision.setup import Setup, View
from vision.sights import Sight
from vision.walk import NoWalk, Walk


class Solver(Protocol):
    """The two halves of `vision.read.read`, apart so that each can be timed, and a walk's two.

    Implementations must survive pickling: they travel to worker processes.
    """

    def find(self, frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()) -> Rods | NotFound:
        """The rods, or why not; `hints` is given only where there are any."""
        ...

    def conclude(
        self, rods: Rods | NotFound, size: tuple[int, int], setup: Setup, pose: Pose | None = None
    ) -> Reading:
        """Everything that follows from the rods; `size` is (width, height).

        `pose` is given only where several views were solved together.
        """
        ...

    def find_again(
        self, frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()
    ) -> Rods | NotFound:
        """The rods of `setup.known` in a picture where `find` failed."""
        ...

    def walk(self, sights: Sequence[Sight], before: Walk | None = None) -> Walk | NoWalk:
        """Several views of unmoved rods together."""
        ...


class VisionSolver:
    """The real one, its compiled loops made ready."""

    def __init__(self) -> None:
        from vision.warm import warm_up

        warm_up()

    def find(self, frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()) -> Rods | NotFound:
        """See `vision.read.search`."""
        from vision.read import search

        return search(frame, setup, hints)

    def conclude(
        self, rods: Rods | NotFound, size: tuple[int, int], setup: Setup, pose: Pose | None = None
    ) -> Reading:
        """See `vision.read.conclude_alone`; with a `pose` from several views, `conclude`."""
        from vision.read import conclude, conclude_alone

        if pose is None:
            return conclude_alone(rods, size, setup)
        return conclude(rods, size, setup, pose=pose)

    def find_again(
        self, frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()
    ) -> Rods | NotFound:
        """See `vision.again.find_again`."""
        from vision.again import find_again

        return find_again(frame, setup, hints)

    def walk(self, sights: Sequence[Sight], before: Walk | None = None) -> Walk | NoWalk:
        """See `vision.walk.solve_walk`."""
        from vision.walk import solve_walk

        return solve_walk(sights, before)


def possible_views(setup: Setup, stated: bool) -> tuple[View, ...]:
    """The views to try: the stated one, the one whose rods have stated lengths, or both."""
    if stated:
        return (setup.view,)
    named = tuple(
        view
        for view in View
        if any(role in setup.rod_lengths_m for role in replace(setup, view=view).roles)
    )
    return named if len(named) == 1 else tuple(View)


def solve(
    frame: Frame,
    setup: Setup,
    views: Sequence[View],
    solver: Solver,
    hints: tuple[Hint, ...] = (),
) -> tuple[Reading, Timing]:
    """The reading of the best-scoring of `views` (the first one's reason where none is found)."""
    start_s = time.perf_counter()
    taps = {"hints": hints} if hints else {}
    tried = [(solver.find(frame, s, **taps), s) for s in (replace(setup, view=v) for v in views)]
    found_s = time.perf_counter()
    tried.sort(key=lambda pair: _rank(pair[0]), reverse=True)
    size = (frame.width, frame.height)
    # The pose may still refuse what looked like a layout; then the other view gets its turn.
    readings: list[Reading] = []
    for rods, tested in tried:
        readings.append(solver.conclude(rods, size, tested))
        if readings[-1].verdict is not Verdict.NOT_FOUND:
            break
    best = readings[-1] if readings[-1].verdict is not Verdict.NOT_FOUND else readings[0]
    end_s = time.perf_counter()
    return best, Timing(found_s - start_s, end_s - found_s, end_s - start_s)


def _rank(found: Rods | NotFound) -> tuple[bool, float]:
    """Found before not found; then the score, or how much of a layout was seen."""
    if isinstance(found, NotFound):
        return (False, float(len(found.seen)))
    return (True, found.score)
