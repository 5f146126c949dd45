"""The chain over time: hysteresis of "square" and the state carried from frame to frame.

Pure: the caller gives each frame's time and carries the state.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from vision.frame import Frame
from vision.read import read
from vision.reading import Reading, Verdict
from vision.setup import Setup

HOLD_S = 1.0  # inside every tolerance for this long before "square" is said


@dataclass(frozen=True, slots=True)
class LiveState:
    """What one frame leaves for the next."""

    square_since_s: float | None = None


@dataclass(frozen=True, slots=True)
class LiveReading:
    """A reading with its place in time. `reading.verdict` is SQUARE only after the hold."""

    reading: Reading
    square_for_s: float
    need_s: float = HOLD_S


def step(
    state: LiveState, frame: Frame, setup: Setup, time_s: float
) -> tuple[LiveState, LiveReading]:
    """Analyse one frame of a stream; `time_s` is the frame's own time, never the wall clock."""
    reading = read(frame, setup)
    if reading.verdict is not Verdict.SQUARE:
        return LiveState(None), LiveReading(reading, 0.0)
    since = time_s if state.square_since_s is None else state.square_since_s
    held_s = max(0.0, time_s - since)
    if held_s < HOLD_S:
        reading = replace(reading, verdict=Verdict.OFF)
    return LiveState(since), LiveReading(reading, held_s)
