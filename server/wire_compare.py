"""The part of `server.wire` that knows the JSON of two films held against each other."""

from __future__ import annotations

import math
from typing import Any

from server.compare_words import number_text, reason_text
from server.words import Speech
from vision.compare import Comparison, Number
from vision.same_place import Other


def comparison_to_json(
    told: Comparison | Other, names: tuple[str, str], moved: bool, speech: Speech
) -> dict[str, Any]:
    """One object (docs/records.md, web/schema/comparison.schema.json)."""
    head: dict[str, Any] = {"first": names[0], "second": names[1]}
    if isinstance(told, Other):
        return head | {
            "verdict": None,
            "reason": reason_text(told, speech),
            "place": None,
            "film": None,
            "rods_unproven": None,
            "moved": moved,
        }
    return head | {
        "verdict": told.alike.value,
        "reason": None,
        "place": {
            number.name.replace("_rad", "_deg"): _number(number, number.name.endswith("_rad"))
            for number in told.place
        },
        "film": {
            number.name: _number(number)
            | {
                "seen_from": number.seen,
                "verdict": number.alike.value,
                "text": number_text(number, speech),
            }
            for number in told.film
        },
        "rods_unproven": told.rods_unproven,
        "moved": moved,
    }


def _number(number: Number, angle: bool = False) -> dict[str, Any]:
    factor = math.degrees(1.0) if angle else 1.0
    return {"value": _finite(number.value * factor), "sigma": _finite(number.sigma * factor)}


def _finite(value: float) -> float | None:
    return round(value, 6) + 0.0 if math.isfinite(value) else None
