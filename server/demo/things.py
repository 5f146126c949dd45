"""Sticks, ball and their shadows, drawn with analytic coverage into a picture."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.demo.geometry import Points
from server.demo.sight import Picture, Sight

Colour = tuple[float, float, float]

COLOURS: dict[str, Colour] = {  # BGR
    "orange": (32.0, 116.0, 250.0),
    "yellow": (48.0, 226.0, 244.0),
    "white": (236.0, 238.0, 238.0),
    "red": (44.0, 40.0, 214.0),
    "blue": (206.0, 112.0, 36.0),
    "pink": (170.0, 92.0, 246.0),
}
_SUN_ELEVATION = math.radians(42.0)
_SUN_AZIMUTH = math.radians(128.0)  # of the sun, from the way the lens looks, to the left


@dataclass(frozen=True, slots=True, eq=False)
class _Strip:
    """The pixels near a tapering band: indices, signed distance across over half-width, cover."""

    x: NDArray[np.intp]
    y: NDArray[np.intp]
    across: NDArray[np.float64]
    cover: NDArray[np.float64]


def _strip(edges_px: Points, size: tuple[int, int], soft_px: float = 1.0) -> _Strip | None:
    """Coverage of the band between two edges (2, 2, 2: side, end, xy), by a box `soft_px` wide."""
    middle = edges_px.mean(axis=0)
    p, q = middle
    length = float(np.linalg.norm(q - p))
    if length < 1e-6:
        return None
    along = (q - p) / length
    normal = np.array([-along[1], along[0]])
    half = np.abs((edges_px[1] - edges_px[0]) @ normal) / 2
    major = int(abs(along[1]) > abs(along[0]))
    lo = max(0, math.floor(min(p[major], q[major]) - half.max() - 2))
    hi = min(size[major] - 1, math.ceil(max(p[major], q[major]) + half.max() + 2))
    if hi < lo:
        return None
    n = np.arange(lo, hi + 1)
    centre = p[1 - major] + (n - p[major]) * (along[1 - major] / along[major])
    reach = math.ceil((half.max() + soft_px) * 1.5) + 1
    minor = np.rint(centre)[:, None] + np.arange(-reach, reach + 1)
    grid = [np.broadcast_to(n[:, None], minor.shape), minor]
    x, y = grid if major == 0 else grid[::-1]
    inside = (minor >= 0) & (minor < size[1 - major])
    xs, ys = x[inside], y[inside]
    s = (xs - p[0]) * normal[0] + (ys - p[1]) * normal[1]
    t = (xs - p[0]) * along[0] + (ys - p[1]) * along[1]
    h = half[0] + (half[1] - half[0]) * np.clip(t / length, 0, 1)
    b = soft_px / 2
    cover = np.clip(np.minimum(s + b, h) - np.maximum(s - b, -h), 0, None) / soft_px
    cover *= np.clip(np.minimum(t + b, length) - np.maximum(t - b, 0), 0, None) / soft_px
    return _Strip(xs.astype(np.intp), ys.astype(np.intp), s / np.maximum(h, 1e-6), cover)


def _before_lens(sight: Sight, axis_m: Points) -> Points | None:
    """The part of a line (2, 3) that lies before the lens."""
    near = 0.1
    d = sight.depth(axis_m)
    if d.max() <= near:
        return None
    if d.min() >= near:
        return axis_m
    behind = int(np.argmin(d))
    cut = (near - d[behind]) / (d[1 - behind] - d[behind])
    out = axis_m.copy()
    out[behind] += cut * (axis_m[1 - behind] - axis_m[behind])
    return out


def draw_rod(out: Picture, sight: Sight, axis_m: Points, colour: Colour) -> None:
    """A round stick: its outline is where the sight rays touch it."""
    axis = _before_lens(sight, axis_m)
    if axis is None:
        return
    lens = -sight.rotation.T @ sight.shift
    side = np.cross(axis[1] - axis[0], axis.mean(axis=0) - lens)
    side *= sight.scene.laid.diameter_m / 2 / np.linalg.norm(side)
    edges = np.stack([sight.project(axis - side), sight.project(axis + side)])
    strip = _strip(edges, sight.size)
    if strip is None:
        return
    round_off = np.sqrt(np.clip(1 - strip.across**2, 0, 1))
    shade = (0.8 + 0.22 * round_off)[:, None] * np.array(colour)
    under = out[strip.y, strip.x]
    mixed = under + (shade - under) * strip.cover[:, None]
    out[strip.y, strip.x] = np.clip(np.rint(mixed), 0, 255)


def _sun(sight: Sight) -> Points:
    """(3,) level unit vector toward the sun's foot."""
    f = sight.scene.laid.forward
    left = -np.cross(f, [0.0, 0.0, 1.0])
    return np.asarray(math.cos(_SUN_AZIMUTH) * f + math.sin(_SUN_AZIMUTH) * left)


