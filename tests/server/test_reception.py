"""What is taken over from the WebRTC library: its estimate, its decoder's queue; and the memory."""

import asyncio
import gc
import itertools
import queue
import subprocess
import sys
import threading
import time
from fractions import Fraction
from types import SimpleNamespace

import av
import numpy as np
import pytest
from aiortc import rtcrtpreceiver
from aiortc.jitterbuffer import JitterFrame
from aiortc.rate import RateCounter, RemoteBitrateEstimator

from server import jitter
from server.reception import (
    MOST_WAITING,
    REDUCE_EVERY_MS,
    SlidingRate,
    ThriftyEstimator,
    decode_until_none,
    is_key,
)

SEND_UNITS_PER_S = 1 << 18  # abs-send-time: 24 bits, 18 of them the fraction of a second


def estimates(kind, bitrate, capacity=None, seconds=12.0, seed=2):
    """What an estimator tells of pictures 30 a second, each in packets of 1200 bytes or less.

    `capacity` (bit/s): of a line with a queue; None for a line that is never full.
    """
    rng = np.random.default_rng(seed)
    estimator, told, free_s = kind(), [], 0.0
    for picture in range(round(30 * seconds)):
        size = round(bitrate / 30 / 8 * rng.uniform(0.8, 1.2))
        sent_s = picture / 30
        while size > 0:
            part = min(size, 1200)
            size -= part
            sent_s += 50e-6
            free_s = max(free_s, sent_s) + (8 * part / capacity if capacity else 0.0)
            came_ms = round(1e3 * (free_s + 0.002 + rng.uniform(0, 2e-4)))
            units = round(sent_s * SEND_UNITS_PER_S) % (1 << 24)
            new = estimator.add(came_ms, units, part, 1)
            if new is not None:
                told.append((came_ms, *new))
    return told


def test_connections_use_it():
    assert jitter.install()
    assert rtcrtpreceiver.RemoteBitrateEstimator is ThriftyEstimator


@pytest.mark.parametrize("bitrate", [400e3, 2e6])
def test_on_a_free_line_it_says_what_the_librarys_says(bitrate):
    ours, theirs = estimates(ThriftyEstimator, bitrate), estimates(RemoteBitrateEstimator, bitrate)
    assert len(ours) == len(theirs) > 10
    last, known = ours[-1], theirs[-1]
    assert last[2] == known[2] == [1]
    assert last[1] == pytest.approx(known[1], rel=0.05)
    assert last[1] > bitrate


@pytest.mark.parametrize("seed", range(5))
def test_the_rate_of_the_last_second_is_the_librarys(seed):
    rng = np.random.default_rng(seed)
    ours, theirs = SlidingRate(1000, 8000), RateCounter(1000, 8000)
    now_ms = 0
    for step in range(2000):
        now_ms += int(rng.choice([0, 1, 7, 60, 400, 2500], p=[0.3, 0.3, 0.2, 0.15, 0.04, 0.01]))
        assert ours.rate(now_ms) == theirs.rate(now_ms), step
        size = int(rng.integers(20, 1300))
        ours.add(size, now_ms)
        theirs.add(size, now_ms)
        if rng.random() < 0.002:
            ours.reset()
            theirs.reset()
    ours.add(1, now_ms + 10**12)  # a clock that leaps is no hour's work


def test_on_a_full_line_it_comes_down_as_the_librarys_does():
    ours = estimates(ThriftyEstimator, 3e6, capacity=2.5e6, seconds=20)
    theirs = estimates(RemoteBitrateEstimator, 3e6, capacity=2.5e6, seconds=20)
    least, known = (min(bits for _, bits, _ in told) for told in (ours, theirs))
    assert least == pytest.approx(known, rel=0.1)
    assert least < 3e6  # less than what comes, which is what the sender then keeps to
    first, known_first = (next(at for at, bits, _ in told if bits < 3e6) for told in (ours, theirs))
    assert abs(first - known_first) < 500  # milliseconds


def test_on_a_line_that_stays_overfull_the_phone_is_not_told_with_every_packet():
    ours = estimates(ThriftyEstimator, 3e6, capacity=1e6, seconds=20)
    theirs = estimates(RemoteBitrateEstimator, 3e6, capacity=1e6, seconds=20)
    assert len(theirs) > 10 * len(ours)
    assert min(np.diff([at for at, _, _ in ours])) >= REDUCE_EVERY_MS
    assert ours[-1][1] == pytest.approx(theirs[-1][1], rel=0.1)


