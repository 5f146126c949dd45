"""Collecting a board's views from live pictures: what to show next, and when a view is taken."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from vision.board import MAX_VIEWS, Board, Charuco, find_board, moved_share, spread_out
from vision.calibrate import BoardView, Calibration, Refusal, calibrate
from vision.coverage import WISHED_VIEWS, CoverageHint, coverage_hints

STILL_SHARE = 0.003  # of the longer side between two pictures: beyond it they are blurred
APART_SHARE = 0.06  # a view this unlike every kept one is worth keeping
ENOUGH_VIEWS = 14  # from here on the lens is tried even if something is wished for still
TRY_EVERY = 3  # further views before a refused set is tried again


@dataclass(frozen=True, slots=True)
class BoardState:
    """What one picture leaves for the next. Pixels are of a picture `long_px` on its long side."""

    long_px: int | None = None
    views: tuple[BoardView, ...] = ()
    last: BoardView | None = None
    tried: int = 0  # views there were at the last try
    refused: Refusal | None = None  # why the last try came to nothing
    found: Calibration | None = None


@dataclass(frozen=True, slots=True)
class BoardProgress:
    """What to tell the person: whether the board is `seen` and held `still`, and what is wished.

    `hints` the most needed first. `refused` is why the last try failed; `found` ends it.
    """

    kept: int
    seen: bool
    still: bool
    hints: tuple[CoverageHint, ...] = field(default_factory=tuple)
    refused: Refusal | None = None
    found: Calibration | None = None


def board_step(
    state: BoardState, gray: NDArray[np.uint8], board: Board | None = None
) -> tuple[BoardState, BoardProgress]:
    """Look at one picture (h, w). A view is kept when it is still and unlike the others."""
    if state.found is not None:
        return state, BoardProgress(len(state.views), True, True, found=state.found)
    view = find_board(gray, board or Charuco())
    if view is None:
        hints = coverage_hints(state.views)
        return replace(state, last=None), BoardProgress(
            len(state.views), False, False, hints, state.refused
        )
    state = replace(state, long_px=state.long_px or max(view.size))
    view = _resized(view, state.long_px or max(view.size))
    if state.views and view.size != state.views[0].size:
        state = replace(
            state, views=(), last=None, tried=0, refused=None
        )  # the phone was turned: begin anew
    still = state.last is not None and moved_share(view, state.last) < STILL_SHARE
    state = replace(state, last=view)
    if still and all(moved_share(view, kept) > APART_SHARE for kept in state.views):
        view = replace(view, name=f"view {len(state.views) + 1}")
        state = replace(state, views=(*state.views, view)[-4 * MAX_VIEWS :])
        state = _tried(state)
    return state, BoardProgress(
        len(state.views), True, still, coverage_hints(state.views), state.refused, state.found
    )


def _tried(state: BoardState) -> BoardState:
    """The lens, once the views look sufficient and enough came since the last try."""
    count = len(state.views)
    wished = bool(coverage_hints(state.views))
    if count < WISHED_VIEWS or (wished and count < ENOUGH_VIEWS):
        return state
    if state.tried and count < state.tried + TRY_EVERY:
        return state
    result = calibrate(spread_out(list(state.views)))
    state = replace(state, tried=count)
    if isinstance(result, Calibration):
        return replace(state, found=result, refused=None)
    return replace(state, refused=result)


def _resized(view: BoardView, long_px: int) -> BoardView:
    """The view as in a picture of another size: browsers stream the same picture smaller."""
    factor = long_px / max(view.size)
    if factor == 1.0:
        return view
    size = (round(view.size[0] * factor), round(view.size[1] * factor))
    return replace(view, px=(view.px + 0.5) * factor - 0.5, size=size)
