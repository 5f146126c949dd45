"""Remembered places and how cameras drifted from them: numbers only, in one SQLite file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from server.database import Database, Kind
from server.drift_row import Row
from server.wire_drift import reference_from_json, reference_to_json
from vision.drift_solve import Reference
from vision.errors import TeesquareError

_PLACES = "create table if not exists places (name text primary key, made_s real, reference text)"
_DRIFT = """
create table if not exists drift (
    place text, at_s real, watch text,
    right_m real, forward_m real, up_m real,
    turn_rad real, tilt_rad real, roll_rad real,
    sigma_m real, sigma_rad real
)"""
_DRIFT_OF = "create index if not exists drift_of on drift (place, at_s)"


class PlacesError(TeesquareError):
    """The file of places cannot be used."""


_KIND = Kind(
    what="remembered places",
    variable=None,
    after="remember each place again",
    error=PlacesError,
    # "if not exists": the first files had these tables and no version.
    migrations=((_PLACES, _DRIFT, _DRIFT_OF),),
    wal=True,
)


class Places:
    """The store; safe to use from several threads. `path` None keeps it in memory.

    A file that is no database is kept aside and a new one begun, told by `tell`.
    """

    def __init__(
        self, path: Path | None = None, tell: Callable[[str], None] = lambda sentence: None
    ) -> None:
        self._db = Database(path, _KIND, tell)
        with self._db.open():
            pass  # a file that cannot be used is told at the start

    def close(self) -> None:
        """Let go of what is in memory; nothing may be asked after that."""
        self._db.close()

    def keep(self, name: str, reference: Reference, at_s: float) -> None:
        """Remember a place under a name, in the stead of an older one of that name."""
        self._do(
            "insert or replace into places values (?, ?, ?)",
            (name, at_s, reference_to_json(reference)),
        )

    def find(self, name: str) -> Reference | None:
        """The place of that name; None where there is none or it cannot be read any more."""
        rows = self._do("select reference from places where name = ?", (name,))
        return reference_from_json(str(rows[0][0])) if rows else None

    def names(self) -> list[str]:
        """All places, the newest first."""
        return [str(r[0]) for r in self._do("select name from places order by made_s desc", ())]

    def log(self, name: str, row: Row) -> None:
        """Add one entry to a place's log."""
        six = row.six or (None,) * 6
        self._do(
            "insert into drift values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (name, row.at_s, row.watch, *six, row.sigma_m, row.sigma_rad),
        )

    def rows(self, name: str, since_s: float) -> list[Row]:
        """A place's log from a Unix time on, oldest first."""
        found = self._do(
            "select * from drift where place = ? and at_s >= ? order by at_s", (name, since_s)
        )
        return [
            Row(at, watch, None if six[0] is None else tuple(six), sigma_m, sigma_rad)
            for _, at, watch, *six, sigma_m, sigma_rad in found
        ]

    def _do(self, sql: str, values: tuple[object, ...]) -> list[tuple[Any, ...]]:
        with self._db.open() as db:
            return db.execute(sql, values).fetchall()
