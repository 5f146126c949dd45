"""What a report says of one film, in numbers: rows with their spreads, series over time, marks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from server.drift_row import Row
from server.plot_svg import Blank, Point
from server.record import FilmRecord
from server.wire_record import placement_from
from server.words import Z95
from vision.drift import Watch
from vision.effect import Effect, film_effect
from vision.governed import Governed, Quantity, governed
from vision.placement import QUANTITIES, Layout, Placement
from vision.setup import View

# Which sample moves which quantity, in the order of `vision.placement.QUANTITIES`: right, forward
# (nearer, so less distance), up; turned right, up, clockwise.
_FROM_SIX = ((0, 1.0), (1, -1.0), (2, 1.0), (3, 1.0), (4, 1.0), (5, 1.0))
_GOVERNED = {
    "layout_rad": Quantity.LAYOUT,
    "offset_m": Quantity.OFFSET,
    "distance_m": Quantity.DISTANCE,
    "height_m": Quantity.HEIGHT,
    "yaw_rad": Quantity.YAW,
    "roll_rad": Quantity.ROLL,
}
SETTLES_S = 2.0
ORDER = ("offset_m", "yaw_rad", "roll_rad", "height_m", "distance_m", "pitch_rad")


@dataclass(frozen=True, slots=True)
class Number:
    """One quantity: value and 1 sigma in SI units; what is allowed, None where nothing is asked.

    `low`, `high`: the tolerance's ends. `mark`: `in` (surely), `out` (the estimate is outside),
    `unsure`, `free` (no limit).
    """

    quantity: str
    value: float
    sigma: float
    low: float | None
    high: float | None
    mark: str


@dataclass(frozen=True, slots=True)
class Told:
    """A moment at which the watch began to say something else: seconds from the film's begin.

    `row`: the sample that says it; of a move the last one of its first `SETTLES_S`, since the first
    may have caught the move at its beginning.
    """

    at_s: float
    watch: Watch
    row: Row


def numbers(record: FilmRecord) -> list[Number]:
    """The six of the placement and the rods' angle, at the lock."""
    place, layout = record.placement, record.layout
    if place is None:
        return []
    values = [(name, float(getattr(place, name)), place.sigma(name)) for name in ORDER]
    if layout is not None:
        values.append(("layout_rad", layout.angle_rad, layout.sigma_rad))
    asked = {g.quantity: g for g in governed(place, layout, None, record.setup)}
    return [_number(*each, _limit(asked, each[0])) for each in values]


def _limit(asked: Mapping[Quantity, Governed], name: str) -> Governed | None:
    return asked.get(_GOVERNED[name]) if name in _GOVERNED else None


def _number(name: str, value: float, sigma: float, limit: Governed | None) -> Number:
    if limit is None:
        return Number(name, value, sigma, None, None, "free")
    middle = value - limit.error
    mark = "in" if limit.sure else "unsure" if limit.inside else "out"
    return Number(name, value, sigma, middle - limit.tolerance, middle + limit.tolerance, mark)


def series(record: FilmRecord, quantity: str) -> list[Point]:
    """A quantity of the placement over the film's seconds, SI units, spread 95 %.

    The place at the lock plus the drift since; their variances are added (two independent
    estimates). A sample knows its spread along its own way only; it stands for each axis.
    """
    place = record.placement
    if place is None:
        return []
    k = QUANTITIES.index(quantity)
    which, sign = _FROM_SIX[k]
    var = float(place.cov[k, k])
    out = []
    for row in record.drift:
        at_s = row.at_s - record.begun_s
        if row.six is None:
            continue
        sigma = (row.sigma_m if quantity.endswith("_m") else row.sigma_rad) or 0.0
        value = getattr(place, quantity) + sign * row.six[which]
        out.append(Point(at_s, value, Z95 * math.sqrt(var + sigma**2)))
    return out or [Point(0.0, getattr(place, quantity), Z95 * math.sqrt(var))]


