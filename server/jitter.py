"""Each picture decoded as soon as its last packet is there, in one thread.

aiortc holds a picture until the first packet of the next one: 67 ms at 15 pictures a second. The
sender marks a picture's last packet (RFC 3550, section 5.1; RFC 7741, section 4.1 for VP8; RFC
6184, section 5.1 for H.264). This reaches into the library's private parts, in this one file and
only for versions it was tested with; with any other, pictures are later and nothing else changes.
"""

from __future__ import annotations

import logging
from typing import Any, cast

import aiortc
from aiortc import rtcrtpreceiver, rtcsctptransport
from aiortc.jitterbuffer import JitterBuffer, JitterFrame
from aiortc.rtp import RtpPacket

from server.reception import ThriftyEstimator, decode_until_none

logger = logging.getLogger(__name__)

TESTED_VERSIONS = ("1.16.",)
# Until a lost packet of the channel's first is sent again: 1 s since RFC 9260 (RTO.Initial,
# section 16), 3 s in the library, of which a few use up what the page waits for a channel.
FIRST_RTO_S = 1.0


class PromptJitterBuffer(JitterBuffer):
    """A jitter buffer that gives a video's picture with its marked packet.

    Order, gaps and requests for a new key picture are the base class's, except that a lost
    packet never leaves half a picture behind.
    """

    def __init__(self, capacity: int, prefetch: int = 0, is_video: bool = False) -> None:
        super().__init__(capacity=capacity, prefetch=prefetch, is_video=is_video)
        self._given: int | None = None  # time stamp of the picture given last
        self._more = True  # a whole picture may be waiting behind the one given last

    def _remove_frame(self, sequence_number: int) -> JitterFrame | None:
        if not self._is_video:
            return super()._remove_frame(sequence_number)
        if not self._more and self._inside_a_picture(sequence_number):
            return None  # most packets: spares looking through all before them again
        self._skip_padding()
        frame: JitterFrame | None = super()._remove_frame(sequence_number)
        if frame is None:
            frame = self._marked_frame()
        if frame is not None:
            self._given = frame.timestamp
        self._more = frame is not None
        return frame

    def _inside_a_picture(self, sequence_number: int) -> bool:
        """Whether this packet continues a picture and completes none."""
        at = self._packets[sequence_number % self._capacity]
        before = self._packets[(sequence_number - 1) % self._capacity]
        return (
            at is not None
            and not at.marker
            and before is not None
            and before.timestamp == at.timestamp
            and at.timestamp != self._given
            and self._packets[(sequence_number + 1) % self._capacity] is None
        )

    def smart_remove(self, count: int) -> bool:
        """Drop at least `count` packets, up to one that surely begins a picture.

        Sure is a packet whose forerunner is there and of another time. True when none was found
        and the buffer is empty.
        """
        self._more = True
        before: RtpPacket | None = None
        for done in range(self.capacity):
            packet = self._at(0)
            if (
                done >= count
                and packet is not None
                and before is not None
                and packet.timestamp != before.timestamp
            ):
                return False
            before = packet
            self.remove(1)
        return True

    def _skip_padding(self) -> None:
        """Drop empty packets after a picture already given: else they would make an empty one."""
        while True:
            packet = self._at(0)
            if packet is None or packet.timestamp != self._given or _payload(packet):
                return
            self.remove(1)

    def _marked_frame(self) -> JitterFrame | None:
        """The first picture, when no packet of it is missing and its last is marked."""
        parts: list[bytes] = []
        for count in range(self.capacity):
            packet = self._at(count)
            if packet is None:
                return None
            parts.append(_payload(packet))
            if packet.marker:
                self.remove(count + 1)
                return JitterFrame(data=b"".join(parts), timestamp=packet.timestamp)
        return None

    def _at(self, count: int) -> RtpPacket | None:
        assert self._origin is not None
        return self._packets[(self._origin + count) % self._capacity]


def _payload(packet: RtpPacket) -> bytes:
    return cast(bytes, getattr(packet, "_data", b""))


def _one_thread(codec: Any) -> Any:
    """A decoder that does not spread each small picture over every core."""
    decoder = _get_decoder(codec)
    context: Any = getattr(decoder, "codec", None)
    if hasattr(context, "thread_count"):
        context.thread_count = 1
    return decoder


# Not part of the library's interface, hence by name.
_get_decoder = getattr(rtcrtpreceiver, "get_decoder")  # noqa: B009


def install() -> bool:
    """Use all this for every connection from now on; False when the library is not a known one."""
    known = aiortc.__version__.startswith(TESTED_VERSIONS)
    if not known:
        logger.info("aiortc %s is not a version known here", aiortc.__version__)
        return False
    setattr(rtcrtpreceiver, "JitterBuffer", PromptJitterBuffer)  # noqa: B010
    setattr(rtcrtpreceiver, "get_decoder", _one_thread)  # noqa: B010
    setattr(rtcrtpreceiver, "decoder_worker", decode_until_none)  # noqa: B010
    setattr(rtcrtpreceiver, "RemoteBitrateEstimator", ThriftyEstimator)  # noqa: B010
    setattr(rtcsctptransport, "SCTP_RTO_INITIAL", FIRST_RTO_S)  # noqa: B010
    return True
