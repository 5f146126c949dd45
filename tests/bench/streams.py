"""Phones that send pre-encoded video: clips made once from scenes, real WebRTC, real guidance."""

import asyncio
import json
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction

import aiohttp
import av
import cv2
import numpy as np
from aiortc import RTCConfiguration, RTCPeerConnection, RTCSessionDescription, VideoStreamTrack
from aiortc.codecs import get_capabilities

from tests.scenes import Scene

LOOP = 30  # pictures of a clip, which is sent over and over
BITRATE = 2_000_000
PING_S = 0.5
TILT_S = 0.05  # as the page does: at most 20 a second, no more often than pictures are asked for
NOISE = 2.0  # grey levels of a sensor in daylight
SWAY_PX = 12.0
SIZE = (1280, 720)
CODECS = {"vp8": ("libvpx", "VP8"), "h264": ("libx264", "H264")}
LIVE = {
    "vp8": {"deadline": "realtime", "cpu-used": "8", "lag-in-frames": "0"},
    "h264": {"preset": "ultrafast", "tune": "zerolatency", "profile": "baseline"},
}


@dataclass(frozen=True)
class Clip:
    """A scene as one key picture and its followers, ready to be sent again and again."""

    scene: Scene
    packets: list[bytes]


def clips(scenes: list[Scene], codec: str, fps: int) -> list[Clip]:
    """Every scene encoded. Every third camera is being slid, the others stand on a tripod."""
    return [_encode(scene, codec, fps, k % 3 == 2, k) for k, scene in enumerate(scenes)]


def _encode(scene: Scene, codec: str, fps: int, slid: bool, seed: int) -> Clip:
    encoder = av.CodecContext.create(CODECS[codec][0], "w")
    encoder.width, encoder.height = SIZE
    encoder.pix_fmt = "yuv420p"
    encoder.time_base = Fraction(1, fps)
    encoder.framerate = Fraction(fps)
    encoder.bit_rate = BITRATE
    encoder.gop_size = LOOP
    encoder.thread_count = 1
    encoder.options = LIVE[codec]
    rng = np.random.default_rng(seed)
    bgr = cv2.resize(scene.bgr(), SIZE, interpolation=cv2.INTER_AREA)
    # Sixteen noises in turn are as good as new ones, and quicker.
    grain = rng.normal(0, NOISE, (4, SIZE[1], SIZE[0], 3)).astype(np.float32)
    packets: list[bytes] = []
    for k in range(LOOP):
        aside = SWAY_PX * np.sin(2 * np.pi * k / LOOP) if slid else 0.0
        shift = np.array([[1, 0, aside], [0, 1, 0]])
        picture = cv2.warpAffine(bgr, shift, SIZE, borderMode=cv2.BORDER_REPLICATE)
        noisy = np.clip(picture + np.roll(grain[k % 4], k, axis=1), 0, 255).astype(np.uint8)
        frame = av.VideoFrame.from_ndarray(noisy, format="bgr24").reformat(format="yuv420p")
        frame.pts, frame.time_base = k, Fraction(1, fps)
        if k == 0:
            frame.pict_type = av.video.frame.PictureType.I
        packets += [bytes(packet) for packet in encoder.encode(frame)]
    packets += [bytes(packet) for packet in encoder.encode(None)]
    assert len(packets) == LOOP, f"{len(packets)} packets of {LOOP} pictures"
    return Clip(scene, packets)


class Camera(VideoStreamTrack):
    """The clip's packets at their pace. `sent_s`: when each was handed over, by its number."""

    def __init__(self, clip: Clip, fps: int, delay_s: float) -> None:
        super().__init__()
        self.clip, self.fps = clip, fps
        self.sent_s: list[float] = []
        self._delay_s = delay_s
        self._begin_s = 0.0

    async def recv(self) -> av.Packet:
        number = len(self.sent_s)
        if number == 0:
            self._begin_s = time.perf_counter() + self._delay_s
        due_s = self._begin_s + number / self.fps
        await asyncio.sleep(max(due_s - time.perf_counter(), 0.0))
        packet = av.Packet(self.clip.packets[number % LOOP])
        packet.pts, packet.time_base = number, Fraction(1, self.fps)
        self.sent_s.append(time.perf_counter())
        return packet


@dataclass
class Heard:
    """One guidance message: when it came, of which time its picture is, and its age by then."""

    at_s: float
    capture_s: float
    age_s: float
    seq: int
    found: bool


