"""Which language a person is spoken to: by an option, the environment, or a browser's request."""

from __future__ import annotations

import argparse
import os
from typing import TYPE_CHECKING

from server.words import Plain, language_of, languages

if TYPE_CHECKING:
    from aiohttp import web


def add_option(parser: argparse._ActionsContainer, machines: str = "") -> None:
    """`--language`; `machines`: the options with which a program reads, and English is spoken."""
    english = f", with {machines} English" if machines else ""
    parser.add_argument(
        "--language",
        choices=languages(),
        help=f"default: the environment's (LC_ALL, LC_MESSAGES, LANG){english}",
    )


def chosen(args: argparse.Namespace, *, for_machine: bool = False) -> str:
    """The language that was asked for; else the environment's, but for what programs read."""
    asked = getattr(args, "language", None)
    if asked is not None:
        return str(asked)
    return "en" if for_machine else language_of(os.environ)


def speech_of(args: argparse.Namespace, *, for_machine: bool = False) -> Plain:
    """The same with the units of the options, where they have any."""
    return Plain(getattr(args, "units", "cm"), chosen(args, for_machine=for_machine))


def accepted(header: str) -> str:
    """The best of our languages for an Accept-Language header (RFC 9110, section 12.5.4)."""
    wished: list[tuple[float, int, str]] = []
    for place, part in enumerate(header.split(",")):
        tag, _, weight = part.partition(";")
        try:
            quality = float(weight.partition("=")[2]) if weight else 1.0
        except ValueError:
            quality = 0.0
        primary = tag.strip().split("-")[0].lower()
        if primary in languages() and quality > 0:
            wished.append((-quality, place, primary))
    return min(wished)[2] if wished else "en"


def speech_for(request: web.Request, units: str = "cm") -> Plain:
    """How whoever sent the request wants to be spoken to."""
    return Plain(units, accepted(request.headers.get("Accept-Language", "")[:1000]))
