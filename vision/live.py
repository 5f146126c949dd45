"""The chain over time: tracking between frames, and the hysteresis of "square".

Pure: the caller gives each frame's time and carries the state.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.advice import Advice, Move, holding
from vision.belief import ACCEPT
from vision.board_live import BoardProgress
from vision.find import find
from vision.frame import Frame
from vision.governed import governed
from vision.hint import Hint, carried, on_rods
from vision.lens_check import LensWatch, is_profile, set_aside, watch
from vision.read import conclude, not_found, search
from vision.reading import Reading, Verdict
from vision.rods import NotFound, Reason, Rods
from vision.setup import Setup
from vision.telling import Told, tell
from vision.track import STILL_PX, follow, moved_px, stay

HOLD_S = 1.0  # surely inside every tolerance for this long before "square" is said
GRACE_S = 0.3  # still inside but no longer surely so, for this long before it is taken back
MARK_S = 10.0  # a mark that has lain on no found rod for so long is forgotten
DOUBTFUL = ACCEPT - 3.0  # from here a layout that stays is believed, but never called square
PERSIST_S = 0.4
SAME_PX = 15.0
LENS_EVERY_S = 0.1  # a lens profile is checked by a second pose so often
SEARCH_EVERY_S = 2.0  # a search now and then: tracking must not stay on a wrong line
STOOD_EVERY_S = 6.0  # of rods that stand and are believed: it would see the same picture again
THOROUGH_EVERY_S = 0.3  # a search that has found nothing is made at its fine level so often
LONG_S = 3.0  # without rods for so long, they are probably not in the picture
# From then on searched so often: a phone that looks elsewhere must not cost most.
QUICK_LATER_S, THOROUGH_LATER_S = 0.3, 1.5
# Followed rods that lose more of their log-odds than this may be a shadow or a mat's edge beside
# them, as all did that slipped 5 px or more in 90 scenes. Few others do.
SLIP = 1.0
UNSEEN = NotFound(Reason.UNSURE)


@dataclass(frozen=True, slots=True)
class LiveState:
    """What one frame leaves for the next."""

    rods: Rods | None = None
    moving: bool = False  # whether they moved from the last picture but one to the last
    # And how quickly their ends did, pixels a second (2 rods, 2 ends, 2).
    speed_px: NDArray[np.float64] | None = field(default=None, compare=False)
    at_s: float = float("-inf")  # the last picture's time
    # Where rods that stand were found first, (2 rods, 2 ends, 2). They are measured from there: the
    # fit of a line may end in either of two places, and from another start, in the other one.
    stood_px: NDArray[np.float64] | None = field(default=None, compare=False)
    stood_s: float = float("inf")  # since when they are there
    belief: float = float("-inf")  # that the last search left, against which a slip is seen
    searched_s: float = float("-inf")
    thorough_s: float = float("-inf")  # of the last search at both levels
    missing_s: float | None = None  # since when no rods are seen
    missing: NotFound = UNSEEN  # and why not
    doubt: Rods | None = None  # a layout found, but not yet believed
    doubt_since_s: float = float("-inf")
    square_since_s: float | None = None
    last_square_s: float = float("-inf")
    told: Told = field(default_factory=Told)
    given: tuple[Hint, ...] = ()  # the taps as they came
    marks: tuple[Hint, ...] = ()  # where they are now: they travel with the rods
    marked_s: float = float("-inf")
    lens: LensWatch = field(default_factory=LensWatch)
    lens_checked_s: float = float("-inf")


@dataclass(frozen=True, slots=True)
class LiveReading:
    """A reading with its place in time. `reading.verdict` is SQUARE only after the hold."""

    reading: Reading
    square_for_s: float
    need_s: float = HOLD_S
    tracked: bool = False
    marks: tuple[Hint, ...] = ()  # the taps still in force, where they are now
    board: BoardProgress | None = None  # while a lens is measured instead of rods


def step(
    state: LiveState, frame: Frame, setup: Setup, time_s: float, hints: tuple[Hint, ...] = ()
) -> tuple[LiveState, LiveReading]:
    """Analyse one frame of a stream; `time_s` is the frame's own time, never the wall clock.

    `hints` are the taps in force, the same with every frame until they change; a change makes a
    full search instead of tracking.
    """
    if hints != state.given:
        state = replace(
            state,
            given=hints,
            marks=hints,
            marked_s=time_s,
            rods=None,
            thorough_s=float("-inf"),
        )
    size = (frame.width, frame.height)
    if state.lens.changed and is_profile(setup):
        setup = set_aside(setup)
    check = is_profile(setup) and not 0 <= time_s - state.lens_checked_s < LENS_EVERY_S
    sure = state.stood_s <= state.searched_s and state.belief >= ACCEPT
    fresh = 0 <= time_s - state.searched_s < (STOOD_EVERY_S if sure else SEARCH_EVERY_S)
    tracked = state.rods is not None and fresh
    searched = not tracked
    # Many phones share few cores: the fine level is for rods lost, doubtful, or long not found.
    long = state.missing_s is not None and time_s - state.missing_s > LONG_S
    every_s = THOROUGH_LATER_S if long else THOROUGH_EVERY_S
    recent = 0 <= time_s - state.thorough_s < every_s
    quick = state.doubt is None and (searched if state.rods is not None else recent)
    if long and recent and quick and 0 <= time_s - state.searched_s < QUICK_LATER_S:
        searched = False
        reading = not_found(state.missing, setup)
    elif tracked:
        reading = _followed(state, frame, setup, check, time_s)
        if not _unslipped(state, reading):
            searched, quick = True, recent
            other = _search(state, frame, setup, check, quick)
            if reading.placement is None or other.belief > reading.belief:
                reading, tracked = other, False
    else:
        reading = _search(state, frame, setup, check, quick)
        if reading.placement is None and state.rods is not None:
            # What one way of looking has lost, the other may still see.
            other = _followed(state, frame, setup, check, time_s)
            if other.placement is not None:
                reading, tracked = other, True
    if check:
        watched = watch(state.lens, reading.lens_check, time_s)
        state = replace(state, lens=watched, lens_checked_s=time_s)
    if searched and not tracked:
        state, reading = _believed(state, reading, time_s)
    found = reading.rods if isinstance(reading.rods, Rods) else None
    missing_s = time_s if state.missing_s is None else min(state.missing_s, time_s)
    state = replace(
        _gone_on(_marks(state, found, tracked, size, time_s), found, time_s),
        missing_s=None if found is not None else missing_s,
        missing=reading.rods if isinstance(reading.rods, NotFound) else UNSEEN,
        belief=reading.belief if searched and not (tracked and quick) else state.belief,
        searched_s=time_s if searched else state.searched_s,
        thorough_s=time_s if searched and not quick else state.thorough_s,
    )
    state, reading, held_s = settle(state, reading, time_s)
    return state, LiveReading(reading, held_s, HOLD_S, tracked, state.marks)


def _gone_on(state: LiveState, found: Rods | None, time_s: float) -> LiveState:
    """The state with where the rods are now, how they got there, and since when they stand."""
    before_px = None if state.rods is None else state.rods.ends_px
    speed_px = None
    if found is not None and before_px is not None and time_s > state.at_s:
        speed_px = (found.ends_px - before_px) / (time_s - state.at_s)
    stood_px, stood_s = state.stood_px, state.stood_s
    if found is not None and (stood_px is None or _moved(stood_px, found)):
        stood_px, stood_s = found.ends_px, time_s
    return replace(
        state,
        rods=found,
        moving=_moved(before_px, found),
        speed_px=speed_px,
        at_s=time_s,
        stood_px=stood_px,
        stood_s=stood_s,
    )


def _search(state: LiveState, frame: Frame, setup: Setup, check_lens: bool, quick: bool) -> Reading:
    """The frame's reading by a search, `quick` or thorough."""
    # What is doubted is asked for again in each picture: the same question, and a quick one.
    way = search if state.doubt is None else find
    rods = way(frame, setup, state.marks, quick=quick)
    return _concluded(rods, frame, setup, check_lens)


