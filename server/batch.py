"""Many files through the core, in order, in this process or in several; one bad file stops none."""

from __future__ import annotations

import logging
import multiprocessing
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2

from server import annotate, explain, report, wire
from server.fields import printable
from server.manifest import Job
from server.media import Picture, pictures
from server.solve import Solver, solve
from vision.budget import error_budget
from vision.errors import SetupError, TeesquareError
from vision.frame import Frame
from vision.profile import Profile
from vision.setup import Setup

logger = logging.getLogger(__name__)

ERROR = "error"


@dataclass(frozen=True, slots=True)
class Options:
    """What to make of each picture. `folder`: where the drawn pictures go, None for none.

    `explain`: say what the uncertainty is made of.
    `profile`: of the lens, for every picture whose focal length nobody stated.
    """

    json: bool
    every: int
    folder: Path | None
    explain: bool = False
    profile: Profile | None = None


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

    Views that share a `Job.group` are still solved one by one; solving them together belongs
    here, between the jobs and `read_job`.
    """
    if processes <= 1 or len(work) <= 1:
        for index, item in enumerate(work):
            for result in read_job(item, options, solver):
                yield index, result
        return
    for index, found in enumerate(_in_processes(work, options, solver, processes)):
        for result in found:
            yield index, result


def read_job(work: Work, options: Options, solver: Solver) -> Iterator[Result]:
    """The results of one file, one for each analysed picture. Never raises."""
    job = work.job
    if job.problem is not None:
        yield _unreadable(job, 0, job.problem, options)
        return
    try:
        for picture in pictures(job.path, options.every):
            yield _read_picture(work, picture, options, solver)
    except TeesquareError as wrong:
        yield _unreadable(job, 0, str(wrong), options)
    except Exception as wrong:
        logger.exception("reading %s failed", job.path)
        yield _unreadable(job, 0, _unexpected(wrong), options)


def _read_picture(work: Work, picture: Picture, options: Options, solver: Solver) -> Result:
    job = work.job
    try:
        frame = Frame.from_bgr(picture.bgr)
        setup = _with_profile(job.stated.setup, options.profile, (frame.width, frame.height))
        reading, timing = solve(frame, setup, job.views, solver, job.hints)
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
        return _unreadable(job, picture.frame, str(wrong), options)
    except Exception as wrong:
        # Whatever goes wrong with one picture, the others still get their answer.
        logger.exception("analysing %s, picture %d, failed", job.path, picture.frame)
        return _unreadable(job, picture.frame, _unexpected(wrong), options)


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


def _unreadable(job: Job, frame: int, reason: str, options: Options) -> Result:
    if not options.json:
        return Result(report.unreadable(_called(job, None), reason), ERROR)
    view = job.views[0] if len(job.views) == 1 else None
    head: dict[str, Any] = {"file": job.name, "frame": frame}
    handed = job.stated.setup.handed
    if options.explain:
        head["explain"] = None
    return Result(wire.line_text(head | wire.error_to_json(reason, view, handed)), ERROR)


def _unexpected(wrong: Exception) -> str:
    return (
        f"it could not be analysed ({type(wrong).__name__}): a fault of this program, please "
        "report it with the picture"
    )


def _all_of(work: Work, options: Options, solver: Solver) -> list[Result]:
    return list(read_job(work, options, solver))


def _start_worker() -> None:
    cv2.setNumThreads(1)  # the processes share the cores; OpenCV's own threads would fight them


def _pool(processes: int) -> ProcessPoolExecutor:
    # Spawned, as everywhere but on older Linux: a fork would copy half-held locks.
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(processes, mp_context=context, initializer=_start_worker)


def _in_processes(
    work: Sequence[Work], options: Options, solver: Solver, processes: int
) -> Iterator[list[Result]]:
    """Each job's results in order. A job that kills its process is answered by an error."""
    waiting = deque(work)
    running: deque[tuple[Work, Future[list[Result]]]] = deque()
    pool = _pool(min(processes, len(work)))
    try:
        while waiting or running:
            while waiting and len(running) < 2 * processes:
                item = waiting.popleft()
                running.append((item, pool.submit(_all_of, item, options, solver)))
            item, future = running.popleft()
            try:
                yield future.result()
            except BrokenProcessPool:
                # One of the jobs in flight did it; alone, each shows whether it was the one.
                pool.shutdown()
                broken = [item, *(other for other, _ in running)]
                running.clear()
                for suspect in broken:
                    yield _alone(suspect, options, solver)
                pool = _pool(processes)
    finally:
        pool.shutdown(cancel_futures=True)


def _alone(work: Work, options: Options, solver: Solver) -> list[Result]:
    with _pool(1) as pool:
        try:
            return pool.submit(_all_of, work, options, solver).result()
        except BrokenProcessPool:
            reason = "analysing it ended the program: make the picture smaller, or report it"
            return [_unreadable(work.job, 0, reason, options)]
