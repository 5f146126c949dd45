"""Loops that numpy cannot vectorise, compiled by Numba: they hold no interpreter lock.

The machine code is kept on disk; making it takes some seconds once (`vision.warm.warm_up`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")

LOOSE = {"reassoc", "contract", "nsz", "arcp"}


def kernel(function: Callable[P, R]) -> Callable[P, R]:
    """The function compiled for the types that it is called with.

    Sums may be taken in another order (so that they use the processor's wide registers); NaN and
    infinity keep their meaning.
    """
    try:
        compiled = numba.njit(cache=True, nogil=True, fastmath=LOOSE)(function)
    except RuntimeError:  # no folder to keep it in: compiled anew in each process
        compiled = numba.njit(nogil=True, fastmath=LOOSE)(function)
    return cast(Callable[P, R], compiled)
