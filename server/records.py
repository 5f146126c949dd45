"""The store of films' records: one SQLite file, and a folder of stills beside it."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path
from typing import Any

from server.certs import data_dir
from server.database import Database, Kind
from server.drift_row import Row
from server.record import FilmRecord, NotKept, RecordError, SpoiltRecord, StartOffset, clean, person
from server.stills import Stills
from server.wire_record import record_from_text, record_text

_FILMS = """
CREATE TABLE films (
    film TEXT PRIMARY KEY NOT NULL,
    begun_s REAL NOT NULL, ended_s REAL,
    person TEXT NOT NULL, bay TEXT NOT NULL, phone TEXT NOT NULL,
    view TEXT NOT NULL, words TEXT NOT NULL,
    record TEXT NOT NULL
)"""
_DRIFT = """
CREATE TABLE drift (
    film TEXT NOT NULL REFERENCES films (film) ON DELETE CASCADE,
    at_s REAL NOT NULL, watch TEXT NOT NULL, six TEXT, sigma_m REAL, sigma_rad REAL
)"""
# Each step's statements, run once in order. Never change one.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        _FILMS,
        "CREATE INDEX films_by_time ON films (begun_s)",
        "CREATE INDEX films_by_person ON films (person)",
        _DRIFT,
        "CREATE INDEX drift_of_film ON drift (film, at_s)",
    ),
)
_KIND = Kind(
    what="records of films",
    variable="TEESQUARE_RECORDS",
    after="films made from now on are kept, the earlier ones are in the file set aside",
    error=RecordError,
    migrations=MIGRATIONS,
    wal=True,
)
HASTY_S = 0.2  # so long a picture's thread may wait for another program
FIRST_YEAR, LAST_YEAR = 1970, 2999


@dataclass(frozen=True, slots=True)
class Deleted:
    """How many films are gone, how many of their stills and drift samples with them.

    `kept_aside`: the broken files kept aside that may still hold some of them.
    """

    films: int
    stills: int = 0
    samples: int = 0
    kept_aside: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """The films that were asked for, newest first, and those whose records cannot be read.

    `unread`: each film's name with the reason in a sentence.
    """

    films: list[FilmRecord]
    unread: list[tuple[str, str]]


def records_file() -> Path:
    """Where this user's records are kept. `TEESQUARE_RECORDS` names another file."""
    named = os.environ.get("TEESQUARE_RECORDS")
    return Path(named) if named else data_dir().parent / "records.sqlite"


