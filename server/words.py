"""Sentences for people: fills the templates of `web/texts/LANGUAGE/guidance.json`, nothing else.

Amounts are rounded to what a person can do: 1 cm (from 1 m on 0.1 m), half an inch (from 3 ft on
half a foot), 1 degree, below that 0.1. A "±" holds 19 times out of 20, as on the page.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from typing import Protocol

from vision.advice import Advice, Move, holding
from vision.budget import Source, Step
from vision.effect import Effect
from vision.framing import Cure, Framing, Part
from vision.governed import probability_inside
from vision.placement import Layout
from vision.reading import Reading, Verdict
from vision.rods import NotFound, Reason
from vision.setup import LensSource, View

INCH_M = 0.0254  # exact, international inch (1959)
FOOT_M = 0.3048
YARD_M = 0.9144
Z95 = 1.959964  # half width of the central 95 % of a normal distribution, in sigmas


class Speech(Protocol):
    """How the person wants to be spoken to: `units` "cm" or "inches", `language` a tag."""

    @property
    def units(self) -> str:
        """Units of length."""

    @property
    def language(self) -> str:
        """Folder of the texts."""


@dataclass(frozen=True, slots=True)
class Plain:
    """The usual `Speech`."""

    units: str = "cm"
    language: str = "en"


PLAIN = Plain()

# The server's files of templates in web/texts/LANGUAGE; no key in two.
FILES = (
    "guidance",
    "clips",
    "film",
    "check",
    "records",
    "again",
    "compare",
    "commands",
    "http",
)


def texts(language: str) -> dict[str, str]:
    """The templates of a language by its tag ("de", "de-AT"); English where there is none."""
    return _texts(_primary(language))


@lru_cache(maxsize=64)
def _primary(tag: str) -> str:
    # The tag comes from outside: letters only, so that it can be no path.
    primary = re.fullmatch(r"([a-z]{2,3})(-[A-Za-z0-9-]*)?", tag)
    return primary[1] if primary is not None else "en"


def spoken(language: str) -> str:
    """The language that is spoken to whoever asks for this tag."""
    primary = _primary(language)
    return primary if primary in languages() else "en"


@cache
def _texts(folder: str) -> dict[str, str]:
    """English, and over it what the language has: what is not yet translated is still said."""
    root = resources.files("web").joinpath("texts")
    loaded: dict[str, str] = {}
    for place in dict.fromkeys(("en", folder)):
        for name in FILES:
            file = root.joinpath(place, f"{name}.json")
            if file.is_file():
                loaded |= json.loads(file.read_text(encoding="utf-8"))
    return loaded


def languages() -> tuple[str, ...]:
    """The languages that there are texts in, English first."""
    root = resources.files("web").joinpath("texts")
    found = sorted(folder.name for folder in root.iterdir() if folder.is_dir())
    return ("en", *(name for name in found if name != "en"))


def language_of(environment: Mapping[str, str]) -> str:
    """The language that the environment asks for (POSIX: LC_ALL, else LC_MESSAGES, else LANG)."""
    asked = next((environment[k] for k in _LOCALE if environment.get(k)), "")
    primary = re.split("[_.@]", asked)[0].lower()
    return primary if primary in languages() else "en"


_LOCALE = ("LC_ALL", "LC_MESSAGES", "LANG")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")


def pointed(number: str, speech: Speech) -> str:
    """Numbers with the language's decimal point, e.g. "0,4" for "0.4" in German."""
    return _POINT.sub(texts(speech.language)["number.point"], number)


def _fill(speech: Speech, key: str, **values: str) -> str:
    """A template with numbers, amounts and words filled in; no names of files or people."""
    told = {name: pointed(value, speech) for name, value in values.items()}
    return texts(speech.language)[key].format(**told)


fill = _fill  # for the modules that word one thing of their own


def named(speech: Speech, key: str, **values: str) -> str:
    """A template with names of people, films, files and addresses filled in as they are."""
    return texts(speech.language)[key].format(**values)


def length_number(metres: float, units: str) -> tuple[str, str]:
    """(number, unit key) of a positive length, e.g. ("20", "cm"); never "0"."""
    if units in ("inches", "in"):
        if metres >= YARD_M:
            return _plain(max(1, round(metres / FOOT_M * 2)) / 2), "ft"
        return _plain(max(1, round(metres / INCH_M * 2)) / 2), "in"
    centimetres = max(1, round(metres * 100))
    if centimetres >= 100:
        return f"{metres:.1f}", "m"
    return str(centimetres), "cm"


def angle_number(radians: float) -> str:
    """A positive angle in degrees, e.g. "3" or "0.4"; never "0"."""
    degrees = math.degrees(radians)
    return str(round(degrees)) if degrees >= 0.95 else f"{max(degrees, 0.1):.1f}"


