"""How comparable two films are, in words: fills the `compare.` templates, nothing else."""

from __future__ import annotations

import math

from server.words import INCH_M, Z95, Speech, fill, named
from vision.compare import Alike, Comparison, Number
from vision.same_place import Other

# How each number is told: "share" in per cent, "length", or "angle".
_KINDS = {
    "scale": "share",
    "lopsided": "share",
    "keystone": "share",
    "ball_shift_m": "length",
    "ball_up_m": "length",
    "club_path_shift_m": "length",
    "club_path_deg": "degrees",
    "shaft_deg": "degrees",
    "tilt_deg": "degrees",
}


def reason_text(other: Other, speech: Speech) -> str:
    """Why two films cannot be held against each other."""
    return fill(speech, f"compare.other.{other.value}")


def compare_lines(told: Comparison, names: tuple[str, str], moved: bool, speech: Speech) -> str:
    """The whole answer: a sentence, then a line for each thing on the film and for the place."""
    first, second = names
    head = named(speech, f"compare.{told.alike.value}", first=first, second=second)
    lines = [head, fill(speech, "compare.film")]
    lines += [_film_line(number, speech) for number in told.film]
    lines.append(fill(speech, "compare.place"))
    lines += [_place_line(number, speech) for number in told.place]
    if told.rods_unproven:
        lines.append(fill(speech, "compare.unproven"))
    if moved:
        lines.append(fill(speech, "compare.moved"))
    return "\n".join(lines)


def number_text(number: Number, speech: Speech) -> str:
    """One thing on the film as a phrase: what, how much, to which side, give or take."""
    amount, spread = _amounts(number.value, number.sigma, _KINDS[number.name], speech)
    side = "more" if number.value > 0 else "less"
    return fill(speech, f"compare.{number.name}.{side}", amount=amount, spread=spread)


def _film_line(number: Number, speech: Speech) -> str:
    mark = "" if number.seen is None else fill(speech, f"compare.mark.{number.alike.value}")
    return f"  {mark:<9} {number_text(number, speech)}"


def _place_line(number: Number, speech: Speech) -> str:
    kind = "radians" if number.name.endswith("_rad") else "length"
    amount, spread = _amounts(number.value, number.sigma, kind, speech)
    name = number.name.rpartition("_")[0]
    quantity = fill(speech, f"again.quantity.{name}")
    side = fill(speech, f"again.{'more' if number.value > 0 else 'less'}.{name}")
    side = side.replace("\u00ad", "")
    return f"  {'':<9} {quantity}: {amount} {side} (± {spread})"


def _amounts(value: float, sigma: float, kind: str, speech: Speech) -> tuple[str, str]:
    """Size and the half width that holds 19 times out of 20."""
    if kind == "share":
        return (f"{100 * abs(math.expm1(value)):.1f} %", f"{100 * Z95 * sigma:.1f} %")
    if kind == "degrees":
        return f"{abs(value):.1f}°", f"{Z95 * sigma:.1f}°"
    if kind == "radians":
        return f"{math.degrees(abs(value)):.1f}°", f"{math.degrees(Z95 * sigma):.1f}°"
    factor, unit = (1 / INCH_M, "in") if speech.units == "inches" else (100.0, "cm")
    unit = fill(speech, f"unit.{unit}")
    return f"{abs(value) * factor:.1f} {unit}", f"{Z95 * sigma * factor:.1f} {unit}"


def verdict_exit(told: Comparison) -> int:
    """0 where nothing that is seen differs, 1 where something does or may."""
    return 0 if told.alike is Alike.ALIKE else 1
