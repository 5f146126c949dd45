"""The loop between the newest picture and the guidance: vision in a thread, answers on the loop."""

from __future__ import annotations

import asyncio
import logging
import math
import time
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import av

from server import wire
from server.again_watch import AgainWatch
from server.film_book import FilmBook
from server.film_watch import FilmWatch
from server.lens_book import LensBook
from server.look_watch import LookWatch
from server.mailbox import Mailbox, MailboxClosed
from server.messages import (
    AgainSent,
    AimSent,
    FilmSent,
    HintSent,
    LookSent,
    PlaceSent,
    SetupSent,
    TiltSent,
    problem,
)
from server.place_watch import PlaceWatch
from server.places import Places
from server.planes import frame_from_video
from server.records import Records
from server.rest import Rest, never
from vision.errors import TeesquareError
from vision.hint import Hint
from vision.live import LiveState
from vision.reading import Reading, Timing
from vision.setup import AimPoint, Setup, Tilt
from vision.tilt import gravity_is_flipped, tilt_from_gravity

if TYPE_CHECKING:
    from server.config import Analyse

logger = logging.getLogger(__name__)

STALE_TILT_S = 2.0  # a sensor that has fallen silent says nothing about where the phone is now
MOVED_RAD = math.radians(1.5)  # tilt that shows that the phone was moved: five times its noise
SILENT_FRAMES = 30  # so many pictures without a setup: none will come
REPEAT_S = 2.0  # the same complaint at most this often


@dataclass(frozen=True, slots=True)
class Arrived:
    """A decoded picture and when it arrived (`time.perf_counter` seconds)."""

    picture: av.VideoFrame
    at_s: float


@dataclass(frozen=True, slots=True)
class _About:
    """What goes with one picture: the setup as stated and with its tilt, taps, and the numbers."""

    stated: wire.Stated
    setup: Setup
    setup_seq: int | None
    seq: int
    hints: tuple[Hint, ...]
    hint_seq: int | None
    aim_seq: int | None

    @property
    def given(self) -> tuple[object, ...]:
        """All that the picture's reading depends on, beside the picture and the tilt's noise."""
        setup = self.setup
        seqs = (self.setup_seq, self.hint_seq, self.aim_seq)
        return self.stated, *seqs, setup.lens, setup.aim, setup.tilt is None


@dataclass(frozen=True, slots=True)
class Latest:
    """The last picture that was analysed, and what was said of it."""

    arrived: Arrived
    reading: Reading
    say: str