def effect_series(record: FilmRecord) -> tuple[list[Point], list[Point]]:
    """Over the film's seconds: the shift of ball or club (m), and what is added to tilts (deg)."""
    place, layout = record.placement, record.layout
    if place is None or layout is None:
        return _effect_points([(0.0, record.effect)] if record.effect else [], record)
    effects: list[tuple[float, Effect]] = []
    for row in record.drift:
        if row.six is not None:
            moved, rods = moved_by(place, layout, row)
            effects.append((row.at_s - record.begun_s, film_effect(moved, rods, record.setup)))
    if not effects and record.effect is not None:
        effects = [(0.0, record.effect)]
    return _effect_points(effects, record)


def moved_by(place: Placement, layout: Layout, row: Row) -> tuple[Placement, Layout]:
    """The placement at a drift sample, and the layout with the lens's offset from square."""
    assert row.six is not None
    six = np.array([sign * row.six[which] for which, sign in _FROM_SIX])
    spread = [(row.sigma_m or 0.0) ** 2] * 3 + [(row.sigma_rad or 0.0) ** 2] * 3
    values = np.array([getattr(place, name) for name in QUANTITIES]) + six
    square = layout.square_offset_m
    return (
        placement_from(values, place.cov + np.diag(spread)),
        layout if square is None else replace(layout, square_offset_m=square + float(six[0])),
    )


def _effect_points(
    effects: Sequence[tuple[float, Effect]], record: FilmRecord
) -> tuple[list[Point], list[Point]]:
    shifts, tilts = [], []
    for at_s, effect in effects:
        shift, sigma = shift_of(effect, record.setup.view)
        if shift is not None and sigma is not None:
            shifts.append(Point(at_s, shift, Z95 * sigma))
        tilts.append(Point(at_s, effect.tilt_deg, Z95 * effect.tilt_sigma_deg))
    return shifts, tilts


def shift_of(effect: Effect, view: View) -> tuple[float | None, float | None]:
    """Of the ball (face-on) or the club (down the line), in metres, and its sigma."""
    if view is View.FACE_ON:
        return effect.ball_shift_m, effect.ball_shift_sigma_m
    return effect.club_path_shift_m, effect.club_path_shift_sigma_m


def told(record: FilmRecord) -> list[Told]:
    """When the watch began to say that something was wrong, and when that was over."""
    out: list[Told] = []
    before = Watch.STILL
    for row in record.drift:
        try:
            watch = Watch(row.watch)
        except ValueError:
            continue  # of another program
        at_s = row.at_s - record.begun_s
        if watch is not before and watch is not Watch.LEARNING:
            out.append(Told(at_s, watch, row))
            before = watch
        elif watch is Watch.MOVED and row.six is not None and at_s - out[-1].at_s <= SETTLES_S:
            out[-1] = replace(out[-1], row=row)
    return out


def blanks(record: FilmRecord) -> list[Blank]:
    """The times in which too little was seen."""
    rows, out = record.drift, []
    for k, row in enumerate(rows):
        if row.watch == Watch.BLIND.value:
            after = rows[k + 1] if k + 1 < len(rows) else row
            out.append(Blank(row.at_s - record.begun_s, after.at_s - record.begun_s))
    return out


def lasts_s(record: FilmRecord) -> float | None:
    """The film's length, None while nobody knows its end."""
    return None if record.ended_s is None else max(0.0, record.ended_s - record.begun_s)


def farthest(record: FilmRecord) -> tuple[Row, float, float] | None:
    """The sample farthest from the lock, with how far (m) and how much turned (rad) at the most."""
    rows = [row for row in record.drift if row.six is not None]
    if not rows:
        return None

    def far_m(row: Row) -> float:
        return math.hypot(*(row.six or (0.0,))[:3])

    most = max(rows, key=far_m)
    turned = max(math.hypot(*(row.six or (0.0,) * 6)[3:]) for row in rows)
    return most, far_m(most), turned


def worth_number(worth: Mapping[str, Any], key: str) -> float | None:
    """A finite number of what a film is worth, None for anything else."""
    value = worth.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        return None
    return float(value)
