"""The sessions of one server, and the threads in which their pictures are analysed."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Iterator

import cv2

from server import jitter
from server.apart import LANES, Aparts
from server.board import Board
from server.calm import Sweeper, calm
from server.clock import StartOffset
from server.config import ServerConfig
from server.film_book import FilmBook
from server.film_records import FilmRecords
from server.loopback import allow_loopback
from server.metrics import Metrics
from server.pace import CROWD, Counts, Pace
from server.places import Places
from server.pool import VisionPool
from server.problems import Problem
from server.records import Records
from server.sentence import Sentence
from server.session import Session
from vision import live
from vision.frame import Frame
from vision.hint import Hint
from vision.live import LiveReading, LiveState
from vision.setup import Setup
from vision.warm import warm_up

CLOSE_S = 1.5
# With vision apart its threads here only pack and unpack; the loop need not wait 5 ms for that.
SWITCH_S = 0.001


class Sessions:
    """Makes, finds and ends sessions; at most `config.max_sessions` at a time."""

    def __init__(self, config: ServerConfig) -> None:
        self._config = config
        apart = config.analyse is None and config.workers_apart
        self._apart = Aparts(config.workers) if apart else None
        self._analyse = config.analyse or self._step
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
        ahead = LANES if apart else 1
        self._pool = config.pool or VisionPool(ahead * config.workers)
        self.board.keep_offset = self._keep_offset
        self._turns = asyncio.Semaphore(config.workers)
        self._switch_s = sys.getswitchinterval()
        self._ahead = (ahead - 1) * config.workers  # turns more, once vision is apart
        if config.analyse is None:
            self._pool.submit(_warm)
        self._sessions: dict[str, Session] = {}
        self.metrics = Metrics(lambda: len(self._sessions))
        self._pace = Pace()
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
            analyse=self._analyse,
            lenses=self._config.lenses,
            pool=self._pool,
            turns=self._turns,
            pace=self._fps,
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
        apart = self._for_crowd()
        if apart is not None:
            apart.begin()
            sys.setswitchinterval(SWITCH_S)
            while self._ahead:
                self._turns.release()
                self._ahead -= 1
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
        if self._apart is not None:
            await asyncio.to_thread(self._apart.close)
        self.places.close()
        self._kept.close()
        self.records.close()

    def _step(
        self,
        state: LiveState,
        frame: Frame,
        setup: Setup,
        time_s: float,
        hints: tuple[Hint, ...] = (),
    ) -> tuple[LiveState, LiveReading]:
        """In the pool. A few phones are quicker served without the way to the other process."""
        apart = self._for_crowd()
        if apart is not None:
            return apart.step(state, frame, setup, time_s, hints)
        return live.step(state, frame, setup, time_s, hints)

    def _for_crowd(self) -> Aparts | None:
        """Vision's own processes; None while the phones are few, and where there are none."""
        return self._apart if len(self._sessions) >= CROWD else None

    def _fps(self, now_s: float) -> int:
        counts = Counts(
            sum(session.received for session in self),
            sum(session.taken for session in self),
            len(self._sessions),
        )
        return self._pace.look(counts, now_s)

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
