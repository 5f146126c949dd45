"""Every instruction, carried out with a camera in space, leads to square, in the right order."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.vision.pinhole import (
    TARGET,
    UP,
    VIEWS,
    Camera,
    laid,
    line_of_sight,
    place,
    placement,
    turned,
)
from vision.advice import Advice, Move, Remedy, advise, holding
from vision.framing import Cure, Framing, Part, frame_swing
from vision.placement import Placement
from vision.reading import Verdict
from vision.rods import End, NotFound, Reason, Rod, Rods
from vision.setup import Goal, Handed, Lens, Role, Setup, Tilt, View
from vision.verdict import judge

SENSOR = Tilt(0.0, 0.0, 0.005, 0.01)
SIGMA = (0.005, 0.02, 0.01, 0.003, 0.003, 0.003)


def rod(role: Role) -> Rod:
    return Rod(role, np.zeros((2, 2)), (End.SEEN, End.SEEN), 0.3, (1.5, 1.5), 3.0, 5.0)


FOUND = Rods(rod(Role.TARGET), rod(Role.STEM), 20.0, 5.0)


def measure(camera: Camera, view: View, hand: Handed) -> Placement:
    """The camera's placement as the conventions define it, known to `SIGMA`."""
    ahead = line_of_sight(view, hand)
    right = np.cross(ahead, UP)
    x, _, forward = camera.rotation
    level = np.cross(forward, UP)
    level /= np.linalg.norm(level)
    return placement(
        offset=camera.lens @ right,
        distance=-camera.lens @ ahead,
        height=camera.lens[2],
        yaw=math.atan2(forward @ right, forward @ ahead),
        pitch=math.asin(forward @ UP),
        # clockwise seen from behind: the phone's right side dips
        roll=math.atan2(-(x @ UP), x @ level) if abs(x @ UP) > 1e-12 else 0.0,
        sigma=SIGMA,
    )


def carry_out(camera: Camera, advice: Advice, view: View, hand: Handed) -> Camera:
    """What a person behind the phone does on hearing the instruction."""
    ahead = line_of_sight(view, hand)
    right = np.cross(ahead, UP)
    lens, axes, size = camera.lens.copy(), camera.rotation, camera.size
    metres, radians, where = advice.amount_m or 0.0, advice.amount_rad or 0.0, advice.direction
    match advice.move:
        case Move.SLIDE:
            lens += {"left": -1, "right": 1}[where] * metres * right
        case Move.CLOSER:
            lens += {"forward": 1, "back": -1}[where] * metres * ahead
        case Move.RAISE:
            lens += {"up": 1, "down": -1}[where] * metres * UP
        case Move.TURN:
            axes = turned(axes, UP, {"left": 1, "right": -1}[where] * radians)
        case Move.TILT:
            axes = turned(axes, axes[0], {"up": 1, "down": -1}[where] * radians)
        case Move.LEVEL:
            sense = {"clockwise": 1, "counterclockwise": -1}[where]
            axes = turned(axes, axes[2], sense * radians)
        case Move.ROTATE:
            size = {"upright": (720, 1280), "sideways": (1280, 720)}[where]
        case _:
            raise AssertionError(f"nothing to carry out in {advice}")
    return Camera(lens, axes, camera.focal_px, size)


ORDER = [Move.ROTATE, Move.CLOSER, Move.TILT, Move.SLIDE, Move.RAISE, Move.TURN, Move.LEVEL]