async def test_ended_sessions_are_swept_up_soon_after_the_start_was_set_aside():
    code = (
        "import asyncio, gc, weakref\n"
        "from server import calm\n"
        "calm.calm()\n"
        "gc.disable()\n"  # the counts alone would not find it in time
        "class Node: pass\n"
        "async def main():\n"
        "    sweeper = calm.Sweeper()\n"
        "    node = Node(); node.me = node; seen = weakref.ref(node); del node\n"
        "    sweeper.ended(); sweeper.ended()\n"
        "    await asyncio.sleep(calm.SWEEP_S / 2); assert seen() is not None\n"
        "    await asyncio.sleep(calm.SWEEP_S); assert seen() is None\n"
        "asyncio.run(main())\n"
    )
    done = await asyncio.to_thread(
        subprocess.run, [sys.executable, "-c", code], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_what_is_in_memory_after_the_start_is_looked_at_no_more_and_cycles_still_go():
    code = (
        "import gc, weakref\n"
        "from server.calm import THRESHOLDS, calm\n"
        "import server.app\n"
        "before = len(gc.get_objects()); calm()\n"
        "assert len(gc.get_objects()) < before / 50, (before, len(gc.get_objects()))\n"
        "assert gc.get_threshold() == THRESHOLDS\n"
        "class Node: pass\n"
        "node = Node(); node.me = node; seen = weakref.ref(node); del node\n"
        "kept = [[] for _ in range(THRESHOLDS[0] + 100)]\n"
        "assert seen() is None\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert gc.isenabled()


def coded_pictures(codec, count, gop):
    """(data, whether the encoder calls it a key picture) of a moving picture."""
    encoder = av.CodecContext.create({"VP8": "libvpx", "H264": "libx264"}[codec], "w")
    encoder.width, encoder.height, encoder.pix_fmt = 320, 180, "yuv420p"
    encoder.time_base, encoder.gop_size = Fraction(1, 30), gop
    live = {"deadline": "realtime", "lag-in-frames": "0"}
    encoder.options = live if codec == "VP8" else {"preset": "ultrafast", "tune": "zerolatency"}
    rng, out = np.random.default_rng(5), []
    grass = rng.integers(60, 180, (180, 700), np.uint8)
    for k in range(count):
        grey = np.ascontiguousarray(grass[:, 3 * k : 3 * k + 320])
        frame = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
        frame.pts, frame.time_base = k, Fraction(1, 30)
        out += [(bytes(packet), packet.is_keyframe) for packet in encoder.encode(frame)]
    return out


@pytest.mark.parametrize("codec", ["VP8", "H264"])
def test_a_key_picture_is_known_by_its_first_bits(codec):
    told = coded_pictures(codec, 40, gop=10)
    assert [is_key(codec, data) for data, _ in told] == [key for _, key in told]
    assert 2 <= sum(key for _, key in told) < len(told) / 2


async def test_a_decoder_that_falls_behind_drops_up_to_a_key_picture_and_never_shows_old_ones(
    monkeypatch,
):
    """Pictures come three times as fast as they can be decoded, a key picture among every 30."""
    seen, waited = [], []

    class Slow:
        def decode(self, encoded):
            time.sleep(0.006)
            seen.append(encoded.timestamp)
            waited.append(time.perf_counter() - encoded.at_s)
            return [encoded.timestamp]

    monkeypatch.setattr("aiortc.rtcrtpreceiver.get_decoder", lambda codec: Slow())
    coded, pictures, failed = queue.Queue(), asyncio.Queue(), threading.Event()
    loop = asyncio.get_running_loop()
    thread = threading.Thread(target=decode_until_none, args=(loop, coded, pictures, failed))
    thread.start()
    vp8, longest = SimpleNamespace(name="VP8"), 0
    for k in range(600):
        frame = JitterFrame(b"\x00key" if k % 30 == 0 else b"\x01more", k)
        frame.at_s = time.perf_counter()
        coded.put((vp8, frame))
        longest = max(longest, coded.qsize())
        await asyncio.sleep(0.002)
    coded.put(None)
    await asyncio.to_thread(thread.join, 10)
    assert failed.is_set()  # a key picture was asked for
    assert longest < 2 * MOST_WAITING
    assert max(waited) < 1.0
    assert 100 < len(seen) < 500
    # After a gap comes a key picture and nothing else: what follows needs what was dropped.
    gaps = [b for a, b in itertools.pairwise(seen) if b != a + 1]
    assert gaps and all(k % 30 == 0 for k in gaps)
