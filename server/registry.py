"""The sessions of one server, and the threads in which their pictures are analysed."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator

import cv2

from server import jitter
from server.board import Board
from server.calm import Sweeper, calm
from server.clock import StartOffset
from server.config import ServerConfig
from server.film_book import FilmBook
from server.film_records import FilmRecords
from server.heap import few_arenas
from server.loopback import allow_loopback
from server.metrics import Metrics
from server.pace import CROWD, MOST, Counts, Pace
from server.places import Places
from server.pool import VisionPool
from server.problems import Problem
from server.records import Records
from server.rest import REST_S
from server.sentence import Sentence
from server.session import Session
from vision import live
from vision.warm import warm_up

CLOSE_S = 1.5
# Vision's thread goes on until it is told to give way: the event loop need not wait 5 ms for that.
SWITCH_S = 0.001


class Sessions:
    """Makes, finds and ends sessions; at most `config.max_sessions` at a time."""

    def __init__(self, config: ServerConfig) -> None:
        self._config = config
        few_arenas()
        allow_loopback()
        jitter.install()
        cv2.setNumThreads(1)  # one picture is one thread's work: threads of threads would fight
        self.board = Board()
        self.places = Places(config.places, config.tell)
        self.records = Records(config.records, config.tell)
        left = self.records.recover()
        if left:
            config.tell(Sentence("serve.left", n=len(left)))
        self._kept = FilmRecords(self.records.hasty(), config.tell)
        self.films = FilmBook(self._kept)
        self._pool = config.pool or VisionPool(config.workers)
        self.board.keep_offset = self._keep_offset
        self._turns = asyncio.Semaphore(config.workers)
        self._switch_s = sys.getswitchinterval()
        if config.analyse is None:
            self._pool.submit(_warm)
        self._sessions: dict[str, Session] = {}
        self.metrics = Metrics(lambda: len(self._sessions))
        self._pace = Pace(MOST * config.workers)
        self._sweeper = Sweeper()
        self._closed = False

    async def create(self, offer: str, owner: str) -> tuple[Session, str]:
        """A new session and its SDP answer. Raises Problem 503 when full, 400 or 406."""
        if self._closed or len(self._sessions) >= self._config.max_sessions:
            raise Problem(
                503,
                "Service Unavailable",
                Sentence("http.full", n=len(self._sessions)),
                {"Retry-After": "20"},
            )
        session = Session(
            analyse=self._config.analyse or live.step,
            lenses=self._config.lenses,
            pool=self._pool,
            turns=self._turns,
            pace=self._fps,
            rest_s=self._rest_s,
            gone_s=self._config.gone_s,
            forget_s=self._config.forget_s,
            settle_s=self._config.settle_s,
            owner=owner,
            places=self.places,
            films=self.films,
            records=self.records,
            keep_look=self._config.keep_look,
            metrics=self.metrics,
            board=self.board,
            tell=self._config.tell,
            ended=self._forget,
        )
        self._sessions[session.id] = session
        if self._crowded:
            sys.setswitchinterval(SWITCH_S)
        try:
            answer = await session.accept(offer)
        except BaseException:
            await session.close()
            raise
        return session, answer

    def find(self, session_id: str) -> Session | None:
        """The session of that name; the name itself is the secret, 192 random bits."""
        return self._sessions.get(session_id)

    async def tally(self) -> None:
        """Bring `metrics` up to date."""
        await asyncio.gather(*(session.tally() for session in self))

    def __iter__(self) -> Iterator[Session]:
        return iter(tuple(self._sessions.values()))

    def __len__(self) -> int:
        return len(self._sessions)

    async def close(self) -> None:
        """End every session within CLOSE_S seconds and let the threads go."""
        self._closed = True
        self._sweeper.close()
        ends = [
            asyncio.create_task(session.close(Sentence("serve.phone.stopping")))
            for session in list(self._sessions.values())
        ]
        if ends:
            await asyncio.wait(ends, timeout=CLOSE_S)
        self._pool.shutdown(wait=False, cancel_futures=True)
        sys.setswitchinterval(self._switch_s)
        self.places.close()
        self._kept.close()
        self.records.close()

    def _fps(self, now_s: float) -> int:
        counts = Counts(
            sum(session.received for session in self),
            sum(session.taken for session in self),
            len(self._sessions),
        )
        return self._pace.look(counts, now_s)

    @property
    def _crowded(self) -> bool:
        return len(self._sessions) >= CROWD

    def _rest_s(self) -> float:
        """How long a phone that stands may go unmeasured: not at all while they are few."""
        return REST_S if self._crowded and self._config.analyse is None else 0.0

    def _keep_offset(self, film: str, other: str, start: StartOffset) -> None:
        # In the pool: the records lie on a disk, and this is the loop.
        if not self._closed:
            self._pool.submit(self._kept.keep_offset, film, other, start)

    def _forget(self, session: Session) -> None:
        self._sessions.pop(session.id, None)
        if not self._closed:
            self._sweeper.ended()


def _warm() -> None:
    """In the pool: the compiled loops made ready, then all that stays in memory set aside."""
    warm_up()
    calm()
