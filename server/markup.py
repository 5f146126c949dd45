"""HTML and SVG as text, built so that nothing a person typed can be anything but text."""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from typing import TypeAlias

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9:-]*")
_VOID = frozenset(("meta", "img", "br", "hr", "link"))
# What no HTML text may hold (WHATWG HTML, 13.2.3.5): controls, noncharacters, lone surrogates.
_FORBIDDEN = re.compile("[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff]")


class Markup(str):
    """Text that is markup already."""

    __slots__ = ()


Child: TypeAlias = "Markup | str | Sequence[Child] | None"


def text(plain: str) -> Markup:
    """Plain text as markup."""
    return Markup(html.escape(_FORBIDDEN.sub("\ufffd", plain), quote=True))


def tag(name: str, /, *children: Child, **attributes: object) -> Markup:
    """An element; `class_` is class, `stroke_width` is stroke-width, None leaves one out.

    Children are markup, plain text (escaped), None (nothing), or lists of these. Raises ValueError
    for a name that is none.
    """
    out = [f"<{_name(name)}"]
    for key, value in attributes.items():
        if value is not None and value is not False:
            shown = text("" if value is True else _number(value))
            out.append(f' {_name(key.rstrip("_").replace("_", "-"))}="{shown}"')
    out.append(">")
    if name not in _VOID:
        out += [join(children), f"</{name}>"]
    return Markup("".join(out))


def join(children: Child) -> Markup:
    """Children one after another."""
    if children is None:
        return Markup("")
    if isinstance(children, Markup):
        return children
    if isinstance(children, str):
        return text(children)
    return Markup("".join(join(child) for child in children))


def _number(value: object) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".") if isinstance(value, float) else str(value)


def _name(name: str) -> str:
    if not _NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no name of an element or attribute")
    return name
