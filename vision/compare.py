"""How comparable two films are: what differs between their stands, and what that does to the film.

Everything is "the second against the first", by the pinhole geometry of `vision.effect`; sigmas are
first-order propagation (JCGM 100:2008, 5.1.2) of the joint covariance of both stands.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.effect import MIN_CLEARANCE_M, parallax_shift_m, target_side
from vision.joint import Both
from vision.placement import QUANTITIES
from vision.setup import Setup, View

Array = NDArray[np.float64]

# What is seen in two films side by side; common practice, no source (docs/trade.md).
SEEN = {
    "scale": 0.02,
    "ball_shift_m": 0.01,
    "ball_up_m": 0.01,
    "club_path_deg": 1.0,
    "shaft_deg": 1.0,
    "tilt_deg": 0.5,
    "lopsided": 0.01,
    "keystone": 0.01,
}
CONFIDENCE = 0.95
PART_M = 1.0  # two equal things so far apart
HANDS = 0.5  # height of the hands over the player's, shaft level; common practice, no source


class Alike(StrEnum):
    """Keys of the texts file (`compare.<value>`)."""

    ALIKE = "alike"  # surely nothing that is seen
    DIFFERENT = "different"  # surely something
    UNSURE = "unsure"


@dataclass(frozen=True, slots=True)
class Number:
    """A value with one standard deviation, and from where on it is seen (None: not by itself)."""

    name: str
    value: float
    sigma: float
    seen: float | None = None

    @property
    def alike(self) -> Alike:
        """Whether it is surely too small to be seen, or surely large enough."""
        if self.seen is None:
            return Alike.ALIKE
        size = abs(self.value)
        below = _below(size, self.sigma, self.seen)
        if below >= CONFIDENCE:
            return Alike.ALIKE
        return Alike.DIFFERENT if below <= 1 - CONFIDENCE else Alike.UNSURE


@dataclass(frozen=True, slots=True, eq=False)
class Drifted:
    """Where the camera stood on average while filming, seen from its place at the lock.

    `six`: moved right, forward, up (m), turned right, up, clockwise (rad); `sigma` (6,).
    """

    six: Array
    sigma: Array


@dataclass(frozen=True, slots=True)
class Comparison:
    """`place`: the differences of `QUANTITIES`, second minus first. `film`: what that does.

    `film` holds, each with sigma, + as said of the second against the first:
    `scale` drawn larger by this share; `ball_shift_m` (face-on) ball too far forward,
    `ball_up_m` (face-on) ball drawn higher; `club_path_shift_m`, `club_path_deg` (down the line)
    club too far outside, `shaft_deg` (down the line) the head of a level shaft drawn higher than
    the hands; `tilt_deg` every tilt read off more clockwise; `lopsided` of two equal things 1 m
    apart the right one larger by this share; `keystone` the head against the feet larger by this
    share.
    `rods_unproven`: the rods' own angle was not measured in both; the sigmas hold what that costs.
    """

    place: tuple[Number, ...]
    film: tuple[Number, ...]
    rods_unproven: bool

    @property
    def alike(self) -> Alike:
        """DIFFERENT where one thing surely is, ALIKE where all surely are."""
        each = {number.alike for number in self.film}
        if Alike.DIFFERENT in each:
            return Alike.DIFFERENT
        return Alike.UNSURE if Alike.UNSURE in each else Alike.ALIKE

    def number(self, name: str) -> Number:
        """One of `film` or `place` by its name."""
        return next(n for n in (*self.film, *self.place) if n.name == name)


def compare(
    both: Both,
    setup_a: Setup,
    setup_b: Setup,
    drift_a: Drifted | None = None,
    drift_b: Drifted | None = None,
) -> Comparison:
    """What differs between two stands of one view and hand.

    The player's height, club and ball are the second's, so that another club is no difference of
    the cameras.
    """
    values, cov = _stacked(both, drift_a, drift_b)
    film = [
        replace(_difference(name, drawn, values, cov), seen=SEEN.get(name))
        for name, drawn in _drawn(setup_b).items()
    ]
    place = tuple(
        Number(
            name,
            float(values[9 + k] - values[k]),
            math.sqrt(max(float(cov[k, k] + cov[9 + k, 9 + k] - 2 * cov[k, 9 + k]), 0.0)),
        )
        for k, name in enumerate(QUANTITIES)
    )
    measured = both.layout_a.measured and both.layout_b.measured
    return Comparison(place, tuple(n for n in film if math.isfinite(n.value)), not measured)


def _drawn(setup: Setup) -> dict[str, Callable[[Array], float]]:
    """What one stand (9,) does to the film, so that the difference of two is told.

    `scale`, `lopsided` and `keystone` are logarithms of ratios. Of a T, what the film suffers from
    is told of the true perpendicular to the target rod, as well as the rods' angle is known.
    """
    player, hand = setup.player, target_side(setup)
    face_on = setup.view is View.FACE_ON
    side = 7 if face_on else 0

    def depth(stand: Array, right_m: float, up_m: float) -> float:
        # The chest is parallel to the target rod, whatever the stem.
        lean = hand * (float(stand[6]) - math.pi / 2) if face_on else 0.0
        heading = float(stand[3]) - lean
        return _depth(stand, float(stand[side]), heading, right_m, up_m)

    def shift(stand: Array, nearer_m: float) -> float:
        if stand[1] - nearer_m < MIN_CLEARANCE_M:
            return math.nan
        return hand * parallax_shift_m(float(stand[side]), float(stand[1]), nearer_m)

    def lift(stand: Array, nearer_m: float, up_m: float) -> float:
        """A thing so high above the ground, nearer by so much, is drawn higher by this."""
        if stand[1] - nearer_m < MIN_CLEARANCE_M:
            return math.nan
        return parallax_shift_m(float(stand[2]) - up_m, float(stand[1]), nearer_m)

    tall = player.height_m
    out: dict[str, Callable[[Array], float]] = {"scale": lambda s: -math.log(depth(s, 0, tall / 2))}
    if setup.view is View.FACE_ON:
        out["ball_shift_m"] = lambda s: shift(s, player.ball_m)
        out["ball_up_m"] = lambda s: lift(s, player.ball_m, 0.0)
    else:
        club, hands_m = player.club_m, HANDS * tall
        out["club_path_shift_m"] = lambda s: shift(s, club)
        out["club_path_deg"] = lambda s: math.degrees(math.atan(shift(s, club) / club))
        out["shaft_deg"] = lambda s: math.degrees(math.atan(lift(s, club, hands_m) / club))
    out["tilt_deg"] = lambda s: -math.degrees(s[5])
    out["lopsided"] = lambda s: math.log(
        depth(s, -PART_M / 2, tall / 2) / depth(s, PART_M / 2, tall / 2)
    )
    out["keystone"] = lambda s: math.log(depth(s, 0, 0) / depth(s, 0, tall))
    return out


def _depth(stand: Array, offset_m: float, heading: float, right_m: float, up_m: float) -> float:
    """How far along the lens's axis a point of the plane of the chest lies, from which its size."""
    distance, height, pitch = float(stand[1]), float(stand[2]), float(stand[4])
    ahead = math.cos(heading) * distance + math.sin(heading) * (right_m - offset_m)
    depth = math.cos(pitch) * ahead + math.sin(pitch) * (up_m - height)
    return max(float(depth), MIN_CLEARANCE_M)


