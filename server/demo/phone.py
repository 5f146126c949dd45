"""The simulated phone: a real WebRTC client that streams rendered pictures to the real server.

It speaks the protocol of docs/protocol.md over WHIP and the data channel like the page does, so
that what it goes through is what a phone goes through.
"""

from __future__ import annotations

import asyncio
import fractions
import json
import time
from bisect import bisect_left
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urljoin

import aiohttp
import av
import numpy as np
from aiortc import (
    MediaStreamTrack,
    RTCConfiguration,
    RTCDataChannel,
    RTCPeerConnection,
    RTCSessionDescription,
)
from aiortc.mediastreams import MediaStreamError

from server.demo.geometry import Pose, gravity
from server.demo.hand import Stance
from server.demo.scene import Scene, render
from vision.errors import TeesquareError
from vision.setup import Setup

RATE = 15  # pictures a second
CLOCK = 90_000  # RTP clock of video, RFC 3551
PING_S = 0.5
TILT_S = 0.1
TILT_NOISE = 0.02  # m/s^2 on each axis, 1 standard deviation: about 0.1 degree
OPEN_S = 10.0


class PhoneError(TeesquareError):
    """The simulated phone could not reach its server."""


class RangeTrack(MediaStreamTrack):
    """A camera track that renders the scene for the pose at the time of each picture."""

    kind = "video"

    def __init__(self, scene: Scene, stance: Callable[[], Stance]) -> None:
        super().__init__()
        self._scene = scene
        self._stance = stance
        self.start_s = 0.0  # monotonic time of the first picture
        self._number = 0
        self.seen: list[tuple[float, Pose]] = []  # capture time from the first picture, pose

    async def recv(self) -> av.VideoFrame:
        """The next picture, on time or as soon as it can be rendered."""
        if self.readyState != "live":
            raise MediaStreamError
        now_s = time.monotonic()
        if not self.seen:
            self.start_s = now_s
        due_s = self.start_s + self._number / RATE
        if now_s < due_s:
            await asyncio.sleep(due_s - now_s)
        elif now_s - due_s > 1 / RATE:  # late: leave pictures out rather than lag behind
            self._number += int((now_s - due_s) * RATE)
        capture_s = self._number / RATE
        stance = self._stance()
        loop = asyncio.get_running_loop()
        picture = await loop.run_in_executor(None, self._draw, stance, self._number)
        picture.pts = round(capture_s * CLOCK)
        picture.time_base = fractions.Fraction(1, CLOCK)
        self.seen.append((capture_s, stance.pose))
        self._number += 1
        return picture

    def pose_at(self, capture_s: float) -> Pose:
        """The pose in which the picture of this capture time was drawn."""
        i = bisect_left(self.seen, capture_s - 0.5 / RATE, key=lambda entry: entry[0])
        return self.seen[min(i, len(self.seen) - 1)][1]

    def _draw(self, stance: Stance, number: int) -> av.VideoFrame:
        camera = self._scene.camera.turned(stance.upright)
        scene = Scene(
            self._scene.laid, camera, self._scene.seed, self._scene.colours, self._scene.ball
        )
        return av.VideoFrame.from_ndarray(render(scene, stance.pose, number), format="bgr24")