@dataclass
class StreamPhone:
    """One sending phone, with what it heard. Without `guided`, video alone."""

    number: int
    camera: Camera
    guided: bool = True
    heard: list[Heard] = field(default_factory=list)
    _known: bool = False
    _asked_fps: float = 30.0

    async def begin(self, http: aiohttp.ClientSession, codec: str) -> None:
        """Connect by WHIP. Raises when the server refuses."""
        self._http = http
        self._pc = RTCPeerConnection(RTCConfiguration(iceServers=[]))
        self._tasks: list[asyncio.Task[None]] = []
        transceiver = self._pc.addTransceiver(self.camera, direction="sendonly")
        wanted = [c for c in get_capabilities("video").codecs if c.name == CODECS[codec][1]]
        transceiver.setCodecPreferences(wanted)
        if self.guided:
            self._pc.createDataChannel("offer", negotiated=True, id=100)
            self._pc.on("datachannel", self._opened)
        await self._pc.setLocalDescription(await self._pc.createOffer())
        offer = self._pc.localDescription.sdp
        async with http.post(
            "/whip", data=offer, headers={"Content-Type": "application/sdp"}
        ) as response:
            answer = await response.text()
            assert response.status == 201, f"the server answered {response.status}: {answer}"
            self._location = response.headers["Location"]
        await self._pc.setRemoteDescription(RTCSessionDescription(answer, "answer"))

    async def end(self) -> None:
        """Leave politely."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        async with self._http.delete(self._location):
            pass
        await self._pc.close()

    def _opened(self, channel) -> None:
        channel.on("message", self._hear)
        scene = self.camera.clip.scene
        setup = scene.setup()
        stated = {
            "view": setup.view.value,
            "rod_lengths_m": {r.value: m for r, m in setup.rod_lengths_m.items()},
            "focal_px": setup.lens.focal_px * SIZE[0] / scene.size[0],
        }
        told = {"type": "setup", "seq": 1, "setup": stated}
        self._tasks.append(asyncio.ensure_future(self._introduce(channel, told)))
        up = scene.rotation @ np.array([0.0, 0.0, 9.81])  # in camera axes: right, down, forward
        tilt = {"type": "tilt", "t_ms": 0, "screen_deg": 0, "gravity": (up * [1, -1, -1]).tolist()}
        every = (
            (tilt, lambda: max(TILT_S, 1 / self._asked_fps)),
            ({"type": "ping"}, lambda: PING_S),
        )
        for message, every_s in every:
            self._tasks.append(asyncio.ensure_future(_repeat(channel, message, every_s)))

    async def _introduce(self, channel, told: dict) -> None:
        """The setup, which may get lost, again and again until it has come, as the page does."""
        while channel.readyState == "open" and not self._known:
            channel.send(json.dumps(told))
            await asyncio.sleep(PING_S)

    def _hear(self, text: str) -> None:
        at_s = time.perf_counter()
        message = json.loads(text)
        self._asked_fps = message.get("fps", self._asked_fps)
        if message["type"] != "guidance":
            return
        self._known = message["setup_seq"] is not None
        self.heard.append(
            Heard(
                at_s,
                message["capture_s"],
                message["age_ms"] / 1e3,
                message["seq"],
                message["verdict"] != "not-found",
            )
        )

    def ages_s(self, after_s: float) -> list[float]:
        """From handing a picture over to hearing about it, for messages after a time.

        A message counts from the first picture that the server took, which need not be the
        first sent: the number of those before it is what makes the server's own word of the
        age fit best.
        """
        fps, sent = self.camera.fps, self.camera.sent_s
        numbers = [round(h.capture_s * fps) for h in self.heard]
        if not numbers:
            return []

        def apart(skipped: int) -> float:
            pairs = zip(numbers, self.heard, strict=True)
            away = [
                abs(h.at_s - h.age_s - sent[n + skipped])
                for n, h in pairs
                if n + skipped < len(sent)
            ]
            return float(np.median(away)) if away else np.inf

        skipped = min(range(3 * fps), key=apart)
        return [
            h.at_s - sent[n + skipped]
            for n, h in zip(numbers, self.heard, strict=True)
            if h.at_s >= after_s and n + skipped < len(sent)
        ]


async def _repeat(channel, message: dict, every_s: Callable[[], float]) -> None:
    while channel.readyState == "open":
        channel.send(json.dumps(message | {"t_ms": 1e3 * time.perf_counter()}))
        await asyncio.sleep(every_s())