def _difference(name: str, drawn: Callable[[Array], float], values: Array, cov: Array) -> Number:
    a, b = values[:9], values[9:]
    slope = np.concatenate([-_gradient(drawn, a), _gradient(drawn, b)])
    var = float(slope @ cov @ slope)
    return Number(name, drawn(b) - drawn(a), math.sqrt(var) if var >= 0 else math.nan)


def _gradient(drawn: Callable[[Array], float], at: Array) -> Array:
    step = 1e-5
    return np.array([(drawn(at + d) - drawn(at - d)) / (2 * step) for d in step * np.eye(len(at))])


def _stacked(both: Both, drift_a: Drifted | None, drift_b: Drifted | None) -> tuple[Array, Array]:
    """(18,) values of both stands in the order of `Both.cov`, moved as they drifted; (18, 18)."""
    values, cov = np.zeros(18), both.cov.copy()
    stands = ((both.a, both.layout_a, drift_a), (both.b, both.layout_b, drift_b))
    for k, (place, layout, drift) in enumerate(stands):
        at = slice(9 * k, 9 * k + 6)
        values[at] = [getattr(place, name) for name in QUANTITIES]
        rest = (layout.angle_rad, layout.square_offset_m, layout.separation_m)
        values[9 * k + 6 : 9 * k + 9] = [v or 0.0 for v in rest]
        if drift is not None:
            way = np.array([1.0, -1.0, 1.0, 1.0, 1.0, 1.0])  # forward is nearer
            values[at] += way * drift.six
            values[9 * k + 7] += drift.six[0]
            spread = np.diag(drift.sigma**2)
            cov[at, at] += spread
            cov[9 * k + 7, 9 * k + 7] += spread[0, 0]
    return values, cov


def _below(size: float, sigma: float, limit: float) -> float:
    """P(|x| <= limit) for x ~ N(size, sigma^2)."""
    if not math.isfinite(sigma):
        return 0.5
    if sigma == 0:
        return float(size <= limit)
    scale = sigma * math.sqrt(2)
    return 0.5 * (math.erf((limit - size) / scale) - math.erf((-limit - size) / scale))
