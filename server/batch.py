"""Many files through the core, in order, in this process or in several; one bad file stops none."""

from __future__ import annotations

import logging
import multiprocessing
import os
import sys
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from multiprocessing import connection
from pathlib import Path
from typing import Any

import cv2

from server import annotate, explain, report, wire
from server.clip import read_whole
from server.fields import printable
from server.group import Readings, solve_group
from server.manifest import Job
from server.media import Picture, pictures
from server.solve import Solver, solve
from server.wire_clip import clip_text, clip_to_json
from server.words import fill
from vision.budget import error_budget
from vision.errors import SetupError, TeesquareError
from vision.frame import Frame
from vision.profile import Profile
from vision.reading import Reading, Timing
from vision.setup import Setup
from vision.warm import warm_up

logger = logging.getLogger(__name__)

ERROR = "error"
DIED = "analysing it ended the program: make the picture smaller, or report it"


@dataclass(frozen=True, slots=True)
class Options:
    """What to make of each picture. `folder`: where the drawn pictures go, None for none.

    `explain`: say what the uncertainty is made of.
    `profile`: of the lens, for every picture whose focal length nobody stated.
    `whole`: one answer a file, whose pictures are of one camera that stands still.
    """

    json: bool
    every: int
    folder: Path | None
    explain: bool = False
    profile: Profile | None = None
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Result:
    """One picture's answer, ready to be printed, and its verdict (or "error")."""

    text: str
    verdict: str


@dataclass(frozen=True, slots=True)
class Work:
    """A job and the name (no ending) under which its drawn pictures are kept."""

    job: Job
    drawn_name: str


def works(jobs: Sequence[Job]) -> list[Work]:
    """The jobs with a drawn name each: the file's own, numbered where two files share it."""
    taken: set[str] = set()
    out: list[Work] = []
    for job in jobs:
        stem = Path(job.name or "manifest").stem or "picture"
        name, number = stem, 2
        while name.casefold() in taken:  # some file systems do not tell A from a
            name, number = f"{stem}-{number}", number + 1
        taken.add(name.casefold())
        out.append(Work(job, name))
    return out


def results(
    work: Sequence[Work], options: Options, solver: Solver, processes: int
) -> Iterator[tuple[int, Result]]:
    """Each result with the index of its job, in the order of the jobs.

    Views that share a `Job.group` are solved together when the first of them has its turn.
    """
    if processes <= 1 or len(work) <= 1:
        groups = _groups(work)
        solved: dict[int, Readings] = {}
        for index, item in enumerate(work):
            name = item.job.group
            if name is not None and index == groups[name][0]:
                jobs = [work[k].job for k in groups[name]]
                solved |= _shares(groups[name], _solve_group(jobs, options, solver))
            for result in read_job(item, options, solver, solved.pop(index, None)):
                yield index, result
        return
    for index, found in enumerate(_in_processes(work, options, solver, processes)):
        for result in found:
            yield index, result


def _groups(work: Sequence[Work]) -> dict[str, list[int]]:
    """Which jobs, by their indices, share a group."""
    groups: dict[str, list[int]] = {}
    for index, item in enumerate(work):
        if item.job.group is not None:
            groups.setdefault(item.job.group, []).append(index)
    return groups


def _solve_group(jobs: Sequence[Job], options: Options, solver: Solver) -> Readings:
    """The joint readings; none where that fails, so that each picture is read alone."""
    try:
        return solve_group(jobs, options.every, solver)
    except Exception:
        logger.exception("solving the views of %s together failed", jobs[0].group)
        return {}


def _shares(indices: Sequence[int], found: Readings) -> dict[int, Readings]:
    """Each job's part of its group's readings, by the job's index."""
    shares: dict[int, Readings] = {index: {} for index in indices}
    for (number, frame), reading in found.items():
        shares[indices[number]][number, frame] = reading
    return shares


def read_job(
    work: Work, options: Options, solver: Solver, solved: Readings | None = None
) -> Iterator[Result]:
    """The results of one file, one for each analysed picture. Never raises.

    `solved`: readings of its pictures that were solved together with other views.
    """
    job = work.job
    if job.problem is not None:
        yield unreadable(job, 0, job.problem, options)
        return
    known = {frame: reading for (_, frame), reading in (solved or {}).items()}
    try:
        if options.whole and job.group is None:
            yield _read_whole(work, options, solver)
            return
        for picture in pictures(job.path, options.every):
            yield _read_picture(work, picture, options, solver, known.get(picture.frame))
    except TeesquareError as wrong:
        yield unreadable(job, 0, str(wrong), options)
    except Exception as wrong:
        logger.exception("reading %s failed", job.path)
        yield unreadable(job, 0, _unexpected(wrong), options)


