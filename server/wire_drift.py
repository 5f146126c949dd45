"""The part of `server.wire` that knows the JSON of places and drifts."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from server import drift_words
from server.drift_row import Row
from server.words import Speech
from vision.drift import Drift
from vision.drift_solve import Reference
from vision.model import COUNT, View2D


def drift_to_json(drift: Drift, name: str, speech: Speech) -> dict[str, Any]:
    """The `drift` object of the guidance message (docs/protocol.md)."""
    move = drift.move
    sigma = None if move is None else np.sqrt(np.diag(move.cov))
    return {
        "name": name,
        "watch": drift.watch.value,
        "learned": _number(drift.learned, 2),
        "move_m": None if move is None else _list(move.move_m, 5),
        "sigma_m": None if sigma is None else _list(sigma[:3], 5),
        "turn_deg": None if move is None else _list(np.degrees(move.turn_rad), 4),
        "sigma_deg": None if sigma is None else _list(np.degrees(sigma[3:]), 4),
        "too_far": drift.too_far,
        "too_turned": drift.too_turned,
        "text": drift_words.drift_text(drift, speech),
        "big": drift_words.drift_big(drift, speech),
    }


def log_to_json(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """A place's log: `at_s` Unix time; moves in metres, turns in degrees."""
    return [
        {
            "at_s": _number(row.at_s, 1),
            "watch": row.watch,
            "move_m": None if row.six is None else [_number(v, 5) for v in row.six[:3]],
            "turn_deg": None
            if row.six is None
            else [_number(math.degrees(v), 4) for v in row.six[3:]],
            "sigma_m": None if row.sigma_m is None else _number(row.sigma_m, 5),
            "sigma_deg": None if row.sigma_rad is None else _number(math.degrees(row.sigma_rad), 4),
        }
        for row in rows
    ]


def reference_to_json(reference: Reference) -> str:
    """A remembered place as text."""
    return json.dumps(
        {
            "ends_px": reference.ends_px.tolist(),
            "seen": reference.seen.tolist(),
            "size": list(reference.size),
            "pair": reference.view.pair,
            "side": reference.view.side,
            "params": reference.params.tolist(),
            "noise_px": reference.noise_px.tolist(),
            "memory": reference.memory,
            "blocks": reference.blocks,
            "roles": list(reference.roles),
        },
        allow_nan=False,
    )


def reference_from_json(text: str) -> Reference | None:
    """The place of such a text; None for one of another version or a spoilt one."""
    try:
        obj = json.loads(text)
        ends = np.array(obj["ends_px"], np.float64).reshape(2, 2, 2)
        nothing = np.zeros(COUNT)
        width, height = obj["size"]
        first, second = obj["roles"]
        view = View2D(
            pair=bool(obj["pair"]),
            side=float(obj["side"]),
            line_px=ends,
            line_sigma=np.ones((2, 2)),
            end_px=ends,
            end_sigma=np.ones((2, 2)),
            along=np.zeros((2, 2)),
            prior_mean=nothing,
            prior_sigma=nothing,
        )
        return Reference(
            ends_px=ends,
            seen=np.array(obj["seen"], bool).reshape(2, 2),
            size=(int(width), int(height)),
            view=view,
            params=np.array(obj["params"], np.float64).reshape(COUNT),
            noise_px=np.array(obj["noise_px"], np.float64).reshape(8),
            memory=float(obj["memory"]),
            blocks=int(obj["blocks"]),
            roles=(str(first), str(second)),
        )
    except (ValueError, KeyError, TypeError):
        return None


def _list(values: Any, digits: int) -> list[float | None]:
    return [_number(v, digits) for v in values.tolist()]


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) + 0.0 if math.isfinite(value) else None
