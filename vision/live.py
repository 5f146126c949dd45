"""The chain over time: tracking between frames, and the hysteresis of "square".

Pure: the caller gives each frame's time and carries the state.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from vision.advice import holding
from vision.find import find
from vision.frame import Frame
from vision.governed import governed
from vision.read import conclude
from vision.reading import Reading, Verdict
from vision.rods import NotFound, Rods
from vision.setup import Setup
from vision.track import follow

HOLD_S = 1.0  # surely inside every tolerance for this long before "square" is said
GRACE_S = 0.3  # still inside but no longer surely so, for this long before it is taken back
SEARCH_EVERY_S = 2.0  # a full search now and then: tracking must not stay on a wrong line


@dataclass(frozen=True, slots=True)
class LiveState:
    """What one frame leaves for the next."""

    rods: Rods | None = None
    searched_s: float = float("-inf")
    square_since_s: float | None = None
    last_square_s: float = float("-inf")


@dataclass(frozen=True, slots=True)
class LiveReading:
    """A reading with its place in time. `reading.verdict` is SQUARE only after the hold."""

    reading: Reading
    square_for_s: float
    need_s: float = HOLD_S
    tracked: bool = False


def step(
    state: LiveState, frame: Frame, setup: Setup, time_s: float
) -> tuple[LiveState, LiveReading]:
    """Analyse one frame of a stream; `time_s` is the frame's own time, never the wall clock."""
    rods: Rods | NotFound | None = None
    if state.rods is not None and 0 <= time_s - state.searched_s < SEARCH_EVERY_S:
        rods = follow(frame, state.rods, setup)
    tracked = rods is not None
    if rods is None:
        rods = find(frame, setup)
    reading = conclude(rods, (frame.width, frame.height), setup)
    state = replace(
        state,
        rods=rods if isinstance(rods, Rods) and reading.placement is not None else None,
        searched_s=state.searched_s if tracked else time_s,
    )
    state, reading, held_s = _hold(state, reading, time_s)
    return state, LiveReading(reading, held_s, HOLD_S, tracked)


def _hold(state: LiveState, reading: Reading, time_s: float) -> tuple[LiveState, Reading, float]:
    """Enter "square" after `HOLD_S`; leave at once when outside, after `GRACE_S` when unsure."""
    since = state.square_since_s
    if reading.verdict is Verdict.SQUARE:
        since = time_s if since is None or time_s < since else since
        held_s = time_s - since
        state = replace(state, square_since_s=since, last_square_s=time_s)
        if held_s < HOLD_S:
            reading = _not_yet(reading)
        return state, reading, held_s
    in_grace = 0 <= time_s - state.last_square_s <= GRACE_S
    if since is not None and in_grace and _inside(reading):
        held_s = state.last_square_s - since
        return state, _not_yet(reading), held_s
    return replace(state, square_since_s=None), reading, 0.0


def _inside(reading: Reading) -> bool:
    """Every governed quantity inside its tolerance, sure or not."""
    if reading.placement is None:
        return False
    quantities = governed(reading.placement, reading.layout, reading.framing, reading.setup)
    return all(g.inside for g in quantities)


def _not_yet(reading: Reading) -> Reading:
    """The reading while square is being confirmed: never called square."""
    return replace(reading, verdict=Verdict.OFF, advice=holding(reading.advice))
