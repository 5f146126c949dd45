"""Views of one unmoved setup: found one by one, solved together, answered one by one."""

from __future__ import annotations

import logging
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from server.manifest import Job
from server.media import MediaError, Picture, pictures
from server.solve import Solver
from vision.agree import agreement
from vision.frame import Frame
from vision.keyframes import spread_out
from vision.known import KnownRods
from vision.read import refuse
from vision.reading import Reading, Timing
from vision.rods import NotFound, Reason, Rods
from vision.setup import Setup, View
from vision.sights import Sight
from vision.walk import Walk

logger = logging.getLogger(__name__)

MOST_TOGETHER = 24  # views in the joint solution; of a longer clip those that differ most

# Which picture: the number of its job within the group, and its index in the file.
Place = tuple[int, int]
Readings = dict[Place, tuple[Reading, Timing]]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One picture of a group: what was found in it under its setup, and how long that took."""

    place: Place
    size: tuple[int, int]
    setup: Setup
    rods: Rods | NotFound
    find_s: float

    @property
    def sight(self) -> Sight | None:
        """What a walk can use of it."""
        if isinstance(self.rods, NotFound):
            return None
        return Sight(self.rods, self.size, self.setup)


def solve_group(jobs: Sequence[Job], every: int, solver: Solver) -> Readings:
    """Readings of the pictures of jobs that share a `Job.group`, solved together.

    Pictures that are missing in it have no part in a joint solution and are to be read alone:
    unreadable ones, ones whose stated facts differ from the others', all where too few agree.
    """
    best: Readings = {}
    most = (0, 0.0)
    for view in _views(jobs):
        seen = [s for k, job in enumerate(jobs) for s in _look(k, job, view, every, solver)]
        found, walk = _together(jobs, _kinds(seen), every, solver)
        if walk is None:
            continue
        rank = (walk.used, sum(v.sight.rods.score for v in walk.views))
        if rank > most:
            best, most = found, rank
    return best


def _views(jobs: Sequence[Job]) -> list[View]:
    """The views that all usable jobs allow."""
    usable = [set(job.views) for job in jobs if job.problem is None]
    return [view for view in View if usable and all(view in views for views in usable)]


def _look(number: int, job: Job, view: View, every: int, solver: Solver) -> Iterator[Seen]:
    """What the search finds in each picture. What is wrong with a file, its own line will tell."""
    setup = replace(job.stated.setup, view=view)
    hints = {"hints": job.hints} if job.hints else {}
    for picture in _pictures(job, every):
        start_s = time.perf_counter()
        try:
            frame = Frame.from_bgr(picture.bgr)
            # One tilt cannot hold for all pictures of a clip in which the phone is carried.
            own = replace(setup, tilt=None) if picture.of_clip else setup
            rods = solver.find(frame, own, **hints)
            # Only rods that are believed by themselves may say how the others lie.
            alone = solver.conclude(rods, (frame.width, frame.height), own)
            rods = rods if isinstance(alone.rods, Rods) else alone.rods
        except Exception:
            logger.debug("picture %d of %s is left out", picture.frame, job.path, exc_info=True)
            continue
        size = (frame.width, frame.height)
        took_s = time.perf_counter() - start_s
        yield Seen((number, picture.frame), size, own, rods, took_s)


def _pictures(job: Job, every: int) -> Iterator[Picture]:
    if job.problem is not None:
        return
    try:
        yield from pictures(job.path, every)
    except MediaError:
        return


def _kinds(seen: Sequence[Seen]) -> list[list[Seen]]:
    """Pictures of one size with the same stated facts but for the tilt; the most found first."""
    kinds: list[list[Seen]] = []
    for one in seen:
        same = next((k for k in kinds if k[0].size == one.size and _alike(k[0], one)), None)
        if same is None:
            kinds.append([one])
        else:
            same.append(one)
    return sorted(kinds, key=lambda kind: -sum(one.sight is not None for one in kind))


def _alike(a: Seen, b: Seen) -> bool:
    return replace(b.setup, tilt=a.setup.tilt) == a.setup


def _together(
    jobs: Sequence[Job], kinds: list[list[Seen]], every: int, solver: Solver
) -> tuple[Readings, Walk | None]:
    """The joint solution of the largest kind; a phone turned on its side since takes it over."""
    if not kinds:
        return {}, None
    main = kinds[0]
    start_s = time.perf_counter()
    sights = {one.place: sight for one in main if (sight := one.sight) is not None}
    walk = _walk(sights, solver, None)
    if walk is None:
        return {}, None
    turned = [one for kind in kinds[1:] if _same_lens(main[0], kind[0]) for one in kind]
    # Lens and layout are known now: with them the missing views are looked for once more.
    missing = {one.place: one for one in (*main, *turned) if one.sight is None}
    again = dict(_again(jobs, missing, walk.known, every, solver))
    late = {k: s for k, s in again.items() if s.size == main[0].size}
    if late:
        walk = _walk(sights | late, solver, walk) or walk
    share_s = (time.perf_counter() - start_s) / len(main)
    views = {id(view.sight): view for view in walk.views}
    out: Readings = {}
    for one in (*main, *turned):
        began_s = time.perf_counter()
        sight = sights.get(one.place) or again.get(one.place) or one.sight
        setup = one.setup.knowing(walk.known)
        view = views.get(id(sight))
        if sight is None:
            reading = solver.conclude(one.rods, one.size, setup)
        elif view is not None and view.pose is not None:
            reading = solver.conclude(sight.rods, one.size, view.setup, view.pose)
        else:
            alone = agreement(sight.rods, one.size, setup)
            if alone.moved():
                reading = refuse(sight.rods, Reason.DISAGREES, setup)
            else:
                reading = solver.conclude(sight.rods, one.size, setup, alone.pose)
        pose_s = share_s + time.perf_counter() - began_s
        out[one.place] = (reading, Timing(one.find_s, pose_s, one.find_s + pose_s))
    return out, walk


def _same_lens(main: Seen, other: Seen) -> bool:
    """The same stated facts, and the same picture turned upright or on its side."""
    return other.size == main.size[::-1] and _alike(main, other)


def _walk(sights: Mapping[Place, Sight], solver: Solver, before: Walk | None) -> Walk | None:
    """The joint solution of the sights that differ most."""
    all_ = list(sights.values())
    walk = solver.walk([all_[k] for k in spread_out(all_, MOST_TOGETHER)], before)
    return walk if isinstance(walk, Walk) else None


def _again(
    jobs: Sequence[Job],
    missing: Mapping[Place, Seen],
    known: KnownRods,
    every: int,
    solver: Solver,
) -> Iterator[tuple[Place, Sight]]:
    """The missing views in which the known rods were found after all."""
    for number in sorted({job for job, _ in missing}):
        job = jobs[number]
        hints = {"hints": job.hints} if job.hints else {}
        for picture in _pictures(job, every):
            one = missing.get((number, picture.frame))
            if one is None:
                continue
            setup = one.setup.knowing(known)
            rods = solver.find_again(Frame.from_bgr(picture.bgr), setup, **hints)
            if not isinstance(rods, NotFound):
                yield one.place, Sight(rods, one.size, one.setup)