def _plain(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _length(metres: float, speech: Speech) -> str:
    number, unit = length_number(metres, speech.units)
    return _fill(speech, f"amount.{unit}.one" if number == "1" else f"amount.{unit}", n=number)


def _angle(radians: float, speech: Speech) -> str:
    number = angle_number(radians)
    return _fill(speech, "amount.deg.one" if number == "1" else "amount.deg", n=number)


def _key(advice: Advice) -> str:
    return advice.move.value + ("" if advice.direction is None else f".{advice.direction}")


def advice_text(advice: Advice, speech: Speech = PLAIN) -> str:
    """One instruction as a sentence."""
    if advice.amount_m is not None:
        amount = _length(advice.amount_m, speech)
    elif advice.amount_rad is not None:
        amount = _angle(advice.amount_rad, speech)
    else:
        blind = f"say.{_key(advice)}.blind"
        key = blind if blind in texts(speech.language) else f"say.{_key(advice)}"
        return _fill(speech, key)
    return _fill(speech, f"say.{_key(advice)}", amount=amount)


def advice_big(advice: Advice, speech: Speech = PLAIN) -> dict[str, str]:
    """The same in huge type: arrow, number, unit, word (docs/protocol.md); number may be ""."""
    number = unit = ""
    if advice.amount_m is not None:
        number, unit = length_number(advice.amount_m, speech.units)
    elif advice.amount_rad is not None:
        number, unit = angle_number(advice.amount_rad), "deg"
    return {
        "arrow": _arrow(advice),
        "number": pointed(number, speech),
        "unit": _fill(speech, f"unit.{unit}") if unit else "",
        "word": _fill(speech, f"word.{_key(advice)}"),
    }


def _arrow(advice: Advice) -> str:
    """One of docs/protocol.md's arrows."""
    direction = advice.direction or ""
    match advice.move:
        case Move.TURN | Move.TILT:
            return f"{advice.move.value}-{direction}"
        case Move.CLOSER | Move.SLIDE | Move.RAISE | Move.LEVEL:
            return direction
        case Move.RODS:
            return "left" if direction.endswith("left") else "right"
        case Move.FIND | Move.ROTATE | Move.HOLD | Move.READY:
            return advice.move.value


def _now(reading: Reading) -> Advice:
    """The instruction of the moment. READY only where the verdict itself is square."""
    if not reading.advice:
        if reading.verdict is Verdict.SQUARE:
            return Advice(Move.READY)
        if isinstance(reading.rods, NotFound):
            return Advice(Move.FIND, reading.rods.reason.value)
        return Advice(Move.HOLD)
    advice = reading.advice if reading.verdict is Verdict.SQUARE else holding(reading.advice)
    return advice[0]


def say(reading: Reading, speech: Speech = PLAIN) -> str:
    """What the page shows and speaks: the one instruction of this moment."""
    return advice_text(_now(reading), speech)


def big(reading: Reading, speech: Speech = PLAIN) -> dict[str, str]:
    """The one instruction of this moment in huge type."""
    return advice_big(_now(reading), speech)


def reason_text(reason: Reason, speech: Speech = PLAIN) -> str:
    """Why nothing was found, in a few words."""
    return _fill(speech, f"reason.{reason.value}")


def part_text(part: Part, speech: Speech = PLAIN) -> str:
    """A part of the swing, e.g. "club head at the top"."""
    return _fill(speech, f"part.{part.value}")


def source_text(source: Source, speech: Speech = PLAIN) -> str:
    """A source of uncertainty, e.g. "focal length"."""
    return _fill(speech, f"source.{source.value}")


def step_text(step: Step, speech: Speech = PLAIN) -> str:
    """What narrows a source of uncertainty."""
    return _fill(speech, f"explain.{step.how.value}")


def effect_text(reading: Reading, speech: Speech = PLAIN) -> str | None:
    """What the remaining error does to the film; None without a placement."""
    if reading.effect is None:
        return None
    return describe_effect(reading.effect, reading.setup.view, speech)


def describe_effect(effect: Effect, view: View, speech: Speech = PLAIN) -> str:
    """One sentence for ball or club, one for tilts."""
    if view is View.FACE_ON:
        what, shift, sigma = "ball", effect.ball_shift_m, effect.ball_shift_sigma_m
        sides = ("forward", "back")
    else:
        what, shift, sigma = "club", effect.club_path_shift_m, effect.club_path_shift_sigma_m
        sides = ("outside", "inside")
    sentences = []
    if shift is None or sigma is None:
        sentences.append(_fill(speech, "effect.near"))
    else:
        sentences.append(_shift(what, sides, shift, sigma, effect, speech))
    sentences.append(_tilts(effect, speech))
    return " ".join(sentences)


def _shift(
    what: str, sides: tuple[str, str], shift: float, sigma: float, effect: Effect, speech: Speech
) -> str:
    size, spread = abs(shift), Z95 * sigma
    limit = size + spread
    if limit <= 0.01:
        return _fill(speech, f"effect.{what}.none", limit=_length(limit, speech))
    if spread > size or size < 0.005 or not math.isfinite(spread):
        if not math.isfinite(limit) or limit > 1.0:
            return _fill(speech, f"effect.{what}.unknown")
        return _fill(speech, f"effect.{what}.unsure", limit=_length(limit, speech))
    angle = math.radians(abs(effect.club_path_deg)) if effect.club_path_deg is not None else 0.0
    return _fill(
        speech,
        f"effect.{what}.{sides[0] if shift > 0 else sides[1]}",
        amount=_length(size, speech),
        spread=_length(spread, speech),
        angle=_angle(angle, speech),
    )


def _tilts(effect: Effect, speech: Speech) -> str:
    size, spread = math.radians(abs(effect.tilt_deg)), Z95 * math.radians(effect.tilt_sigma_deg)
    limit = size + spread
    if not math.isfinite(limit):
        return _fill(speech, "effect.tilt.unknown")
    if spread > size or size < math.radians(0.5):
        return _fill(speech, "effect.tilt.unsure", limit=_angle(limit, speech))
    key = "effect.tilt.clockwise" if effect.tilt_deg > 0 else "effect.tilt.counterclockwise"
    return _fill(speech, key, amount=_angle(size, speech), spread=_angle(spread, speech))


def notes(reading: Reading, speech: Speech = PLAIN) -> tuple[str, ...]:
    """Further sentences: what is not known, what it could cost, what helps."""
    place, setup = reading.placement, reading.setup
    if place is None:
        return ()
    tol = setup.tolerance
    out: list[str] = []
    roll_sigma = place.sigma("roll_rad")
    if setup.tilt is None and probability_inside(0.0, roll_sigma, tol.roll_rad) < tol.confidence:
        out.append(_fill(speech, "note.roll", limit=_angle_or_unknown(Z95 * roll_sigma, speech)))
    if reading.layout is not None and not reading.layout.measured:
        out.append(_layout_note(reading.layout, setup.view, speech))
    if reading.framing is not None:
        out += _framing_notes(reading.framing, reading, speech)
    if setup.lens_changed:
        out.append(_fill(speech, "note.lens.changed"))
    elif reading.lens is not None and reading.lens.source is LensSource.ASSUMED:
        spread = Z95 * place.sigma("distance_m")
        if math.isfinite(spread):
            out.append(_fill(speech, "note.lens", limit=_length(spread, speech)))
    return tuple(out)


def _angle_or_unknown(radians: float, speech: Speech) -> str:
    if not math.isfinite(radians) or radians > math.radians(45):
        return _fill(speech, "amount.any")
    return _angle(radians, speech)


def _layout_note(layout: Layout, view: View, speech: Speech) -> str:
    """The rods' own angle is unproven: what that could cost, where it can be said."""
    if view is View.DOWN_THE_LINE:
        angle = _angle_or_unknown(Z95 * layout.sigma_rad, speech)
        return _fill(speech, "note.layout.pair", angle=angle)
    sigma = layout.square_offset_sigma_m
    if sigma is None or not math.isfinite(sigma):
        return _fill(speech, "note.layout.t.blind")
    return _fill(speech, "note.layout.t", limit=_length(Z95 * sigma, speech))


def _framing_notes(framing: Framing, reading: Reading, speech: Speech) -> list[str]:
    """What leaves the picture and what cures it."""
    back = _length(framing.back_m, speech) if framing.back_m > 0 else ""
    stated = reading.setup.goal.distance_m
    if framing.cure is Cure.BACK and stated is not None and reading.setup.goal.framing:
        far = _length(stated, speech)
        return [_fill(speech, "note.framing.stated", distance=far, amount=back)]
    if framing.ok:
        return []
    parts = ", ".join(part_text(part, speech) for part in framing.out)
    sentence = _fill(speech, "note.framing", parts=parts)
    if framing.cure is None:
        return [f"{sentence} {_fill(speech, 'cure.none')}"]
    tilt = _angle(abs(framing.tilt_rad), speech)
    key = f"cure.{framing.cure.value}"
    if framing.cure is Cure.TILT:
        key += ".up" if framing.tilt_rad > 0 else ".down"
    return [f"{sentence} {_fill(speech, key, amount=back, tilt=tilt)}"]