def _read_picture(
    work: Work,
    picture: Picture,
    options: Options,
    solver: Solver,
    solved: tuple[Reading, Timing] | None,
) -> Result:
    job = work.job
    try:
        if solved is None:
            frame = Frame.from_bgr(picture.bgr)
            setup = _with_profile(job.stated.setup, options.profile, (frame.width, frame.height))
            solved = solve(frame, setup, job.views, solver, job.hints)
        reading, timing = solved
        stated = wire.Stated(reading.setup, job.stated.units, job.stated.language)
        head = {"file": job.name, "frame": picture.frame}
        if options.folder is not None:
            ending = f"-{picture.frame:06d}.jpg" if picture.of_clip else ".jpg"
            annotate.save(
                annotate.draw(picture.bgr, reading, report.short_lines(reading, stated)),
                options.folder / (work.drawn_name + ending),
            )
        budget = None
        if options.explain and reading.pose is not None:
            budget = error_budget(reading.pose, reading.setup)
        if options.json:
            line = head | wire.reading_to_json(reading, stated, timing)
            if options.explain:
                line["explain"] = wire.explain_to_json(budget, stated)
            text = wire.line_text(line)
        else:
            name = _called(job, picture.frame if picture.of_clip else None)
            text = report.report(name, reading, stated, guessed=len(job.views) > 1)
            if budget is not None:
                text += "\n" + explain.report(budget, reading.setup, stated)
        return Result(text, reading.verdict.value)
    except TeesquareError as wrong:
        return unreadable(job, picture.frame, str(wrong), options)
    except Exception as wrong:
        # Whatever goes wrong with one picture, the others still get their answer.
        logger.exception("analysing %s, picture %d, failed", job.path, picture.frame)
        return unreadable(job, picture.frame, _unexpected(wrong), options)


def _read_whole(work: Work, options: Options, solver: Solver) -> Result:
    """One answer for all pictures of the file. Raises what reading it raises."""
    job = work.job
    found = read_whole(
        job, options.every, solver, lambda setup, size: _with_profile(setup, options.profile, size)
    )
    reading, clip = found.reading, found.clip
    stated = wire.Stated(reading.setup, job.stated.units, job.stated.language)
    if options.folder is not None:
        for picture in pictures(job.path):
            if picture.frame == found.frame:
                lines = report.short_lines(reading, stated)
                lines += [] if clip is None else [clip_text(clip, stated)]
                drawn = annotate.draw(picture.bgr, reading, lines)
                annotate.save(drawn, options.folder / f"{work.drawn_name}.jpg")
                break
    budget = None
    if options.explain and reading.pose is not None:
        budget = error_budget(reading.pose, reading.setup)
    if options.json:
        line: dict[str, Any] = {"file": job.name, "frame": found.frame}
        line |= wire.reading_to_json(reading, stated, found.timing)
        line |= {"clip": None if clip is None else clip_to_json(clip, stated)}
        if options.explain:
            line["explain"] = wire.explain_to_json(budget, stated)
        return Result(wire.line_text(line), reading.verdict.value)
    text = report.report(_called(job, None), reading, stated, guessed=len(job.views) > 1)
    if clip is not None:
        text += f"\n  {fill(stated, 'check.clip', what=clip_text(clip, stated))}"
    if budget is not None:
        text += "\n" + explain.report(budget, reading.setup, stated)
    return Result(text, reading.verdict.value)


def _with_profile(setup: Setup, profile: Profile | None, size: tuple[int, int]) -> Setup:
    """The setup with the profile's lens, unless a focal length was stated. Raises SetupError."""
    if profile is None or setup.lens is not None:
        return setup
    lens = profile.lens_for(size)
    if lens is None:
        raise SetupError(
            f"the lens profile {printable(profile.name)} is of pictures of {profile.key.long_px} x "
            f"{profile.key.short_px}; this one, of {max(size)} x {min(size)}, has another shape "
            "and so another crop: leave out --profile, or calibrate for this shape"
        )
    return replace(setup, lens=lens)


def _called(job: Job, frame: int | None) -> str:
    name = job.name if job.name is not None else job.path.name
    return name if frame is None else f"{name}, picture {frame}"


