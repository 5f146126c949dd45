"""The part of `server.wire` that knows the JSON of films."""

from __future__ import annotations

import math
from typing import Any

from server.film_words import worth_lines
from server.wire_drift import drift_to_json
from server.words import Speech
from vision.drift import Drift, Watch
from vision.worth import Worth


def film_to_json(
    film: str | None, drift: Drift | None, worth: Worth, speech: Speech
) -> dict[str, Any]:
    """The `film` object of the guidance message (docs/protocol.md)."""
    learned = drift is not None and drift.watch is not Watch.LEARNING
    return {
        "film": film,
        "locked": learned,
        "learned": 0.0 if drift is None else round(drift.learned, 2),
        "drift": drift_to_json(drift, "", speech) if drift is not None and learned else None,
        "worth": worth_to_json(worth) | {"lines": worth_lines(worth, speech)},
    }


def worth_to_json(worth: Worth) -> dict[str, Any]:
    """What a film is worth, in numbers; null for what is not known."""
    camera, light, shake = worth.camera, worth.light, worth.shake
    return {
        "size": None if camera.size is None else list(camera.size),
        "fps": _number(camera.real_fps, 2),
        "promised_fps": _number(camera.fps, 2),
        "speed_mps": _number(worth.speed_mps, 2),
        "travel_m": _number(worth.travel_m, 4),
        "exposure_s": _number(camera.exposure_s, 6),
        "blur_m": _number(worth.blur_m, 4),
        "against_light": None if light is None else light.against,
        "light_stops": None if light is None else _number(light.ground_stops, 2),
        "shake_deg": None if shake is None else _number(math.degrees(shake.rms_rad), 4),
        "shake_sigma_deg": None if shake is None else _number(math.degrees(shake.sigma_rad), 4),
        "shake_ball_m": None if shake is None else _number(shake.ball_m, 5),
    }


def _number(value: float | None, digits: int) -> float | None:
    return None if value is None or not math.isfinite(value) else round(float(value), digits) + 0.0