@settings(max_examples=150, deadline=None)
@given(
    view_hand=st.sampled_from(VIEWS),
    offset=st.floats(-0.8, 0.8),
    distance=st.floats(2.5, 5.0),
    height=st.floats(0.4, 1.6),
    yaw=st.floats(-0.3, 0.3),
    roll=st.floats(-0.2, 0.2),
    stated=st.booleans(),
)
def test_following_the_first_instruction_ends_square(
    view_hand, offset, distance, height, yaw, roll, stated
):
    view, hand = view_hand
    goal = Goal(height_m=0.9, distance_m=3.5) if stated else Goal()
    setup = Setup(view=view, handed=hand, tilt=SENSOR, goal=goal)
    camera = place(view, hand, offset, distance, height, yaw, -0.05, roll)
    done = []
    for _ in range(8):
        here = measure(camera, view, hand)
        advice = advise(FOUND, here, laid(view), None, setup)
        square = judge(here, laid(view), None, setup)[0] is Verdict.SQUARE
        assert (advice[0].move is Move.READY) == square
        if square:
            break
        done.append(advice[0].move)
        camera = carry_out(camera, advice[0], view, hand)
    assert square
    places = [ORDER.index(move) for move in done]
    assert places == sorted(set(places))  # each once, in the order of the house
    end = measure(camera, view, hand)
    assert abs(end.offset_m) <= 0.05
    assert abs(end.yaw_rad) <= math.radians(2) and abs(end.roll_rad) <= math.radians(2)
    if stated:
        assert abs(end.height_m - 0.9) <= 0.1 and abs(end.distance_m - 3.5) <= 0.2


@pytest.mark.parametrize(("view", "hand"), VIEWS)
@pytest.mark.parametrize("size", [(1280, 720), (720, 1280)])
@pytest.mark.parametrize("goal_distance", [None, 2.5, 5.0])
def test_following_also_ends_with_the_whole_swing_in_the_picture(view, hand, size, goal_distance):
    goal = Goal(distance_m=goal_distance, framing=True)
    setup = Setup(view=view, handed=hand, tilt=SENSOR, goal=goal)
    camera = place(view, hand, 0.4, 2.4, 0.9, 0.15, -0.1, 0.06, size=size)
    for _ in range(14):
        here = measure(camera, view, hand)
        framing = frame_swing(camera.cam_from_ground, camera.focal_px, camera.size, setup)
        advice = advise(FOUND, here, laid(view), framing, setup)
        if advice[0].move is Move.READY:
            break
        camera = carry_out(camera, advice[0], view, hand)
    assert advice[0].move is Move.READY
    assert judge(here, laid(view), framing, setup)[0] is Verdict.SQUARE
    assert framing.ok


@pytest.mark.parametrize(("view", "hand"), VIEWS)
def test_signs_as_they_look_in_the_picture(view, hand):
    """A point far ahead on the line: each error shifts it, each advice brings it to the middle."""
    setup = Setup(view=view, handed=hand, tilt=SENSOR)
    ahead = line_of_sight(view, hand)
    far, near = 30 * ahead + 0.9 * UP, -1.0 * ahead
    middle = (1280 - 1) / 2
    # turned right: what is ahead appears left of the middle
    camera = place(view, hand, yaw=0.1)
    assert camera.project(far[None])[0, 0] < middle
    (turn, *_) = advise(FOUND, measure(camera, view, hand), laid(view), None, setup)
    assert (turn.move, turn.direction) == (Move.TURN, "left")
    assert turn.amount_rad == pytest.approx(0.1) and turn.amount_m is None
    # right of the line: its near part appears left of its far part
    camera = place(view, hand, offset=0.3)
    assert camera.project(near[None])[0, 0] < camera.project(far[None])[0, 0] - 10
    (slide, *_) = advise(FOUND, measure(camera, view, hand), laid(view), None, setup)
    assert (slide.move, slide.direction) == (Move.SLIDE, "left")
    assert slide.amount_m == pytest.approx(0.3) and slide.amount_rad is None
    # rolled clockwise: a level edge ahead appears to fall to the left, rise to the right...
    camera = place(view, hand, roll=0.1)
    right = np.cross(ahead, UP)
    left_px, right_px = camera.project(np.array([0.9 * UP - right, 0.9 * UP + right]))
    assert left_px[1] > right_px[1]  # y counts down: the picture turned counterclockwise
    (level, *_) = advise(FOUND, measure(camera, view, hand), laid(view), None, setup)
    assert (level.move, level.direction) == (Move.LEVEL, "counterclockwise")


