"""The part of `server.wire` that knows the JSON of the first look."""

from __future__ import annotations

import math
from typing import Any

from server import look_words
from server.words import Speech
from vision.first_look import FirstLook, Phase
from vision.placement import Layout


def look_to_json(look: FirstLook, layout: Layout | None, speech: Speech) -> dict[str, Any]:
    """The `look` object of the guidance message (docs/protocol.md).

    `layout` is the frame's own: of moved rods, what one view says of their angle.
    """
    known = look.known if look.walk is None else look.walk.known
    sigma = None if known is None else known.angle_sigma_rad
    if look.phase is Phase.MOVED:
        sigma = None if layout is None else layout.sigma_rad
    return {
        "phase": look.phase.value,
        "looks": len(look.sights),
        "angle_sigma_deg": None if sigma is None else round(math.degrees(sigma), 3),
        "measured": layout is not None and layout.measured,
        "moved": look.phase is Phase.MOVED,
        "text": look_words.look_text(look, layout, speech),
        "big": look_words.look_big(look, speech),
    }
