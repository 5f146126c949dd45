"""The estimate of the way's bitrate, and the memory that is set aside."""

import gc
import subprocess
import sys

import numpy as np
import pytest
from aiortc import rtcrtpreceiver
from aiortc.rate import RemoteBitrateEstimator

from server import jitter
from server.reception import ThriftyEstimator

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


def test_on_a_full_line_it_comes_down_as_the_librarys_does():
    ours = estimates(ThriftyEstimator, 3e6, capacity=2.5e6, seconds=20)
    theirs = estimates(RemoteBitrateEstimator, 3e6, capacity=2.5e6, seconds=20)
    least, known = (min(bits for _, bits, _ in told) for told in (ours, theirs))
    assert least == pytest.approx(known, rel=0.1)
    assert least < 3e6  # less than what comes, which is what the sender then keeps to
    first, known_first = (next(at for at, bits, _ in told if bits < 3e6) for told in (ours, theirs))
    assert abs(first - known_first) < 500  # milliseconds


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
