"""Plots as inline SVG, black on white: a quantity over time, and values with their spreads."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from server.markup import Markup, tag

WIDTH, HEIGHT = 470.0, 215.0
LEFT, RIGHT, TOP, BOTTOM = 50.0, 16.0, 16.0, 30.0
ROW = 30.0
INK, SOFT, GRID = "#000", "#d8d8d8", "#999"
# A line is broken where samples are further apart than this many times their usual distance.
GAP = 5.0
LEAST_S = 1.0  # of a plot over time, where nobody knows how long the film lasts


@dataclass(frozen=True, slots=True)
class Point:
    """A value at a time, with the half width of its 95 % interval; NaN where it is not known."""

    at: float
    value: float
    spread: float = 0.0


@dataclass(frozen=True, slots=True)
class Row:
    """A value with its spread and its name, in a plot of several."""

    name: str
    value: float
    spread: float


@dataclass(frozen=True, slots=True)
class Band:
    """What is allowed, from `low` to `high`, and its name."""

    low: float
    high: float
    name: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment that is marked, and its number or short word."""

    at: float
    name: str


@dataclass(frozen=True, slots=True)
class Blank:
    """A time in which nothing is known."""

    begin: float
    end: float


def time_plot(
    title: str,
    points: Sequence[Point],
    *,
    lasts: float,
    seconds: str,
    pointed: Callable[[str], str] = str,
    band: Band | None = None,
    marks: Sequence[Mark] = (),
    blanks: Sequence[Blank] = (),
) -> Markup:
    """One quantity over `lasts` seconds: its line, its spread as a grey ribbon, what is allowed.

    `pointed` gives a number the language's decimal point.
    """
    known = [p for p in points if math.isfinite(p.value)]
    limits = [v for p in known for v in (p.value, p.value - _finite(p), p.value + _finite(p))]
    if band is not None:
        limits += [band.low, band.high]
    scale = _Scale(limits, TOP, HEIGHT - BOTTOM)
    end = max([lasts, *(p.at for p in points), LEAST_S])

    def x(at: float) -> float:
        return LEFT + at / end * (WIDTH - LEFT - RIGHT)

    out: list[Markup] = []
    for blank in blanks:
        wide = max(x(blank.end) - x(blank.begin), 2.0)
        tall = HEIGHT - TOP - BOTTOM
        out.append(tag("rect", x=x(blank.begin), y=TOP, width=wide, height=tall, fill="#efefef"))
    out += [_ribbon(part, x, scale) for part in _parts(known) if len(part) > 1]
    out += _axis(scale, pointed)
    if band is not None:
        for value in (band.low, band.high):
            out.append(_line((LEFT, scale.y(value)), (WIDTH - RIGHT, scale.y(value)), 1.5, "7 5"))
        out.append(_text(WIDTH - RIGHT - 4, scale.y(band.high) + 14, band.name, "end"))
    for part in _parts(known):
        if len(part) == 1:
            out += _dot(x(part[0].at), part[0], scale)
        else:
            line = " ".join(f"{x(p.at):.1f},{scale.y(p.value):.1f}" for p in part)
            out.append(tag("polyline", points=line, fill="none", stroke=INK, stroke_width=2.5))
    for mark in marks:
        at = x(mark.at)
        out.append(_line((at, TOP), (at, HEIGHT - BOTTOM), 2.0, "2 3"))
        out.append(tag("path", d=f"M{at - 7:.1f} {TOP - 12}h14l-7 12z", fill=INK))
        left = at > WIDTH * 0.75
        out.append(_text(at + (-9 if left else 9), TOP + 2, mark.name, "end" if left else "start"))
    step = nice(end / 5)
    last = math.floor(end / step + 1e-6)
    for k in range(last + 1):
        number = pointed(plain(k * step))
        words = f"{number} {seconds}" if k == last else number
        out.append(_text(x(k * step), HEIGHT - 10, words, "middle"))
    return _svg(title, HEIGHT, out)


