"""What the coach wants of one phone: a state that is repeated until the page has seen it.

The channel loses messages, so no command is sent only once: each change raises `seq`, the whole
state goes out, and again with every ping until the page's ping carries that `seq` back. Each part
has a number of its own, which the page compares with the last one it did, so that nothing is done
twice. `epoch` is this server's own: after a restart numbers begin anew.
"""

from __future__ import annotations

from typing import Any

CALL_S = 10.0  # a call that has not arrived by then speaks of another moment
MAX_CALL = 200  # letters


class Control:
    """One phone's control; lives as long as the board knows the phone."""

    def __init__(self, epoch: str, locked: bool = False) -> None:
        self._epoch = epoch
        self.seq = 1
        self.locked = locked
        self.seen_seq: int | None = None
        self._setup: dict[str, Any] = {}
        self._setup_seq = 0
        self._call: tuple[int, str, float] | None = None
        self._film: dict[str, Any] | None = None

    @property
    def pending(self) -> bool:
        """Whether the page has yet to see the last change."""
        return self.seen_seq != self.seq

    def set_up(self, values: dict[str, Any]) -> None:
        """Merge into the page's settings; what has not arrived yet is kept."""
        self.seq += 1
        self._setup = _merged(self._setup, values)
        self._setup_seq = self.seq

    def lock(self, locked: bool) -> None:
        """Lock out changes on the phone, or allow them."""
        if locked != self.locked:
            self.seq += 1
            self.locked = locked

    def call(self, text: str, now_s: float) -> None:
        """A sentence to be shown and spoken there, soon or not at all."""
        self.seq += 1
        self._call = (self.seq, text[:MAX_CALL], now_s)

    def film(self, do: str, film_id: str, at_s: float) -> None:
        """`do` "start" at a time of the server's clock, or "stop"."""
        self.seq += 1
        self._film = {"seq": self.seq, "do": do, "id": film_id, "at_s": at_s}

    def seen(self, epoch: str | None, seq: int | None) -> None:
        """What the page's ping carries back."""
        if epoch == self._epoch and seq == self.seq:
            self.seen_seq = seq
            self._setup, self._call = {}, None  # done there: not to be done again after a reload

    def message(self, now_s: float) -> dict[str, Any]:
        """The channel message `control` (docs/board.md)."""
        call = self._call
        fresh = call is not None and now_s - call[2] <= CALL_S
        return {
            "type": "control",
            "epoch": self._epoch,
            "seq": self.seq,
            "locked": self.locked,
            "setup": {"seq": self._setup_seq, "values": self._setup} if self._setup else None,
            "call": {"seq": call[0], "text": call[1]} if call is not None and fresh else None,
            "film": self._film,
        }


def _merged(old: dict[str, Any], new: dict[str, Any]) -> dict[str, Any]:
    out = dict(old)
    for key, value in new.items():
        kept = out.get(key)
        if isinstance(kept, dict) and isinstance(value, dict):
            out[key] = _merged(kept, value)
        else:
            out[key] = value
    return out
