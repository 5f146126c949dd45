"""Textures of the made-up practice ground: grass, mowing stripes, trees and sky. All seeded."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
Field = NDArray[np.float32]

TEXEL_M = 0.003  # one texel of the finest grass
GRASS_TOP = 6  # the coarsest grass, 0.2 m a texel along the view, is drawn even
TILE = 2048  # texels a side; the tile repeats without a seam, every 6.1 m
MACRO_M = 0.1  # one texel of the wide map (stripes, worn patches)
MACRO = 2400  # texels a side, centred on the ground's origin
BACK_M = 0.08  # one texel of the backdrop
BACK_SIZE = (3000, 420)  # width, height in texels
BACK_DISTANCE_M = 90.0
BACK_BASE = 372  # the texel row that stands on the ground


def _bytes(values: NDArray[np.floating[Any]]) -> Picture:
    return np.asarray(np.clip(values, 0, 255).astype(np.uint8))


def _octaves(
    rng: np.random.Generator, side: int, cells: tuple[int, ...], gains: tuple[float, ...]
) -> Field:
    """Seamless value noise (side, side) of zero mean: random grids enlarged and summed."""
    total = np.zeros((side, side), np.float32)
    for cell, gain in zip(cells, gains, strict=True):
        n = side // cell
        grid = rng.standard_normal((n, n)).astype(np.float32)
        if cell > 1:
            wrapped = np.pad(grid, 4, mode="wrap")
            big = cv2.resize(wrapped, None, fx=cell, fy=cell, interpolation=cv2.INTER_CUBIC)
            grid = np.asarray(big[4 * cell : -4 * cell, 4 * cell : -4 * cell], np.float32)
        total += gain * grid
    return total


def _blades(rng: np.random.Generator, side: int, count: int) -> Field:
    """Short light and dark strokes in every direction, wrapped at the borders: blades of grass."""
    pad = 16
    canvas = np.zeros((side + 2 * pad, side + 2 * pad), np.float32)
    starts = rng.integers(0, side + 2 * pad, (count, 2))
    angles = rng.uniform(0, 2 * math.pi, count)
    lengths = rng.uniform(4, 13, count)
    tones = rng.normal(0, 1.0, count)
    for (x, y), a, n, tone in zip(starts, angles, lengths, tones, strict=True):
        end = (round(x + n * math.cos(a)), round(y + n * math.sin(a)))
        cv2.line(canvas, (int(x), int(y)), end, float(tone), 1)
    tile = canvas[pad:-pad, pad:-pad].copy()
    tile[:pad] += canvas[-pad:, pad:-pad]
    tile[:, :pad] += canvas[pad:-pad, -pad:]
    return cv2.GaussianBlur(tile, (0, 0), 0.6, borderType=cv2.BORDER_REFLECT_101).astype(np.float32)


def _grass(rng: np.random.Generator) -> Picture:
    """(TILE, TILE, 3) BGR grass around the mean colour, seamless."""
    luma = _blades(rng, TILE, 90_000) * 15 + _octaves(
        rng, TILE, (1, 4, 16, 64, 256), (5.0, 6.0, 4.0, 3.0, 2.5)
    )
    warm = _octaves(rng, TILE, (4, 32, 256), (0.25, 0.5, 0.6))  # toward straw
    base = np.array([42.0, 118.0, 84.0], np.float32)
    out = base + luma[..., None] * np.array([0.55, 1.0, 0.8], np.float32)
    out += warm[..., None] * np.array([-1.0, 2.0, 9.0], np.float32)
    return _bytes(out)


def _macro(rng: np.random.Generator) -> Picture:
    """(MACRO, MACRO, 3) factors times 128: mowing stripes along X, patches, far target greens."""
    axis = (np.arange(MACRO, dtype=np.float32) - MACRO / 2) * MACRO_M
    wander = cv2.GaussianBlur(rng.standard_normal((MACRO, 1)).astype(np.float32), (1, 301), 90)
    stripe = np.tanh(3.5 * np.sin(2 * math.pi * (axis[:, None] + 0.7) / 3.6))
    side = MACRO  # patches need no seam, the map does not repeat
    patches = _octaves(rng, side, (8, 24, 80, 240), (0.010, 0.016, 0.022, 0.03))
    factor = 1.0 + 0.065 * stripe + patches + 0.02 * wander
    out = np.repeat(factor[..., None], 3, axis=2)
    for x, y, r in ((34.0, -7.0, 6.0), (58.0, 9.0, 8.0), (-12.0, 38.0, 6.0), (9.0, -44.0, 6.5)):
        centre = (round(x / MACRO_M + MACRO / 2), round(y / MACRO_M + MACRO / 2))
        mask = np.zeros((MACRO, MACRO), np.float32)
        cv2.circle(mask, centre, round(r / MACRO_M), 1.0, -1, cv2.LINE_AA)
        mask = cv2.GaussianBlur(mask, (0, 0), 4)[..., None].astype(np.float32)
        out = out * (1 - mask) + mask * factor[..., None] * np.array([1.12, 1.2, 1.16], np.float32)
    return _bytes(out * 128)


def _backdrop(rng: np.random.Generator) -> Picture:
    """(h, w, 4) BGRA: sky, clouds, a far hedge and single trees; alpha 0 where grass goes on."""
    w, h = BACK_SIZE
    rows = np.linspace(0, 1, h, dtype=np.float32)[:, None, None]
    zenith = np.array([205.0, 160.0, 110.0], np.float32)
    low = np.array([236.0, 224.0, 208.0], np.float32)
    out = np.broadcast_to(zenith + (low - zenith) * rows**0.8, (h, w, 3)).copy()
    cloud = np.zeros((h, w), np.float32)
    for cell, gain in ((96, 1.0), (40, 0.5), (16, 0.22)):
        grid = rng.standard_normal((h // cell * 3 + 3, w // cell + 3)).astype(np.float32)
        cloud += gain * cv2.resize(grid, (w, h), interpolation=cv2.INTER_CUBIC)
    fade = np.clip(np.arange(h, dtype=np.float32) / 120 - 0.1, 0, 1)[
        :, None, None
    ]  # none at the rim
    cloud = np.clip(cloud - 0.55, 0, 1)[..., None] * 0.5 * fade
    out += (np.array([250.0, 250.0, 250.0], np.float32) - out) * cloud
    _hedge(rng, out, top=BACK_BASE - 42, rough=9.0, colour=(96.0, 112.0, 92.0))
    _hedge(rng, out, top=BACK_BASE - 24, rough=6.0, colour=(52.0, 84.0, 56.0))
    for _ in range(26):
        _tree(rng, out, x=float(rng.uniform(0, w)), size=float(rng.uniform(24, 62)))
    for x in range(120, w, 310):  # net posts of a practice ground
        cv2.line(out, (x, BACK_BASE - 150), (x, BACK_BASE), (120.0, 126.0, 128.0), 2, cv2.LINE_AA)
    alpha = np.full((h, w, 1), 255.0, np.float32)
    alpha[BACK_BASE:] = 0
    return _bytes(np.concatenate([out, alpha], axis=2))


def _hedge(
    rng: np.random.Generator,
    out: Field,
    top: int,
    rough: float,
    colour: tuple[float, float, float],
) -> None:
    """A row of far trees with a ragged top, drawn into `out` down to the ground."""
    w = out.shape[1]
    edge = np.zeros(w, np.float32)
    for cell, gain in ((90, 1.0), (30, 0.7), (8, 0.35), (3, 0.2)):
        grid = rng.standard_normal((1, w // cell + 3)).astype(np.float32)
        edge += gain * cv2.resize(grid, (w, 1), interpolation=cv2.INTER_CUBIC)[0]
    below = np.arange(out.shape[0])[:, None] - (top + rough * edge)[None]
    mask = np.clip(below + 0.5, 0, 1)[..., None]
    grain = rng.standard_normal(out.shape[:2]).astype(np.float32)
    mottle = cv2.GaussianBlur(grain, (0, 0), 1.6)
    shade = np.array(colour, np.float32) * (1 + 0.45 * np.asarray(mottle)[..., None])
    shade = shade * (1.12 - 0.006 * np.clip(below, 0, 60))[..., None]
    out += (shade.astype(np.float32) - out) * mask


def _tree(rng: np.random.Generator, out: Field, x: float, size: float) -> None:
    """One round tree with a trunk, standing on the backdrop's base."""
    base = (round(x), BACK_BASE)
    cv2.line(out, (base[0], base[1] - round(size * 0.5)), base, (48.0, 58.0, 70.0), 3, cv2.LINE_AA)
    green = np.array([44.0, 88.0, 54.0]) * rng.uniform(0.75, 1.15)
    for _ in range(90):
        angle, reach = rng.uniform(0, 2 * math.pi), size * 0.42 * math.sqrt(rng.uniform(0, 1))
        dx, dy = reach * math.cos(angle), reach * math.sin(angle) * 0.95
        light = 1.0 - 0.5 * dy / size - 0.22 * dx / size + rng.normal(0, 0.09)
        centre = (round(x + dx), round(BACK_BASE - size * 0.78 + dy))
        tone = tuple(float(c) for c in green * light)
        cv2.circle(out, centre, max(2, round(size * 0.09)), tone, -1, cv2.LINE_AA)


