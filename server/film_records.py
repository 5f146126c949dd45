"""Films as the book tells of them, kept as records."""

from __future__ import annotations

import contextlib
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from server.film_book import Lock
from server.places import Row
from server.record import RecordError, record_of
from server.records import Records
from server.wire import Stated


class FilmRecords:
    """A `server.film_book.Keeper` over the store of records. Raises RecordError as that does."""

    def __init__(self, records: Records) -> None:
        self._records = records

    def begin(
        self, film: str, begun_s: float, lock: Lock, worth: dict[str, Any], stated: Stated
    ) -> None:
        """A film begins; one that the store knows (from before a restart) goes on."""
        with contextlib.suppress(RecordError):
            self._records.get(film)
            return
        frame, who = lock.frame, stated.who
        record = record_of(
            lock.reading,
            (frame.width, frame.height),
            film=film,
            begun_s=begun_s,
            player=who.player,
            bay=who.bay,
            phone=who.phone,
            camera=stated.camera,
            again=lock.again,
            steady=lock.steady,
            versions={"teesquare": _version()},
        )
        self._records.begin(record)
        self._records.set_worth(film, worth)

    def sample(self, film: str, row: Row) -> None:
        """One more drift sample."""
        self._records.append(film, row)

    def finish(self, film: str, ended_s: float, still: bytes | None, worth: dict[str, Any]) -> None:
        """A film has ended; what it is worth is what it was at its end."""
        self._records.finish(film, ended_s, still)
        self._records.set_worth(film, worth)


def _version() -> str:
    try:
        return version("teesquare")
    except PackageNotFoundError:
        return "unknown"
