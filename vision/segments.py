"""Stage 1c: line pieces grown into whole segments, with the cues that tell a rod from other lines.

Each piece is straightened into a band of cells along its line. Every line through the band within a
small shear is tried; its extent is the run of cells that best fits "a thin thing of this colour is
here" against "nothing is here" (maximum sum of a clipped log-likelihood ratio).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.hough import Lines

CELL_PX = 4
SAMPLE_PX = 2  # along the line; across it every pixel counts
REACH = 0.30  # half-length of the band, of the picture's longer side
HALF_BAND_PX = 13
FLANK_PX = 3
CLIP_LLR = 1.5
CUES = (
    "contrast",
    "snr",
    "chroma",
    "length",
    "fill",
    "step",
    "steady",
    "ends",
    "narrow",
    "parallels",
)


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """In pixels of the planes: `ends_px` (n, 2, 2), `cues` (n, len(CUES)), `colour` (n, 3)."""

    ends_px: NDArray[np.float32]
    cues: NDArray[np.float32]
    colour: NDArray[np.float32]


def grow(planes: NDArray[np.float32], lines: Lines, reach_px: float | None = None) -> Segments:
    """Grow every line piece to its extent and measure its cues; order kept.

    `reach_px`: how far from a piece's middle its segment may end (default `REACH`).
    """
    if not len(lines.ends_px):
        return Segments(
            np.empty((0, 2, 2), np.float32),
            np.empty((0, len(CUES)), np.float32),
            np.empty((0, 3), np.float32),
        )
    _, height, width = planes.shape
    middle = lines.ends_px.mean(axis=1)
    along = lines.ends_px[:, 1] - lines.ends_px[:, 0]
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    across = np.stack([-along[:, 1], along[:, 0]], axis=-1)
    reach = REACH * max(height, width) if reach_px is None else reach_px
    half = max(8, int(reach) // CELL_PX)  # cells on either side of the seed
    t = (np.arange(-half * CELL_PX, half * CELL_PX, SAMPLE_PX) + 0.5 * SAMPLE_PX).astype(np.float32)
    o = np.arange(-HALF_BAND_PX, HALF_BAND_PX + 1, dtype=np.float32)
    xy = (
        middle[:, None, None]
        + along[:, None, None] * t[None, :, None, None]
        + across[:, None, None] * o[None, None, :, None]
    ).astype(np.float32)
    count, cells = len(middle), 2 * half
    image = np.ascontiguousarray(planes.transpose(1, 2, 0))
    band = cv2.remap(
        image,
        xy[..., 0].reshape(count * cells, -1),
        xy[..., 1].reshape(count * cells, -1),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).reshape(count, cells, CELL_PX // SAMPLE_PX, len(o), 3)
    band = band.mean(axis=2)  # (n, cells, offsets, planes)
    centre_xy = xy.reshape(count, cells, CELL_PX // SAMPLE_PX, len(o), 2).mean(axis=2)[
        :, :, HALF_BAND_PX
    ]
    inside = (
        (centre_xy[..., 0] >= 0)
        & (centre_xy[..., 0] <= width - 1)
        & (centre_xy[..., 1] >= 0)
        & (centre_xy[..., 1] <= height - 1)
    )
    thin = _thin(band)
    return _extents(band, thin, inside, middle, along, across, half)


def _thin(band: NDArray[np.float32]) -> NDArray[np.float32]:
    """Contrast of each offset against both its flanks, the smaller with its sign; edges are 0."""
    thin = np.zeros_like(band)
    centre = band[:, :, FLANK_PX:-FLANK_PX]
    left = centre - band[:, :, : -2 * FLANK_PX]
    right = centre - band[:, :, 2 * FLANK_PX :]
    thin[:, :, FLANK_PX:-FLANK_PX] = np.maximum(np.minimum(left, right), 0) + np.minimum(
        np.maximum(left, right), 0
    )
    return thin


def _extents(
    band: NDArray[np.float32],
    thin: NDArray[np.float32],
    inside: NDArray[np.bool_],
    middle: NDArray[np.float32],
    along: NDArray[np.float32],
    across: NDArray[np.float32],
    half: int,
) -> Segments:
    count, cells = inside.shape
    t = (np.arange(cells) - half + 0.5) * CELL_PX
    shifts, slopes = (
        g.ravel() for g in np.meshgrid([-1.0, 0.0, 1.0], np.linspace(-0.04, 0.04, 11))
    )
    offset = np.rint(shifts[:, None] + slopes[:, None] * t).astype(np.intp)  # (hyp, cells)
    column = np.clip(offset + HALF_BAND_PX, 0, 2 * HALF_BAND_PX)
    path = thin[:, np.arange(cells)[None], column]  # (n, hyp, cells, planes)
    seed = slice(half - 4, half + 4)
    mean = path[:, :, seed].mean(axis=2)  # (n, hyp, planes)
    size = np.linalg.norm(mean, axis=-1) + 1e-6
    noise = np.sqrt((thin * thin).mean(axis=(1, 2, 3)) + 0.01)  # (n,)
    along_colour = np.einsum("nhcp,nhp->nhc", path, mean / size[..., None])
    variance = (1.5 * noise[:, None, None]) ** 2
    same = (along_colour * size[..., None] - 0.5 * size[..., None] ** 2) / variance
    any_colour = 0.25 * (np.einsum("nhcp,nhcp->nhc", path, path) / variance - 3.0)
    llr = np.clip(np.maximum(same, np.minimum(any_colour, 0.7)), -CLIP_LLR, CLIP_LLR)
    llr = np.where(inside[:, None], llr, -CLIP_LLR)
    right = np.cumsum(llr[:, :, half:], axis=-1)
    left = np.cumsum(llr[:, :, :half][:, :, ::-1], axis=-1)
    total = right.max(axis=-1) + left.max(axis=-1)
    best = total.argmax(axis=-1)
    rows = np.arange(count)
    stop = half + right[rows, best].argmax(axis=-1)  # last cell of the run
    start = half - 1 - left[rows, best].argmax(axis=-1)
    ends_t = np.stack([(start - half) * CELL_PX, (stop + 1 - half) * CELL_PX], axis=-1)
    ends_o = shifts[best][:, None] + slopes[best][:, None] * ends_t
    ends = (
        middle[:, None] + along[:, None] * ends_t[..., None] + across[:, None] * ends_o[..., None]
    )
    cues, colour = _measure(band, thin, column[best], start, stop, inside, noise)
    return Segments(ends.astype(np.float32), cues, colour)


def _measure(
    band: NDArray[np.float32],
    thin: NDArray[np.float32],
    column: NDArray[np.intp],
    start: NDArray[np.intp],
    stop: NDArray[np.intp],
    inside: NDArray[np.bool_],
    noise: NDArray[np.float32],
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    count, cells = column.shape
    cell = np.arange(cells)[None]
    rows = np.arange(count)[:, None]
    on = ((cell >= start[:, None]) & (cell <= stop[:, None])).astype(np.float32)
    number = on.sum(axis=1)
    # The band moved so that the path is its middle column.
    reach = 9
    pick = np.clip(
        column[:, :, None] + np.arange(-reach, reach + 1), 0, 2 * HALF_BAND_PX
    )  # (n, cells, 19)
    moved = band[rows[:, :, None], cell[:, :, None], pick]  # (n, cells, 19, planes)
    profile = np.einsum("ncop,nc->nop", moved, on) / number[:, None, None]
    outer = 0.25 * (
        profile[:, reach - 4]
        + profile[:, reach - 3]
        + profile[:, reach + 3]
        + profile[:, reach + 4]
    )
    centred = profile - outer[:, None]
    colour = centred[:, reach]
    size = np.linalg.norm(colour, axis=-1) + 1e-6
    unit = colour / size[:, None]
    shape = np.einsum("nop,np->no", centred, unit)  # contrast across, along the rod's own colour
    path = thin[rows, cell, column]
    local = np.einsum("ncp,np->nc", path, unit)
    fill = ((np.linalg.norm(path, axis=-1) > 0.35 * size[:, None]) * on).sum(axis=1) / number
    spread = np.sqrt((((local - size[:, None]) ** 2) * on).sum(axis=1) / number)
    step = np.linalg.norm(
        profile[:, reach - 4 : reach - 2].mean(axis=1)
        - profile[:, reach + 3 : reach + 5].mean(axis=1),
        axis=-1,
    )
    beyond = (
        ((cell >= start[:, None] - 5) & (cell < start[:, None] - 1))
        | ((cell > stop[:, None] + 1) & (cell <= stop[:, None] + 5))
    ) & inside
    outside = (local * beyond).sum(axis=1) / np.maximum(beyond.sum(axis=1), 1)
    away = np.abs(np.concatenate([shape[:, : reach - 3], shape[:, reach + 4 :]], axis=1))
    narrow = np.abs(shape[:, [reach - 2, reach + 2]]).mean(axis=1)
    cues = np.stack(
        [
            size,
            np.log1p(size * np.sqrt(number) / noise),
            np.linalg.norm(colour[:, 1:], axis=-1),
            np.log(number * CELL_PX),
            fill,
            np.minimum(step / size, 3.0),
            np.minimum(spread / size, 3.0),
            np.clip(outside / size, -1.0, 2.0),
            np.minimum(narrow / size, 2.0),
            np.minimum(away.max(axis=1) / size, 3.0),
        ],
        axis=-1,
    )
    return cues.astype(np.float32), colour.astype(np.float32)
