"""Decoding with less about it: one thread for each stream, as the library has it, and few wakings.

The library makes a task and two futures for each decoded picture, and its thread ends when a
decoder raises anything but FFmpeg's own errors: then a phone's picture stands still for good. Here
a picture is one call on the loop, and whatever a broken stream makes a decoder raise is answered
by asking for a new key picture (RFC 4585, section 6.3.1).

The library's queue before the decoder has no bound: on a machine that is too slow, pictures would
grow minutes old in it, and no age would tell, for ages count from the decoded picture. Beyond
`MOST_WAITING` all are dropped, up to the next key picture.
"""

from __future__ import annotations

import asyncio
import logging
import math
import queue
import threading
from collections import deque
from typing import Any

import av
from aiortc import rtcrtpreceiver
from aiortc.rate import RateCounter, RemoteBitrateEstimator

logger = logging.getLogger(__name__)

MOST_WAITING = 20  # coded pictures: 0.7 s at 30 a second
RATE_MS = 1000
REDUCE_EVERY_MS = 200  # two estimates at least so far apart
ASK_EVERY = 15  # pictures dropped before a key picture is asked for again


class SlidingRate(RateCounter):
    """The library's rate of the last second, which there walks over every millisecond of it."""

    def reset(self) -> None:
        """Forget everything."""
        self._parts: deque[tuple[int, int]] = deque()  # (arrival, bytes)
        self._bytes = 0
        self._first_ms: int | None = None  # of the window

    def add(self, value: int, now_ms: int) -> None:
        """So many bytes have come."""
        self._forget(now_ms)
        self._parts.append((now_ms, value))
        self._bytes += value

    def rate(self, now_ms: int) -> int | None:
        """Bits a second up to now; None where too little is known."""
        if self._first_ms is None:
            return None
        active_ms = now_ms - self._forget(now_ms) + 1
        return round(8000 * self._bytes / active_ms) if self._parts and active_ms > 1 else None

    def _forget(self, now_ms: int) -> int:
        """Let go of what is too old; gives the window's first millisecond."""
        if self._first_ms is None:
            self._first_ms = now_ms
        self._first_ms = max(self._first_ms, now_ms - RATE_MS + 1)
        while self._parts and self._parts[0][0] < self._first_ms:
            self._bytes -= self._parts.popleft()[1]
        return self._first_ms


class ThriftyEstimator(RemoteBitrateEstimator):
    """The library's estimate of the way's bitrate, asked once a millisecond instead of a packet.

    Its clock counts milliseconds and its groups are of 5: packets of one millisecond of arrival
    come to one with all their bytes, which are added with the next. While it takes the way for
    overused it has a new estimate with every packet, and each is a message to the phone: most are
    held back, as a sender can follow none sooner than its words take to come and go.
    """

    def __init__(self) -> None:
        super().__init__()
        self.incoming_bitrate = SlidingRate(RATE_MS, 8000)
        self._at_ms: int | None = None
        self._held = 0
        self._told_ms = -math.inf

    def add(
        self, arrival_time_ms: int, abs_send_time: int, payload_size: int, ssrc: int
    ) -> tuple[int, list[int]] | None:
        """A packet's arrival; the new estimate (bit/s, for these sources) when there is one."""
        if arrival_time_ms == self._at_ms:
            self._held += payload_size
            return None
        self._at_ms = arrival_time_ms
        size, self._held = payload_size + self._held, 0
        told: tuple[int, list[int]] | None = super().add(arrival_time_ms, abs_send_time, size, ssrc)
        if told is None or 0 <= arrival_time_ms - self._told_ms < REDUCE_EVERY_MS:
            return None
        self._told_ms = arrival_time_ms
        return told


def decode_until_none(
    loop: asyncio.AbstractEventLoop,
    coded: queue.Queue[Any],
    pictures: asyncio.Queue[Any],
    failed: threading.Event,
) -> None:
    """Decode (codec, coded picture) after (codec, coded picture) until None; the thread's body.

    `failed` is set for each that cannot be decoded, and for pictures dropped.
    """
    name: str | None = None
    decoder: Any = None
    dropped = 0  # since the last that was decoded, by dropping
    while True:
        task = coded.get()
        if task is None:
            _hand_over(loop, pictures, [None])
            return
        codec, encoded = task
        if not encoded.data:
            continue  # nothing but padding; to a decoder it would mean the end of the stream
        if coded.qsize() > MOST_WAITING or (dropped and not is_key(codec.name, encoded.data)):
            if dropped % ASK_EVERY == 0:
                logger.info("the decoder is behind: pictures are dropped")
                failed.set()
            dropped += 1
            continue
        dropped = 0
        try:
            if codec.name != name:
                # Taken by name at the time, as it is exchanged for one of one thread (`jitter`).
                decoder = getattr(rtcrtpreceiver, "get_decoder")(codec)  # noqa: B009
                name = codec.name
            decoded = decoder.decode(encoded)
        except av.FFmpegError as wrong:
            # The decoder is kept: a new one could decode nothing before the next key picture.
            logger.info("a picture could not be decoded: %s", wrong)
            failed.set()
            continue
        except Exception:
            logger.exception("the decoder failed and is made anew")
            name = None
            failed.set()
            continue
        _hand_over(loop, pictures, decoded)


def is_key(codec: str, data: bytes) -> bool:
    """Whether a coded picture needs no other: VP8 (RFC 6386, section 9.1), H.264 (Annex B)."""
    if codec == "VP8":
        return not data[0] & 1
    # NAL units begin with 0 0 1; type 5 is a part of an IDR picture (ITU-T H.264, table 7-1).
    at = data.find(b"\x00\x00\x01")
    while 0 <= at < len(data) - 3:
        if data[at + 3] & 0x1F == 5:
            return True
        at = data.find(b"\x00\x00\x01", at + 3)
    return False


def _hand_over(
    loop: asyncio.AbstractEventLoop, pictures: asyncio.Queue[Any], items: list[Any]
) -> None:
    if not items:
        return
    try:
        for item in items:
            loop.call_soon_threadsafe(pictures.put_nowait, item)
    except RuntimeError:
        logger.info("the loop has ended before its pictures")
