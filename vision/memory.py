"""How much many readings of one thing are worth when their errors resemble one another."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def memory_of(numbers: NDArray[np.float64]) -> float:
    """Correlation from one reading (n, k) to the next, all k numbers together, 0 to 0.95.

    Corrected for the few readings, which make it look smaller (Marriott and Pope 1954, from
    memory).
    """
    rest = numbers - numbers.mean(axis=0)
    rest = rest / np.maximum(rest.std(axis=0), 1e-9)
    found = float((rest[1:] * rest[:-1]).mean())
    return min(max(found + (1 + 4 * found) / len(rest), 0.0), 0.95)


def worth(count: int, memory: float) -> float:
    """How many readings that share nothing are worth so many that remember one another, 1 at least.

    The variance of a mean of autoregressive numbers (Priestley, Spectral Analysis, 5.3.5, from
    memory).
    """
    return max(1.0, count * (1.0 - memory) / (1.0 + memory))
