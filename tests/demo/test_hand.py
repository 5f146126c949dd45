"""The scripted hand: obeys words alone, at a human pace, with a human error."""

from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest

from server.demo.geometry import START, Pose
from server.demo.hand import ERROR, Hand, Stance, step

TICK_S = 0.05


def _message(move, direction, verdict="off", **amount):
    return {"verdict": verdict, "advice": [{"move": move, "direction": direction, **amount}]}


def _act(message, seconds=5.0, hand=None, stance=None):
    """Let the hand have one message until it lets go."""
    hand, stance = hand or Hand(seed=3), stance or Stance(Pose())
    now = 0.0
    while now < seconds:
        hand, stance = step(hand, stance, message if hand.moves == 0 else None, now, TICK_S)
        now += TICK_S
    return hand, stance


@pytest.mark.parametrize(
    ("move", "direction", "quantity", "sign"),
    [
        ("slide", "left", "offset_m", -1),
        ("slide", "right", "offset_m", 1),
        ("turn", "left", "yaw_rad", -1),
        ("turn", "right", "yaw_rad", 1),
        ("raise", "up", "height_m", 1),
        ("raise", "down", "height_m", -1),
        ("closer", "forward", "distance_m", -1),
        ("closer", "back", "distance_m", 1),
        ("tilt", "up", "pitch_rad", 1),
        ("tilt", "down", "pitch_rad", -1),
        ("level", "clockwise", "roll_rad", 1),
        ("level", "counterclockwise", "roll_rad", -1),
    ],
)
def test_each_instruction_changes_its_own_quantity(move, direction, quantity, sign):
    told = {"amount_m": 0.3} if quantity.endswith("_m") else {"amount_deg": 6.0}
    _, stance = _act(_message(move, direction, **told))
    want = 0.3 if quantity.endswith("_m") else math.radians(6)
    changed = getattr(stance.pose, quantity) - getattr(Pose(), quantity)
    assert changed * sign == pytest.approx(want, rel=4 * ERROR)
    assert changed * sign != pytest.approx(want, rel=1e-6)  # no hand is exact
    for other in fields(Pose):
        if other.name != quantity:
            assert getattr(stance.pose, other.name) == getattr(Pose(), other.name)


def test_moves_at_a_limited_speed():
    hand, stance = step(Hand(), Stance(START), _message("slide", "right", amount_m=0.5), 0.0, 0.05)
    hand, moved = step(hand, stance, None, 0.05, 0.1)
    assert 0 < moved.pose.offset_m - START.offset_m <= 0.25 * 0.1 + 1e-9


def test_rests_after_a_move_and_ignores_words_meanwhile():
    hand, stance = _act(_message("slide", "left", amount_m=0.05), seconds=0.5)
    assert hand.quantity is None
    again = _message("slide", "left", amount_m=0.05)
    at_once, _ = step(hand, stance, again, 0.5, TICK_S)
    assert at_once.moves == hand.moves
    later, _ = step(hand, stance, again, hand.free_from_s + 0.01, TICK_S)
    assert later.moves == hand.moves + 1


def test_a_picture_from_before_it_let_go_moves_nothing():
    hand, stance = _act(_message("slide", "left", amount_m=0.05), seconds=0.5)
    now = hand.free_from_s + 0.5
    words = _message("slide", "left", amount_m=0.05)
    late, _ = step(hand, stance, words, now, TICK_S, seen_s=hand.still_from_s - 0.01)
    assert late.moves == hand.moves
    fresh, _ = step(hand, stance, words, now, TICK_S, seen_s=hand.still_from_s)
    assert fresh.moves == hand.moves + 1


@pytest.mark.parametrize(
    "message",
    [
        None,
        {"verdict": "not-found", "advice": []},
        _message("find", "no-rods", verdict="not-found"),
        _message("hold", None),
        _message("ready", None, verdict="square"),
        _message("rods", None),
        _message("slide", "left", verdict="square", amount_m=0.02),
        _message("slide", "sideways", amount_m=0.02),
    ],
)
def test_does_not_move_without_need(message):
    stance = Stance(START)
    assert _act(message, seconds=1.0, stance=stance)[1] == stance


def test_rotate_turns_the_phone_upright():
    _, stance = _act(_message("rotate", None), seconds=0.5)
    assert stance.upright
    assert stance.pose == Pose()


def test_same_seed_same_walk_other_seed_another():
    message = _message("slide", "right", amount_m=0.4)
    one, same, other = (_act(message, hand=Hand(seed=seed))[1].pose.offset_m for seed in (5, 5, 6))
    assert one == same
    assert one != other


def test_obeying_true_words_ends_square():
    """With a perfect adviser the error shrinks below 1 cm and half a degree in a few moves."""
    hand, stance = Hand(seed=2), Stance(START)
    now = 0.0
    while now < 30:
        pose = stance.pose
        if abs(pose.offset_m) > 0.01:
            side = "left" if pose.offset_m > 0 else "right"
            message = _message("slide", side, amount_m=abs(pose.offset_m))
        elif abs(pose.yaw_rad) > math.radians(0.5):
            side = "left" if pose.yaw_rad > 0 else "right"
            message = _message("turn", side, amount_deg=math.degrees(abs(pose.yaw_rad)))
        else:
            message = _message("hold", None)
        hand, stance = step(hand, stance, message, now, TICK_S)
        now += TICK_S
    assert abs(stance.pose.offset_m) <= 0.011
    assert abs(stance.pose.yaw_rad) <= math.radians(0.6)
    assert hand.moves <= 6
    assert replace(stance.pose, offset_m=0.0, yaw_rad=0.0) == replace(
        START, offset_m=0.0, yaw_rad=0.0
    )