def _followed(
    state: LiveState, frame: Frame, setup: Setup, check_lens: bool, time_s: float
) -> Reading:
    """The frame's reading by the known rods: where they were, or not far from it.

    On a tripod they are where they were, which is seen with half the work and leads nowhere else.
    Where it is being slid, they are mostly where they would be if it went on like that.
    """
    assert state.rods is not None and state.stood_px is not None
    reading = not_found(UNSEEN, setup)
    still = None if state.moving else stay(frame, state.rods, setup, state.stood_px)
    if still is not None and not _moved(state.stood_px, still):
        reading = _concluded(still, frame, setup, check_lens, laid=True)
        if _unslipped(state, reading):
            return reading
    for near in _elsewhere(state, frame, setup, time_s):
        if near is not None:
            reading = _surer(reading, _concluded(near, frame, setup, check_lens))
            if _unslipped(state, reading):
                return reading
    if state.moving:
        still = stay(frame, state.rods, setup)
    if still is not None:
        reading = _surer(reading, _concluded(still, frame, setup, check_lens))
    return reading


def _elsewhere(
    state: LiveState, frame: Frame, setup: Setup, time_s: float
) -> Iterator[Rods | None]:
    """The rods where they would be, gone on as before, then in a band around where they were."""
    assert state.rods is not None
    if state.moving and state.speed_px is not None:
        at_px = state.rods.ends_px + state.speed_px * (time_s - state.at_s)
        rods = stay(frame, state.rods, setup, at_px)
        yield None if _moved(at_px, rods) else rods
    yield follow(frame, state.rods, setup)