def draw_rod_shadow(out: Picture, sight: Sight, axis_m: Points) -> None:
    """The sun's shadow on one side, and a faint darkness in the grass on both."""
    axis = _before_lens(sight, axis_m)
    if axis is None:
        return
    r = sight.scene.laid.diameter_m / 2
    foot = axis - [0.0, 0.0, r]
    direction = (axis[1] - axis[0]) / np.linalg.norm(axis[1] - axis[0])
    side = np.cross(direction, [0.0, 0.0, 1.0])
    reach = float(_sun(sight) @ side) / math.tan(_SUN_ELEVATION)
    shadow = foot - side * (r * reach)
    for line, half, dark, soft in (
        (foot, 3.5 * r, 0.16, 3.0),
        (shadow, r * math.hypot(1.0, reach), 0.5, 1.6),
    ):
        edges = np.stack([sight.project(line - side * half), sight.project(line + side * half)])
        strip = _strip(edges, sight.size, soft)
        if strip is not None:
            lit = out[strip.y, strip.x] * (1 - dark * strip.cover[:, None])
            out[strip.y, strip.x] = np.rint(lit)


def _disc(sight: Sight) -> tuple[Points, float, slice, slice] | None:
    """The golf ball's middle and radius in pixels, and the rows and columns around it."""
    middle = sight.scene.laid.ball_m()
    depth = float(sight.depth(middle[None])[0])
    if depth < 0.2:
        return None
    centre = sight.project(middle[None])[0]
    radius = float(middle[2]) * sight.scene.camera.focal_px / depth
    w, h = sight.size
    reach = 4 * radius + 3
    x0, x1 = max(0, math.floor(centre[0] - reach)), min(w, math.ceil(centre[0] + reach))
    y0, y1 = max(0, math.floor(centre[1] - reach)), min(h, math.ceil(centre[1] + reach))
    if x1 <= x0 or y1 <= y0:
        return None
    return centre, radius, slice(y0, y1), slice(x0, x1)


def draw_ball_shadow(out: Picture, sight: Sight) -> None:
    """A soft dark patch on the grass, away from the sun."""
    disc = _disc(sight)
    if disc is None:
        return
    _, _, rows, columns = disc
    y, x = np.mgrid[rows, columns]
    spot = np.stack([x, y, np.ones_like(x)], axis=-1) @ sight.to_ground.T
    with np.errstate(divide="ignore", invalid="ignore"):
        spot = spot[..., :2] / spot[..., 2:]
    middle = sight.scene.laid.ball_m()
    r = middle[2]
    sun = _sun(sight)[:2]
    away = spot - middle[:2]
    back = -(away @ sun)
    aside = np.abs(away[..., 0] * sun[1] - away[..., 1] * sun[0])
    stretch = 1 / math.sin(_SUN_ELEVATION)
    rho = np.hypot((back - r / math.tan(_SUN_ELEVATION)) / stretch, aside) / r
    dark = 0.52 * np.clip((1.25 - rho) / 0.5, 0, 1)[..., None]
    out[rows, columns] = np.rint(out[rows, columns] * (1 - dark))


def draw_ball(out: Picture, sight: Sight) -> None:
    """A white ball, lit from above."""
    disc = _disc(sight)
    if disc is None:
        return
    centre, radius, rows, columns = disc
    y, x = np.mgrid[rows, columns]
    u, v = (x - centre[0]) / radius, (y - centre[1]) / radius
    rho = np.hypot(u, v)
    cover = np.clip((1 - rho) * radius + 0.5, 0, 1)[..., None]
    light = 0.80 - 0.24 * v - 0.10 * u - 0.10 * rho**2
    white = np.clip(light, 0.3, 1.0)[..., None] * np.array([246.0, 250.0, 250.0])
    under = out[rows, columns]
    out[rows, columns] = np.rint(under + (white - under) * cover)