def unreadable(job: Job, frame: int, reason: str, options: Options) -> Result:
    """The answer for what cannot be read, and why."""
    if not options.json:
        return Result(report.unreadable(_called(job, None), reason, job.stated), ERROR)
    view = job.views[0] if len(job.views) == 1 else None
    head: dict[str, Any] = {"file": job.name, "frame": frame}
    handed = job.stated.setup.handed
    if options.explain:
        head["explain"] = None
    if options.whole and job.group is None:
        head["clip"] = None
    return Result(wire.line_text(head | wire.error_to_json(reason, view, handed)), ERROR)


def _unexpected(wrong: Exception) -> str:
    return (
        f"it could not be analysed ({type(wrong).__name__}): a fault of this program, please "
        "report it with the picture"
    )


def all_of(
    work: Work, options: Options, solver: Solver, solved: Readings | None = None
) -> list[Result]:
    """`read_job` as a task for another process."""
    return list(read_job(work, options, solver, solved))


def start_worker() -> None:
    """Make a new process ready; it ends with the one that started it, however that ends."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()
    warm_up()
    cv2.setNumThreads(1)  # the processes share the cores; OpenCV's own threads would fight them


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)  # killed, the parent cannot tell its processes, which would wait for ever


def pool_of(processes: int) -> ProcessPoolExecutor:
    """Processes that are ready to read pictures."""
    # Never forked from here: that would copy half-held locks. On Linux from a process that has done
    # nothing but import what each of them needs; elsewhere that is not safe either.
    linux = sys.platform == "linux"
    context = multiprocessing.get_context("forkserver" if linux else "spawn")
    if linux:
        context.set_forkserver_preload([__name__])
    return ProcessPoolExecutor(processes, mp_context=context, initializer=start_worker)


def _in_processes(
    work: Sequence[Work], options: Options, solver: Solver, processes: int
) -> Iterator[list[Result]]:
    """Each job's results in order. A job that kills its process is answered by an error.

    A group is one task, begun when its first job comes near its turn; its jobs' own results are
    made from that when they have their turn.
    """
    groups = _groups(work)
    together: dict[str, Future[Readings]] = {}
    shares: dict[int, Readings] = {}
    waiting = deque(enumerate(work))
    running: deque[tuple[int, Future[list[Result]] | None]] = deque()
    pool = pool_of(min(processes, len(work)))
    try:
        while waiting or running:
            while waiting and len(running) < 2 * processes:
                index, item = waiting.popleft()
                name = item.job.group
                if name is None:
                    running.append((index, pool.submit(all_of, item, options, solver)))
                    continue
                if name not in together:
                    jobs = [work[k].job for k in groups[name]]
                    together[name] = pool.submit(_solve_group, jobs, options, solver)
                running.append((index, None))
            index, future = running.popleft()
            item, name = work[index], work[index].job.group
            try:
                if name is not None and index == groups[name][0]:
                    shares |= _shares(groups[name], together[name].result())
                if future is None:
                    future = pool.submit(all_of, item, options, solver, shares.get(index))
                yield future.result()
                shares.pop(index, None)
            except BrokenProcessPool:
                # One of the tasks in flight did it; alone, each shows whether it was the one.
                pool.shutdown()
                broken = [index, *(other for other, _ in running)]
                running.clear()
                for suspect in broken:
                    its = work[suspect].job.group
                    if its is not None and suspect == groups[its][0] and suspect not in shares:
                        jobs = [work[k].job for k in groups[its]]
                        shares |= _shares(groups[its], _group_alone(jobs, options, solver))
                    yield alone(work[suspect], options, solver, shares.pop(suspect, None))
                pool = pool_of(processes)
    finally:
        pool.shutdown(cancel_futures=True)


def alone(
    work: Work, options: Options, solver: Solver, solved: Readings | None = None
) -> list[Result]:
    """The same in a process of its own: a file that ends it has an error for an answer."""
    with pool_of(1) as pool:
        try:
            return pool.submit(all_of, work, options, solver, solved).result()
        except BrokenProcessPool:
            return [unreadable(work.job, 0, DIED, options)]


def _group_alone(jobs: Sequence[Job], options: Options, solver: Solver) -> Readings:
    """A group's readings without those of its files that end the program."""
    for tried in (list(jobs), [_survivor(job, options, solver) for job in jobs]):
        with pool_of(1) as pool:
            try:
                return pool.submit(_solve_group, tried, options, solver).result()
            except BrokenProcessPool:
                continue
    return {}


def _survivor(job: Job, options: Options, solver: Solver) -> Job:
    """The job, marked as unusable where reading it alone ends its process."""
    with pool_of(1) as pool:
        try:
            pool.submit(_solve_group, [job], options, solver).result()
        except BrokenProcessPool:
            return replace(job, problem=DIED)
        return job
