"""The words and amounts of a report: fills the `report.` templates of the texts."""

from __future__ import annotations

import math

from server.film_words import MPH_MPS
from server.markup import Markup, tag
from server.report_numbers import Number
from server.words import INCH_M, Z95, Speech, fill, named, pointed, spoken

UNKNOWN_M = 100.0  # a spread beyond this says nothing
UNKNOWN_RAD = math.pi / 2


class Say:
    """One person's language and units. `top`: the level of headings below the sessions'."""

    def __init__(self, speech: Speech, top: int = 2) -> None:
        self.speech = speech
        self._top = top

    def __call__(self, key: str, **values: str) -> str:
        """A text with its values."""
        return fill(self.speech, key, **values)

    def named(self, key: str, **values: str) -> str:
        """A text with names, which stay as they are."""
        return named(self.speech, key, **values)

    def pointed(self, number: str) -> str:
        """A number with the language's decimal point."""
        return pointed(number, self.speech)

    def title(self, text: str) -> Markup:
        """The heading of a film, or of all films of a session."""
        return tag(f"h{self._top}", text, class_="title")

    def part(self, key: str) -> Markup:
        """The heading of a part of a film."""
        return tag(f"h{self._top + 1}", self(key), class_="part")

    @property
    def language(self) -> str:
        """The folder of the texts that are filled."""
        return spoken(self.speech.language)

    @property
    def inches(self) -> bool:
        """Whether lengths are in inches."""
        return self.speech.units == "inches"

    def scale(self, quantity: str) -> tuple[float, str]:
        """From SI to what a plot shows, and its unit."""
        if quantity.endswith("_rad"):
            return math.degrees(1.0), "°"
        return (1 / INCH_M, self("unit.in")) if self.inches else (100.0, self("unit.cm"))

    def length(self, metres: float) -> str:
        """A length, finer than an instruction: a person reads it, and does not have to do it."""
        if self.inches:
            return self.pointed(f"{metres / INCH_M:.1f} {self('unit.in')}")
        if abs(metres) < 1:
            return self.pointed(f"{metres * 100:.1f} {self('unit.cm')}")
        return self.pointed(f"{metres:.2f} {self('unit.m')}")

    def speed(self, mps: float) -> str:
        """A speed."""
        if self.inches:
            return self("worth.mph", n=f"{mps / MPH_MPS:.0f}")
        return self("worth.mps", n=f"{mps:.0f}")

    def plain(self, value: float) -> str:
        """A bare number."""
        return self.pointed(f"{value:.1f}") if math.isfinite(value) else self("report.unknown")

    def amount(self, quantity: str, value: float) -> str:
        """A quantity's value, with its side where it has one."""
        size = self.size(quantity, value)
        if quantity not in ("offset_m", "yaw_rad", "roll_rad", "pitch_rad"):
            return size
        side = self(f"side.{quantity}.{'plus' if value >= 0 else 'minus'}")
        return f"{self.size(quantity, abs(value))} {side}"

    def size(self, quantity: str, value: float) -> str:
        """A quantity's value without a side."""
        if quantity.endswith("_rad"):
            return self.pointed(f"{math.degrees(value):.1f}°")
        return self.length(value)

    def spread(self, quantity: str, sigma: float) -> str:
        """Half the interval that holds 19 times out of 20."""
        most = UNKNOWN_RAD if quantity.endswith("_rad") else UNKNOWN_M
        if not Z95 * sigma <= most:  # also when it is not a number
            return self("report.unknown")
        return self.size(quantity, Z95 * sigma)

    def limit(self, number: Number) -> str:
        """What is allowed."""
        if number.low is None or number.high is None:
            return ""
        middle, half = (number.low + number.high) / 2, (number.high - number.low) / 2
        allowed = f"± {self.size(number.quantity, half)}"
        if abs(middle) < 1e-9:
            return allowed
        return f"{self.size(number.quantity, middle)} {allowed}"
