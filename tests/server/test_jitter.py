"""Pictures are given with their marked packet, whole, once and in order."""

import random

import aiortc
from aiortc import rtcrtpreceiver, rtcsctptransport
from aiortc.jitterbuffer import JitterBuffer
from aiortc.rtp import RtpPacket
from hypothesis import given, settings
from hypothesis import strategies as st

from server.jitter import TESTED_VERSIONS, PromptJitterBuffer, install
from tests.server.live_phone import far_away, serving


def packets(sizes: list[int], first: int = 0, padding: int = 0) -> list[RtpPacket]:
    """Pictures of so many packets each, the last one marked, then empty packets of its time."""
    made = []
    seq = first
    for picture, size in enumerate(sizes):
        for part in range(size + padding):
            packet = RtpPacket(
                payload_type=97,
                marker=part == size - 1,
                sequence_number=seq % 65536,
                timestamp=3000 * picture,
            )
            packet._data = f"<{picture}.{part}>".encode() if part < size else b""
            made.append(packet)
            seq += 1
    return made


def whole(sizes: list[int]) -> list[tuple[int, bytes]]:
    return [
        (3000 * picture, b"".join(f"<{picture}.{part}>".encode() for part in range(size)))
        for picture, size in enumerate(sizes)
    ]


def given_by(buffer: JitterBuffer, sent: list[RtpPacket]) -> list[tuple[int, int, bytes]]:
    """(index of the packet that released it, time stamp, data) of every picture."""
    out = []
    for index, packet in enumerate(sent):
        _, frame = buffer.add(packet)
        if frame is not None:
            out.append((index, frame.timestamp, frame.data))
    return out


def prompt() -> PromptJitterBuffer:
    return PromptJitterBuffer(capacity=512, is_video=True)


def test_this_version_of_the_library_is_known():
    assert aiortc.__version__.startswith(TESTED_VERSIONS)


def test_the_channels_first_packets_are_sent_again_after_the_second_of_rfc_9260():
    assert install()
    assert rtcsctptransport.SCTP_RTO_INITIAL == 1.0  # RFC 9260, section 16: RTO.Initial


async def test_connections_use_it_and_decode_in_one_thread():
    async with serving(far_away):
        assert rtcrtpreceiver.JitterBuffer is PromptJitterBuffer
    vp8 = aiortc.codecs.CODECS["video"][0]
    assert rtcrtpreceiver.get_decoder(vp8).codec.thread_count == 1


def test_a_picture_comes_with_its_own_last_packet():
    sizes = [3, 1, 2]
    out = given_by(prompt(), packets(sizes))
    assert [index for index, _, _ in out] == [2, 3, 5]
    assert [(stamp, data) for _, stamp, data in out] == whole(sizes)
    # The library's own waits for the next picture, so the last one is still held.
    late = given_by(JitterBuffer(capacity=512, is_video=True), packets(sizes))
    assert [index for index, _, _ in late] == [3, 4]


def test_a_missing_packet_is_waited_for():
    sent = packets([3, 2])
    sent.insert(4, sent.pop(1))  # comes after the second picture's first packet
    out = given_by(prompt(), sent)
    assert [data for _, _, data in out] == [data for _, data in whole([3, 2])][: len(out)]
    assert out[0][0] == 4


def test_a_marked_packet_that_overtakes_its_picture_does_not_tear_it():
    sent = packets([3])
    out = given_by(prompt(), [sent[0], sent[2], sent[1]])
    assert out == [(2, 0, whole([3])[0][1])]


def test_packets_sent_twice_change_nothing():
    sent = [packet for packet in packets([2, 3, 1]) for _ in range(2)]
    assert [data for _, _, data in given_by(prompt(), sent)] == [d for _, d in whole([2, 3, 1])]


def test_padding_after_a_picture_never_becomes_an_empty_picture():
    # An empty packet would tell the decoder that the stream has ended.
    out = given_by(prompt(), packets([2, 3, 1], padding=2))
    assert [(stamp, data) for _, stamp, data in out] == whole([2, 3, 1])


def test_a_sender_that_marks_nothing_is_served_as_before():
    sent = packets([2, 2, 2])
    for packet in sent:
        packet.marker = 0
    own = given_by(prompt(), sent)
    assert own == given_by(JitterBuffer(capacity=512, is_video=True), sent)
    assert len(own) == 2


@settings(max_examples=200, deadline=None)
@given(
    sizes=st.lists(st.integers(1, 6), min_size=2, max_size=25),
    first=st.sampled_from([0, 1000, 65530, 65535]),
    reach=st.integers(0, 8),
    padding=st.integers(0, 2),
    seed=st.integers(0, 2**32 - 1),
)
def test_reordered_pictures_come_out_whole_once_in_order_and_never_later(
    sizes, first, reach, padding, seed
):
    rng = random.Random(seed)
    sent = packets(sizes, first, padding)
    # The very first packet must come first: nobody can know of an earlier one.
    rest = sorted(enumerate(sent[1:]), key=lambda item: item[0] + rng.uniform(0, reach))
    order = [sent[0], *(packet for _, packet in rest)]
    own = given_by(prompt(), order)
    assert [(stamp, data) for _, stamp, data in own] == whole(sizes)[: len(own)]
    library = given_by(JitterBuffer(capacity=512, is_video=True), order)
    when = {stamp: index for index, stamp, _ in own}
    assert all(when[stamp] <= index for index, stamp, _ in library)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), loss=st.floats(0, 0.01))
def test_packets_lost_for_good_leave_no_torn_picture(seed, loss):
    rng = random.Random(seed)
    sizes = [rng.randint(1, 5) for _ in range(500)]  # several times the buffer's capacity
    sent = packets(sizes)
    kept = [sent[0], *(packet for packet in sent[1:] if rng.random() >= loss)]
    expected = dict(whole(sizes))
    out = given_by(prompt(), kept)
    stamps = [stamp for _, stamp, _ in out]
    assert stamps == sorted(set(stamps))
    assert all(expected[stamp] == data for _, stamp, data in out)


def test_after_losses_the_pictures_go_on():
    kept = [p for p in packets([3] * 600) if p.sequence_number not in (151, 451)]
    own = given_by(prompt(), kept)
    assert own[-1] == (len(kept) - 1, 3000 * 599, whole([3] * 600)[-1][1])
    assert len(own) >= len(given_by(JitterBuffer(capacity=512, is_video=True), kept)) - 2
