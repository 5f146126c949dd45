"""Film records made by hand."""

import math
import sqlite3
from dataclasses import replace

import numpy as np

from server.drift_row import Row
from server.record import FilmRecord, StartOffset, record_of
from server.records import Records
from tests.server.made_readings import made_reading
from vision.profile import LensKey
from vision.setup import Setup, Tilt, View

CAMERA = LensKey("Android phone", "camera2 0, facing back", 1280, 720)
BEGUN_S = 1_790_000_000.0


def made_record(film="film-1", player="Ada", view=View.FACE_ON, **changes) -> FilmRecord:
    roles = Setup(view=view).roles
    setup = Setup(
        view=view,
        rod_lengths_m=dict.fromkeys(roles, 1.22),
        tilt=Tilt(math.radians(-10), 0.0, math.radians(0.3), math.radians(0.7)),
    )
    record = record_of(
        made_reading(setup),
        (1280, 720),
        film=film,
        begun_s=changes.pop("begun_s", BEGUN_S),
        player=player,
        bay=changes.pop("bay", "bay 4"),
        phone=changes.pop("phone", "phone-a"),
        camera=CAMERA,
        versions={"teesquare": "0.1.0"},
    )
    return replace(record, **changes)


def full_record() -> FilmRecord:
    """Every object filled in."""
    rng = np.random.default_rng(1)
    return made_record(
        ended_s=BEGUN_S + 20.0,
        shared=rng.normal(0, 1e-3, (6, 8)),
        drift=(
            Row(BEGUN_S + 1, "still", (1e-3, 0, 0, 0, 0, 0), 1e-3, 1e-3),
            Row(BEGUN_S + 2, "moved", (0.03, 0, 0.04, 0, math.radians(2), 0), 1e-3, 1e-3),
            Row(BEGUN_S + 3, "blind"),
        ),
        worth={"fps": 60, "blur_m": 0.1},
        offset=StartOffset("film-2", 0.4, 0.005),
        again="film-0",
    )


def make_newer(store: Records, film: str) -> None:
    """A kept record becomes one of a newer program, which this one cannot read."""
    db = sqlite3.connect(store.file)
    with db:
        db.execute(
            "UPDATE films SET record = json_set(record, '$.version', 99) WHERE film = ?", (film,)
        )
    db.close()