class Records:
    """All records of one file; safe between threads. `file` None keeps them until `close`.

    Every method raises RecordError where the file cannot be used (locked, full, written by a newer
    program) with a sentence that says what to do. A broken file is kept aside, told by `tell`.
    """

    def __init__(
        self,
        file: Path | None = None,
        tell: Callable[[str], None] = lambda sentence: None,
        busy_s: float | None = None,
    ) -> None:
        self._passing = None if file else Path(tempfile.mkdtemp(prefix="teesquare-"))
        self.file = file or Path(self._passing or "") / "records.sqlite"
        self.stills = self.file.with_name(self.file.name + ".stills")
        self._pictures = Stills(self.stills)
        self._tell = tell
        self._db = Database(self.file, _KIND, tell, busy_s)

    def hasty(self) -> Records:
        """The same records, for whoever must not wait long; to be closed by nobody."""
        return Records(self.file, self._tell, HASTY_S)

    def close(self) -> None:
        """Let go; what was kept in passing is gone."""
        if self._passing is not None:
            shutil.rmtree(self._passing, ignore_errors=True)

    # ---- while a film is made

    def begin(self, record: FilmRecord) -> None:
        """Keep the record of a film that begins. Raises RecordError where it is known already."""
        with self._db.open() as db:
            if db.execute("SELECT 1 FROM films WHERE film = ?", (record.film,)).fetchone():
                raise RecordError(f"the film {record.film} has a record already: take another name")
            self._write(db, record)
            db.executemany(_ADD_DRIFT, [_drift(record.film, row) for row in record.drift])

    def append(self, film: str, row: Row) -> None:
        """One more drift sample. Raises RecordError for an unknown film."""
        with self._db.open() as db:
            if not db.execute("SELECT 1 FROM films WHERE film = ?", (film,)).fetchone():
                raise _unknown(film)
            db.execute(_ADD_DRIFT, _drift(film, row))

    def finish(self, film: str, ended_s: float, still: bytes | None = None) -> None:
        """The film has ended, also one that was taken for unfinished; `still` JPEG or PNG.

        The record is safe before the still is written: raises RecordError where only that failed.
        """
        self.amend(film, ended_s=ended_s, unfinished=False)
        if still is not None:
            self.keep_still(film, still)

    def amend(self, film: str, **changes: Any) -> FilmRecord:
        """Change some of a record: `worth`, `offset`, `bay`, … Raises RecordError."""
        with self._db.open() as db:
            if not db.in_transaction:
                db.execute("BEGIN IMMEDIATE")  # else another thread's change could be undone
            row = db.execute("SELECT record FROM films WHERE film = ?", (film,)).fetchone()
            if row is None:
                raise _unknown(film)
            record = replace(record_from_text(row[0]), **changes)
            self._write(db, record)
        return record

    def set_offset(self, film: str, offset: StartOffset) -> None:
        """How much later than another film this one began."""
        self.amend(film, offset=offset)

    def recover(self) -> list[str]:
        """At the start: films that never ended are marked unfinished and kept; gives their names.

        A phone that still films may end its film later, by `finish`.
        """
        with self._db.open() as db:
            rows = db.execute(
                "SELECT film, record FROM films WHERE ended_s IS NULL ORDER BY begun_s"
            ).fetchall()
            found = []
            for film, text in rows:
                with contextlib.suppress(RecordError):
                    record = record_from_text(text)
                    if not record.unfinished:
                        self._write(db, replace(record, unfinished=True))
                        found.append(film)
        return found

    # ---- looking

    def knows(self, film: str) -> bool:
        """Whether the film has a record, readable or not."""
        with self._db.open() as db:
            row = db.execute("SELECT 1 FROM films WHERE film = ?", (film,)).fetchone()
        return row is not None

    def get(self, film: str) -> FilmRecord:
        """One record with its drift samples. Raises RecordError for an unknown or spoilt one."""
        with self._db.open() as db:
            row = db.execute("SELECT record FROM films WHERE film = ?", (film,)).fetchone()
            drift = _drift_of(db, film)
        if row is None:
            raise _unknown(film)
        return record_from_text(row[0], drift)

    def find(
        self,
        text: str = "",
        *,
        drift: bool = False,
        films: Sequence[str] | None = None,
        phone: str | None = None,
        player: str | None = None,
        bay: str | None = None,
        view: str | None = None,
        since_s: float | None = None,
        until_s: float | None = None,
        limit: int | None = 1000,
    ) -> Found:
        """What fits; `text`: words that all must be there; `drift`: with the drift samples.

        Sought in player, bay, view, hand, date (2026-11-25) and the film's name. `player` and `bay`
        whole, but for letter case and spaces.
        """
        where = ["1"]
        values: list[str | float] = []
        for word in person(text).split():
            where.append("words LIKE ? ESCAPE '\\'")
            values.append("%" + re.sub(r"([\\%_])", r"\\\1", word) + "%")
        if films is not None:
            where.append("film IN (SELECT value FROM json_each(?))")
            values.append(json.dumps(list(films)))
        for column, value in (
            ("phone = ?", phone),
            ("person = ?", None if player is None else person(player)),
            ("person(bay) = ?", None if bay is None else person(bay)),
            ("view = ?", view),
            ("begun_s >= ?", since_s),
            ("begun_s < ?", until_s),
        ):
            if value is not None:
                where.append(column)
                values.append(value)
        with self._db.open() as db:
            db.create_function("person", 1, person, deterministic=True)
            rows = db.execute(
                f"SELECT film, record FROM films WHERE {' AND '.join(where)} "
                "ORDER BY begun_s DESC, film LIMIT ?",
                (*values, -1 if limit is None else limit),
            ).fetchall()
            found = Found([], [])
            for film, record in rows:
                samples = _drift_of(db, film) if drift else ()
                try:
                    found.films.append(record_from_text(record, samples))
                except SpoiltRecord as wrong:
                    found.unread.append((str(film), str(wrong)))
        return found

    def search(self, text: str = "", **asked: Any) -> list[FilmRecord]:
        """The readable films of `find`."""
        return self.find(text, **asked).films

    def whole(self, **asked: Any) -> list[FilmRecord]:
        """The readable films of `find` with their drift samples: for exports and reports."""
        return self.find(**asked, drift=True).films

    # ---- stills

    def keep_still(self, film: str, data: bytes) -> None:
        """Keep the film's still (JPEG or PNG). Raises RecordError."""
        self.get(film)
        self._pictures.keep(film, data)

    def still(self, film: str) -> tuple[bytes, str] | None:
        """The film's still and its type ("image/jpeg"), None without one."""
        return self._pictures.read(film)

    def still_file(self, film: str) -> str | None:
        """Where the film's still lies, None without one."""
        return self._pictures.file(film)

    # ---- forgetting

    def delete(self, film: str) -> Deleted:
        """Forget one film for good. Raises RecordError for an unknown one."""
        return self.delete_films([film])

    def delete_films(self, films: Sequence[str]) -> Deleted:
        """Forget these films for good. Raises RecordError, and deletes none, for an unknown one."""
        for film in films:
            if not self.knows(film):
                raise _unknown(film)
        return self._delete(list(dict.fromkeys(films)))

    def delete_person(self, name: str) -> Deleted:
        """Forget all films of a player, and every trace of them in this store's files.

        Letter case and spaces do not matter. Broken files that were kept aside are not touched,
        but named. Raises RecordError where nothing of that name is kept, or traces may remain
        because another program has the file open.
        """
        with self._db.open() as db:
            rows = db.execute("SELECT film FROM films WHERE person = ?", (person(name),)).fetchall()
        if not rows:
            raise NotKept("no film of that name is kept: search for how it was typed")
        return self._delete([str(row[0]) for row in rows])

    def _delete(self, films: list[str]) -> Deleted:
        # Stills first: an end in between leaves a record whose deletion can be asked for again.
        stills = samples = 0
        try:
            for film in films:
                stills += self._pictures.wipe(film)
        except OSError as wrong:
            raise RecordError(
                f"a still cannot be deleted ({wrong.strerror or wrong}): nothing else was, check "
                "the folder's rights and try again"
            ) from wrong
        marks = [(film,) for film in films]
        with self._db.open() as db:
            for mark in marks:
                samples += db.execute("DELETE FROM drift WHERE film = ?", mark).rowcount
            db.executemany("DELETE FROM films WHERE film = ?", marks)
        self.scrub()
        return Deleted(len(films), stills, samples, tuple(self._db.kept_aside))

    def scrub(self) -> None:
        """Write the file anew without what was deleted, and empty its log. Raises RecordError."""
        with self._db.plain() as db:
            db.execute("VACUUM")
            if db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]:
                raise RecordError(
                    "the records are deleted, but traces may remain in the file while another "
                    "program has it open: end it and run `teesquare records scrub`"
                )

    def _write(self, db: sqlite3.Connection, record: FilmRecord) -> None:
        day = day_of(record)
        seen = (record.player, record.bay, record.setup.view.value, record.setup.handed.value)
        words = person(" ".join((*seen, day, record.film)))
        db.execute(
            "INSERT INTO films VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (film) DO UPDATE SET "
            "ended_s = excluded.ended_s, person = excluded.person, bay = excluded.bay, "
            "phone = excluded.phone, view = excluded.view, words = excluded.words, "
            "record = excluded.record",
            (
                record.film,
                record.begun_s,
                record.ended_s,
                person(record.player),
                clean(record.bay),
                clean(record.phone),
                record.setup.view.value,
                words,
                clean(record_text(record)),  # a phone may send half a letter in any text
            ),
        )


