"""How many pictures a second the phones of a crowd are asked to send.

Each picture that comes is decoded, also one that a newer one replaces before vision has time for
it. On a machine that cannot look at them all, decoding them takes the time that looking would need:
fewer are then looked at, and later. So the pages are asked for fewer, all for the same, until most
are looked at, and from the start no more than a machine of its cores is quick enough for: ten
answers a second are as good to a person as thirty, and what is spared is heat and battery, on both
sides. What a phone sends all the same is let pass, so that no other goes short. A phone by itself
or two are left alone: for them the machine is quick enough.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RATES = (30, 20, 15, 11)  # pictures a second; the first is what pages send by themselves
FULL = RATES[0]
CROWD = 3  # phones from which they are asked for less
WINDOW_S = 2.0
FEW = 20  # pictures in a window, from which their share says something
MOST = 150  # pictures a second of all phones together, for each thread of vision
LOW, HIGH = 0.9, 0.97  # shares looked at, below which fewer are asked for and above which more
PATIENCE_S, LONGEST_S = 10.0, 160.0  # all is well for so long before more are asked for
NEARLY = 0.95  # of a rate: what is sent is counted over a short time
SAVED = 2.0  # pictures that a ration holds at most
SOON_S = 10.0  # more were too many, if it shows so soon


@dataclass(frozen=True, slots=True)
class Counts:
    """Pictures of all phones together, from the beginning: `received`, and `taken` by vision."""

    received: int
    taken: int
    phones: int


class Pace:
    """The rate that all phones are asked for; `look` is called as often as one likes.

    `most` pictures a second of all together are asked for, but for the lowest rate.
    """

    def __init__(self, most: float = math.inf) -> None:
        self._most = most
        self._alone()

    def _alone(self) -> None:
        self._step = 0
        self._last: Counts | None = None
        self._at_s = 0.0
        self._well_s: float | None = None  # since when most are looked at
        self._raised_s = float("-inf")
        self._patience_s = PATIENCE_S

    @property
    def fps(self) -> int:
        """Pictures a second that each phone is asked for."""
        return RATES[self._step]

    def look(self, now: Counts, now_s: float) -> int:
        """The rate after what was counted up to `now_s` (any steady clock's seconds)."""
        if now.phones < CROWD:
            self._alone()
            return self.fps
        fits = (k for k, fps in enumerate(RATES) if fps * now.phones <= self._most)
        highest = next(fits, len(RATES) - 1)
        self._step = max(self._step, highest)
        last, passed_s = self._last, now_s - self._at_s
        if last is not None and 0 <= passed_s < WINDOW_S:
            return self.fps
        self._last, self._at_s = now, now_s
        # A phone that has left takes its counts with it.
        if last is None or last.phones != now.phones or now.received - last.received < FEW:
            return self.fps
        came = now.received - last.received
        share = (now.taken - last.taken) / came
        if share < LOW:
            self._lower(now_s, came / passed_s / now.phones)
        elif share < HIGH:
            self._well_s = None
        elif self._well_s is None:
            self._well_s = now_s
        elif now_s - self._well_s >= self._patience_s and self._step > highest:
            self._step -= 1
            self._raised_s, self._well_s = now_s, None
        return self.fps

    def _lower(self, now_s: float, sent_fps: float) -> None:
        self._well_s = None
        # To ask for more than is sent would change nothing.
        while self._step + 1 < len(RATES):
            self._step += 1
            if RATES[self._step] < NEARLY * sent_fps:
                break
        if now_s - self._raised_s <= SOON_S:
            self._patience_s = min(2 * self._patience_s, LONGEST_S)


class Ration:
    """Which pictures of one phone are looked at: no more a second than it was asked for."""

    def __init__(self) -> None:
        self._left = 1.0  # pictures that may be looked at now
        self._at_s = float("-inf")

    def allows(self, fps: int, now_s: float) -> bool:
        """Whether the picture that came at `now_s` is one of the `fps` a second asked for."""
        if fps >= FULL:
            return True
        passed_s = max(now_s - self._at_s, 0.0)
        self._at_s = now_s
        # No more is saved up: after a gap pictures come in a rush, of which few are news.
        self._left = min(self._left + passed_s * fps, SAVED)
        if self._left < 1.0:
            return False
        self._left -= 1.0
        return True
