"""Collecting a board's views from live pictures, rendered with a lens that is known."""

from functools import cache

import cv2
import numpy as np
import pytest

from tests.vision.board_views import photograph, poses, printed_page
from vision.board_live import ENOUGH_VIEWS, BoardState, board_step
from vision.coverage import CoverageHint
from vision.lens import camera_matrix

SIZE = (640, 360)
FOCAL = 510.0
MATRIX = camera_matrix(FOCAL, (323.0, 176.0))
BEND = np.array([0.05, -0.04, 0, 0, 0])


@cache
def pictures() -> list[np.ndarray]:
    rng = np.random.default_rng(1)
    printed = printed_page()
    return [photograph(rng, printed, MATRIX, BEND, pose, size=SIZE) for pose in poses(rng, 18)]


def shown(sequence, state=None):
    state, told = state or BoardState(), []
    for picture in sequence:
        state, progress = board_step(state, picture)
        told.append(progress)
    return state, told


def test_views_are_taken_while_the_board_is_still_until_the_lens_is_known():
    state, told = shown(picture for picture in pictures() for _ in range(3))
    assert state.found is not None
    assert state.found.focal_px == pytest.approx(FOCAL, rel=0.005)
    assert abs(state.found.focal_px - FOCAL) < 3 * state.found.focal_sigma_px
    assert told[0].kept == 0 and told[0].seen and not told[0].still
    assert told[1].kept == 1 and told[1].still
    assert told[2].kept == 1  # the same view again is no new one
    assert 8 <= len(state.views) <= ENOUGH_VIEWS
    kept = [progress.kept for progress in told]
    assert kept == sorted(kept)
    assert told[-1].found is state.found


def test_a_moving_board_is_never_taken():
    state, told = shown(picture for _ in range(2) for picture in pictures()[:6])
    assert state.views == () and all(p.seen and not p.still for p in told)


def test_without_a_board_the_views_stay_and_hints_go_on():
    state, _ = shown(picture for picture in pictures()[:2] for _ in range(2))
    state, (progress,) = shown([np.full(SIZE[::-1], 90, np.uint8)], state)
    assert not progress.seen and progress.kept == 2
    assert CoverageHint.MORE in progress.hints


def test_flat_views_never_make_a_lens_and_ask_for_tilt():
    rng = np.random.default_rng(2)
    printed = printed_page()
    flat = [
        photograph(rng, printed, MATRIX, BEND, pose, size=SIZE)
        for pose in poses(rng, 9, tilt_deg=(-1, 1))
    ]
    state, told = shown(picture for picture in [*flat, *flat] for _ in range(2))
    assert state.found is None
    assert told[-1].hints[:2] == (CoverageHint.TIP, CoverageHint.SWING)


def test_a_smaller_stream_of_the_same_picture_counts_in_the_cameras_pixels():
    half = [cv2.resize(p, (480, 270), interpolation=cv2.INTER_AREA) for p in pictures()]
    state = BoardState(long_px=SIZE[0])
    state, _ = shown((p for p in half for _ in range(2)), state)
    assert {view.size for view in state.views} == {SIZE}
    assert state.found is not None and state.found.size == SIZE
    assert state.found.focal_px == pytest.approx(FOCAL, rel=0.01)


def test_a_phone_that_is_turned_begins_anew():
    state, _ = shown(picture for picture in pictures()[:3] for _ in range(2))
    assert len(state.views) == 3
    upright = cv2.rotate(pictures()[3], cv2.ROTATE_90_CLOCKWISE)
    state, told = shown([upright, upright], state)
    assert [view.size for view in state.views] == [SIZE[::-1]]
    assert told[-1].kept == 1
