"""The first look in words: fills the `look.` templates of the texts, nothing else."""

from __future__ import annotations

import math

from server.words import Z95, Speech, fill
from vision.first_look import LEAST, FirstLook, Phase
from vision.placement import Layout

_ARROWS = {Phase.OVER: "tilt-down", Phase.BACK: "back", Phase.MOVED: "broken"}


def look_text(look: FirstLook, layout: Layout | None, speech: Speech) -> str:
    """What to do for the first look, or what came of it; "" where there is nothing to say."""
    if look.phase is Phase.OFF:
        return ""
    if look.phase is Phase.OVER:
        return fill(speech, "look.over" if look.motion is not None else "look.over.blind")
    if look.phase is Phase.BACK:
        walk = look.walk
        ready = walk is not None and walk.used >= LEAST and walk.known.angle_measured
        return fill(speech, "look.back.ready" if ready else "look.back")
    if look.phase is Phase.KNOWN:
        if look.doubting or look.known is None:
            return fill(speech, "look.doubt")
        angle = f"{Z95 * math.degrees(look.known.angle_sigma_rad):.1f}°"
        return fill(speech, "look.known", looks=str(len(look.sights)), angle=angle)
    measured = layout is not None and layout.measured
    return fill(speech, "look.moved.measured" if measured else "look.moved")


def look_big(look: FirstLook, speech: Speech) -> dict[str, str] | None:
    """What takes the panel, in huge type; None where the ordinary guidance goes on."""
    arrow = _ARROWS.get(look.phase)
    if arrow is None:
        return None
    number, unit = "", ""
    if look.phase is Phase.BACK and look.sights:
        number = str(len(look.sights))
        unit = fill(speech, "unit.look" if number == "1" else "unit.looks")
    word = fill(speech, f"word.look.{look.phase.value}")
    return {"arrow": arrow, "number": number, "unit": unit, "word": word}
