"""A garbage collector that does not stop the phones' pictures.

What the libraries and the compiled loops leave in memory at the start, some million objects, lives
as long as the process; yet each full collection walks over all of it, 50 to 200 ms in which no
thread of Python runs. Frozen (`gc.freeze`), it is no longer looked at; what sessions leave behind
is still collected.
"""

from __future__ import annotations

import gc
from functools import cache

# Objects made, less those gone, before a look at the youngest; looks before one at the next older.
# The interpreter's own 700 means some twenty looks for each picture of a dozen phones.
THRESHOLDS = (10_000, 20, 20)


@cache
def calm() -> None:
    """Set aside everything that is in memory now; once a process, after the libraries are warm."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(*THRESHOLDS)
