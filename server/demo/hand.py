"""The scripted hand: obeys the guidance's first instruction as a person would, and no more.

It sees guidance messages only, never the true pose. It reads an instruction, moves by the
amount it was told (a little wrong, as people are), lets go, waits for the next one.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from server.demo.geometry import Pose

ERROR = 0.08  # 1 standard deviation of a move, of the move; a guess, not measured
LEAST_M = 0.004  # a tripod is not placed finer than this
LEAST_RAD = math.radians(0.2)
PAUSE_S = 1.0  # from letting go to the next move
SETTLE_S = 0.2  # from letting go until a picture shows the phone at rest

# move, direction -> (field of Pose, sign of the change), as seen from behind the phone.
_ACTS: dict[tuple[str, str], tuple[str, float]] = {
    ("slide", "left"): ("offset_m", -1.0),
    ("slide", "right"): ("offset_m", 1.0),
    ("closer", "forward"): ("distance_m", -1.0),
    ("closer", "back"): ("distance_m", 1.0),
    ("raise", "up"): ("height_m", 1.0),
    ("raise", "down"): ("height_m", -1.0),
    ("turn", "left"): ("yaw_rad", -1.0),
    ("turn", "right"): ("yaw_rad", 1.0),
    ("tilt", "up"): ("pitch_rad", 1.0),
    ("tilt", "down"): ("pitch_rad", -1.0),
    ("level", "clockwise"): ("roll_rad", 1.0),
    ("level", "counterclockwise"): ("roll_rad", -1.0),
}
_SPEED = {"m": 0.25, "rad": math.radians(8.0)}  # per second
_UNTOLD = {"m": 0.10, "rad": math.radians(4.0)}  # when no amount is given


@dataclass(frozen=True, slots=True)
class Stance:
    """The phone as the hand holds it: its pose, and whether it is held upright."""

    pose: Pose
    upright: bool = False


@dataclass(frozen=True, slots=True)
class Hand:
    """What the hand is doing: `left` is the rest of the present move along `quantity`."""

    seed: int = 0
    moves: int = 0
    quantity: str | None = None
    left: float = 0.0
    free_from_s: float = 0.0
    still_from_s: float = 0.0


def step(
    hand: Hand,
    stance: Stance,
    guidance: Mapping[str, Any] | None,
    now_s: float,
    dt_s: float,
    seen_s: float | None = None,
) -> tuple[Hand, Stance]:
    """The next `dt_s` seconds. `guidance`: the newest message (docs/protocol.md), None if stale.

    `seen_s`: when the message's picture was taken; one from before the hand let go says nothing
    of where the phone is now. None takes it as of this moment.
    """
    if hand.quantity is not None:
        return _go_on(hand, stance, now_s, dt_s)
    if guidance is None or now_s < hand.free_from_s or guidance.get("verdict") == "square":
        return hand, stance
    if seen_s is not None and seen_s < hand.still_from_s:
        return hand, stance
    advice = guidance.get("advice") or []
    if not advice:
        return hand, stance
    return _begin(hand, stance, advice[0], now_s)


def _begin(
    hand: Hand, stance: Stance, advice: Mapping[str, Any], now_s: float
) -> tuple[Hand, Stance]:
    """Take up one instruction; find, rods, hold and ready ask nothing of a hand on the phone."""
    if advice.get("move") == "rotate":
        done = _let_go(replace(hand, moves=hand.moves + 1), now_s)
        return done, replace(stance, upright=not stance.upright)
    act = _ACTS.get((str(advice.get("move")), str(advice.get("direction"))))
    if act is None:
        return hand, stance
    quantity, sign = act
    unit = quantity.rpartition("_")[2]
    amount = _amount(advice, unit)
    wrong = float(np.random.default_rng((hand.seed, hand.moves)).normal(0.0, ERROR))
    least = LEAST_M if unit == "m" else LEAST_RAD
    left = sign * max(amount * (1.0 + wrong), least)
    return replace(hand, moves=hand.moves + 1, quantity=quantity, left=left), stance


def _amount(advice: Mapping[str, Any], unit: str) -> float:
    told = advice.get("amount_m") if unit == "m" else advice.get("amount_deg")
    if told is None:
        return _UNTOLD[unit]
    return float(told) if unit == "m" else math.radians(float(told))


def _go_on(hand: Hand, stance: Stance, now_s: float, dt_s: float) -> tuple[Hand, Stance]:
    """Move at the hand's own speed until the amount is used up."""
    assert hand.quantity is not None
    reach = _SPEED[hand.quantity.rpartition("_")[2]] * dt_s
    part = math.copysign(min(reach, abs(hand.left)), hand.left)
    value = getattr(stance.pose, hand.quantity) + part
    if hand.quantity in ("distance_m", "height_m"):
        value = max(0.3, value)
    moved = replace(stance, pose=replace(stance.pose, **{hand.quantity: value}))
    left = hand.left - part
    if abs(left) < 1e-9:
        return _let_go(hand, now_s), moved
    return replace(hand, left=left), moved


def _let_go(hand: Hand, now_s: float) -> Hand:
    return replace(
        hand, quantity=None, left=0.0, free_from_s=now_s + PAUSE_S, still_from_s=now_s + SETTLE_S
    )
