"""The part of `server.wire` that knows the JSON of a whole clip's answer, and its words."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from server.clip import Clip
from server.words import INCH_M, Speech, fill
from vision.drift_solve import Move
from vision.still import Jump, Stance


def clip_to_json(clip: Clip, speech: Speech) -> dict[str, Any]:
    """The `clip` object of a line (docs/clips.md)."""
    still = clip.still
    return {
        "pictures": clip.looked_at,
        "found": clip.found,
        "used": 0 if still is None else len(still.used),
        "elsewhere": 0 if still is None else still.others,
        "camera": None if still is None else still.stance.value,
        "moved": None if still is None or still.jump is None else _jump(still.jump),
        "text": clip_text(clip, speech),
    }


def _jump(jump: Jump) -> dict[str, Any]:
    """From the place before the move to the one after it."""
    known = jump.move is not None
    way = _way(jump)
    sigma = np.sqrt(np.diag(jump.move.cov)) if jump.move is not None else np.zeros(6)
    return {
        "last_frame": jump.last_frame,
        "next_frame": jump.next_frame,
        "move_m": [_rounded(v, 4) for v in way[:3]] if known else None,
        "sigma_m": [_rounded(v, 4) for v in sigma[:3]] if known else None,
        "turn_deg": [_rounded(math.degrees(v), 3) for v in way[3:]] if known else None,
        "sigma_deg": [_rounded(math.degrees(v), 3) for v in sigma[3:]] if known else None,
    }


def _way(jump: Jump) -> list[float]:
    if jump.move is None:
        return [0.0] * 6
    sign = -1.0 if jump.earlier else 1.0
    return [sign * float(v) for v in (*jump.move.move_m, *jump.move.turn_rad)]


def clip_text(clip: Clip, speech: Speech) -> str:
    """One sentence on the clip's camera."""
    counts = {"found": str(clip.found), "looked": str(clip.looked_at)}
    if clip.still is None:
        return fill(speech, "clip.none", **counts)
    stance, jump = clip.still.stance, clip.still.jump
    if jump is None:
        return fill(speech, f"clip.{stance.value}", used=str(len(clip.still.used)), **counts)
    when = "earlier" if jump.earlier else "later"
    between = {"last": str(jump.last_frame), "next": str(jump.next_frame)}
    amount = "" if jump.move is None else _amount(jump.move, speech)
    assert stance in (Stance.MOVED, Stance.RODS)
    return fill(speech, f"clip.{stance.value}.{when}", amount=amount, **between)


def _amount(move: Move, speech: Speech) -> str:
    if speech.units in ("inches", "in"):
        way = f"{move.distance_m / INCH_M:.1f} {fill(speech, 'unit.in')}"
    else:
        way = f"{move.distance_m * 100:.1f} cm"
    return fill(speech, "clip.amount", way=way, turn=f"{math.degrees(move.angle_rad):.1f}°")


def _rounded(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None