@pytest.mark.parametrize(("view", "hand"), VIEWS)
def test_sliding_changes_no_yaw_and_turning_no_offset(view, hand):
    setup = Setup(view=view, handed=hand, tilt=SENSOR)
    camera = place(view, hand, offset=-0.5, yaw=math.radians(8))
    before = measure(camera, view, hand)
    slide, turn = advise(FOUND, before, laid(view), None, setup)
    assert (slide.move, turn.move) == (Move.SLIDE, Move.TURN)
    slid = measure(carry_out(camera, slide, view, hand), view, hand)
    assert slid.offset_m == pytest.approx(0, abs=1e-9)
    assert slid.yaw_rad == pytest.approx(before.yaw_rad)
    turned_ = measure(carry_out(camera, turn, view, hand), view, hand)
    assert turned_.yaw_rad == pytest.approx(0, abs=1e-9)
    assert turned_.offset_m == pytest.approx(before.offset_m)


@pytest.mark.parametrize("hand", list(Handed))
@pytest.mark.parametrize("lean_deg", [-4.0, 3.0])
def test_moving_the_stem_as_told_makes_the_t_square(hand, lean_deg):
    lean = math.radians(lean_deg)
    # rods of two lengths: it is the stem's end that travels
    lengths = {Role.TARGET: 1.22, Role.STEM: 0.95}
    setup = Setup(handed=hand, tilt=SENSOR, rod_lengths_m=lengths)
    layout = laid(View.FACE_ON, lean, 0.002, measured=True)
    (first, *_) = advise(FOUND, placement(0.3, sigma=SIGMA), layout, None, setup)
    assert first.move is Move.RODS
    assert first.amount_rad == pytest.approx(abs(lean))
    # the near end, one stick from the junction toward the camera, leaning toward the target
    ahead = line_of_sight(View.FACE_ON, hand)
    right = np.cross(ahead, UP)
    near_end = 0.95 * (-math.cos(lean) * ahead + math.sin(lean) * TARGET)
    way = {"stem-left": -1, "stem-right": 1}[first.direction]
    moved = near_end + way * first.amount_m * right
    angle = math.degrees(math.acos(moved @ TARGET / np.linalg.norm(moved)))
    assert angle == pytest.approx(90, abs=0.3)


@pytest.mark.parametrize("hand", list(Handed))
@pytest.mark.parametrize("closing_deg", [-3.0, 2.0])
def test_moving_the_ball_rod_as_told_makes_the_pair_parallel(hand, closing_deg):
    closing = math.radians(closing_deg)
    lengths = {Role.TOE: 1.22, Role.BALL: 0.95}
    setup = Setup(view=View.DOWN_THE_LINE, handed=hand, tilt=SENSOR, rod_lengths_m=lengths)
    layout = laid(View.DOWN_THE_LINE, closing, 0.002, measured=True)
    (first, *_) = advise(FOUND, placement(sigma=SIGMA), layout, None, setup)
    assert first.move is Move.RODS
    right = np.cross(TARGET, UP)
    outside = right if hand is Handed.RIGHT else -right  # the ball's side of the golfer
    assert first.amount_rad == pytest.approx(abs(closing))
    rod_vector = 0.95 * (math.cos(closing) * TARGET - math.sin(closing) * outside)
    way = {"ball-rod-left": -1, "ball-rod-right": 1}[first.direction]
    moved = rod_vector + way * first.amount_m * right
    assert math.degrees(abs(math.atan2(moved @ right, moved @ TARGET))) < 0.2


def test_the_order_of_a_person():
    setup = Setup(tilt=SENSOR, goal=Goal(0.9, 3.5, framing=True))
    layout = laid(View.FACE_ON, 0.1, 0.002, measured=True)
    framing = Framing(False, (Part.HEAD,), Cure.TILT, 0.0, 0.05)
    everything = placement(0.5, 5.0, 1.4, 0.2, 0.0, 0.1, SIGMA)
    moves = [a.move for a in advise(FOUND, everything, layout, framing, setup)]
    assert moves == [
        Move.RODS,
        Move.CLOSER,
        Move.TILT,
        Move.SLIDE,
        Move.RAISE,
        Move.TURN,
        Move.LEVEL,
    ]


