"""A garbage collector that does not stop the phones' pictures.

What the libraries and the compiled loops leave in memory at the start, some million objects, lives
as long as the process; yet each full collection walks over all of it, 50 to 200 ms in which no
thread of Python runs. Frozen (`gc.freeze`), it is no longer looked at. Ended sessions are cycles,
few objects that hold much memory: the collector's own counts would leave them for minutes, so it
is asked to look (`sweep`) after each end.
"""

from __future__ import annotations

import asyncio
import gc

# Objects made, less those gone, before a look at the youngest; looks before one at the next older.
# The interpreter's own 700 means some twenty looks for each picture of a dozen phones.
THRESHOLDS = (10_000, 20, 20)
SWEEP_S = 1.0  # after the end of a session, when its tasks and callbacks are gone, too


_calm = False


def calm() -> None:
    """Set aside everything that is in memory now; once a process, after the libraries are warm."""
    global _calm
    if _calm:
        return
    _calm = True
    gc.collect()
    gc.freeze()
    gc.set_threshold(*THRESHOLDS)


class Sweeper:
    """Has what ended sessions leave behind collected: one sweep for all that end together."""

    def __init__(self) -> None:
        self._due: asyncio.TimerHandle | None = None

    def ended(self) -> None:
        """A session has ended. Nothing is done where memory was not set aside: it would be slow."""
        if _calm and self._due is None:
            self._due = asyncio.get_running_loop().call_later(SWEEP_S, self._sweep)

    def close(self) -> None:
        """No sweep from now on."""
        if self._due is not None:
            self._due.cancel()

    def _sweep(self) -> None:
        self._due = None
        gc.collect()
