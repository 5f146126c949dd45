"""Which phone needs help first, in an order that does not jump.

Every phone has one need, and the board lists needs in this order: `alarm` (the camera was moved),
`gone` (nothing heard), `lost` (no rods found), `off` (to be moved), `waiting` (no word yet), `near`
(inside, not held yet), `square`, `left` (its page was closed). Within a need, who has had it
longest comes first; that time never changes while the need lasts, so two phones never swap places
without one of them having a new need. A new need moves a phone only once it has lasted `SETTLE_S`,
so that a reading that flickers moves nothing; an alarm, and a phone that has gone or left, move it
at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

SETTLE_S = 3.0


class Need(StrEnum):
    """What a phone needs, the most urgent first."""

    ALARM = "alarm"
    GONE = "gone"
    LOST = "lost"
    OFF = "off"
    WAITING = "waiting"
    NEAR = "near"
    SQUARE = "square"
    LEFT = "left"

    @property
    def rank(self) -> int:
        """Place in the board's order, 0 first."""
        return _RANK[self]


_RANK = {need: index for index, need in enumerate(Need)}
_AT_ONCE = (Need.ALARM, Need.GONE, Need.LEFT)


@dataclass(frozen=True, slots=True)
class Settled:
    """The need that counts for the order and since when; and a newer one that has yet to last."""

    need: Need
    since_s: float
    next: Need | None = None
    next_since_s: float = 0.0

    def seen(self, need: Need, now_s: float) -> Settled:
        """After one more look at the phone."""
        if need is self.need:
            return Settled(need, self.since_s)
        leaves = self.need in (Need.WAITING, Need.GONE, Need.LEFT)  # a first word, or a new one
        if need in _AT_ONCE or leaves:
            return Settled(need, now_s)
        if need is not self.next:
            return Settled(self.need, self.since_s, need, now_s)
        if now_s - self.next_since_s >= SETTLE_S:
            return Settled(need, self.next_since_s)
        return self
