"""Films as the book tells of them, kept as records."""

from __future__ import annotations

import contextlib
import logging
import threading
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from server import clock
from server.film_book import Lock
from server.places import Row
from server.record import RecordError, StartOffset, record_of
from server.records import Records
from server.wire import Stated

logger = logging.getLogger(__name__)

MOST_EARLY = 64  # start offsets kept of films whose records have not begun


class FilmRecords:
    """A `server.film_book.Keeper` over the store of records. Raises RecordError as that does."""

    def __init__(self, records: Records) -> None:
        self._records = records
        self._early: dict[str, StartOffset] = {}
        self._mutex = threading.Lock()

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
            versions={"teesquare": _version()},
        )
        self._records.begin(record)
        self._records.set_worth(film, worth)
        with self._mutex:
            early = self._early.pop(film, None)
        if early is not None:
            self._records.set_offset(film, early)

    def keep_offset(self, film: str, other: str, start: clock.StartOffset) -> None:
        """How much later `film` began than `other`, also of a film whose record begins later."""
        offset = StartOffset(other, start.offset_s, start.sigma_s)
        with self._mutex:
            self._early[film] = offset
            while len(self._early) > MOST_EARLY:
                self._early.pop(next(iter(self._early)))
        try:
            self._records.set_offset(film, offset)
        except RecordError:
            logger.info("the offset of a film waits for its record")
            return
        with self._mutex:
            self._early.pop(film, None)

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
