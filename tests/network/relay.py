"""A bad network between two TUN devices: loses in bursts, delays, reorders, limits the rate.

Losses follow the two-state chain of Gilbert (Bell System Technical Journal 39, 1960): in its good
state nothing is lost, in its bad one everything, and the stay in the bad one is geometric. Delay is
a fixed part and an exponential one of each packet's own, so that packets overtake each other. The
rate is that of a queue with room for `queue_s`; what finds it full is lost.

Linux only, and only for root (or CAP_NET_ADMIN): include/uapi/linux/if_tun.h has the numbers.
"""

from __future__ import annotations

import ctypes
import fcntl
import heapq
import os
import random
import select
import struct
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

TUNSETIFF = 0x400454CA
IFF_TUN, IFF_NO_PI = 0x0001, 0x1000
CLONE_NEWNET = 0x40000000


@dataclass(frozen=True)
class Badness:
    """What the network does to each direction."""

    lost: float = 0.05  # share of the packets
    burst: float = 3.0  # packets lost in a row, on average
    delay_s: float = 0.1
    jitter_s: float = 0.015  # mean of the exponential part
    rate_bps: float = 2_500_000
    queue_s: float = 0.3


@dataclass
class Counts:
    """Of one direction."""

    seen: int = 0
    lost: int = 0
    overflowed: int = 0
    reordered: int = 0
    delays_s: list[float] = field(default_factory=list)


class Way:
    """One direction; times are `time.monotonic` seconds."""

    def __init__(self, badness: Badness, seed: int) -> None:
        self._bad = badness
        self._rng = random.Random(seed)
        self._losing = False
        self._free_s = 0.0  # when the line has sent all before
        self._waiting: list[tuple[float, int, bytes]] = []
        self._last = 0  # number of the packet given last
        self.counts = Counts()

    def put(self, packet: bytes, now_s: float) -> None:
        """Take a packet; it is lost, or comes out of `due` some time later."""
        bad, counts = self._bad, self.counts
        counts.seen += 1
        # Share of time in the bad state: into / (into + out of).
        leave = 1.0 / bad.burst
        enter = leave * bad.lost / (1.0 - bad.lost)
        self._losing = self._rng.random() < (1.0 - leave if self._losing else enter)
        if self._losing:
            counts.lost += 1
            return
        begin_s = max(now_s, self._free_s)
        if begin_s - now_s > bad.queue_s:
            counts.overflowed += 1
            return
        self._free_s = begin_s + 8 * len(packet) / bad.rate_bps
        due_s = self._free_s + bad.delay_s + self._rng.expovariate(1.0 / bad.jitter_s)
        counts.delays_s.append(due_s - now_s)
        heapq.heappush(self._waiting, (due_s, counts.seen, packet))

    def due(self, now_s: float) -> list[bytes]:
        """The packets whose time has come."""
        out = []
        while self._waiting and self._waiting[0][0] <= now_s:
            _, number, packet = heapq.heappop(self._waiting)
            self.counts.reordered += number < self._last
            self._last = max(number, self._last)
            out.append(packet)
        return out

    def next_s(self) -> float | None:
        """When the next packet is due."""
        return self._waiting[0][0] if self._waiting else None


class Relay(threading.Thread):
    """Carries packets between the devices `one` and `other` until `stop`, at most `most_s`."""

    def __init__(self, one: int, other: int, badness: Badness, seed: int, most_s: float) -> None:
        super().__init__(name="relay", daemon=True)
        self._ends = (one, other)
        self.ways = (Way(badness, seed), Way(badness, seed + 1))
        self._most_s = most_s
        self._stopped = threading.Event()

    def stop(self) -> None:
        self._stopped.set()
        self.join(2.0)

    def run(self) -> None:
        end_s = time.monotonic() + self._most_s
        while not self._stopped.is_set() and time.monotonic() < end_s:
            now_s = time.monotonic()
            soon = [s for way in self.ways if (s := way.next_s()) is not None]
            wait_s = max(0.0, min([*soon, now_s + 0.05]) - now_s)
            ready, _, _ = select.select(self._ends, [], [], wait_s)
            now_s = time.monotonic()
            for end, way in zip(self._ends, self.ways, strict=True):
                if end in ready:
                    way.put(os.read(end, 65536), now_s)
            for end, way in zip(reversed(self._ends), self.ways, strict=True):
                for packet in way.due(now_s):
                    try:
                        os.write(end, packet)
                    except OSError:
                        way.counts.lost += 1  # an address that is gone


def tun(namespace: str, name: str) -> int:
    """A TUN device of that name inside a namespace of `ip netns`; the descriptor stays here."""
    libc = ctypes.CDLL(None, use_errno=True)
    opened: list[int | OSError] = []

    def inside() -> None:
        # A thread of its own: setns(2) moves the calling thread alone.
        try:
            with Path(f"/run/netns/{namespace}").open() as file:
                if libc.setns(file.fileno(), CLONE_NEWNET):
                    raise OSError(ctypes.get_errno(), "setns failed")
            device = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK)
            fcntl.ioctl(
                device, TUNSETIFF, struct.pack("16sH22x", name.encode(), IFF_TUN | IFF_NO_PI)
            )
            opened.append(device)
        except OSError as wrong:
            opened.append(wrong)

    thread = threading.Thread(target=inside)
    thread.start()
    thread.join()
    if isinstance(opened[0], OSError):
        raise opened[0]
    return opened[0]