_ADD_DRIFT = "INSERT INTO drift VALUES (?, ?, ?, ?, ?, ?)"


def day_of(record: FilmRecord) -> str:
    """The day on which the film began, as this machine's calendar has it."""
    return datetime.fromtimestamp(record.begun_s).astimezone().date().isoformat()


def _drift(film: str, row: Row) -> tuple[object, ...]:
    six = None if row.six is None else json.dumps(list(row.six))
    return film, row.at_s, row.watch, six, row.sigma_m, row.sigma_rad


def _drift_of(db: sqlite3.Connection, film: str) -> tuple[Row, ...]:
    rows = db.execute(
        "SELECT at_s, watch, six, sigma_m, sigma_rad FROM drift WHERE film = ? "
        "ORDER BY at_s, rowid",
        (film,),
    )
    return tuple(
        Row(at, watch, None if six is None else tuple(json.loads(six)), sigma_m, sigma_rad)
        for at, watch, six, sigma_m, sigma_rad in rows
    )


def days_s(first: date | None, last: date | None) -> tuple[float | None, float | None]:
    """From the first day's midnight to the end of the last, by this machine's calendar."""

    def midnight_s(day: date) -> float:
        return datetime.combine(day, clock_time.min).astimezone().timestamp()

    return (
        None if first is None else midnight_s(first),
        None if last is None else midnight_s(last + timedelta(days=1)),
    )


def day_from_text(text: str) -> date:
    """A day as people write it, 2026-11-25. Raises RecordError."""
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        day = None
    if day is None or not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise RecordError(f"{text[:40]!r} is no day: write it as year-month-day, 2026-11-25")
    return day


def _unknown(film: str) -> NotKept:
    return NotKept(f"no film {film[:80]} is kept: list them to see which there are")
