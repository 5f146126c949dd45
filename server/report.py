"""What `check` tells a person about one picture, in plain words."""

from __future__ import annotations

import math

from server import aim_words, words
from server.fields import printable
from vision.advice import Move
from vision.aim import Aim
from vision.placement import Placement
from vision.reading import Reading, Verdict
from vision.rods import NotFound
from vision.setup import LensSource, View

_SOURCES = {
    LensSource.GIVEN: "as given",
    LensSource.PROFILE: "from the lens's profile",
    LensSource.FIRST_LOOK: "from the first look",
    LensSource.ASSUMED: "assumed: state it with --focal-px to know more",
}


def report(name: str, reading: Reading, speech: words.Speech, *, guessed: bool) -> str:
    """Several lines about one picture. `guessed`: nobody stated the view."""
    view = reading.setup.view.value.replace("-", " ")
    how = ", view guessed from the rods" if guessed else ""
    head = f"{printable(name)}  ({view}, {reading.setup.handed.value}-handed{how})"
    found = reading.rods
    if isinstance(found, NotFound):
        why = words.reason_text(found.reason, speech)
        return "\n".join([head, f"  NOT FOUND: {why}.", f"  {words.say(reading, speech)}"])
    lines = [head, f"  {_verdict(reading, speech)}"]
    lines += [f"  then: {words.advice_text(a, speech)}" for a in reading.advice[1:]]
    if reading.placement is not None:
        lines += [f"  stands: {_stands(reading.placement, reading.setup.view, speech)}"]
        lines += [f"  points: {_points(reading.placement)}"]
    if reading.layout is not None:
        angle = math.degrees(reading.layout.angle_rad)
        sure = "" if reading.layout.measured else ", not measured"
        what = "stem to target rod" if reading.setup.view is View.FACE_ON else "rods closing by"
        spread = _angle_spread(reading.layout.sigma_rad)
        lines += [f"  rods: {what} {angle:.1f}° ({spread}{sure})"]
    if reading.lens is not None:
        lens = reading.lens
        spread = f"± {words.Z95 * lens.sigma_px:.0f}"
        lines += [f"  lens: {lens.focal_px:.0f} px ({spread}), {_SOURCES[lens.source]}"]
    effect = words.effect_text(reading, speech)
    if effect is not None:
        lines += [f"  on film: {effect}"]
    if reading.aim is not None:
        others = aim_words.others_text(reading.aim, speech) if isinstance(reading.aim, Aim) else ""
        lines += [f"  aim: {aim_words.aim_text(reading.aim, speech)} {others}".rstrip()]
    lines += [f"  note: {note}" for note in words.notes(reading, speech)]
    return "\n".join(lines)


def short_lines(reading: Reading, speech: words.Speech) -> list[str]:
    """The verdict and the numbers, for a drawn picture."""
    if isinstance(reading.rods, NotFound):
        return [f"NOT FOUND: {words.reason_text(reading.rods.reason, speech)}"]
    lines = [_verdict(reading, speech)]
    if reading.placement is not None:
        lines += [_stands(reading.placement, reading.setup.view, speech)]
        lines += [_points(reading.placement)]
    effect = words.effect_text(reading, speech)
    return lines if effect is None else [*lines, effect]


def unreadable(name: str, reason: str) -> str:
    """The lines about a file that could not be read."""
    return f"{printable(name)}\n  CANNOT BE READ: {printable(reason)}."


def summary(verdicts: list[str]) -> str:
    """One line over many pictures."""
    counts = {verdict: verdicts.count(verdict) for verdict in ("square", "off", "not-found")}
    read = sum(counts.values())
    said = f"{read} read: {counts['square']} square, {counts['off']} off, "
    said += f"{counts['not-found']} without rods"
    bad = len(verdicts) - read
    return f"{said}; {bad} could not be read." if bad else f"{said}."


def _verdict(reading: Reading, speech: words.Speech) -> str:
    if reading.verdict is Verdict.SQUARE:
        return "SQUARE to the rods."
    if reading.advice and reading.advice[0].move is not Move.HOLD:
        return f"OFF: {words.advice_text(reading.advice[0], speech)}"
    # Nothing to move: something is inside its tolerance, but not surely enough.
    return f"NOT SURELY SQUARE: {words.say(reading, speech)}"


def _stands(place: Placement, view: View, speech: words.Speech) -> str:
    side = "right" if place.offset_m >= 0 else "left"
    line = "the stem's line" if view is View.FACE_ON else "its line"
    offset = _length(abs(place.offset_m), speech, place.sigma("offset_m"))
    far = _length(place.distance_m, speech, place.sigma("distance_m"))
    high = _length(place.height_m, speech, place.sigma("height_m"))
    return f"{offset} {side} of {line}; {far} from the rods; {high} high"


def _points(place: Placement) -> str:
    turned = _angle(place, "yaw_rad", ("right", "left"))
    tilted = _angle(place, "pitch_rad", ("up", "down"))
    rolled = _angle(place, "roll_rad", ("clockwise", "counterclockwise"))
    return f"turned {turned}; tilted {tilted}; rolled {rolled}"


def _angle(place: Placement, quantity: str, sides: tuple[str, str]) -> str:
    value = math.degrees(getattr(place, quantity))
    side = sides[0] if value >= 0 else sides[1]
    return f"{abs(value):.1f}° {side} ({_angle_spread(place.sigma(quantity))})"


def _angle_spread(sigma_rad: float) -> str:
    spread = words.Z95 * math.degrees(sigma_rad)
    return f"± {spread:.1f}°" if spread <= 90 else "not known"


def _length(metres: float, speech: words.Speech, sigma_m: float) -> str:
    spread = words.Z95 * sigma_m
    if not spread <= 100:  # also when it is not a number
        return f"{_plain_length(metres, speech)} (not known)"
    return f"{_plain_length(metres, speech)} (± {_plain_length(spread, speech)})"


def _plain_length(metres: float, speech: words.Speech) -> str:
    """Finer than an instruction: a person reads it, and does not have to do it."""
    if speech.units == "inches":
        return f"{metres / words.INCH_M:.1f} in"
    return f"{metres * 100:.1f} cm" if metres < 1 else f"{metres:.2f} m"