@dataclass(frozen=True, slots=True, eq=False)
class Ripmap:
    """A texture lying on the ground and its reductions, separate along both axes.

    `levels[i, j]` is reduced 2**i along y and 2**j along x, because a lens near the ground sees
    a texel much shortened along its view. Ground (0, 0) is at texel `origin` of the full level.
    """

    levels: dict[tuple[int, int], Picture]
    texel_m: float
    origin: float
    top: int
    border: int

    @classmethod
    def of(cls, picture: Picture, texel_m: float, origin: float, top: int, border: int) -> Ripmap:
        """All reductions of a picture up to 2**top."""
        levels: dict[tuple[int, int], Picture] = {}
        h, w = picture.shape[:2]
        for i in range(top + 1):
            for j in range(top + 1):
                # Area means of area means by two are exact: each level from its neighbour.
                source = picture if i == j == 0 else levels[i - 1, j] if i else levels[i, j - 1]
                size = (w >> j, h >> i)
                levels[i, j] = np.asarray(cv2.resize(source, size, interpolation=cv2.INTER_AREA))
        return cls(levels, texel_m, origin, top, border)

    def level(self, depth: int, across: int, far_y: bool) -> tuple[Picture, NDArray[np.float64]]:
        """The picture for a footprint of 2**depth by 2**across texels; ground to its texels."""
        depth, across = min(max(depth, 0), self.top), min(max(across, 0), self.top)
        i, j = (depth, across) if far_y else (across, depth)
        rows = []
        for axis, n in enumerate((j, i)):
            scale = 2.0**-n
            row = [0.0, 0.0, (self.origin + 0.5) * scale - 0.5]
            row[axis] = scale / self.texel_m
            rows.append(row)
        return self.levels[i, j], np.array([*rows, [0.0, 0.0, 1.0]])


@dataclass(frozen=True, slots=True, eq=False)
class Textures:
    """Everything that is drawn from."""

    grass: Ripmap
    macro: Ripmap
    backdrop: Picture
    noise: Picture


NOISE_SHAPE = (1536, 1536)


@lru_cache(maxsize=2)
def textures(seed: int) -> Textures:
    """All textures of one ground; about two seconds, once for each seed."""
    rng = np.random.default_rng(seed)
    grass = Ripmap.of(_grass(rng), TEXEL_M, 0.0, GRASS_TOP, cv2.BORDER_WRAP)
    macro = Ripmap.of(_macro(rng), MACRO_M, MACRO / 2, 5, cv2.BORDER_REPLICATE)
    grain = rng.normal(128, 1.6, (*NOISE_SHAPE, 3))
    return Textures(grass, macro, _backdrop(rng), _bytes(np.rint(grain)))
