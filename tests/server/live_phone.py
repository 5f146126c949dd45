"""A phone for the tests: a real WebRTC client with a drawn camera, and fake analyses."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections.abc import AsyncIterator, Callable, Sequence
from typing import Any

import aiohttp
import av
import numpy as np
from aiortc import RTCConfiguration, RTCPeerConnection, RTCSessionDescription, VideoStreamTrack

from server.config import ServerConfig
from server.serve import RunningServer, running
from vision.frame import Frame
from vision.live import LiveReading, LiveState
from vision.reading import Reading, Verdict
from vision.rods import NotFound, Reason
from vision.setup import Setup


def nothing_found(setup: Setup, reason: Reason = Reason.NO_RODS) -> LiveReading:
    reading = Reading(
        setup=setup,
        verdict=Verdict.NOT_FOUND,
        rods=NotFound(reason),
        placement=None,
        layout=None,
        lens=None,
        framing=None,
        effect=None,
        advice=(),
        evidence=None,
    )
    return LiveReading(reading, 0.0)


def far_away(
    state: LiveState, frame: Frame, setup: Setup, time_s: float
) -> tuple[LiveState, LiveReading]:
    """An analysis that never finds anything."""
    return state, nothing_found(setup)


class Camera(VideoStreamTrack):
    """Grey pictures, 30 a second, of a size and brightness that may change at any time."""

    def __init__(self) -> None:
        super().__init__()
        self.size = (320, 180)
        self.grey = 60

    async def recv(self) -> av.VideoFrame:
        pts, time_base = await self.next_timestamp()
        width, height = self.size
        bgr = np.full((height, width, 3), self.grey, np.uint8)
        picture = av.VideoFrame.from_ndarray(bgr, format="bgr24").reformat(format="yuv420p")
        picture.pts, picture.time_base = pts, time_base
        return picture


class LivePhone:
    """Posts an offer, keeps every message with its time of arrival, pings while `pinging`."""

    def __init__(
        self, http: aiohttp.ClientSession, greeting: Sequence[dict[str, Any]] = ()
    ) -> None:
        self.http = http
        self.greeting = greeting  # sent as soon as the channel opens
        self.pc = RTCPeerConnection(RTCConfiguration(iceServers=[]))
        self.camera = Camera()
        self.messages: list[dict[str, Any]] = []
        self.times_s: list[float] = []
        self.channel: Any = None
        self.location = self.etag = self.answer = ""
        self.pinging = True
        self.ping_s = 0.1
        self._news = asyncio.Condition()
        self._pings: asyncio.Task[None] | None = None

    async def __aenter__(self) -> LivePhone:
        return self

    async def __aexit__(self, *_: object) -> None:
        if self._pings is not None:
            self._pings.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._pings
        await self.pc.close()

    async def offer(self, channel: bool = True) -> str:
        self.pc.addTransceiver(self.camera, direction="sendonly")
        if channel:
            # As browsers do it, so that the offer holds m=application.
            self.pc.createDataChannel("offer", negotiated=True, id=100)
            self.pc.on("datachannel", self._opened)
        await self.pc.setLocalDescription(await self.pc.createOffer())
        return str(self.pc.localDescription.sdp)

    async def post(self, offer: str) -> aiohttp.ClientResponse:
        response = await self.http.post(
            "/whip", data=offer, headers={"Content-Type": "application/sdp"}
        )
        self.answer = await response.text()
        self.location = response.headers.get("Location", "")
        self.etag = response.headers.get("ETag", "")
        return response

    async def connect(self, channel: bool = True) -> LivePhone:
        response = await self.post(await self.offer(channel))
        assert response.status == 201, self.answer
        await self.pc.setRemoteDescription(RTCSessionDescription(self.answer, "answer"))
        return self

    def send(self, message: dict[str, Any] | str) -> None:
        self.channel.send(message if isinstance(message, str) else json.dumps(message))

    async def wait_for(
        self, wanted: Callable[[dict[str, Any]], bool], timeout_s: float = 10.0
    ) -> dict[str, Any]:
        """The first message, past or future, that is wanted."""
        async with asyncio.timeout(timeout_s), self._news:
            while True:
                for message in self.messages:
                    if wanted(message):
                        return message
                await self._news.wait()

    async def of_type(self, kind: str, timeout_s: float = 10.0) -> dict[str, Any]:
        return await self.wait_for(lambda message: message["type"] == kind, timeout_s)

    def _opened(self, channel: Any) -> None:
        self.channel = channel
        channel.on("message", lambda text: asyncio.ensure_future(self._heard(text)))
        for message in self.greeting:
            self.send(message)
        self._pings = asyncio.ensure_future(self._ping())

    async def _heard(self, text: str) -> None:
        async with self._news:
            self.messages.append(json.loads(text))
            self.times_s.append(time.perf_counter())
            self._news.notify_all()

    async def _ping(self) -> None:
        while self.channel.readyState == "open":
            if self.pinging:
                self.send({"type": "ping", "t_ms": 1000 * time.perf_counter()})
            await asyncio.sleep(self.ping_s)


@contextlib.asynccontextmanager
async def serving(
    analyse: Any, greeting: Sequence[dict[str, Any]] = (), **config: Any
) -> AsyncIterator[tuple[RunningServer, LivePhone]]:
    """A server with an analysis of its own and a phone that already gets guidance."""
    config = {"analyse": analyse, "settle_s": 0.0} | config
    async with contextlib.AsyncExitStack() as stack:
        server = await stack.enter_async_context(running(ServerConfig(**config)))
        headers = {"Authorization": f"Bearer {server.token}"}
        session = aiohttp.ClientSession(server.url, headers=headers)
        phone = LivePhone(await stack.enter_async_context(session), greeting)
        await stack.enter_async_context(phone)
        await phone.connect()
        await phone.of_type("guidance")
        yield server, phone


async def until(true: Callable[[], bool], timeout_s: float = 10.0) -> None:
    """Wait for a condition that no message announces."""
    async with asyncio.timeout(timeout_s):
        while not true():
            await asyncio.sleep(0.01)


async def later_guidance(phone: LivePhone, timeout_s: float = 10.0) -> dict[str, Any]:
    """Guidance for a picture sent after this call."""
    seq = max((m["seq"] for m in phone.messages if m["type"] == "guidance"), default=0)
    return await phone.wait_for(
        lambda m: m["type"] == "guidance" and m["seq"] >= seq + 3, timeout_s
    )