class Analyst:
    """Takes the newest picture, analyses it in `pool`, hands each guidance message to `publish`.

    One picture at a time, so that the state carried from frame to frame stays in order. `turns`
    (as many as the pool has threads) is shared by all phones: who has waited longest is next, and
    takes the picture that is newest by then, so that none grows old in the pool's queue. `rest_s`:
    see `server.rest`.
    """

    def __init__(
        self,
        pictures: Mailbox[Arrived],
        pool: Executor,
        analyse: Analyse,
        publish: Callable[[dict[str, Any]], None],
        lenses: LensBook | None = None,
        places: Places | None = None,
        first_look: LookWatch | None = None,
        turns: asyncio.Semaphore | None = None,
        films: FilmBook | None = None,
        records: Records | None = None,
        rest_s: Callable[[], float] = never,
    ) -> None:
        self._pictures = pictures
        self._pool = pool
        self._turns = turns or asyncio.Semaphore()
        self._analyse = analyse
        self._publish = publish
        self._lenses = lenses or LensBook()
        self._stated = wire.Stated(setup=Setup(), units="cm", language="en")
        self._setup_seq: int | None = None
        self._hints: tuple[Hint, ...] = ()
        self._hint_seq: int | None = None
        self._place = PlaceWatch(places)
        self._first_look = first_look or LookWatch()
        self._film = FilmWatch(films)
        self._again = AgainWatch(records)
        self._aim: AimPoint | None = None
        self._aim_seq: int | None = None
        self._aim_tilt: Tilt | None = None  # how the phone stood when the target was tapped
        self._tilt: TiltSent | None = None
        self._tilt_at_s = 0.0
        self._flipped: bool | None = None
        self._tilt_told = False
        self._settle_s = 0.0
        self._first_arrival_s: float | None = None
        self._rest = Rest(rest_s)
        self._state = LiveState()
        self._epoch = 0  # counts resets of the state, so that a running analysis cannot undo one
        self._seq = 0
        self._first_s: float | None = None
        self._complaint: tuple[str, float] = ("", 0.0)
        self.latest: Latest | None = None

    @property
    def stated(self) -> wire.Stated:
        """The last setup applied; the defaults before any."""
        return self._stated

    @property
    def introduced(self) -> bool:
        """Whether the page has said what it is, or is a client that never does."""
        return self._setup_seq is not None or self._seq >= SILENT_FRAMES

    def expect_words(self, within_s: float) -> None:
        """Leave pictures alone until setup and tilt have come, for at most so long.

        What is said without them would be about another view, or rest on an unknown roll.
        """
        self._settle_s = within_s

    def set_up(self, sent: SetupSent) -> None:
        """Apply a setup; one that cannot be used is answered with a sentence, changing nothing."""
        if sent.seq == self._setup_seq:
            return  # pages repeat it until they see its number come back
        try:
            stated = wire.setup_from_json(sent.setup, Setup())
        except TeesquareError as wrong:
            self._publish(problem(str(wrong), sent.seq))
            return
        if stated.setup != self._stated.setup or stated.camera != self._stated.camera:
            self._reset()
        self._stated = stated
        self._setup_seq = sent.seq

    def tilt(self, sent: TiltSent) -> None:
        """Remember what the tilt sensor says; a refused sensor clears it."""
        self._tilt_told = True
        self._tilt = sent if sent.gravity is not None else None
        self._tilt_at_s = time.perf_counter()
        if self._flipped is None and sent.gravity is not None:
            # The sign belongs to the device: decided once, by the first reading that can.
            self._flipped = gravity_is_flipped(sent.gravity, sent.screen_deg)

    def hint(self, sent: HintSent) -> None:
        """Take over the taps; pages repeat them, and old ones may arrive late."""
        if self._hint_seq is not None and sent.seq <= self._hint_seq:
            return
        self._hints = tuple(Hint(xy, sent.size) for xy in sent.xy_px)
        self._hint_seq = sent.seq

    def aim(self, sent: AimSent) -> None:
        """Take over the target; pages repeat it, and an old one may arrive late."""
        if self._aim_seq is not None and sent.seq <= self._aim_seq:
            return
        self._aim_seq = sent.seq
        self._aim_tilt = None
        self._aim = None
        if sent.xy_px is not None:
            self._aim = AimPoint(sent.xy_px, sent.size, distance_m=sent.distance_m)

    def place(self, sent: PlaceSent) -> None:
        """Remember this place, watch one, or stop watching."""
        self._place.command(sent)

    def look(self, sent: LookSent) -> None:
        """Begin a first look, or skip it."""
        self._first_look.command(sent)

    def again(self, sent: AgainSent) -> None:
        """Lead the phone to where an earlier film was made, or no longer."""
        self._again.command(sent)

    def film(self, sent: FilmSent) -> None:
        """A film begins or has ended; what the camera gives."""
        self._film.command(sent)

    def forget(self) -> None:
        """Let go of pictures and readings, which are large; the session is over."""
        self.latest = None
        self._reset()

    async def run(self) -> None:
        """Work until the mailbox is closed."""
        while True:
            await self._pictures.wait()
            async with self._turns:
                try:
                    arrived = await self._pictures.take()
                except MailboxClosed:
                    return
                if self._may_begin(arrived):
                    await self._analyse_one(arrived)

    async def _analyse_one(self, arrived: Arrived) -> None:
        """One picture through the pool; what it says is published."""
        try:
            await self._lenses.learn(self._stated.camera, self._pool)
        except TeesquareError as wrong:
            self._complain(str(wrong))  # and go on with an assumed lens
        epoch = self._epoch
        # Fixed here, so that a setup arriving meanwhile is not claimed for this picture.
        about = _About(
            self._stated,
            self._setup((arrived.picture.width, arrived.picture.height)),
            self._setup_seq,
            self._seq + 1,
            self._hints,
            self._hint_seq,
            self._aim_seq,
        )
        rested = self._rested(arrived, about)
        if rested is not None:
            self._seq += 1
            self._publish(rested)
            return
        loop = asyncio.get_running_loop()
        try:
            job = loop.run_in_executor(self._pool, self._work, arrived, self._state, about)
            state, message = await job
        except TeesquareError as wrong:
            self._complain(str(wrong))
            return
        except Exception:
            # A picture that breaks the analysis must not end the session: start afresh.
            logger.exception("the analysis of a picture failed")
            self._reset()
            self._complain("This picture could not be analysed. Move the phone a little.")
            return
        if epoch == self._epoch:
            self._state = state
            self._seq += 1
            self._publish(message)

    def _rested(self, arrived: Arrived, about: _About) -> dict[str, Any] | None:
        """What was said last, of a picture that shows the same; None where it must be measured."""
        watches = (self._first_look, self._place, self._again, self._film)
        if self._state.square_since_s is not None or any(watch.busy for watch in watches):
            return None
        capture_s = self._capture_s(arrived)
        last = self._rest.holds(arrived.picture, about.given, capture_s)
        if last is None:
            return None
        self._first_look.seen(capture_s)
        self.latest = Latest(arrived, last.reading, str(last.message["say"] or ""))
        age_s = time.perf_counter() - arrived.at_s
        told = wire.told_at(capture_s, age_s)
        return last.message | {"seq": about.seq, "elapsed_ms": None} | told

    def _capture_s(self, arrived: Arrived) -> float:
        """The picture's time since the first one."""
        assert self._first_s is not None
        return _time_s(arrived) - self._first_s

    def _work(
        self, arrived: Arrived, state: LiveState, about: _About
    ) -> tuple[LiveState, dict[str, Any]]:
        """In a thread of the pool: one picture to one message."""
        capture_s = self._capture_s(arrived)
        start_s = time.perf_counter()
        frame = frame_from_video(arrived.picture)
        # An analysis that searches for nothing need not know of taps.
        taps = {"hints": about.hints} if about.hints else {}
        size = (frame.width, frame.height)
        setup = self._first_look.applied(about.setup, size, capture_s)
        state, live = self._analyse(state, frame, setup, capture_s, **taps)
        told = self._first_look.look(live, frame, about.setup, capture_s, about.stated)
        end_s = time.perf_counter()
        message = wire.guidance_message(
            live,
            seq=about.seq,
            capture_s=capture_s,
            age_s=end_s - arrived.at_s,
            size=size,
            setup_seq=about.setup_seq,
            hint_seq=about.hint_seq,
            aim_seq=about.aim_seq,
            stated=about.stated,
            timing=Timing(None, None, end_s - start_s),  # the core, without a clock, is one piece
        )
        self.latest = Latest(arrived, live.reading, str(message["say"] or ""))
        message |= told
        message |= self._place.look(live.reading, size, capture_s, about.stated)
        message |= self._again.look(live.reading, size, capture_s, about.stated)
        here = self._again.here
        message |= self._film.look(live.reading, frame, capture_s, about.stated, here)
        self._rest.measured(arrived.picture, about.given, capture_s, live.reading, message)
        return state, message

    def _may_begin(self, arrived: Arrived) -> bool:
        """Whether setup and tilt have come, or have been waited for long enough."""
        if self._first_s is None or self._first_arrival_s is None:
            self._first_s = _time_s(arrived)
            self._first_arrival_s = arrived.at_s
        told = self._setup_seq is not None and self._tilt_told
        return told or arrived.at_s - self._first_arrival_s >= self._settle_s

    def _setup(self, size: tuple[int, int]) -> Setup:
        """What is known for the next picture: stated setup, lens, the sensor's last word."""
        setup = self._lenses.applied(self._stated.setup, self._stated.camera, size)
        sent = self._tilt
        if sent is None or time.perf_counter() - self._tilt_at_s > STALE_TILT_S:
            return replace(setup, aim=self._aim)
        assert sent.gravity is not None
        tilt = tilt_from_gravity(sent.gravity, sent.screen_deg, flipped=self._flipped)
        self._watch_aim(tilt)
        return replace(setup, tilt=tilt, aim=self._aim)

    def _watch_aim(self, tilt: Tilt | None) -> None:
        """A tapped target holds while the phone stands as it stood: what the tilt sensor can say.

        Turned rods and a phone turned about the upright look the same, so the page asks to leave
        the phone alone; this catches a phone that is picked up.
        """
        if self._aim is None or tilt is None or self._aim.moved:
            return
        if self._aim_tilt is None:
            self._aim_tilt = tilt
        was = self._aim_tilt
        if max(abs(tilt.pitch_rad - was.pitch_rad), abs(tilt.roll_rad - was.roll_rad)) > MOVED_RAD:
            self._aim = replace(self._aim, moved=True)

    def _reset(self) -> None:
        self._state = LiveState()
        self._epoch += 1

    def _complain(self, text: str) -> None:
        now_s = time.perf_counter()
        last, at_s = self._complaint
        if text != last or now_s - at_s >= REPEAT_S:
            self._complaint = (text, now_s)
            self._publish(problem(text))


def _time_s(arrived: Arrived) -> float:
    """The picture's own time in seconds, its arrival's where it has none."""
    time_s = arrived.picture.time
    return arrived.at_s if time_s is None else float(time_s)
