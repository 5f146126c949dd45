"""Reading untrusted JSON objects: every value is checked, every complaint is a plain sentence."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from enum import StrEnum
from typing import TypeVar

from vision.errors import SetupError

_Choice = TypeVar("_Choice", bound=StrEnum)
_LANGUAGE = re.compile(r"[a-z]{2,3}(-[A-Za-z0-9]{2,8})*")


class Fields:
    """One JSON object, named `where` in messages. All failures are SetupError.

    Null counts as left out, except where `optional` or `is_null` asks.
    """

    def __init__(self, obj: object, where: str, known: Iterable[str]) -> None:
        if not isinstance(obj, dict):
            raise SetupError(f"{where} is {shown(obj)}: give an object with named values.")
        names = [str(key) for key in known]
        for key in obj:
            if key not in names:
                raise SetupError(f"{where} has no value called {shown(key)}: use {_listed(names)}.")
        self._values: dict[str, object] = obj
        self._where = where

    def has(self, key: str) -> bool:
        """Whether a value other than null is there."""
        return self._values.get(key) is not None

    def is_null(self, key: str) -> bool:
        """Whether the key is there and null."""
        return key in self._values and self._values[key] is None

    def get(self, key: str, default: object) -> object:
        """The raw value."""
        return self._values[key] if self.has(key) else default

    def number(
        self, key: str, low: float, high: float, unit: str, default: float | None = None
    ) -> float:
        """A finite number from `low` to `high`; without a default it must be there."""
        if not self.has(key) and default is not None:
            return default
        value = self._values.get(key)
        # A boolean is an int to Python, but nobody means one metre by true. The comparison also
        # keeps out NaN, infinities and integers too long for a float.
        if isinstance(value, int | float) and not isinstance(value, bool) and low <= value <= high:
            return float(value)
        was = f"is {shown(value)}" if self.has(key) else "is missing"
        raise SetupError(
            f"{self._named(key)} {was}: give a number from {low:g} to {high:g} ({unit})."
        )

    def optional(
        self, key: str, low: float, high: float, unit: str, default: float | None
    ) -> float | None:
        """A number, or None where the value is null."""
        if self.is_null(key):
            return None
        return self.number(key, low, high, unit) if self.has(key) else default

    def flag(self, key: str, default: bool) -> bool:
        """True or false."""
        value = self.get(key, default)
        if not isinstance(value, bool):
            raise SetupError(f"{self._named(key)} is {shown(value)}: give true or false.")
        return value

    def text(self, key: str, default: str, one_of: tuple[str, ...]) -> str:
        """One of the given words."""
        value = self.get(key, default)
        if not isinstance(value, str) or value not in one_of:
            raise SetupError(f"{self._named(key)} is {shown(value)}: use {_listed(one_of)}.")
        return value

    def choice(self, key: str, kind: type[_Choice], default: _Choice) -> _Choice:
        """A member of an enumeration, by its value."""
        return kind(self.text(key, default.value, tuple(member.value for member in kind)))

    def language(self, key: str, default: str) -> str:
        """A language tag (the shape of RFC 5646); it may become part of a file's name."""
        value = self.get(key, default)
        if not isinstance(value, str) or not _LANGUAGE.fullmatch(value):
            raise SetupError(
                f'{self._named(key)} is {shown(value)}: give a language tag such as "en".'
            )
        return value

    def _named(self, key: str) -> str:
        return key if self._where == "setup" else f"{self._where}.{key}"


def shown(value: object) -> str:
    """A value as a message may show it: short, and safe to print whatever came in."""
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        if (isinstance(value, int) and value.bit_length() > 64) or math.isinf(value):
            return "a huge number"
        return "no number" if math.isnan(value) else f"{value:g}"
    if isinstance(value, str):
        short = value if len(value) <= 40 else value[:40] + "…"
        return '"' + printable(short) + '"'
    return "an object" if isinstance(value, dict) else "a list"


def printable(text: str) -> str:
    """The same text with whatever a terminal could trip over (controls, lone surrogates) as "?"."""
    return "".join(char if char.isprintable() else "?" for char in text)


def _listed(names: Iterable[str]) -> str:
    *most, last = list(names)
    return f"{', '.join(most)} or {last}" if most else last
