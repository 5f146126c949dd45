"""Two films held against each other, from their records or from the films themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from server.clip import WithLens, read_whole
from server.manifest import Job
from server.record import FilmRecord, RecordError
from server.records import Records
from server.solve import Solver
from vision.compare import Comparison, Drifted, compare
from vision.errors import SetupError
from vision.joint import both_of, joint
from vision.placement import Layout
from vision.reading import Verdict
from vision.rods import Rods
from vision.same_place import Other, comparable
from vision.setup import Setup
from vision.standing import Standing, shared_errors
from vision.steady import Steady


@dataclass(frozen=True, slots=True)
class Filmed:
    """What is known of one film's stand. `kit` names phone, lens and rods, "" where not known."""

    name: str
    setup: Setup
    standing: Standing | None = None
    layout: Layout | None = None
    steady: Steady | None = None
    drift: Drifted | None = None
    kit: str = ""
    moved: bool = False  # the camera moved while it filmed


def of_record(record: FilmRecord, name: str | None = None) -> Filmed:
    """A film of the records."""
    return Filmed(
        name or record.film,
        record.setup,
        record.standing,
        record.layout,
        record.steady,
        _drifted(record),
        record.kit,
        any(row.watch == "moved" for row in record.drift),
    )


def of_file(job: Job, every: int, solver: Solver, with_lens: WithLens) -> Filmed:
    """A photo or clip. Raises MediaError and SetupError; SetupError too where no rods are found."""
    found = read_whole(job, every, solver, with_lens)
    reading = found.reading
    name = job.name or job.path.name
    if reading.verdict is Verdict.NOT_FOUND or reading.pose is None or reading.placement is None:
        raise SetupError(
            f"no rods were found in {name}: nothing can be said of where its camera stood"
        )
    steady = None
    if found.size is not None and isinstance(reading.rods, Rods):
        looks = 1 if found.clip is None else found.clip.found
        steady = Steady(reading.rods, found.size, reading.setup, looks)
    shared = shared_errors(reading.pose, reading.setup)
    return Filmed(
        name,
        reading.setup,
        Standing(reading.placement, shared),
        reading.layout,
        steady,
    )


def held_against(
    first: Filmed, second: Filmed, same_kit: bool | None = None, same_rods: bool = False
) -> Comparison | Other:
    """The second against the first. `same_kit` None: by what is known of both.

    `same_rods`: somebody says that the rods lay unmoved between the two.
    """
    other = comparable(first.setup, second.setup)
    if other is not None:
        return other
    stand_a, stand_b = first.standing, second.standing
    layout_a, layout_b = first.layout, second.layout
    if stand_a is None or stand_b is None or layout_a is None or layout_b is None:
        return Other.NO_PLACE
    kin = bool(first.kit) and first.kit == second.kit if same_kit is None else same_kit
    both = None
    if first.steady is not None and second.steady is not None:
        both = joint(first.steady, second.steady, kin, same_rods)
        if both is None:
            return Other.MISFIT
        # Whether an angle was measured is the record's to say.
        both = replace(
            both,
            layout_a=replace(both.layout_a, measured=layout_a.measured),
            layout_b=replace(both.layout_b, measured=layout_b.measured),
        )
    elif first.setup.line is not second.setup.line:
        return Other.LINE
    else:
        kit = "kit" if kin else ""
        stand_a, stand_b = replace(stand_a, kit=kit), replace(stand_b, kit=kit)
        both = both_of(stand_a, stand_b, layout_a, layout_b)
    told = compare(both, first.setup, second.setup, first.drift, second.drift)
    return replace(told, rods_unproven=told.rods_unproven and not same_rods)


def record_named(records: Records, film: str) -> FilmRecord:
    """A record with its drift samples. Raises RecordError with what to do."""
    try:
        return records.get(film)
    except RecordError as wrong:
        if not Path(film).suffix:
            raise
        raise RecordError(f"{film} is no file here, and no film of that name is kept") from wrong


def _drifted(record: FilmRecord) -> Drifted | None:
    """Where it stood on average while filming."""
    rows = [row for row in record.drift if row.six is not None]
    if not rows:
        return None
    sigma_m = float(np.mean([row.sigma_m or 0.0 for row in rows]))
    sigma_rad = float(np.mean([row.sigma_rad or 0.0 for row in rows]))
    six = np.mean([row.six for row in rows if row.six is not None], axis=0)
    return Drifted(np.asarray(six), np.array([sigma_m] * 3 + [sigma_rad] * 3))
