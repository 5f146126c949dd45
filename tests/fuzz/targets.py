"""What is fuzzed: well-formed inputs to begin with, and what may be done with a mutated one.

A target may raise what its callers answer in words; anything else is a find.
"""

from __future__ import annotations

import asyncio
import json
import tempfile
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from server import sdp
from server.analysis import Analyst
from server.mailbox import Mailbox
from server.media import MediaError, pictures
from server.messages import (
    AgainSent,
    AimSent,
    HintSent,
    LookSent,
    MessageError,
    Ping,
    PlaceSent,
    SetupSent,
    TiltSent,
    pong,
    problem,
    read_message,
    write_message,
)
from server.problems import Problem
from server.session import Session
from server.words import PLAIN
from tests.server.live_phone import LivePhone, far_away
from tests.server.made_files import picture, write_clip
from vision.setup import Setup
from vision.tilt import tilt_from_gravity

# What a person could mistake for a hang of the server.
SLOW_S = {"offer": 0.5, "fragment": 0.5, "message": 0.5, "session": 5.0, "media": 5.0}


@dataclass(frozen=True)
class Target:
    """`run` takes one input; `seeds` makes the well-formed ones."""

    run: Callable[[bytes], None]
    seeds: Callable[[], list[bytes]]
    words: tuple[bytes, ...] = ()


def offer(data: bytes) -> None:
    """The first check of an offer, and what its answer is finished by."""
    try:
        text = data.decode()
    except UnicodeDecodeError:
        return  # 400 before any parser
    try:
        sdp.check_offer(text)
    except Problem as refused:
        refused.response(PLAIN)
    sdp.finish_answer(text)


def fragment(data: bytes) -> None:
    """Trickled candidates."""
    try:
        read = sdp.read_fragment(data.decode(), ["0", "1"])
        read.restarts({("ufrag", "pwd")})
        assert all(candidate.sdpMid in ("0", "1") for candidate in read.candidates)
    except UnicodeDecodeError:
        return
    except Problem as refused:
        refused.response(PLAIN)


class Message:
    """Whatever comes on the channel, up to the setup or tilt that vision would see."""

    def __init__(self) -> None:
        self.told: list[dict[str, object]] = []
        self.pool = ThreadPoolExecutor(1)
        self.analyst = Analyst(Mailbox(), self.pool, far_away, self.told.append)

    def __call__(self, data: bytes) -> None:
        for text in (data, data.decode("utf-8", "replace")):
            self._one(text)

    def _one(self, text: str | bytes) -> None:
        self.told.clear()
        try:
            message = read_message(text)
        except MessageError as wrong:
            write_message(problem(str(wrong), wrong.seq)).encode()
            return
        analyst = self.analyst
        if isinstance(message, Ping):
            write_message(pong(message, 1.0, 1.5, 15)).encode()
        elif isinstance(message, SetupSent):
            analyst._setup_seq = None
            analyst.set_up(message)
        elif isinstance(message, HintSent):
            analyst._hint_seq = None
            analyst.hint(message)
        elif isinstance(message, AimSent):
            analyst._aim_seq = None
            analyst.aim(message)
        elif isinstance(message, PlaceSent):
            analyst.place(message)
        elif isinstance(message, LookSent):
            analyst.look(message)
        elif isinstance(message, AgainSent):
            analyst.again(message)
        elif isinstance(message, TiltSent):
            analyst.tilt(message)
            if message.gravity is not None:
                tilt_from_gravity(message.gravity, message.screen_deg, flipped=False)
        assert isinstance(analyst._setup((1280, 720)), Setup)
        for told in self.told:
            write_message(told).encode()  # as it would go out


class WholeSession:
    """An offer all the way into the library, a fragment, and the end; leaves nothing behind."""

    def __init__(self) -> None:
        self.loop = asyncio.new_event_loop()
        self.pool = ThreadPoolExecutor(1)
        self.loop.set_exception_handler(self._unhandled)
        self.unhandled: list[str] = []

    def _unhandled(self, loop: asyncio.AbstractEventLoop, context: dict[str, object]) -> None:
        error = context.get("exception")
        lines = traceback.format_exception(error) if isinstance(error, BaseException) else []
        self.unhandled.append(str(context) + "".join(lines))

    def __call__(self, data: bytes) -> None:
        self.loop.run_until_complete(self._one(data))
        assert not self.unhandled, self.unhandled[0][:2000]

    async def _one(self, data: bytes) -> None:
        try:
            text = data.decode()
        except UnicodeDecodeError:
            return
        before = asyncio.all_tasks()
        session = Session(analyse=far_away, pool=self.pool)
        try:
            answer = await session.accept(text)
            assert "a=rtcp-mux-only" in answer
            await session.trickle("a=candidate:1 1 udp 1 192.0.2.1 9 typ host\r\n")
        except Problem as refused:
            refused.response(PLAIN)
        finally:
            await session.close()
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        assert len(asyncio.all_tasks() - before) <= 1, asyncio.all_tasks() - before


