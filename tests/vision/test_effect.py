"""What the lens's error does to the film: by projected points, and the facts of docs/trade.md."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.vision.pinhole import (
    TARGET,
    UP,
    VIEWS,
    golfer_faces,
    laid,
    line_of_sight,
    place,
    placement,
)
from vision.effect import film_effect, parallax_shift_m
from vision.placement import Placement
from vision.setup import Handed, Player, Setup, View

ANGLES = [(0.0, 0.0, 0.0), (0.07, -0.1, 0.0), (-0.12, 0.05, 0.06)]


def the_nearer_thing(setup: Setup) -> np.ndarray:
    """The ball at mid-stance, or the club head when the shaft points along the target line."""
    if setup.view is View.FACE_ON:
        return setup.player.ball_m * golfer_faces(setup.handed)
    return -setup.player.club_m * TARGET + 0.9 * UP


@pytest.mark.parametrize(("view", "hand"), VIEWS)
@pytest.mark.parametrize("offset", [-0.4, -0.05, 0.05, 0.4])
@pytest.mark.parametrize(("yaw", "pitch", "roll"), ANGLES)
def test_shift_is_where_the_pinhole_draws_it(view, hand, offset, yaw, pitch, roll):
    setup = Setup(view=view, handed=hand)
    camera = place(view, hand, offset, yaw=yaw, pitch=pitch, roll=roll)
    drawn = camera.drawn_on_plane(the_nearer_thing(setup), line_of_sight(view, hand))
    effect = film_effect(placement(offset, yaw=yaw, pitch=pitch, roll=roll), laid(view), setup)
    if view is View.FACE_ON:
        assert effect.club_path_shift_m is None and effect.club_path_deg is None
        assert effect.ball_shift_m == pytest.approx(drawn @ TARGET, abs=1e-6)
    else:
        assert effect.ball_shift_m is None
        outside = drawn @ golfer_faces(hand)
        assert effect.club_path_shift_m == pytest.approx(outside, abs=1e-6)
        angle = math.degrees(math.atan2(outside, setup.player.club_m))
        assert effect.club_path_deg == pytest.approx(angle, abs=1e-4)


@pytest.mark.parametrize("hand", list(Handed))
def test_lens_toward_the_target_makes_the_ball_look_back(hand):
    """docs/trade.md 1; common practice, no source."""
    # right-handed, face-on: the target is on the camera's right
    toward_target = 0.3 if hand is Handed.RIGHT else -0.3
    assert place(View.FACE_ON, hand, toward_target).lens @ TARGET == pytest.approx(0.3)
    effect = film_effect(placement(toward_target), laid(View.FACE_ON), Setup(handed=hand))
    assert effect.ball_shift_m < 0


@pytest.mark.parametrize("hand", list(Handed))
def test_lens_out_on_the_ball_side_makes_the_club_look_inside(hand):
    """docs/trade.md 2; common practice, no source."""
    # right-handed, down the line: the golfer stands left of the ball
    out = 0.3 if hand is Handed.RIGHT else -0.3
    assert place(View.DOWN_THE_LINE, hand, out).lens @ golfer_faces(hand) == pytest.approx(0.3)
    setup = Setup(view=View.DOWN_THE_LINE, handed=hand)
    effect = film_effect(placement(out), laid(View.DOWN_THE_LINE), setup)
    assert effect.club_path_shift_m < 0 and effect.club_path_deg < 0


@pytest.mark.parametrize(("view", "hand"), VIEWS)
@pytest.mark.parametrize("roll_deg", [-5.0, 1.0, 12.0])
def test_roll_adds_one_to_one_to_tilts(view, hand, roll_deg):
    """A plumb pole in the chest plane, drawn: its lean on the film is the whole roll."""
    roll = math.radians(roll_deg)
    low, high = place(view, hand, roll=roll).project(np.array([0.5 * UP, 1.3 * UP]))
    lean_clockwise = math.degrees(math.atan2(high[0] - low[0], low[1] - high[1]))
    effect = film_effect(placement(roll=roll), laid(view), Setup(view=view, handed=hand))
    assert effect.tilt_deg == pytest.approx(lean_clockwise, abs=1e-6)


def test_a_number_by_hand():
    # lens 50 cm off at 3.5 m, ball 40 cm nearer: 50 * 40 / 310 = 6.45 cm
    setup = Setup(player=Player(ball_from_toes_m=0.4))
    effect = film_effect(placement(0.5), laid(View.FACE_ON), setup)
    assert effect.ball_shift_m == pytest.approx(-0.5 * 0.4 / 3.1)
    assert parallax_shift_m(0.5, 3.5, 0.4) == pytest.approx(-0.0645, abs=1e-4)


@pytest.mark.parametrize(("view", "hand"), VIEWS)
def test_sigma_is_the_spread_of_sampled_placements(view, hand):
    rng = np.random.default_rng(5)
    mean = np.array([0.2, 3.0, 0.9, 0.0, 0.0, 0.03])
    mix = rng.normal(size=(6, 6)) * np.array([0.03, 0.15, 0.1, 0.01, 0.01, 0.01])[:, None]
    cov = mix @ mix.T
    setup, layout = Setup(view=view, handed=hand), laid(view, sigma=0.0)
    effects = [
        film_effect(Placement(*draw, cov=cov), layout, setup)
        for draw in rng.multivariate_normal(mean, cov, size=4000)
    ]
    told = film_effect(Placement(*mean, cov=cov), layout, setup)
    pairs = [("tilt_deg", "tilt_sigma_deg")]
    if view is View.FACE_ON:
        pairs += [("ball_shift_m", "ball_shift_sigma_m")]
    else:
        pairs += [("club_path_shift_m", "club_path_shift_sigma_m")]
        pairs += [("club_path_deg", "club_path_sigma_deg")]
    for value, sigma in pairs:
        # 4000 draws give a standard deviation to 1.1 %; the rest is curvature
        spread = np.std([getattr(e, value) for e in effects])
        assert getattr(told, sigma) == pytest.approx(spread, rel=0.12)


def test_measured_t_counts_from_the_true_perpendicular():
    layout = replace(
        laid(View.FACE_ON, 0.05, measured=True), square_offset_m=-0.1, square_offset_sigma_m=0.02
    )
    effect = film_effect(placement(0.07), layout, Setup())
    b = Setup().player.ball_m
    assert effect.ball_shift_m == pytest.approx(0.1 * b / (3.5 - b))
    assert effect.ball_shift_sigma_m == pytest.approx(0.02 * b / (3.5 - b), rel=1e-3)


def test_unproven_t_angle_widens_the_spread():
    near = film_effect(placement(0.07), laid(View.FACE_ON, sigma=0.0), Setup())
    wide = film_effect(placement(0.07), laid(View.FACE_ON, sigma=0.05), Setup())
    b = Setup().player.ball_m
    assert wide.ball_shift_m == near.ball_shift_m
    assert wide.ball_shift_sigma_m == pytest.approx(3.5 * 0.05 * b / (3.5 - b), rel=1e-3)


def test_a_lens_beside_the_ball_gives_no_number():
    for view in View:
        effect = film_effect(placement(0.1, distance=0.6), laid(view), Setup(view=view))
        assert effect.ball_shift_m is None and effect.club_path_shift_m is None
        assert math.isfinite(effect.tilt_deg)
        assert effect.tilt_sigma_deg == pytest.approx(math.degrees(1e-4))


@given(
    offset=st.floats(-1, 1),
    distance=st.floats(2.0, 6.0),
    roll=st.floats(-0.2, 0.2),
    view=st.sampled_from(list(View)),
)
def test_left_handed_is_the_mirror_image(offset, distance, roll, view):
    right = film_effect(
        placement(offset, distance, roll=roll), laid(view), Setup(view=view, handed=Handed.RIGHT)
    )
    left = film_effect(
        placement(-offset, distance, roll=-roll), laid(view), Setup(view=view, handed=Handed.LEFT)
    )
    assert left.ball_shift_m == right.ball_shift_m
    assert left.club_path_shift_m == right.club_path_shift_m
    assert left.club_path_deg == right.club_path_deg
    assert left.tilt_deg == -right.tilt_deg
    assert left.ball_shift_sigma_m == pytest.approx(right.ball_shift_sigma_m)


@given(offset=st.floats(-1, 1), yaw=st.floats(-0.3, 0.3))
def test_yaw_changes_no_parallax(offset, yaw):
    a = film_effect(placement(offset), laid(View.FACE_ON), Setup())
    b = film_effect(placement(offset, yaw=yaw), laid(View.FACE_ON), Setup())
    assert a.ball_shift_m == b.ball_shift_m


@pytest.mark.parametrize(("view", "hand"), VIEWS)
@pytest.mark.parametrize("index", [0, 1], ids=["offset", "distance"])
def test_each_spread_costs_its_slope_even_far_off_the_line(view, hand, index):
    """Central differences; a lens so far off makes the shaft's angle half a right angle."""
    setup, layout = Setup(view=view, handed=hand), laid(view, sigma=0.0)
    at, sigma = np.array([0.9, 2.1, 0.9, 0.0, 0.0, 0.0]), 0.01
    cov = np.zeros((6, 6))
    cov[index, index] = sigma**2
    step = np.eye(6)[index] * 1e-5

    def effect(place_at):
        return film_effect(Placement(*place_at, cov=cov), layout, setup)

    told, after, before = effect(at), effect(at + step), effect(at - step)
    names = ["ball_shift_m"] if view is View.FACE_ON else ["club_path_shift_m", "club_path_deg"]
    for name in names:
        slope = (getattr(after, name) - getattr(before, name)) / 2e-5
        spread = getattr(told, "_sigma_".join(name.rsplit("_", 1)))
        assert spread == pytest.approx(abs(slope) * sigma, rel=1e-5)


def test_an_unmeasured_t_counts_from_the_line_as_laid():
    """The pose always has a true perpendicular; until the angle is measured it is only a prior."""
    layout = replace(laid(View.FACE_ON), square_offset_m=-0.1, square_offset_sigma_m=0.02)
    assert film_effect(placement(0.07), layout, Setup()) == film_effect(
        placement(0.07), laid(View.FACE_ON), Setup()
    )


def test_the_pairs_own_angle_and_a_spread_that_is_no_number_widen_nothing():
    pair = Setup(view=View.DOWN_THE_LINE)
    near = film_effect(placement(0.07), laid(View.DOWN_THE_LINE, sigma=0.0), pair)
    assert film_effect(placement(0.07), laid(View.DOWN_THE_LINE, sigma=0.05), pair) == near
    known = film_effect(placement(0.07), laid(View.FACE_ON, sigma=0.0), Setup())
    assert film_effect(placement(0.07), laid(View.FACE_ON, sigma=math.inf), Setup()) == known
