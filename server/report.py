"""What `check` tells a person about one picture: fills the `check.` templates of the texts."""

from __future__ import annotations

import math

from server import aim_words, words
from server.fields import printable
from server.words import fill
from vision.advice import Move
from vision.aim import Aim
from vision.placement import Placement
from vision.reading import Reading, Verdict
from vision.rods import NotFound
from vision.setup import View


def report(name: str, reading: Reading, speech: words.Speech, *, guessed: bool) -> str:
    """Several lines about one picture. `guessed`: nobody stated the view."""
    setup = reading.setup
    known = [f"view.{setup.view.value}", f"hand.{setup.handed.value}"] + ["guessed"] * guessed
    # The name beside the template, not in it: a decimal point in it is not the language's.
    head = f"{printable(name)}  ({', '.join(fill(speech, f'check.{key}') for key in known)})"
    found = reading.rods
    if isinstance(found, NotFound):
        why = words.reason_text(found.reason, speech)
        said = fill(speech, "check.not-found", why=why)
        return "\n".join([head, f"  {said}.", f"  {words.say(reading, speech)}"])
    told = [("then", words.advice_text(a, speech)) for a in reading.advice[1:]]
    if reading.placement is not None:
        told += [("stands", _stands(reading.placement, setup.view, speech))]
        told += [("points", _points(reading.placement, speech))]
    if reading.layout is not None:
        angle = f"{math.degrees(reading.layout.angle_rad):.1f}°"
        what = fill(speech, f"check.angle.{setup.view.value}", angle=angle)
        spread = _angle_spread(reading.layout.sigma_rad, speech)
        sure = "" if reading.layout.measured else f", {fill(speech, 'check.unmeasured')}"
        told += [("rods", f"{what} ({spread}{sure})")]
    if reading.lens is not None:
        lens = reading.lens
        source = fill(speech, f"check.focal.{lens.source.value}")
        spread = f"± {words.Z95 * lens.sigma_px:.0f}"
        focal = f"{lens.focal_px:.0f}"
        told += [("lens", fill(speech, "check.focal", focal=focal, spread=spread, source=source))]
    effect = words.effect_text(reading, speech)
    if effect is not None:
        told += [("film", effect)]
    if reading.aim is not None:
        others = aim_words.others_text(reading.aim, speech) if isinstance(reading.aim, Aim) else ""
        told += [("aim", f"{aim_words.aim_text(reading.aim, speech)} {others}".rstrip())]
    told += [("note", note) for note in words.notes(reading, speech)]
    lines = [f"  {fill(speech, f'check.{key}', what=what)}" for key, what in told]
    return "\n".join([head, f"  {_verdict(reading, speech)}", *lines])


def short_lines(reading: Reading, speech: words.Speech) -> list[str]:
    """The verdict and the numbers, for a drawn picture."""
    if isinstance(reading.rods, NotFound):
        why = words.reason_text(reading.rods.reason, speech)
        return [fill(speech, "check.not-found", why=why)]
    lines = [_verdict(reading, speech)]
    if reading.placement is not None:
        lines += [_stands(reading.placement, reading.setup.view, speech)]
        lines += [_points(reading.placement, speech)]
    effect = words.effect_text(reading, speech)
    return lines if effect is None else [*lines, effect]


def unreadable(name: str, reason: str, speech: words.Speech = words.PLAIN) -> str:
    """The lines about a file that could not be read."""
    return f"{printable(name)}\n  {fill(speech, 'check.unreadable')}: {printable(reason)}."


def summary(verdicts: list[str], speech: words.Speech = words.PLAIN) -> str:
    """One line over many pictures."""
    counts = {verdict: verdicts.count(verdict) for verdict in ("square", "off", "not-found")}
    read = sum(counts.values())
    said = fill(
        speech,
        "check.summary",
        read=str(read),
        square=str(counts["square"]),
        off=str(counts["off"]),
        none=str(counts["not-found"]),
    )
    bad = len(verdicts) - read
    return f"{said}; {fill(speech, 'check.summary.bad', bad=str(bad))}." if bad else f"{said}."


def _verdict(reading: Reading, speech: words.Speech) -> str:
    if reading.verdict is Verdict.SQUARE:
        return fill(speech, "check.square")
    if reading.advice and reading.advice[0].move is not Move.HOLD:
        return fill(speech, "check.off", what=words.advice_text(reading.advice[0], speech))
    # Nothing to move: something is inside its tolerance, but not surely enough.
    return fill(speech, "check.unsure", what=words.say(reading, speech))


def _stands(place: Placement, view: View, speech: words.Speech) -> str:
    return fill(
        speech,
        "check.place",
        offset=_length(abs(place.offset_m), speech, place.sigma("offset_m")),
        side=fill(speech, "check.right" if place.offset_m >= 0 else "check.left"),
        line=fill(speech, f"check.line.{view.value}"),
        far=_length(place.distance_m, speech, place.sigma("distance_m")),
        high=_length(place.height_m, speech, place.sigma("height_m")),
    )


def _points(place: Placement, speech: words.Speech) -> str:
    return fill(
        speech,
        "check.ways",
        turned=_angle(place, "yaw_rad", ("right", "left"), speech),
        tilted=_angle(place, "pitch_rad", ("up", "down"), speech),
        rolled=_angle(place, "roll_rad", ("clockwise", "counterclockwise"), speech),
    )


def _angle(place: Placement, quantity: str, sides: tuple[str, str], speech: words.Speech) -> str:
    value = math.degrees(getattr(place, quantity))
    side = fill(speech, f"check.{sides[0] if value >= 0 else sides[1]}")
    return f"{abs(value):.1f}° {side} ({_angle_spread(place.sigma(quantity), speech)})"


def _angle_spread(sigma_rad: float, speech: words.Speech) -> str:
    spread = words.Z95 * math.degrees(sigma_rad)
    return f"± {spread:.1f}°" if spread <= 90 else fill(speech, "check.unknown")


def _length(metres: float, speech: words.Speech, sigma_m: float) -> str:
    spread = words.Z95 * sigma_m
    if not spread <= 100:  # also when it is not a number
        return f"{_plain_length(metres, speech)} ({fill(speech, 'check.unknown')})"
    return f"{_plain_length(metres, speech)} (± {_plain_length(spread, speech)})"


def _plain_length(metres: float, speech: words.Speech) -> str:
    """Finer than an instruction: a person reads it, and does not have to do it."""
    if speech.units == "inches":
        return f"{metres / words.INCH_M:.1f} {fill(speech, 'unit.in')}"
    return f"{metres * 100:.1f} cm" if metres < 1 else f"{metres:.2f} m"
