"""Films as the book tells of them, kept as records."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from server.clock import StartOffset as Later
from server.drift_row import Row
from server.film_book import Lock, still
from server.record import FilmRecord, NotKept, RecordError, SpoiltRecord, StartOffset, record_of
from server.records import Records
from server.sentence import Sentence
from server.wire import Stated

AGAIN_S = 2.0  # between two tries of what could not be written
MOST_EARLY = 64  # start offsets kept of films whose records have not begun
MOST_WAITING = 20_000  # two samples a second of one phone for nearly three hours


class FilmRecords:
    """A `server.film_book.Keeper` over the store of records.

    What cannot be written just now (disk full, file in use) is held in memory, in order, and tried
    again with each further word and at the end; `tell` gets a sentence when that begins, when it
    is over, and when anything is lost. A film that was deleted meanwhile is not brought back.
    """

    def __init__(
        self,
        records: Records,
        tell: Callable[[str], None] = lambda sentence: None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._records = records
        self._tell = tell
        self._clock = clock
        self._mutex = threading.Lock()
        self._waiting: deque[Callable[[], None]] = deque()
        self._failed_s: float | None = None
        self._lost = 0
        self._early: dict[str, StartOffset] = {}

    def begin(
        self, film: str, begun_s: float, lock: Lock, worth: dict[str, Any], stated: Stated
    ) -> None:
        """A film begins; one that the store knows (from before a restart) goes on.

        Raises RecordError for a film or a name that no record can have.
        """
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
        # The picture too, at once: it must not be lost with the server.
        known = lock.reading.placement is not None
        picture = still(lock, None, stated) if known else None
        self._do(lambda: self._begin(replace(record, worth=worth), picture))

    def keep_offset(self, film: str, other: str, start: Later) -> None:
        """How much later `film` began than `other`, also of a film whose record begins later."""
        offset = StartOffset(other, start.offset_s, start.sigma_s)
        self._do(lambda: self._offset(film, offset))

    def sample(self, film: str, row: Row) -> None:
        """One more drift sample."""
        self._do(lambda: self._records.append(film, row))

    def finish(
        self, film: str, ended_s: float, picture: bytes | None, worth: dict[str, Any]
    ) -> None:
        """A film has ended; what it is worth is what it was at its end."""

        def write() -> None:
            self._records.amend(film, ended_s=ended_s, unfinished=False, worth=worth)

        self._do(write)
        if picture is not None:
            self._do(lambda: self._keep_still(film, picture))

    def close(self) -> None:
        """Try once more what waits; what is lost is told."""
        with self._mutex:
            self._write()
            self._lost += len(self._waiting)
            self._waiting.clear()
            if self._lost:
                self._tell(Sentence("serve.lost", n=self._lost))
                self._lost = 0

    def _do(self, write: Callable[[], None]) -> None:
        with self._mutex:
            if len(self._waiting) < MOST_WAITING:
                self._waiting.append(write)
            else:
                self._lost += 1
            if self._failed_s is None or self._clock() - self._failed_s >= AGAIN_S:
                self._write()

    def _write(self) -> None:
        while self._waiting:
            try:
                self._waiting[0]()
            except NotKept:
                pass  # deleted meanwhile: nothing of it is to be kept
            except SpoiltRecord as wrong:
                self._tell(Sentence("serve.lost.one", why=str(wrong)))
            except RecordError as wrong:
                if self._failed_s is None:
                    self._tell(Sentence("serve.held", why=str(wrong)))
                self._failed_s = self._clock()
                return
            self._waiting.popleft()
        if self._failed_s is not None:
            self._failed_s = None
            self._tell(Sentence("serve.written"))

    def _begin(self, record: FilmRecord, picture: bytes | None) -> None:
        if not self._records.knows(record.film):
            self._records.begin(record)
            if picture is not None:
                self._keep_still(record.film, picture)
        early = self._early.get(record.film)
        if early is not None:
            self._records.set_offset(record.film, early)
            del self._early[record.film]

    def _offset(self, film: str, offset: StartOffset) -> None:
        if self._records.knows(film):
            self._records.set_offset(film, offset)
            return
        self._early[film] = offset
        while len(self._early) > MOST_EARLY:
            del self._early[next(iter(self._early))]

    def _keep_still(self, film: str, picture: bytes) -> None:
        """A record without its still is better than one that waits for room."""
        try:
            self._records.keep_still(film, picture)
        except NotKept:
            raise
        except RecordError as wrong:
            self._tell(Sentence("serve.unpictured", why=str(wrong)))


def _version() -> str:
    try:
        return version("teesquare")
    except PackageNotFoundError:
        return "unknown"
