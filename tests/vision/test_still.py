"""Pictures of one unmoved camera combined, against draws whose truth is known (tests.synthetic).

A finder's errors are made of a part that all pictures of a still camera share and one of each
picture; a picture's sigma states both together.
"""

from dataclasses import replace

import numpy as np
import pytest

from tests.synthetic import END_PX, LINE_PX, SIZE, _noisy, draw
from tests.walks import layout, project, usable
from vision.errors import SetupError
from vision.placement import place
from vision.pose import solve_pose
from vision.rods import End, Rods
from vision.setup import Handed, View
from vision.still import Stance, believable, combine

COUNT = 20
QUANTITIES = ("offset_m", "distance_m", "height_m", "yaw_rad", "pitch_rad", "roll_rad")


def pictures(rng, rods, count=COUNT, line_px=LINE_PX, end_px=END_PX):
    """`rods` with errors of each picture's own, `line_px` and `end_px` large."""
    return [
        Rods(*(_again(rng, rod, line_px, end_px) for rod in rods.both), rods.score, rods.runner_up)
        for _ in range(count)
    ]


def _again(rng, rod, line_px, end_px):
    moved = _noisy(rng, rod.role, rod.ends_px, line_px).ends_px
    along = (moved - rod.ends_px) * (end_px / END_PX)
    stated = (float(np.hypot(END_PX, end_px)),) * 2
    return replace(
        rod,
        ends_px=rod.ends_px + along,
        line_sigma_px=float(np.hypot(LINE_PX, line_px)),
        end_sigma_px=stated,
    )


@pytest.mark.parametrize("view", View)
def test_the_combined_places_sigma_is_what_sampling_shows(view):
    """Normalised errors of many clips: mean square 1 (Bar-Shalom, Li, Kirubarajan 2001, 5.4.2)."""
    rng = np.random.default_rng(11)
    squares, ratios = [], []
    for _ in range(60):
        made = draw(rng, view)  # its own noise is what all pictures share
        finds = pictures(rng, made.rods)
        still = combine(range(COUNT), finds, SIZE, made.setup)
        assert still.stance is Stance.STILL and len(still.used) >= COUNT - 2
        here, _ = place(solve_pose(still.rods, SIZE, made.setup), made.setup)
        one, _ = place(solve_pose(finds[0], SIZE, made.setup), made.setup)
        error = np.array([getattr(here, q) - made.truth[q] for q in QUANTITIES])
        squares.append(error**2 / np.diag(here.cov))
        ratios.append(np.sqrt(np.diag(here.cov) / np.diag(one.cov)))
    mean = np.mean(squares, axis=0)
    # The priors of unstated things are wider than the draws, so that less than 1 may come out.
    assert (mean < 1.45).all() and (mean > 0.2).all(), mean
    assert (np.median(ratios, axis=0) < 1.0).all()


def test_what_all_pictures_share_is_not_averaged_away():
    rng = np.random.default_rng(2)
    made = draw(rng, View.FACE_ON)
    still = combine(range(200), pictures(rng, made.rods, 200, 0.02, 0.1), SIZE, made.setup)
    for rod in still.rods.both:
        assert 0.9 * LINE_PX < rod.line_sigma_px < 1.1 * LINE_PX
        assert all(0.9 * END_PX < sigma < 1.1 * END_PX for sigma in rod.end_sigma_px)
    noisy = combine(range(200), pictures(rng, made.rods, 200, 3 * LINE_PX), SIZE, made.setup)
    stated = float(np.hypot(LINE_PX, 3 * LINE_PX))
    assert noisy.rods.first.line_sigma_px >= 0.5 * stated


def test_an_end_that_a_foot_covers_most_of_the_time_is_where_it_was_seen():
    rng = np.random.default_rng(3)
    made = draw(rng, View.FACE_ON)
    finds = pictures(rng, made.rods)
    true = made.rods.first.ends_px[1]
    for k in range(4, 16):  # 60 %: the rod seems to end at the foot, 30 px short
        rod = finds[k].first
        span = rod.ends_px[1] - rod.ends_px[0]
        short = rod.ends_px - [[0, 0], 30 * span / np.linalg.norm(span)]
        finds[k] = replace(finds[k], first=replace(rod, ends_px=short))
    still = combine(range(COUNT), finds, SIZE, made.setup)
    assert np.linalg.norm(still.rods.first.ends_px[1] - true) < 3 * END_PX / np.sqrt(8) + 0.5
    assert still.rods.first.ends[1] is End.SEEN