def rows_plot(
    title: str,
    rows: Sequence[Row],
    band: Band | None = None,
    pointed: Callable[[str], str] = str,
) -> Markup:
    """Values under one another, each a dot with its 95 % interval, over a zero line."""
    left = 74.0
    low, high = (band.low, band.high) if band is not None else (0.0, 0.0)
    limits = [low, high, 0.0]
    for row in rows:
        if math.isfinite(row.value):
            wide = row.spread if math.isfinite(row.spread) else 0.0
            limits += [row.value - wide, row.value + wide]
    scale = _Scale(limits, WIDTH - RIGHT - 10, left)  # to the right is more
    bottom = TOP + ROW * max(1, len(rows))
    out: list[Markup] = []
    for value in scale.ticks:
        at = scale.y(value)
        out.append(_line((at, TOP), (at, bottom), 2.0 if value == 0 else 0.5))
        out.append(_text(at, bottom + 20, pointed(plain(value)), "middle"))
    if band is not None:
        for value in (band.low, band.high):
            out.append(_line((scale.y(value), TOP), (scale.y(value), bottom), 1.5, "7 5"))
    for index, row in enumerate(rows):
        y = TOP + ROW * (index + 0.5)
        out.append(_text(left - 12, y + 5, row.name, "end"))
        if not math.isfinite(row.value):
            continue
        at = scale.y(row.value)
        if math.isfinite(row.spread):
            a, b = scale.y(row.value - row.spread), scale.y(row.value + row.spread)
            out.append(_line((a, y), (b, y), 2.5))
            out += [_line((end, y - 6), (end, y + 6), 2.5) for end in (a, b)]
        out.append(tag("circle", cx=at, cy=y, r=5.5, fill=INK))
    return _svg(title, bottom + 28, out)


def nice(value: float) -> float:
    """The next number of the form 1, 2 or 5 times a power of ten that is not less."""
    power = 10.0 ** math.floor(math.log10(max(value, 1e-9)))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= value * (1 - 1e-9))


def plain(value: float) -> str:
    """A number for an axis, without needless digits."""
    return f"{value:.3f}".rstrip("0").rstrip(".") if abs(value) > 1e-9 else "0"


class _Scale:
    """From values to pixels, with ticks; `first` is where the largest lies."""

    def __init__(self, values: Sequence[float], first: float, last: float) -> None:
        low, high = (min(values), max(values)) if values else (-1.0, 1.0)
        if high - low < 1e-6:
            low, high = low - 0.5, high + 0.5
        pad = 0.08 * (high - low)
        self._low, self._high = low - pad, high + pad
        self._first, self._last = first, last
        step = nice((high - low) / 5)
        count = range(math.ceil(self._low / step), math.floor(self._high / step) + 1)
        self.ticks = [k * step for k in count]

    def y(self, value: float) -> float:
        share = (self._high - value) / (self._high - self._low)
        return self._first + share * (self._last - self._first)


def _svg(title: str, height: float, children: list[Markup]) -> Markup:
    return tag(
        "svg", children, viewBox=f"0 0 {WIDTH:.0f} {height:.0f}", role="img", aria_label=title
    )


def _axis(scale: _Scale, pointed: Callable[[str], str]) -> list[Markup]:
    out = []
    for value in scale.ticks:
        y = scale.y(value)
        zero = abs(value) < 1e-9
        out.append(_line((LEFT, y), (WIDTH - RIGHT, y), 1.5 if zero else 0.5))
        out.append(_text(LEFT - 8, y + 5, pointed(plain(value)), "end"))
    return out


def _parts(points: Sequence[Point]) -> list[list[Point]]:
    """Pieces without a gap."""
    steps = sorted(b.at - a.at for a, b in pairwise(points))
    usual = steps[len(steps) // 2] if steps else 0.0
    parts: list[list[Point]] = []
    for point in points:
        if parts and point.at - parts[-1][-1].at <= max(GAP * usual, 1e-9):
            parts[-1].append(point)
        else:
            parts.append([point])
    return parts


def _ribbon(part: Sequence[Point], x: Callable[[float], float], scale: _Scale) -> Markup:
    up = [f"{x(p.at):.1f},{scale.y(p.value + _finite(p)):.1f}" for p in part]
    down = [f"{x(p.at):.1f},{scale.y(p.value - _finite(p)):.1f}" for p in reversed(part)]
    return tag("polygon", points=" ".join(up + down), fill=SOFT)


def _dot(at: float, point: Point, scale: _Scale) -> list[Markup]:
    low, high = (scale.y(point.value + sign * _finite(point)) for sign in (-1, 1))
    return [
        _line((at, low), (at, high), 2.5),
        tag("circle", cx=at, cy=scale.y(point.value), r=5.0, fill=INK),
    ]


def _finite(point: Point) -> float:
    return point.spread if math.isfinite(point.spread) else 0.0


def _line(a: tuple[float, float], b: tuple[float, float], wide: float, dash: str = "") -> Markup:
    return tag(
        "line",
        x1=a[0],
        y1=a[1],
        x2=b[0],
        y2=b[1],
        stroke=INK if wide > 1 else GRID,
        stroke_width=wide,
        stroke_dasharray=dash or None,
    )


def _text(x: float, y: float, words: str, anchor: str) -> Markup:
    return tag("text", words, x=x, y=y, text_anchor=anchor, font_size=15, fill=INK)
