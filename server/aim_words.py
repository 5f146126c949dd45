"""Where the rods point, in words: fills the `aim.` templates of the texts, nothing else.

Angles to a tenth of a degree, places beside the target to a tenth of a metre or yard.
"""

from __future__ import annotations

import math

from server.words import YARD_M, Z95, Speech, fill, pointed
from vision.aim import Aim, NoAim, RodAim

LEAST_RAD = math.radians(0.2)  # a smaller aim is "at the target", however well it is known
VAGUE_RAD = math.radians(1.0)  # "at the target" needs to be known to this, or is said to be unsure


def aim_text(aim: Aim | NoAim, speech: Speech) -> str:
    """One or two sentences: how far right or left of the target, at what distance, or why not."""
    if isinstance(aim, NoAim):
        return fill(speech, f"aim.none.{aim.reason.value}")
    sentence = _sentence(aim.main, aim, speech)
    if aim.aside:  # from there the distance hardly matters either
        return f"{sentence} {fill(speech, 'aim.aside')}"
    if aim.stated or not aim.distance_matters:
        return sentence
    return f"{sentence} {fill(speech, 'aim.usual')}"


def others_text(aim: Aim, speech: Speech) -> str:
    """The aim of the rods beside the main one; "" where there is none."""
    return " ".join(
        fill(
            speech,
            f"aim.rod.{_side(rod)}",
            rod=fill(speech, f"rod.{rod.role.value}"),
            angle=_angle(abs(rod.angle_rad)),
        )
        for rod in aim.rods[1:]
    )


def aim_big(aim: Aim | NoAim, speech: Speech) -> dict[str, str]:
    """The same in huge type: which way to turn the rods, and by how much (docs/protocol.md)."""
    if isinstance(aim, NoAim):
        return {"arrow": "find", "number": "", "unit": "", "word": fill(speech, "word.aim.none")}
    rod = aim.main
    side = _told_side(rod)
    if side in ("on", "unsure"):
        arrow = "ready" if side == "on" else "hold"
        return {"arrow": arrow, "number": "", "unit": "", "word": fill(speech, f"word.aim.{side}")}
    return {
        "arrow": "turn-left" if side == "right" else "turn-right",
        "number": pointed(f"{abs(math.degrees(rod.angle_rad)):.1f}", speech),
        "unit": fill(speech, "unit.deg"),
        "word": fill(speech, f"word.aim.{side}"),
    }


def _sentence(rod: RodAim, aim: Aim, speech: Speech) -> str:
    side = _told_side(rod)
    spread = Z95 * rod.sigma_rad
    far = _far(aim.distance_m, speech, 0)
    if side in ("on", "unsure"):
        limit = abs(rod.angle_rad) + spread
        metres = _far(aim.distance_m * math.tan(min(limit, 1.2)), speech, 1)
        return fill(speech, f"aim.{side}", limit=_angle(limit), amount=metres, distance=far)
    return fill(
        speech,
        f"aim.{side}",
        angle=_angle(abs(rod.angle_rad)),
        spread=_angle(spread),
        amount=_far(abs(rod.at_target_m), speech, 1),
        distance=far,
    )


def _told_side(rod: RodAim) -> str:
    """Left or right only where that is known, 19 times out of 20."""
    spread = Z95 * rod.sigma_rad
    if abs(rod.angle_rad) > max(spread, LEAST_RAD):
        return _side(rod)
    return "on" if abs(rod.angle_rad) + spread <= VAGUE_RAD else "unsure"


def _side(rod: RodAim) -> str:
    return "right" if rod.angle_rad > 0 else "left"


def _angle(radians: float) -> str:
    return f"{max(math.degrees(radians), 0.1):.1f}°"


def _far(metres: float, speech: Speech, digits: int) -> str:
    if speech.units == "inches":
        return f"{metres / YARD_M:.{digits}f} {fill(speech, 'unit.yd')}"
    return f"{metres:.{digits}f} {fill(speech, 'unit.m')}"