@pytest.mark.parametrize("reason", list(Reason))
def test_nothing_found_says_why(reason):
    assert advise(NotFound(reason), None, None, None, Setup()) == (Advice(Move.FIND, reason.value),)


def test_rods_without_a_pose_are_not_found_surely():
    assert advise(FOUND, None, None, None, Setup()) == (Advice(Move.FIND, "unsure"),)


def test_unmeasured_roll_of_a_pair_asks_for_the_tilt_sensor():
    """A pair without a sensor knows roll to 4 and the offset to 10 cm: neither may be assumed."""
    view = View.DOWN_THE_LINE
    vague = (0.10, 0.2, 0.2, 0.003, 0.05, math.radians(4))
    here = placement(0.02, roll=math.radians(1), sigma=vague)
    setup = Setup(view=view)
    assert judge(here, laid(view), None, setup)[0] is Verdict.OFF
    assert advise(FOUND, here, laid(view), None, setup) == (
        Advice(Move.HOLD, Remedy.TILT_SENSOR.value),
    )
    # an offset that stands clear of its spread is worth sliding for even so, and goes first
    far = placement(0.5, roll=math.radians(5), sigma=vague)
    moves = advise(FOUND, far, laid(view), None, setup)
    assert [a.move for a in moves] == [Move.SLIDE, Move.HOLD]
    # with a sensor that does not help, the rods must be seen better
    seen = advise(FOUND, here, laid(view), None, replace(setup, tilt=SENSOR))
    assert seen == (Advice(Move.HOLD, Remedy.STEADY.value),)


def test_a_distance_that_only_the_lens_can_tell():
    vague = (0.005, 0.3, 0.3, 0.003, 0.003, 0.003)
    setup = Setup(tilt=SENSOR, goal=Goal(0.9, 3.5))
    here = placement(sigma=vague)
    assert advise(FOUND, here, laid(View.FACE_ON), None, setup) == (
        Advice(Move.HOLD, Remedy.LENS.value),
    )
    known = replace(setup, lens=Lens(1000.0, 5.0))
    assert advise(FOUND, here, laid(View.FACE_ON), None, known) == (
        Advice(Move.HOLD, Remedy.STEADY.value),
    )


def test_inside_but_unsure_moves_on_where_that_can_make_it_sure():
    # 4 cm +- 1 cm of 5 cm: sliding by 4 cm settles it
    sigma = (0.01, *SIGMA[1:])
    setup = Setup(tilt=SENSOR)
    (slide,) = advise(FOUND, placement(0.04, sigma=sigma), laid(View.FACE_ON), None, setup)
    assert (slide.move, slide.direction) == (Move.SLIDE, "left")
    # 0.9 cm +- 2.5 cm: mere noise, hold
    sigma = (0.0254, *SIGMA[1:])
    (hold,) = advise(FOUND, placement(0.009, sigma=sigma), laid(View.FACE_ON), None, setup)
    assert hold == Advice(Move.HOLD)


@pytest.mark.parametrize("bad", [math.inf, math.nan])
def test_no_number_is_no_advice_to_move(bad):
    setup = Setup(tilt=SENSOR)
    for here in (placement(0.5, sigma=(bad, *SIGMA[1:])), placement(bad, sigma=SIGMA)):
        assert [a.move for a in advise(FOUND, here, laid(View.FACE_ON), None, setup)] == [Move.HOLD]


@pytest.mark.parametrize(
    ("offset_m", "sigma_m", "move"),
    [
        # 5 cm of spread never makes 5 cm sure: worth a walk beyond the tolerance and two spreads
        (0.16, 0.05, Move.SLIDE),
        (0.14, 0.05, Move.HOLD),
        # 2.4 cm could: worth a slide from half a spread
        (0.013, 0.024, Move.SLIDE),
        (0.011, 0.024, Move.HOLD),
        # nobody slides a tripod by less than a centimetre
        (0.009, 0.0252, Move.HOLD),
    ],
)
def test_only_what_stands_clear_of_its_spread_is_walked_for(offset_m, sigma_m, move):
    here = placement(offset_m, sigma=(sigma_m, *SIGMA[1:]))
    (told,) = advise(FOUND, here, laid(View.FACE_ON), None, Setup(tilt=SENSOR))
    assert told.move is move