def test_other_things_taken_for_rods_for_a_moment_have_no_part_in_it():
    rng = np.random.default_rng(4)
    made = draw(rng, View.FACE_ON)
    finds = pictures(rng, made.rods)
    for k in (7, 8, 9):
        first = finds[k].first
        finds[k] = replace(
            finds[k], first=replace(first, ends_px=first.ends_px + np.array([40.0, -60.0]))
        )
    still = combine(range(COUNT), finds, SIZE, made.setup)
    assert still.stance is Stance.STILL and still.others == 3
    assert not {7, 8, 9} & set(still.used)


def moved_clip(rng, step, count=12):
    """Two stretches of one layout, the camera moved by `step` in (right, forward, up) between."""
    made = layout(rng)
    own = usable(made, rng, 1.0)
    other = own.copy()
    other[:2] += step[:2]
    other[2] = np.log(np.exp(own[2]) + step[2])
    from tests.walks import sight

    first = sight(rng, made, own)
    finds = []
    for at in (own, other):
        ends = project(made, at, made.ends.reshape(-1, 3)).reshape(2, 2, 2)
        exact = [
            replace(rod, ends_px=e, ends=(End.SEEN, End.SEEN))
            for rod, e in zip(first.rods.both, ends, strict=True)
        ]
        finds += pictures(rng, replace(first.rods, first=exact[0], second=exact[1]), count)
    return finds, first.setup


@pytest.mark.parametrize("step", [(0.03, 0.0, 0.0), (0.0, 0.0, -0.04), (-0.02, 0.03, 0.01)])
def test_a_camera_that_moves_in_the_clip_is_said_with_how_far(step):
    rng = np.random.default_rng(5)
    finds, setup = moved_clip(rng, step)
    frames = [10 * k for k in range(len(finds))]
    still = combine(frames, finds, SIZE, setup)
    assert still.stance is Stance.MOVED
    jump = still.jump
    assert (jump.last_frame, jump.next_frame) == (110, 120)
    move = jump.move.move_m * (-1.0 if jump.earlier else 1.0)
    sigma = np.sqrt(np.diag(jump.move.cov))[:3]
    assert (np.abs(move - step) < 4 * sigma + 0.003).all(), (move, sigma)


def test_an_unmoved_camera_is_not_said_to_move():
    rng = np.random.default_rng(6)
    for k in range(40):
        made = draw(rng, list(View)[k % 2], handed=list(Handed)[k // 2 % 2])
        finds = pictures(rng, made.rods, 4 + k % 30)
        assert combine(range(len(finds)), finds, SIZE, made.setup).stance is Stance.STILL


def test_a_rod_that_is_kicked_is_no_camera_that_moved():
    rng = np.random.default_rng(7)
    made = draw(rng, View.FACE_ON)
    finds = pictures(rng, made.rods)
    for k in range(14, COUNT):
        ends = finds[k].second.ends_px + np.array([[0.0, 0.0], [25.0, 0.0]])
        finds[k] = replace(finds[k], second=replace(finds[k].second, ends_px=ends))
    still = combine(range(COUNT), finds, SIZE, made.setup)
    assert still.stance is Stance.RODS and still.jump.move is None
    assert still.jump.last_frame == 13 and set(still.used) <= set(range(14))


def test_a_phone_that_is_carried_is_not_averaged():
    rng = np.random.default_rng(8)
    made = draw(rng, View.FACE_ON)
    finds = [
        replace(
            rods,
            first=replace(rods.first, ends_px=rods.first.ends_px + 7.0 * k),
            second=replace(rods.second, ends_px=rods.second.ends_px + 7.0 * k),
        )
        for k, rods in enumerate(pictures(rng, made.rods, 12))
    ]
    still = combine(range(12), finds, SIZE, made.setup)
    assert still.stance is Stance.CARRIED and len(still.used) == 1
    assert still.rods is finds[still.best]


def test_few_pictures_say_nothing_of_the_camera():
    rng = np.random.default_rng(9)
    made = draw(rng, View.FACE_ON)
    assert combine([0, 10], pictures(rng, made.rods, 2), SIZE, made.setup).stance is Stance.FEW
    with pytest.raises(SetupError, match="no find"):
        combine([], [], SIZE, made.setup)


def test_rods_seen_in_hardly_any_picture_are_not_believed():
    assert believable(1, 1) and believable(1, 5) and believable(8, 40)
    assert not believable(0, 3) and not believable(1, 6) and not believable(7, 40)