@dataclass(slots=True)
class Phone:
    """One simulated phone on its way to the server; see `connected`."""

    scene: Scene
    setup: Setup
    stance: Stance
    seed: int
    language: str = "en"
    track: RangeTrack = field(init=False)
    guidance: dict[str, Any] | None = None
    arrived_s: float = 0.0  # monotonic
    messages: int = 0
    problems: list[str] = field(default_factory=list)
    over: bool = False
    fresh: asyncio.Event = field(default_factory=asyncio.Event)
    _channel: RTCDataChannel | None = None
    _open: asyncio.Event = field(default_factory=asyncio.Event)
    _seq: int = 1

    def __post_init__(self) -> None:
        self.track = RangeTrack(self.scene, lambda: self.stance)

    def adopt(self, channel: RTCDataChannel) -> None:
        """Take the server's guidance channel."""
        self._channel = channel
        channel.on("message", self._on_message)
        if channel.readyState == "open":
            self._open.set()
        else:
            channel.on("open", self._open.set)

    def seen_s(self, message: dict[str, Any]) -> float:
        """When the picture that a guidance message speaks of was taken (monotonic seconds)."""
        return self.track.start_s + float(message.get("capture_s", 0.0))

    async def opened(self) -> None:
        """Wait until guidance can come. Raises PhoneError after 10 s."""
        try:
            await asyncio.wait_for(self._open.wait(), OPEN_S)
        except TimeoutError:
            raise PhoneError(
                f"the guidance channel did not open within {OPEN_S:g} s: is a firewall on this "
                "machine closing UDP?"
            ) from None

    async def talk(self) -> None:
        """Ping, setup and tilt, as the page sends them, until cancelled."""
        rng = np.random.default_rng((self.seed, 77))
        next_ping_s = 0.0
        while True:
            now_s = time.monotonic()
            if now_s >= next_ping_s:
                next_ping_s = now_s + PING_S
                self._send({"type": "ping", "t_ms": now_s * 1000})
                if self.guidance is None or self.guidance.get("setup_seq") != self._seq:
                    self._send({"type": "setup", "seq": self._seq, "setup": self._stated()})
            up = np.array(gravity(self.stance.pose, self.scene.laid))
            shaken = up + rng.normal(0, TILT_NOISE, 3)
            values = [round(float(v), 4) for v in shaken]
            self._send({"type": "tilt", "t_ms": now_s * 1000, "gravity": values, "screen_deg": 0})
            await asyncio.sleep(TILT_S)

    def _stated(self) -> dict[str, Any]:
        return {
            "view": self.setup.view.value,
            "handed": self.setup.handed.value,
            "rod_lengths_m": {r.value: self.setup.length_m(r) for r in self.setup.roles},
            "language": self.language,
        }

    def _send(self, message: dict[str, Any]) -> None:
        if self._channel is not None and self._channel.readyState == "open":
            self._channel.send(json.dumps(message))

    def _on_message(self, text: str | bytes) -> None:
        message = json.loads(text)
        kind = message.get("type")
        if kind == "guidance":
            self.guidance = message
            self.arrived_s = time.monotonic()
            self.messages += 1
            self.fresh.set()
        elif kind == "problem":
            self.problems.append(str(message.get("text")))
        elif kind == "bye":
            self.over = True
            self.fresh.set()


@asynccontextmanager
async def connected(
    url: str,
    token: str,
    scene: Scene,
    setup: Setup,
    start: Stance,
    seed: int,
    language: str = "en",
) -> AsyncIterator[Phone]:
    """A phone that streams to the server at `url` while the context lasts.

    Raises PhoneError when the server refuses or the channel does not open.
    """
    phone = Phone(scene, setup, start, seed, language)
    pc = RTCPeerConnection(RTCConfiguration(iceServers=[]))
    pc.addTrack(phone.track)
    # Only with a channel of its own does the offer hold the m=application that guidance needs.
    pc.createDataChannel("phone")
    pc.on("datachannel", phone.adopt)
    session: str | None = None
    talk: asyncio.Task[None] | None = None
    headers = {"Authorization": f"Bearer {token}"}
    async with aiohttp.ClientSession(headers=headers) as http:
        try:
            await pc.setLocalDescription(await pc.createOffer())
            session, answer = await _offer(http, url, pc.localDescription.sdp)
            await pc.setRemoteDescription(RTCSessionDescription(answer, "answer"))
            await phone.opened()
            talk = asyncio.create_task(phone.talk())
            yield phone
        finally:
            if talk is not None:
                talk.cancel()
                await asyncio.gather(talk, return_exceptions=True)
            if session is not None:
                with suppress(aiohttp.ClientError, TimeoutError):
                    async with http.delete(session, timeout=aiohttp.ClientTimeout(5)):
                        pass
            phone.track.stop()
            await pc.close()


async def _offer(http: aiohttp.ClientSession, url: str, sdp: str) -> tuple[str, str]:
    """WHIP (RFC 9725, section 4.2): the session's URL and the answer."""
    try:
        async with http.post(
            f"{url}/whip",
            data=sdp.encode(),
            headers={"Content-Type": "application/sdp"},
            timeout=aiohttp.ClientTimeout(15),
        ) as response:
            body = await response.text()
            if response.status != 201:
                raise PhoneError(f"the server refused the stream ({response.status}): {body[:300]}")
            return urljoin(f"{url}/whip", response.headers["Location"]), body
    except (aiohttp.ClientError, TimeoutError) as wrong:
        raise PhoneError(f"no server answers at {url} ({wrong}): start it first") from wrong
