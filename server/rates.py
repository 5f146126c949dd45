"""How much anyone may send: a bucket that fills at a steady rate, and a phone's words."""

from __future__ import annotations

from enum import Enum

# A page sends tilt 20 times a second and up to a dozen words with each of its two pings a second.
WORDS_PER_S = 60.0
WORDS_BURST = 180.0
# So many refused at a stretch is no page but a flood: its session is ended, which is what frees
# the others, because each message costs the loop its decryption before it can be refused.
FLOOD = 1500


class Bucket:
    """`burst` at once, then `per_s`; times are given in seconds of any steady clock."""

    def __init__(self, per_s: float, burst: float) -> None:
        self._per_s = per_s
        self._burst = burst
        self._left = burst
        self._at_s: float | None = None

    def take(self, now_s: float) -> bool:
        """Whether one more is allowed."""
        if self._at_s is not None:
            self._left = min(self._burst, self._left + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True

    @property
    def full(self) -> bool:
        """Whether nothing was taken for long, as of the last `take`."""
        return self._left >= self._burst - 1


class Verdict(Enum):
    """What becomes of a message."""

    TAKE = 1
    DROP = 2
    END = 3


class Words:
    """The messages of one phone: dropped unread beyond the rate, ended when it is a flood."""

    def __init__(self, per_s: float = WORDS_PER_S, burst: float = WORDS_BURST) -> None:
        self._bucket = Bucket(per_s, burst)
        self._refused = 0

    def judge(self, now_s: float) -> Verdict:
        """Count one message that has come."""
        if self._bucket.take(now_s):
            if self._bucket.full:
                self._refused = 0  # quiet again
            return Verdict.TAKE
        self._refused += 1
        return Verdict.END if self._refused >= FLOOD else Verdict.DROP