def test_framing_that_nobody_asked_for_comes_after_square():
    setup = Setup(tilt=SENSOR)
    framing = Framing(False, (Part.HEAD,), Cure.BACK, 0.6)
    here = placement(sigma=SIGMA)
    assert advise(FOUND, here, laid(View.FACE_ON), framing, setup) == (
        Advice(Move.READY),
        Advice(Move.CLOSER, "back", amount_m=0.6),
    )


def test_framing_asked_for_and_nothing_computed_still_says_something():
    setup = Setup(tilt=SENSOR, goal=Goal(framing=True))
    for framing in (Framing(False, (Part.HEAD,)), None):
        assert advise(FOUND, placement(sigma=SIGMA), laid(View.FACE_ON), framing, setup) == (
            Advice(Move.CLOSER, "back"),
        )


@pytest.mark.parametrize(("tilt_rad", "way"), [(0.05, "up"), (-0.05, "down")])
def test_a_cure_of_two_steps_is_told_whole(tilt_rad, way):
    framing = Framing(False, (Part.HEAD,), Cure.BACK, 0.6, tilt_rad)
    asked, here = Setup(tilt=SENSOR, goal=Goal(framing=True)), placement(sigma=SIGMA)
    back, tilt = Advice(Move.CLOSER, "back", amount_m=0.6), Advice(Move.TILT, way, amount_rad=0.05)
    assert advise(FOUND, here, laid(View.FACE_ON), framing, asked) == (back, tilt)
    # where a distance is stated, it is the distance that says how far back
    stated = replace(asked, goal=Goal(distance_m=3.5, framing=True))
    told = advise(FOUND, here, laid(View.FACE_ON), framing, stated)
    assert [a.move for a in told] == [Move.CLOSER, Move.TILT]
    assert (told[0].direction, told[0].amount_m) == ("back", pytest.approx(0.6))
    assert told[1] == tilt


def test_framing_is_suggested_only_where_it_fails_and_no_distance_is_stated():
    here, cut_off = placement(sigma=SIGMA), Framing(False, (Part.HEAD,), Cure.BACK, 0.6)
    stated = Setup(tilt=SENSOR, goal=Goal(distance_m=3.5))
    assert advise(FOUND, here, laid(View.FACE_ON), cut_off, stated) == (Advice(Move.READY),)
    # all fits from here, not from a distance that was stated once
    fits = Framing(True, (), Cure.BACK, 0.6)
    free = Setup(tilt=SENSOR)
    assert advise(FOUND, here, laid(View.FACE_ON), fits, free) == (Advice(Move.READY),)


def test_square_that_has_not_held_is_told_to_hold():
    assert holding((Advice(Move.READY), Advice(Move.CLOSER, "back"))) == (
        Advice(Move.HOLD),
        Advice(Move.CLOSER, "back"),
    )


@settings(max_examples=100, deadline=None)
@given(
    offset=st.floats(-1, 1),
    yaw=st.floats(-0.3, 0.3),
    roll=st.floats(-0.3, 0.3),
    lean=st.floats(-0.1, 0.1),
    view=st.sampled_from(list(View)),
)
def test_left_handed_is_the_mirror_image(offset, yaw, roll, lean, view):
    layout = laid(view, lean, 0.003, measured=True)
    both = [
        advise(
            FOUND,
            placement(s * offset, yaw=s * yaw, roll=s * roll, sigma=SIGMA),
            layout,
            None,
            Setup(view=view, handed=hand, tilt=SENSOR),
        )
        for s, hand in ((1, Handed.RIGHT), (-1, Handed.LEFT))
    ]
    assert [mirrored(a) for a in both[0]] == list(both[1])


def mirrored(advice: Advice) -> Advice:
    swap = {"left": "right", "clockwise": "counterclockwise"}
    swap |= {f"{rod}-left": f"{rod}-right" for rod in ("stem", "ball-rod")}
    swap |= {b: a for a, b in swap.items()}
    return replace(advice, direction=swap.get(advice.direction, advice.direction))
