"""The part of `server.wire` that knows the JSON of a target and of where the rods point."""

from __future__ import annotations

import math
from typing import Any

from server import aim_words
from server.fields import shown
from server.words import Speech
from vision.aim import Aim, NoAim, RodAim
from vision.errors import SetupError
from vision.setup import AimPoint

STATED_PX = 2.0  # sigma of a place that somebody wrote down instead of tapping it
DISTANCE_M = (1.0, 1000.0)


def target_from_json(aim_px: object, distance_m: object) -> AimPoint | None:
    """A target of a manifest: `aim_px` [x, y], `aim_distance_m`; None for none. SetupError."""
    if aim_px is None:
        if distance_m is not None:
            raise SetupError("aim_distance_m came without aim_px: give the target's place too.")
        return None
    if (
        not isinstance(aim_px, list)
        or len(aim_px) != 2
        or not all(_is_number(v) and abs(v) < 1e6 for v in aim_px)
    ):
        raise SetupError(
            f"aim_px is {shown(aim_px)}: give the target's place in the picture, such as [640, 212]"
        )
    low, high = DISTANCE_M
    if distance_m is not None and not (
        isinstance(distance_m, int | float)
        and not isinstance(distance_m, bool)
        and low <= distance_m <= high
    ):
        raise SetupError(
            f"aim_distance_m is {shown(distance_m)}: give a number from {low:g} to {high:g} (m)."
        )
    x, y = aim_px
    far = None if distance_m is None else float(distance_m)
    return AimPoint((float(x), float(y)), sigma_px=STATED_PX, distance_m=far)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def aim_to_json(aim: Aim | NoAim | None, speech: Speech) -> dict[str, Any] | None:
    """The `aim` object; None where nobody asked or there was no pose."""
    if aim is None:
        return None
    if isinstance(aim, NoAim):
        empty = dict.fromkeys(_KEYS)
        why = aim_words.aim_text(aim, speech)
        return empty | {"rods": [], "reason": aim.reason.value, "text": why}
    return {
        **_rod(aim.main),
        "distance_m": _number(aim.distance_m, 2),
        "distance_stated": aim.stated,
        "rods": [{"role": rod.role.value} | _rod(rod) | _points(rod) for rod in aim.rods],
        "reason": None,
        "text": aim_words.aim_text(aim, speech),
    }


_KEYS = (
    "deg",
    "sigma_deg",
    "at_target_m",
    "at_target_sigma_m",
    "distance_m",
    "distance_stated",
)


def live_aim(
    point: AimPoint | None,
    seq: int | None,
    aim: Aim | NoAim | None,
    size: tuple[int, int],
    speech: Speech,
) -> dict[str, Any]:
    """What the guidance message adds for a target: its number, its place, the huge type."""
    at = None
    if point is not None and point.size is not None:
        at = [
            _number((v + 0.5) * now / then - 0.5, 1)
            for v, now, then in zip(point.xy_px, size, point.size, strict=True)
        ]
    big = None if aim is None else aim_words.aim_big(aim, speech)
    return {"aim_seq": seq, "aim_px": at, "aim_big": big}


def _rod(rod: RodAim) -> dict[str, Any]:
    return {
        "deg": _number(math.degrees(rod.angle_rad), 3),
        "sigma_deg": _number(math.degrees(rod.sigma_rad), 3),
        "at_target_m": _number(rod.at_target_m, 3),
        "at_target_sigma_m": _number(rod.at_target_sigma_m, 3),
    }


def _points(rod: RodAim) -> dict[str, Any]:
    at = rod.points_px
    return {"points_px": None if at is None else [_number(v, 1) for v in at]}


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None