def _moved(before_px: NDArray[np.float64] | None, now: Rods | None) -> bool:
    """Whether rods that are known from before lie elsewhere now."""
    return before_px is not None and now is not None and moved_px(before_px, now) > STILL_PX


def _unslipped(state: LiveState, reading: Reading) -> bool:
    """Whether these may still be the rods that the last search found."""
    return reading.placement is not None and reading.belief >= state.belief - SLIP


def _surer(a: Reading, b: Reading) -> Reading:
    """The one whose rods are believed more."""
    return b if a.placement is None or b.belief > a.belief else a


def _concluded(
    rods: Rods | NotFound, frame: Frame, setup: Setup, check_lens: bool, laid: bool = False
) -> Reading:
    size = (frame.width, frame.height)
    return conclude(rods, size, setup, DOUBTFUL, check_lens=check_lens, laid=laid)


def _believed(state: LiveState, reading: Reading, time_s: float) -> tuple[LiveState, Reading]:
    """A doubtful layout is believed once searches have found it again for `PERSIST_S`."""
    rods = reading.rods
    if isinstance(rods, NotFound) or reading.belief >= ACCEPT:
        return replace(state, doubt=None), reading
    if state.rods is not None and _same_place(state.rods, rods):
        return replace(state, doubt=None), reading
    if state.doubt is None or not _same_place(state.doubt, rods):
        state = replace(state, doubt=rods, doubt_since_s=time_s)
    if time_s - state.doubt_since_s >= PERSIST_S:
        return state, reading
    return state, not_found(NotFound(Reason.UNSURE, rods.both), reading.setup)


def _same_place(a: Rods, b: Rods) -> bool:
    """Whether two finds are the same rods, up to their ends' noise and a slow hand."""
    return all(
        first.role is second.role and float(np.abs(first.ends_px - second.ends_px).mean()) < SAME_PX
        for first, second in zip(a.both, b.both, strict=True)
    )


def _marks(
    state: LiveState, found: Rods | None, tracked: bool, size: tuple[int, int], time_s: float
) -> LiveState:
    """Marks go where their rods go; one that serves nothing any more is forgotten."""
    if not state.marks:
        return state
    marks, marked_s = state.marks, state.marked_s
    # Found afresh, the rods may be others: then a mark must lie on them already.
    if found is not None and state.rods is not None and (tracked or on_rods(marks, found, size)):
        marks = carried(marks, state.rods, found, size)
    if found is not None and on_rods(marks, found, size):
        marked_s = time_s
    elif time_s - marked_s > MARK_S:
        marks = ()
    return replace(state, marks=marks, marked_s=marked_s)


def settle(state: LiveState, reading: Reading, time_s: float) -> tuple[LiveState, Reading, float]:
    """The reading as it is told at this time: square only once held, one instruction at a time.

    Also gives for how long (seconds) everything has been inside.
    """
    state, reading, held_s = _hold(state, reading, time_s)
    told, advice = tell(state.told, reading, time_s)
    return replace(state, told=told), replace(reading, advice=advice), held_s


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
        if held_s < HOLD_S:
            return state, _not_yet(reading), held_s
        return state, _still(reading), held_s
    return replace(state, square_since_s=None), reading, 0.0


def _inside(reading: Reading) -> bool:
    """Every governed quantity inside its tolerance, sure or not."""
    if reading.placement is None:
        return False
    quantities = governed(reading.placement, reading.layout, reading.framing, reading.setup)
    return all(g.inside for g in quantities)


def _still(reading: Reading) -> Reading:
    """The reading of a moment's doubt after square had held: still square."""
    return replace(reading, verdict=Verdict.SQUARE, advice=(Advice(Move.READY),))


def _not_yet(reading: Reading) -> Reading:
    """The reading while square is being confirmed: never called square."""
    return replace(reading, verdict=Verdict.OFF, advice=holding(reading.advice))
