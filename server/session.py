"""One phone: its WebRTC connection, its camera track, its guidance channel."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import time
from collections.abc import Callable, Coroutine
from concurrent.futures import Executor
from typing import TYPE_CHECKING, Any

import av
from aiortc import (
    MediaStreamTrack,
    RTCBundlePolicy,
    RTCConfiguration,
    RTCDataChannel,
    RTCIceCandidate,
    RTCPeerConnection,
    RTCSessionDescription,
)
from aiortc.exceptions import InvalidStateError, OperationError
from aiortc.mediastreams import MediaStreamError

from server import sdp
from server.analysis import Analyst, Arrived, Latest
from server.film_book import FilmBook
from server.lens_book import LensBook
from server.look_watch import KeepLook, LookWatch
from server.mailbox import Mailbox
from server.messages import (
    AgainSent,
    AimSent,
    FilmSent,
    HintSent,
    LookSent,
    MessageError,
    Ping,
    PlaceSent,
    SetupSent,
    TiltSent,
    bye,
    pong,
    problem,
    read_message,
    write_message,
)
from server.metrics import Metrics
from server.pace import FULL, Ration
from server.places import Places
from server.problems import Problem
from server.rates import Verdict, Words
from server.records import Records
from server.rest import never
from server.sentence import Sentence, said
from server.who import Who

if TYPE_CHECKING:
    from server.board import Board
    from server.config import Analyse
    from vision.profile import LensKey, Profile

logger = logging.getLogger(__name__)

CHANNEL = "guidance"
CONNECT_S = 30.0  # an offer that never became a connection is forgotten after this
WATCH_S = 0.1  # with `gone_s` a vanished phone is told of within 2 s
MAX_BUFFERED = 65_536  # bytes waiting on the channel beyond which newer guidance is worth more
BYE_S = 0.05
MAX_CANDIDATES = 64  # taken later than the offer; each may cost a look-up of a name
MAX_LISTENERS = 4


class Session:
    """One phone from its offer to its end.

    `analyse` is called in threads of `pool`, in `turns` with the other phones. `pace` gives the
    pictures a second that the phone shall send, at a time of `time.monotonic()`; `rest_s`: see
    `server.rest`. `tell` gets sentences for the window of the server, `ended` the session itself,
    once, when it is over.
    """

    def __init__(
        self,
        *,
        analyse: Analyse,
        pool: Executor,
        gone_s: float = 1.7,
        forget_s: float = 15.0,
        settle_s: float = 1.0,
        owner: str = "",
        lenses: Callable[[LensKey], Profile | None] | None = None,
        places: Places | None = None,
        films: FilmBook | None = None,
        records: Records | None = None,
        keep_look: KeepLook | None = None,
        metrics: Metrics | None = None,
        board: Board | None = None,
        turns: asyncio.Semaphore | None = None,
        pace: Callable[[float], int] = lambda now_s: FULL,
        rest_s: Callable[[], float] = never,
        tell: Callable[[str], None] = lambda sentence: None,
        ended: Callable[[Session], None] = lambda session: None,
    ) -> None:
        self.id = secrets.token_urlsafe(24)
        self.etag = secrets.token_hex(8)
        self.owner = owner
        self.present = False
        self.mids: list[str] = []
        self._credentials: set[tuple[str, str]] = set()
        # No STUN server: the default would ask a public one.
        self._pc = RTCPeerConnection(
            RTCConfiguration(iceServers=[], bundlePolicy=RTCBundlePolicy.MAX_BUNDLE)
        )
        self._channel: RTCDataChannel | None = None
        self._pictures: Mailbox[Arrived] = Mailbox()
        self._analyst = Analyst(
            self._pictures,
            pool,
            analyse,
            self.publish,
            LensBook(lenses, tell),
            places,
            LookWatch(keep_look, tell),
            turns,
            films,
            records,
            rest_s,
        )
        self._metrics = metrics or Metrics()
        self._metrics.opened.inc()
        self._told = (0, 0, 0)  # pictures dropped, bytes in, bytes out: as counted so far
        self._words = Words()
        self._candidates_left = MAX_CANDIDATES
        self._listeners: set[asyncio.Queue[str | None]] = set()
        self._pace = pace
        self._fps = FULL  # pictures a second that the phone was asked for last
        self._ration = Ration()
        self._gone_s = gone_s
        self._forget_s = forget_s
        self._settle_s = settle_s
        self._tell = tell
        self._ended = ended
        self._tasks: set[asyncio.Task[None]] = set()
        self._closing: asyncio.Task[None] | None = None
        self._born_s = time.monotonic()
        self._life_s: float | None = None  # last sign of life, monotonic
        self._frame_s: float | None = None
        self._size = (0, 0)
        self._board = board
        self._pc.on("track", self._on_track)
        self._pc.on("connectionstatechange", self._on_state)

    @property
    def dropped(self) -> int:
        """Pictures that vision never took: replaced by a newer one, or more than were asked for."""
        return self._pictures.dropped

    @property
    def who(self) -> Who:
        """Who films, as the phone's last setup says."""
        return self._analyst.stated.who

    @property
    def introduced(self) -> bool:
        """Whether the phone has said who films, or is a client that never will."""
        return self._analyst.introduced

    @property
    def latest(self) -> Latest | None:
        """The last analysed picture with its reading; None before any."""
        return self._analyst.latest

    def tell_page(self, message: dict[str, Any]) -> None:
        """A message on the channel alone: it may be lost, and no listener gets it."""
        self._send(write_message(message))

    @property
    def received(self) -> int:
        """Pictures received and decoded so far."""
        return self._pictures.received

    @property
    def taken(self) -> int:
        """Pictures that vision has taken so far."""
        return self._pictures.taken

    async def accept(self, offer: str) -> str:
        """Answer an SDP offer. Raises Problem 400 or 406 with a plain detail."""
        parsed = sdp.check_offer(offer)
        self.mids = [media.rtp.muxId for media in parsed.media]
        self._credentials = {
            (media.ice.usernameFragment or "", media.ice.password or "")
            for media in parsed.media
            if media.ice is not None
        }
        offer, named = sdp.split_offer(offer, parsed)
        try:
            await self._pc.setRemoteDescription(RTCSessionDescription(offer, "offer"))
            if self._pc.sctp is not None:
                self._open_channel()
            await self._pc.setLocalDescription(await self._pc.createAnswer())
        except (OperationError, InvalidStateError) as wrong:
            raise Problem(
                406,
                "Not Acceptable",
                Sentence("http.offer.formats"),
            ) from wrong
        except (ValueError, AttributeError, KeyError, IndexError, TypeError) as wrong:
            # What the library raises for descriptions that parse but make no sense.
            raise Problem(400, "Bad Request", Sentence("http.offer", why=str(wrong))) from wrong
        if self._board is not None:
            self._board.joined(self)
        self._start(self._analyst.run())
        self._start(self._watch())
        for candidate in named:
            self._start(self._add(candidate))
        return sdp.finish_answer(self._pc.localDescription.sdp)

    async def trickle(self, text: str) -> None:
        """Add the candidates of a fragment. Raises Problem 400 or 422 (an ICE restart)."""
        fragment = sdp.read_fragment(text, self.mids)
        if fragment.restarts(self._credentials):
            raise Problem(422, "Unprocessable Content", Sentence("http.restart"))
        taken = fragment.candidates[: self._candidates_left]
        self._candidates_left -= len(taken)
        # Their end is not passed on: see sdp.split_offer.
        for candidate in taken:
            self._start(self._add(candidate))

    async def _add(self, candidate: RTCIceCandidate) -> None:
        # Late candidates, names that do not resolve, a machine without multicast: none of them
        # may end the session, for the phone's own checks are enough.
        try:
            await self._pc.addIceCandidate(candidate)
        except Exception as wrong:
            logger.info("a candidate was left aside: %s", wrong)

    def publish(self, message: dict[str, Any]) -> None:
        """Send a message on the channel and to every listener, dropping rather than queueing."""
        text = write_message(message)
        if message["type"] == "guidance":
            self._metrics.guided(message["age_ms"] / 1000)
        self._send(text)
        for queue in self._listeners:
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(text)
        if self._board is not None:
            self._board.told(self, message)

    async def tally(self) -> None:
        """Bring the server's counts of dropped pictures and of bytes up to date."""
        try:
            stats = (await self._pc.getStats()).values()
        except AttributeError:
            return  # the library's, of a connection whose offer it could use only in part
        links = {link.id: link for link in stats if link.type == "transport"}.values()
        now = (
            self.dropped,
            sum(link.bytesReceived for link in links),
            sum(link.bytesSent for link in links),
        )
        counters = (self._metrics.dropped, self._metrics.bytes_in, self._metrics.bytes_out)
        for counter, count, before in zip(counters, now, self._told, strict=True):
            counter.inc(max(count - before, 0))
        self._told = now

    def listen(self) -> asyncio.Queue[str | None]:
        """A queue of all messages from now on; None marks the end. Raises Problem 429 if full."""
        if len(self._listeners) >= MAX_LISTENERS:
            raise Problem(
                429,
                "Too Many Requests",
                Sentence("http.listeners", n=MAX_LISTENERS),
                {"Retry-After": "5"},
            )
        queue: asyncio.Queue[str | None] = asyncio.Queue(maxsize=16)
        self._listeners.add(queue)
        return queue

    def unlisten(self, queue: asyncio.Queue[str | None]) -> None:
        """Forget a queue given by `listen`."""
        self._listeners.discard(queue)

    async def close(self, why: str | None = None) -> None:
        """Say good-bye and end everything. Safe to call again; all calls wait for the one end."""
        if self._closing is None:
            self._closing = asyncio.create_task(self._close(why or Sentence("serve.phone.ended")))
        await asyncio.shield(self._closing)

    async def _close(self, why: str) -> None:
        self._pictures.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self._analyst.forget()
        self.publish(bye(said(why, self._analyst.stated)))  # nothing may follow it
        for queue in self._listeners:
            if queue.full():
                queue.get_nowait()
            queue.put_nowait(None)
        if self._channel is not None and self._channel.readyState == "open":
            await asyncio.sleep(BYE_S)  # the channel's packets leave in later turns of the loop
        try:
            await self.tally()
            await self._pc.close()
        except Exception:
            # Whatever state the library is in, the session's place is free again.
            logger.exception("a connection could not be closed in order")
        finally:
            self.present = False
            if self._board is not None:
                self._board.ended(self)
            self._ended(self)

    def _open_channel(self) -> None:
        channel = self._pc.createDataChannel(CHANNEL, ordered=False, maxRetransmits=0)
        channel.on("message", self._on_message)
        channel.on("open", self._alive)
        self._channel = channel
        # Without a channel no word about the picture can ever come: nothing to wait for.
        self._analyst.expect_words(self._settle_s)

    def _send(self, text: str) -> None:
        channel = self._channel
        if channel is not None and channel.readyState == "open":
            if channel.bufferedAmount > MAX_BUFFERED:
                return
            with contextlib.suppress(InvalidStateError, ConnectionError):
                channel.send(text)

    def _on_message(self, text: str | bytes) -> None:
        at_s = time.monotonic()
        self._metrics.words.inc()
        verdict = self._words.judge(at_s)
        if verdict is Verdict.END:
            self._end(Sentence("serve.phone.rush"))
        if verdict is not Verdict.TAKE or self._closing is not None:
            self._metrics.refused.inc()
            return
        try:
            message = read_message(text)
        except MessageError as wrong:
            self._send(write_message(problem(str(wrong), wrong.seq)))
            return
        if isinstance(message, Ping):
            self._alive()
            self._fps = self._pace(at_s)
            self._send(write_message(pong(message, at_s, time.monotonic(), self._fps)))
        elif isinstance(message, SetupSent):
            self._analyst.set_up(message)
        elif isinstance(message, HintSent):
            self._analyst.hint(message)
        elif isinstance(message, AimSent):
            self._analyst.aim(message)
        elif isinstance(message, PlaceSent):
            self._analyst.place(message)
        elif isinstance(message, LookSent):
            self._analyst.look(message)
        elif isinstance(message, AgainSent):
            self._analyst.again(message)
        elif isinstance(message, FilmSent):
            self._analyst.film(message)
        elif isinstance(message, TiltSent):
            self._analyst.tilt(message)
            return  # twenty a second, and no news to anyone else
        if self._board is not None:
            self._board.heard(self, message, at_s)

    def _on_track(self, track: MediaStreamTrack) -> None:
        self._start(self._receive(track))

    def _on_state(self) -> None:
        state = self._pc.connectionState
        if state in ("failed", "closed") and self._closing is None:
            self._tell(Sentence("serve.phone.left"))
            self._closing = asyncio.create_task(self._close(Sentence("serve.phone.over")))

    async def _receive(self, track: MediaStreamTrack) -> None:
        """Always receiving, because the library's own queue has no bound; sound is thrown away."""
        while True:
            try:
                picture = await track.recv()
            except MediaStreamError:
                return
            if not isinstance(picture, av.VideoFrame):
                continue
            self._metrics.received.inc()
            self._frame_s = time.monotonic()
            if self._channel is None:
                self._alive()
            if (picture.width, picture.height) != self._size:
                self._size = (picture.width, picture.height)
                self._tell(Sentence("serve.phone.size", width=picture.width, height=picture.height))
            if self._ration.allows(self._fps, self._frame_s):
                self._pictures.put(Arrived(picture, time.perf_counter()))
            else:
                self._pictures.pass_by()

    def _alive(self) -> None:
        self._life_s = time.monotonic()
        if not self.present:
            self._be_present(True)
            self._tell(Sentence("serve.phone.here"))

    def _be_present(self, present: bool) -> None:
        self.present = present
        if self._board is not None:
            self._board.presence(self)

    async def _watch(self) -> None:
        """Notice within `gone_s` that a phone has vanished; ICE would take half a minute."""
        while True:
            await asyncio.sleep(min(WATCH_S, self._gone_s / 4))
            now_s = time.monotonic()
            if self._life_s is None:
                if now_s - self._born_s > CONNECT_S:
                    self._end(Sentence("serve.phone.never"))
                continue
            if self.present and now_s - self._life_s > self._gone_s:
                self._be_present(False)
                self._tell(Sentence("serve.phone.gone", seconds=self._gone_s))
            if now_s - max(self._life_s, self._frame_s or 0.0) > self._forget_s:
                self._end(Sentence("serve.phone.away"))

    def _end(self, why: str) -> None:
        if self._closing is None:
            self._tell(why)
            self._closing = asyncio.create_task(self._close(why))

    def _start(self, coroutine: Coroutine[Any, Any, None]) -> None:
        task = asyncio.create_task(coroutine)
        self._tasks.add(task)
        task.add_done_callback(self._finished)

    def _finished(self, task: asyncio.Task[None]) -> None:
        self._tasks.discard(task)
        if not task.cancelled() and task.exception() is not None:
            logger.error("a task of the session failed", exc_info=task.exception())
            self._end(Sentence("serve.phone.failed"))
