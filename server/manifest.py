"""What is known of each picture: a manifest's lines, or the command's options."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from server import wire
from server.fields import printable
from server.solve import possible_views
from server.wire_aim import target_from_json
from vision.errors import SetupError, TeesquareError
from vision.hint import Hint
from vision.setup import View


class ManifestError(TeesquareError):
    """A manifest that cannot be read at all."""


@dataclass(frozen=True, slots=True)
class Job:
    """One file to be read. `name` is how the person called it, `path` where it is.

    `views` are those to be tried. `group` names an unmoved setup that several views share. Where
    `problem` is set, it says why the file cannot even be tried; `name` may then be None.
    `hints` are places on rods, for every picture of the file.
    """

    name: str | None
    path: Path
    stated: wire.Stated
    views: tuple[View, ...]
    group: str | None = None
    problem: str | None = None
    hints: tuple[Hint, ...] = ()


def jobs_from_files(files: Sequence[str], stated: wire.Stated, view_stated: bool) -> list[Job]:
    """One job a file, all with the same facts."""
    views = possible_views(stated.setup, view_stated)
    return [Job(name, Path(name), stated, views) for name in files]


def jobs_from_manifest(
    manifest: Path, stated: wire.Stated, view_stated: bool
) -> tuple[list[Job], list[str]]:
    """The jobs of a manifest in order, over the facts already stated, and warnings for people.

    A line that cannot be used becomes a job with a `problem`. Raises ManifestError.
    """
    jobs: list[Job] = []
    warnings: list[str] = []
    for number, text in _lines(manifest):
        where = f"line {number} of {printable(manifest.name)}"
        try:
            line = wire.manifest_line(text)
        except SetupError as wrong:
            problem = f"{where} {wrong}"
            jobs.append(Job(None, manifest, stated, tuple(View), problem=problem))
            continue
        if line.unknown:
            names = ", ".join(printable(key) for key in line.unknown)
            warnings.append(f"{where}: not understood and left aside: {names}")
        path = manifest.parent / line.file
        try:
            own = wire.setup_from_json(line.facts, stated.setup)
            hints = wire.hints_from_json(line.hints)
            target = target_from_json(*line.aim)
        except SetupError as wrong:
            problem = f"{where}: {wrong}"
            jobs.append(Job(line.file, path, stated, tuple(View), line.setup_name, problem))
            continue
        own = wire.Stated(
            replace(own.setup, aim=own.setup.aim if target is None else target),
            own.units if "units" in line.facts else stated.units,
            own.language if "language" in line.facts else stated.language,
        )
        views = possible_views(own.setup, view_stated or line.facts.get("view") is not None)
        jobs.append(Job(line.file, path, own, views, line.setup_name, hints=hints))
    return jobs, warnings


def choose(jobs: Sequence[Job], files: Sequence[Job]) -> list[Job]:
    """Only the named `files`, each with its manifest line's facts where it has one.

    Lines that could not be read stay, so that a typing error is not passed over in silence.
    """
    known = {_place(job.path): job for job in jobs if job.name is not None}
    broken = [job for job in jobs if job.name is None]
    return broken + [known.get(_place(job.path), job) for job in files]


def _place(path: Path) -> Path:
    # resolve() fails on names with a null byte; such a file is told about when it is opened.
    try:
        return path.resolve()
    except (OSError, ValueError):
        return path


def _lines(manifest: Path) -> Iterator[tuple[int, str]]:
    try:
        # With or without a byte order mark; a byte that is not UTF-8 spoils its own line only.
        text = manifest.read_text(encoding="utf-8-sig", errors="replace")
    except (OSError, ValueError) as wrong:
        said = getattr(wrong, "strerror", None) or "its name cannot be used"
        raise ManifestError(
            f"the manifest {printable(str(manifest))} cannot be read ({said})"
        ) from wrong
    # Split at line feeds alone: other separators may stand inside a JSON string.
    for number, line in enumerate(text.split("\n"), start=1):
        if line.strip():
            yield number, line
