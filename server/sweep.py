"""`check FOLDER --results TABLE`: thousands of files, one row each, begun again where it ended."""

from __future__ import annotations

import hashlib
import json
import os
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from server import report, table
from server.batch import ERROR, Options, Result, Work
from server.engines import Engine
from server.fields import printable
from server.journal import Journal
from server.manifest import Job
from vision.errors import SetupError

# What is taken out of a folder; a file that is named by itself is read whatever its name.
_VIDEO = "mp4 mov m4v avi mkv webm 3gp mts m2ts ts mpg mpeg mjpeg mjpg y4m ivf wmv"
_PHOTO = "jpg jpeg png webp bmp tif tiff heic"
ENDINGS = frozenset(f".{ending}" for ending in f"{_VIDEO} {_PHOTO}".split(" "))


def files_in(folder: Path) -> tuple[list[Path], int]:
    """Photos and clips in the folder and those in it, in order, and how many others there are.

    Raises SetupError for a folder that cannot be read.
    """
    found: list[Path] = []
    others = 0

    def trouble(wrong: OSError) -> None:
        raise SetupError(f"the folder {printable(str(folder))} cannot be read ({wrong.strerror})")

    for place, folders, names in os.walk(folder, onerror=trouble):
        folders[:] = [name for name in folders if not name.startswith(".")]
        for name in names:
            # "._a.mov" is what some systems leave beside a.mov on foreign disks.
            if name.startswith(".") or Path(name).suffix.lower() not in ENDINGS:
                others += 1
            else:
                found.append(Path(place, name))
    return sorted(found, key=lambda path: path.relative_to(folder).parts), others


def prepared(jobs: Sequence[Job]) -> list[Job]:
    """The jobs, each file once, with whole paths. Raises SetupError for views that belong together.

    A cluster's workers stand in other folders.
    """
    out: dict[str, Job] = {}
    for job in jobs:
        if job.group is not None:
            raise SetupError(
                f"--results gives each file an answer of its own: leave out the setup "
                f"{printable(job.group)}, whose views are solved together"
            )
        name = job.name if job.name is not None else f"({job.problem})"
        out.setdefault(name, replace(job, name=name, path=Path(os.path.abspath(job.path))))  # noqa: PTH100
    return list(out.values())


def run(
    work: Sequence[Work], options: Options, engine: Engine, results: Path, retry: bool = False
) -> int:
    """Read what is not yet in the journal, then write the table. Returns the exit code.

    `retry`: read those again that could not be read. Raises JournalError, TableError, ClusterError.
    """
    with Journal(results.with_name(results.name + ".journal")) as journal:
        if retry:
            for name, (_, line) in list(journal.answers.items()):
                if line.get("verdict") == ERROR:
                    journal.forget(name)
        names = [str(item.job.name) for item in work]
        marks = [mark(item, options) for item in work]
        left = [k for k in range(len(work)) if not journal.done(names[k], marks[k])]
        if len(left) < len(work):
            _say(f"{len(work) - len(left)} of {len(work)} are done already.")
        start_s = time.monotonic()
        try:
            if left:
                found = engine.results([work[k] for k in left], options)
                for position, result in _with_bar(found, len(work), len(work) - len(left)):
                    k = left[position]
                    journal.add(names[k], marks[k], _line(result))
        except KeyboardInterrupt:
            done = sum(map(journal.done, names, marks))
            _say(f"stopped after {done} of {len(work)}. Nothing is lost: the same command goes on.")
            return 130
        took_s = time.monotonic() - start_s
        lines = [journal.answers[name][1] for name in names]
        table.write(results, lines)
    verdicts = [str(line["verdict"]) for line in lines]
    print(report.summary(verdicts))
    if left:
        rate = len(left) / max(took_s, 1e-9)
        many = f"{engine.workers} worker" + ("s" if engine.workers != 1 else "")
        print(f"{len(left)} files in {took_s:.1f} s with {many}: {rate:.1f} a second.")
    print(f"Table: {printable(str(results))}")
    return 1 if ERROR in verdicts else 0


def mark(work: Work, options: Options) -> str:
    """What the file's answer depends on: the file as it is now, and all that is stated of it."""
    job = work.job
    try:
        stat = job.path.stat()
        file = (stat.st_size, stat.st_mtime_ns)
    except (OSError, ValueError):
        file = (-1, -1)
    facts = (job.stated, job.views, job.hints, job.problem, options.every, options.profile)
    return hashlib.sha256(repr((file, facts)).encode("utf-8", "backslashreplace")).hexdigest()[:16]


def _line(results: Sequence[Result]) -> dict[str, object]:
    """The answer without what differs from run to run."""
    (result,) = results
    line: dict[str, object] = json.loads(result.text)
    return line | {"elapsed_ms": None}


def _say(text: str) -> None:
    print(f"teesquare check: {text}", file=sys.stderr)


def _with_bar(
    found: Iterator[tuple[int, list[Result]]], total: int, done: int
) -> Iterator[tuple[int, list[Result]]]:
    console = Console(stderr=True)
    if not console.is_terminal:
        yield from found
        return
    with Progress(
        TextColumn("checking"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    ) as bar:
        task = bar.add_task("checking", total=total, completed=done)
        for each in found:
            yield each
            bar.advance(task)
