"""Comparing a phone's clock with the server's over the guidance channel, as NTP does (RFC 5905).

One exchange has four timestamps: the phone sends its ping at t1 (its clock), the server receives
it at t2 and answers at t3 (the server's clock), the phone has the answer at t4. Then (RFC 5905,
section 8)

    offset = ((t2 - t1) + (t3 - t4)) / 2        delay = (t4 - t1) - (t3 - t2)

and the true offset lies within delay / 2 of it, however unequal the two ways are. Of a window of
exchanges the best is the one with the least delay / 2 + PHI age, PHI being the rate at which two
crystals may part (section 10, the clock filter; its constant is 15 ppm). Nothing is averaged: an
average would be no better than the queues that most packets wait in.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

PHI = 50e-6  # s/s; RFC 5905 has 15e-6 for a disciplined clock, a phone's free crystal is worse
PRECISION_S = 1e-3  # browsers round performance.now() to as much as this
WINDOW_S = 120.0
MOST = 256  # exchanges kept: two minutes of two a second, and some
JUMP_S = 0.25  # disagreement beyond every bound that means another clock, not a slow network


@dataclass(frozen=True, slots=True)
class Exchange:
    """One ping and its answer: t1, t4 in seconds of the phone's clock, t2, t3 of the server's."""

    t1_s: float
    t2_s: float
    t3_s: float
    t4_s: float

    @property
    def offset_s(self) -> float:
        """Server's clock minus the phone's."""
        return ((self.t2_s - self.t1_s) + (self.t3_s - self.t4_s)) / 2

    @property
    def delay_s(self) -> float:
        """The round trip without the server's own time."""
        return (self.t4_s - self.t1_s) - (self.t3_s - self.t2_s)


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """Server's clock minus the phone's, and the bound on its error, both in seconds."""

    offset_s: float
    bound_s: float

    def server_s(self, phone_s: float) -> float:
        """A time of the phone's clock in the server's."""
        return phone_s + self.offset_s

    def phone_s(self, server_s: float) -> float:
        """A time of the server's clock in the phone's."""
        return server_s - self.offset_s


class ClockFilter:
    """The exchanges of the last two minutes, and the best of them."""

    def __init__(self) -> None:
        self._kept: deque[Exchange] = deque(maxlen=MOST)

    def add(self, exchange: Exchange) -> bool:
        """Take one more exchange; False for one that cannot be (a negative delay, a repeat).

        An exchange that contradicts all before it by more than the bounds allow means that a
        clock was set: what came before is forgotten.
        """
        if not 0.0 <= exchange.delay_s < WINDOW_S or exchange.t3_s < exchange.t2_s:
            return False
        if self._kept and exchange.t2_s <= self._kept[-1].t2_s:
            return False  # a repeat, or one overtaken on the way
        known = self.offset(exchange.t3_s)
        if known is not None:
            apart = abs(exchange.offset_s - known.offset_s)
            if apart > known.bound_s + exchange.delay_s / 2 + JUMP_S:
                self._kept.clear()
        self._kept.append(exchange)
        while exchange.t3_s - self._kept[0].t3_s > WINDOW_S:
            self._kept.popleft()
        return True

    def offset(self, now_s: float) -> ClockOffset | None:
        """The offset at a time of the server's clock; None before the first exchange."""
        if not self._kept:
            return None
        best = min(self._kept, key=lambda e: e.delay_s / 2 + PHI * (now_s - e.t3_s))
        age_s = max(0.0, now_s - best.t3_s)
        return ClockOffset(best.offset_s, best.delay_s / 2 + PHI * age_s + PRECISION_S)


@dataclass(frozen=True, slots=True)
class StartOffset:
    """How much later film b began than film a, with the bound on its error, both in seconds."""

    offset_s: float
    bound_s: float

    @property
    def sigma_s(self) -> float:
        """One sigma of an error that may lie anywhere within the bound (JCGM 100:2008, 4.3.7)."""
        return self.bound_s / math.sqrt(3.0)


def start_offset(
    a_started_s: float, a_clock: ClockOffset, b_started_s: float, b_clock: ClockOffset
) -> StartOffset:
    """Of two films, each begun at a time of its own phone's clock: b's start minus a's.

    Both clocks are compared with the server's, so their bounds add up.
    """
    offset_s = b_clock.server_s(b_started_s) - a_clock.server_s(a_started_s)
    return StartOffset(offset_s, a_clock.bound_s + b_clock.bound_s)
