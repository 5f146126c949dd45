"""The part of `server.wire` that knows the JSON of earlier places and of the way back to them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from server import again_words
from server.record import FilmRecord, person
from server.who import Who
from server.words import Speech
from vision.same_place import Gap, Led, settled
from vision.steady import Steady


def again_to_json(
    led: Led | None,
    film: str | None,
    name: str,
    reason: str | None,
    now: Steady | None,
    speech: Speech,
) -> dict[str, Any]:
    """The `again` object of the guidance message (docs/protocol.md)."""
    return {
        "film": film,
        "name": name,
        "verdict": None if led is None else led.verdict.value,
        "reason": None if reason is None else again_words.reason_text(reason, speech),
        "standing": now is not None and settled(now),
        "looks": 0 if now is None else now.looks,
        "rows": [] if led is None else [_row(gap) for gap in led.gaps],
        "say": None if led is None else again_words.again_say(led, name, speech),
        "big": None if led is None else again_words.again_big(led, speech),
    }


def places_to_json(records: Sequence[FilmRecord], who: Who) -> list[dict[str, Any]]:
    """Earlier places for the page's list. Another phone's player is named to nobody else."""
    out = []
    for record in records:
        place = record.placement
        if place is None:
            continue
        own = record.phone == who.phone or person(record.player) == person(who.player)
        out.append(
            {
                "film": record.film,
                "at_s": round(record.begun_s, 1),
                "view": record.setup.view.value,
                "handed": record.setup.handed.value,
                "bay": record.bay,
                "player": record.player if own else "",
                "own": record.phone == who.phone,
                "square": record.verdict == "square",
                "distance_m": round(place.distance_m, 2),
                "height_m": round(place.height_m, 2),
            }
        )
    return out


def _row(gap: Gap) -> dict[str, Any]:
    angle = gap.quantity.endswith("_rad")
    scale, digits = (math.degrees(1.0), 3) if angle else (1.0, 4)
    mark = "in" if gap.sure else "unsure" if gap.inside else "off"
    numbers = {
        "then": gap.then,
        "now": gap.now,
        "difference": gap.difference,
        "sigma": gap.sigma,
        "tolerance": gap.tolerance,
    }
    return {
        "quantity": gap.quantity.rpartition("_")[0],
        "unit": "deg" if angle else "m",
        **{key: _number(value * scale, digits) for key, value in numbers.items()},
        "mark": mark,
    }


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None
