"""The C heap of a process with many threads that come and go."""

from __future__ import annotations

import ctypes
import platform

M_ARENA_MAX = -8  # malloc.h of the GNU C library; mallopt(3)
ARENAS = 2


def few_arenas(most: int = ARENAS) -> bool:
    """Let all threads share so many of malloc's arenas; whether the C library took it.

    The GNU library makes up to eight a core, and each keeps what its threads once needed at the
    most: with a decoding thread a phone, memory grew with every phone that came back. Only arenas
    yet to be made are counted, so this belongs before the threads. Other libraries have none.
    """
    if platform.libc_ver()[0] != "glibc":
        return False
    return bool(ctypes.CDLL(None).mallopt(M_ARENA_MAX, most))
