"""Where a watched camera stood at one moment, as the logs of places and films keep it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Row:
    """One entry of a log: `at_s` Unix time, and one sigma of way and turn.

    `six`: moved right, forward, up (m), turned right, up, clockwise (rad); None where not known.
    """

    at_s: float
    watch: str
    six: tuple[float, ...] | None = None
    sigma_m: float | None = None
    sigma_rad: float | None = None