def media(data: bytes) -> None:
    """A photo or clip of somebody else."""
    with tempfile.NamedTemporaryFile(prefix="fuzz", dir=_memory()) as file:
        file.write(data)
        file.flush()
        try:
            for number, found in enumerate(pictures(Path(file.name))):
                assert found.bgr.ndim == 3
                assert found.bgr.dtype == np.uint8
                if number >= 5:
                    break
        except MediaError as wrong:
            assert str(wrong)


def _memory() -> str | None:
    shared = Path("/dev/shm")
    return str(shared) if shared.is_dir() else None


def _offers() -> list[bytes]:
    async def make() -> list[bytes]:
        made = []
        for channel in (True, False):
            async with LivePhone(None) as phone:
                made.append((await phone.offer(channel)).encode())
        return made

    return asyncio.run(make())


def _fragments() -> list[bytes]:
    lines = [
        "a=ice-ufrag:EsAw\r\na=ice-pwd:P2uYro0UCOQ4zxjKXaWCBui1\r\n",
        "m=video 9 UDP/TLS/RTP/SAVPF 0\r\na=mid:0\r\n",
        "a=candidate:1 1 udp 2130706431 192.0.2.1 61764 typ host generation 0 ufrag EsAw\r\n",
        "a=candidate:1 1 tcp 1518280447 fd00::1 9 typ host tcptype active\r\n",
        "a=candidate:2 1 udp 1 x.local 9 typ srflx raddr 192.0.2.1 rport 1\r\n",
        "a=end-of-candidates\r\n",
    ]
    return ["".join(lines).encode(), "".join(lines[1:3]).encode(), "".join(lines[::-1]).encode()]


def _messages() -> list[bytes]:
    sent = [
        {"type": "ping", "t_ms": 12345.6},
        {"type": "tilt", "t_ms": 1.5, "gravity": [0.1, 9.7, 1.2], "screen_deg": 90},
        {"type": "hint", "seq": 2, "xy_px": [[412.5, 300.5], [640, 512]], "size": [1280, 720]},
        {"type": "place", "seq": 1, "do": "remember", "name": "3", "move_m": 0.01, "turn_deg": 0.3},
        {"type": "look", "seq": 1, "do": "begin"},
        {"type": "again", "seq": 1, "do": "lead", "film": "c0ffee12", "same_rods": True},
        {"type": "again", "seq": 2, "do": "lead", "bay": "4"},
        {"type": "aim", "seq": 1, "xy_px": [655, 212], "size": [1280, 720], "distance_m": 150},
        {
            "type": "setup",
            "seq": 3,
            "setup": {
                "view": "face-on", "handed": "right", "units": "cm", "language": "en",
                "rod_lengths_m": {"target": 1.22, "stem": 1.22}, "focal_px": None, "line": "toe",
                "camera": {"device": "x", "lens": "y", "size": [1280, 720]},
                "player_height_m": 1.78, "club": "7-iron",
                "goal": {"height_m": 0.9, "distance_m": None, "framing": False},
                "tolerance": {"offset_m": 0.05, "yaw_deg": 2, "roll_deg": 2},
            },
        },
    ]  # fmt: skip
    return [json.dumps(message).encode() for message in sent]


def _media() -> list[bytes]:
    bgr = picture(64, 48)
    made = []
    for suffix in (".jpg", ".png", ".bmp", ".tiff", ".webp", ".jp2"):
        done, data = cv2.imencode(suffix, bgr)
        assert done
        made.append(data.tobytes())
    with tempfile.TemporaryDirectory() as folder:
        for name in ("a.mp4", "a.avi", "a.mkv", "a.mov"):
            made.append(write_clip(Path(folder) / name, 6, (64, 48)).read_bytes())
    return made


def target(name: str) -> Target:
    """The target of that name; those with a state of their own are made anew."""
    if name == "offer":
        return Target(offer, _offers, (b"a=sendonly", b"m=video 9 UDP/TLS/RTP/SAVPF 97\r\n"))
    if name == "fragment":
        return Target(fragment, _fragments, (b"a=mid:7\r\n", b"a=candidate:", b"m=audio"))
    if name == "message":
        words = (b"null", b"true", b"[]", b"{}", b'"\\ud800"', b'"\\u0000"', b'"setup"', b"-0")
        return Target(Message(), _messages, words)
    if name == "session":
        return Target(WholeSession(), _offers, (b"a=setup:passive\r\n", b"a=mid:1\r\n"))
    if name == "media":
        return Target(media, _media, (b"moov", b"IHDR", b"\xff\xd9", b"ftypheic", b"mdat"))
    raise KeyError(name)


NAMES = tuple(SLOW_S)
