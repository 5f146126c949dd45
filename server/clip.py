"""One answer for a whole clip: its pictures are of one camera that stands still.

Pictures in which the rods are hidden have no part in it. Which view it is, the first finds decide.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from server.manifest import Job
from server.media import Picture, frame_count, pictures
from server.solve import Solver, solve
from vision.advice import Advice, Move, Remedy
from vision.frame import Frame
from vision.reading import Reading, Timing, Verdict
from vision.rods import NotFound, Reason, Rods
from vision.setup import Setup
from vision.still import Stance, Still, believable, combine

MOST = 40  # pictures of one clip: more say little that is new of a camera that stands still
DECIDED = 3  # finds that decide the view

# Gives the setup with the lens for pictures of a size; raises SetupError.
WithLens = Callable[[Setup, tuple[int, int]], Setup]


@dataclass(frozen=True, slots=True)
class Clip:
    """What became of a clip's pictures. `still` None: no rods that are believed.

    `looked_at` pictures, rods seen in `found` of them.
    """

    looked_at: int
    found: int
    still: Still | None


@dataclass(frozen=True, slots=True)
class ClipReading:
    """The answer. `clip` None for a photo; `frame`: the picture that shows the rods best.

    `size` (width, height) of the pictures that the answer rests on.
    """

    frame: int
    reading: Reading
    timing: Timing
    clip: Clip | None
    size: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class _Find:
    frame: int
    size: tuple[int, int]
    reading: Reading


def read_whole(job: Job, every: int, solver: Solver, with_lens: WithLens) -> ClipReading:
    """The answer for a photo or a clip. Raises MediaError and SetupError."""
    start_s = time.perf_counter()
    found, lost, find_s, of_clip = _seen(job, every, solver, with_lens)
    looked_at = len(found) + len(lost)
    found, clip = _one_kind(found), None
    if not of_clip:
        one = (found or lost)[0]
        took_s = time.perf_counter() - start_s
        timing = Timing(find_s, took_s - find_s, took_s)
        return ClipReading(one.frame, one.reading, timing, None, one.size)
    if found and believable(len(found), looked_at):
        frame, reading, still = _combined(found, solver)
        clip = Clip(looked_at, len(found), still)
    else:
        frame, reading = _none(found, lost)
        clip = Clip(looked_at, len(found), None)
    took_s = time.perf_counter() - start_s
    size = found[0].size if found else None
    return ClipReading(frame, reading, Timing(find_s, took_s - find_s, took_s), clip, size)


def _seen(
    job: Job, every: int, solver: Solver, with_lens: WithLens
) -> tuple[list[_Find], list[_Find], float, bool]:
    """Pictures with rods, pictures without, seconds spent searching, whether it is a clip."""
    found: list[_Find] = []
    lost: list[_Find] = []
    find_s, of_clip, views = 0.0, False, job.views
    for picture in _spread(job, every):
        of_clip = picture.of_clip
        frame = Frame.from_bgr(picture.bgr)
        size = (frame.width, frame.height)
        setup = with_lens(job.stated.setup, size)
        reading, timing = solve(frame, setup, views, solver, job.hints)
        find_s += timing.find_s or 0.0
        good = reading.verdict is not Verdict.NOT_FOUND
        (found if good else lost).append(_Find(picture.frame, size, reading))
        if good and len(views) > 1 and len(found) >= DECIDED:
            views = (_one_kind(found)[0].reading.setup.view,)
    return found, lost, find_s, of_clip


def _spread(job: Job, every: int) -> Iterator[Picture]:
    """Every `every`th picture, or fewer where the clip is long."""
    count = frame_count(job.path)
    step = every if count is None else max(every, -(-count // MOST))
    for number, picture in enumerate(pictures(job.path, step)):
        # Where the file does not say how long it is, later pictures are taken ever more rarely.
        if count is not None or number < MOST or number % (number // MOST + 1) == 0:
            yield picture


def _one_kind(found: list[_Find]) -> list[_Find]:
    """The finds of the view and picture size that most have; of equals, the better scored."""
    kinds: dict[object, list[_Find]] = {}
    for one in found:
        kinds.setdefault((one.reading.setup.view, one.size), []).append(one)
    return max(kinds.values(), key=lambda k: (len(k), sum(map(_score, k))), default=[])


def _score(find: _Find) -> float:
    rods = find.reading.rods
    return -np.inf if isinstance(rods, NotFound) else rods.score


def _combined(found: list[_Find], solver: Solver) -> tuple[int, Reading, Still]:
    size, setup = found[0].size, found[0].reading.setup
    finds = [f.reading.rods for f in found if isinstance(f.reading.rods, Rods)]
    still = combine([f.frame for f in found], finds, size, setup)
    best = found[still.best]
    reading = best.reading
    if len(still.used) > 1:
        together = solver.conclude(still.rods, size, setup)
        # What each picture by itself is believed for, all together are too.
        if together.verdict is not Verdict.NOT_FOUND:
            reading = together
    if still.stance in (Stance.MOVED, Stance.RODS, Stance.CARRIED):
        reading = _not_sure(reading)
    return best.frame, reading, still


def _not_sure(reading: Reading) -> Reading:
    """A clip in which camera or rods did not stay is never called square."""
    if reading.verdict is not Verdict.SQUARE:
        return reading
    return replace(reading, verdict=Verdict.OFF, advice=(Advice(Move.HOLD, Remedy.STEADY.value),))


def _none(found: list[_Find], lost: list[_Find]) -> tuple[int, Reading]:
    """The answer without rods: the most frequent reason; rods seen hardly ever are unsure."""
    if found and not lost:
        return found[0].frame, found[0].reading
    reasons = [f.reading.rods.reason for f in lost if isinstance(f.reading.rods, NotFound)]
    usual = max(sorted(set(reasons)), key=reasons.count)
    one = next(
        f for f in lost if isinstance(f.reading.rods, NotFound) and f.reading.rods.reason is usual
    )
    if not found:
        return one.frame, one.reading
    unsure = NotFound(Reason.UNSURE, one.reading.rods.seen)  # type: ignore[union-attr]
    advice = (Advice(Move.FIND, Reason.UNSURE.value),)
    return one.frame, replace(one.reading, rods=unsure, advice=advice)
