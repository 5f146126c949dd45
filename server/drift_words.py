"""The drift watch in words: fills the `drift.` templates of the texts, nothing else."""

from __future__ import annotations

import math

from server.words import INCH_M, Speech, fill, pointed
from vision.drift import Drift, Watch
from vision.drift_solve import Move

# (plus, minus) of the three ways and the three turns, and the arrow that undoes each.
_WAYS = (("right", "left"), ("forward", "back"), ("up", "down"))
_TURNS = (("turn-right", "turn-left"), ("tilt-up", "tilt-down"), ("clockwise", "counterclockwise"))


def drift_text(drift: Drift, speech: Speech) -> str:
    """One or two sentences: where the camera stands against the remembered place."""
    if drift.watch is Watch.LEARNING:
        return fill(speech, "drift.learning", percent=f"{100 * drift.learned:.0f}")
    if drift.watch is not Watch.MOVED or drift.move is None:
        return fill(speech, f"drift.{drift.watch.value}")
    sentences = []
    if drift.too_far:
        direction, _ = _way(drift.move)
        amount = " ".join(_length(_far(drift.move), speech))
        sentences.append(fill(speech, f"drift.moved.{direction}", amount=amount))
    if drift.too_turned:
        direction, _ = _turn(drift.move)
        amount = f"{_wide(drift.move):.1f}°"
        sentences.append(fill(speech, f"drift.moved.{direction}", amount=amount))
    return " ".join(sentences)


def drift_big(drift: Drift, speech: Speech) -> dict[str, str]:
    """The alarm in huge type: the arrow puts the camera back; empty words while all is well."""
    if drift.watch is Watch.RODS:
        word = fill(speech, "word.drift.rods")
        return {"arrow": "broken", "number": "", "unit": "", "word": word}
    if drift.watch is not Watch.MOVED or drift.move is None:
        return {"arrow": "", "number": "", "unit": "", "word": ""}
    word = fill(speech, "word.drift.moved")
    if drift.too_far:
        number, unit = _length(_far(drift.move), speech)
        arrow = _way(drift.move)[1]
        return {"arrow": arrow, "number": pointed(number, speech), "unit": unit, "word": word}
    number = pointed(f"{_wide(drift.move):.1f}", speech)
    unit = fill(speech, "unit.deg")
    return {"arrow": _turn(drift.move)[1], "number": number, "unit": unit, "word": word}


def _far(move: Move) -> float:
    """How far in the main direction (m)."""
    return abs(float(move.move_m[move.way_main[0]]))


def _wide(move: Move) -> float:
    """How far in the main turn, in degrees."""
    return abs(math.degrees(float(move.turn_rad[move.turn_main[0]])))


def _way(move: Move) -> tuple[str, str]:
    """The main direction of the way, and the one that undoes it."""
    which = move.way_main[0]
    return _sides(_WAYS[which], float(move.move_m[which]))


def _turn(move: Move) -> tuple[str, str]:
    which = move.turn_main[0]
    return _sides(_TURNS[which], float(move.turn_rad[which]))


def _sides(pair: tuple[str, str], value: float) -> tuple[str, str]:
    plus, minus = pair
    return (plus, minus) if value > 0 else (minus, plus)


def _length(metres: float, speech: Speech) -> tuple[str, str]:
    if speech.units == "inches":
        return f"{metres / INCH_M:.1f}", fill(speech, "unit.in")
    return f"{metres * 100:.1f}", fill(speech, "unit.cm")
