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

Array = NDArray[np.float32]

REACH = 0.30  # half-length of the band, of the picture's longer side
SEED_CELLS = 4  # on either side of the piece's middle
SHEAR = 0.06
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
    "luma",
    "noise",
    *(f"share of {plane}" for plane in ("luma", "red-green", "blue-yellow")),
    *(f"along {share}" for share in (10, 25, 50, 75)),
)
# Behind these: the profile across, its even part and its odd part, from 1 pixel to 3 flanks out.


@dataclass(frozen=True, slots=True)
class Band:
    """Sizes in pixels of the planes: cell and sample along the line, half-width, flank distance."""

    cell: int
    sample: int
    half_width: int
    flank: int


FINE = Band(cell=4, sample=2, half_width=15, flank=3)  # planes at half size
COARSE = Band(cell=2, sample=1, half_width=10, flank=2)  # planes at a quarter


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
    """In pixels of the planes: `ends_px` (n, 2, 2), `cues` (n, `cue_count`), `colour` (n, 3)."""

    ends_px: Array
    cues: Array
    colour: Array


def cue_count(sizes: Band) -> int:
    """Number of cues that `grow` measures."""
    return len(CUES) + 2 * 3 * sizes.flank


def grow(
    planes: Array,
    lines: Lines,
    sizes: Band = FINE,
    reach_px: float | None = None,
    shift_px: int = 1,
) -> Segments:
    """Grow every line piece to its extent and measure its cues; order kept.

    `reach_px`: how far from a piece's middle its segment may end (default `REACH`); `shift_px`:
    how far beside the piece its line may lie.
    """
    if not len(lines.ends_px):
        return Segments(
            np.empty((0, 2, 2), np.float32),
            np.empty((0, cue_count(sizes)), np.float32),
            np.empty((0, 3), np.float32),
        )
    reach = REACH * max(planes.shape[1:]) if reach_px is None else reach_px
    half = max(2 * SEED_CELLS, int(reach) // sizes.cell)  # cells on either side of the seed
    middle = lines.ends_px.mean(axis=1)
    along = lines.ends_px[:, 1] - lines.ends_px[:, 0]
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    across = np.stack([-along[:, 1], along[:, 0]], axis=-1)
    band, inside = _straighten(planes, middle, along, across, half, sizes)
    thin = _thin(band, sizes.flank)
    noise = np.sqrt((thin * thin).mean(axis=(1, 2, 3)) + 0.01)
    llr = _likeness(thin, inside, noise, half, sizes, shift_px)
    column, offsets, start, stop = _best_run(llr, half, sizes, shift_px)
    ends = (
        middle[:, None]
        + along[:, None] * ((np.stack([start, stop + 1], axis=-1) - half) * sizes.cell)[..., None]
        + across[:, None] * offsets[..., None]
    )
    cues, colour = _measure(band, thin, column, (start, stop), inside, noise, sizes)
    return Segments(ends.astype(np.float32), cues, colour)


def _straighten(
    planes: Array, middle: Array, along: Array, across: Array, half: int, sizes: Band
) -> tuple[Array, NDArray[np.bool_]]:
    """Bands (n, cells, offsets, planes) along each piece, and which cells (n, cells) are inside."""
    count, cells = len(middle), 2 * half
    _, height, width = planes.shape
    step = sizes.sample
    t = np.arange(-half * sizes.cell, half * sizes.cell, step, dtype=np.float32) + (step - 1) / 2
    o = np.arange(-sizes.half_width, sizes.half_width + 1, dtype=np.float32)
    line = middle[:, None] + along[:, None] * t[None, :, None]  # (n, samples, 2)
    shape = (count * cells, -1)
    x = (line[..., 0, None] + across[:, None, None, 0] * o).astype(np.float32).reshape(shape)
    y = (line[..., 1, None] + across[:, None, None, 1] * o).astype(np.float32).reshape(shape)
    image = cv2.merge([planes[0], planes[1], planes[2]])
    band = cv2.remap(image, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    parts = sizes.cell // step
    band = band.reshape(count, cells, parts, len(o), 3)
    middles = line.reshape(count, cells, parts, 2).mean(axis=2)
    inside = ((middles >= 0) & (middles <= (width - 1, height - 1))).all(axis=-1)
    return np.asarray(band.mean(axis=2), np.float32), inside


def _thin(band: Array, flank: int) -> Array:
    """Contrast of each offset against both its flanks, the smaller with its sign; edges are 0."""
    thin = np.zeros_like(band)
    centre = band[:, :, flank:-flank]
    left = centre - band[:, :, : -2 * flank]
    right = centre - band[:, :, 2 * flank :]
    low, high = np.minimum(left, right), np.maximum(left, right)
    thin[:, :, flank:-flank] = np.maximum(low, 0) + np.minimum(high, 0)
    return thin


def _likeness(
    thin: Array,
    inside: NDArray[np.bool_],
    noise: Array,
    half: int,
    sizes: Band,
    shift_px: int,
) -> Array:
    """Clipped log-likelihood ratio (n, cells, offsets): the piece's own colour, or any colour."""
    near = slice(sizes.half_width - shift_px, sizes.half_width + shift_px + 1)
    seed = thin[:, half - SEED_CELLS : half + SEED_CELLS, near].mean(axis=1)  # (n, offsets, planes)
    strength = np.linalg.norm(seed, axis=-1)
    best = strength.argmax(axis=1)
    rows = np.arange(len(thin))
    size = strength[rows, best] + 1e-6
    unit = seed[rows, best] / size[:, None]
    own = np.matmul(thin.reshape(len(thin), -1, 3), unit[:, :, None]).reshape(thin.shape[:3])
    energy = np.einsum("ncop,ncop->nco", thin, thin)
    variance = ((1.5 * noise) ** 2)[:, None, None]
    size = size[:, None, None]
    same = (own - 0.5 * size) * (size / variance)
    other = np.minimum(0.25 * (energy / variance - 3.0), 0.7)  # clubs have several colours
    llr = np.clip(np.maximum(same, other), -CLIP_LLR, CLIP_LLR)
    return np.asarray(np.where(inside[:, :, None], llr, -CLIP_LLR), np.float32)


def _best_run(
    llr: Array, half: int, sizes: Band, shift_px: int
) -> tuple[NDArray[np.intp], Array, NDArray[np.intp], NDArray[np.intp]]:
    """The best line and its run: column (n, cells), offsets at both ends (n, 2), first, last."""
    count, cells, _ = llr.shape
    t = (np.arange(cells) - half + 0.5) * sizes.cell
    slopes = np.linspace(-SHEAR, SHEAR, 15)
    shifts, slopes = (g.ravel() for g in np.meshgrid(np.arange(-shift_px, shift_px + 1.0), slopes))
    offset = np.rint(shifts[:, None] + slopes[:, None] * t).astype(np.intp)  # (paths, cells)
    columns = np.clip(offset + sizes.half_width, 0, 2 * sizes.half_width)
    path = llr[:, np.arange(cells)[None], columns]  # (n, paths, cells)
    right = np.cumsum(path[:, :, half:], axis=-1)
    left = np.cumsum(path[:, :, half - 1 :: -1], axis=-1)
    best = (right.max(axis=-1) + left.max(axis=-1)).argmax(axis=-1)
    rows = np.arange(count)
    stop = half + right[rows, best].argmax(axis=-1)
    start = half - 1 - left[rows, best].argmax(axis=-1)
    ends_t = (np.stack([start, stop + 1], axis=-1) - half) * sizes.cell
    offsets = shifts[best][:, None] + slopes[best][:, None] * ends_t
    return columns[best], offsets.astype(np.float32), start, stop


def _measure(
    band: Array,
    thin: Array,
    column: NDArray[np.intp],
    run: tuple[NDArray[np.intp], NDArray[np.intp]],
    inside: NDArray[np.bool_],
    noise: Array,
    sizes: Band,
) -> tuple[Array, Array]:
    """The cues of each segment (n, `cue_count`) and its colour (n, 3)."""
    start, stop = run
    count, cells = column.shape
    cell = np.arange(cells)[None]
    rows = np.arange(count)[:, None]
    on = ((cell >= start[:, None]) & (cell <= stop[:, None])).astype(np.float32)
    number = on.sum(axis=1)
    # The band moved so that the path is its middle column, averaged over the run.
    reach, flank = 3 * sizes.flank, sizes.flank
    pick = np.clip(column[:, :, None] + np.arange(-reach, reach + 1), 0, 2 * sizes.half_width)
    moved = band[rows[:, :, None], cell[:, :, None], pick]  # (n, cells, offsets, planes)
    weights = (on / number[:, None])[:, None]
    profile = np.matmul(weights, moved.reshape(count, cells, -1)).reshape(count, 2 * reach + 1, 3)
    left = profile[:, reach - flank - 1 : reach - flank + 1].mean(axis=1)
    right = profile[:, reach + flank : reach + flank + 2].mean(axis=1)
    centred = profile - 0.5 * (left + right)[:, None]
    colour = centred[:, reach]
    size = np.linalg.norm(colour, axis=-1) + 1e-6
    unit = colour / size[:, None]
    shape = np.einsum("nop,np->no", centred, unit)  # contrast across, along the rod's own colour
    path = thin[rows, cell, column]
    local = np.einsum("ncp,np->nc", path, unit)
    fill = ((np.linalg.norm(path, axis=-1) > 0.35 * size[:, None]) * on).sum(axis=1) / number
    spread = np.sqrt((((local - size[:, None]) ** 2) * on).sum(axis=1) / number)
    step = np.linalg.norm(left - right, axis=-1)
    beyond = (
        ((cell >= start[:, None] - 5) & (cell < start[:, None] - 1))
        | ((cell > stop[:, None] + 1) & (cell <= stop[:, None] + 5))
    ) & inside
    outside = (local * beyond).sum(axis=1) / np.maximum(beyond.sum(axis=1), 1)
    away = np.abs(np.delete(shape, np.arange(reach - flank, reach + flank + 1), axis=1))
    narrow = np.abs(shape[:, [reach - flank + 1, reach + flank - 1]]).mean(axis=1)
    cues = np.stack(
        [
            size,
            np.log1p(size * np.sqrt(number) / noise),
            np.linalg.norm(colour[:, 1:], axis=-1),
            np.log(number * sizes.cell / sizes.flank),
            fill,
            np.minimum(step / size, 3.0),
            np.minimum(spread / size, 3.0),
            np.clip(outside / size, -1.0, 2.0),
            np.minimum(narrow / size, 2.0),
            np.minimum(away.max(axis=1) / size, 3.0),
            colour[:, 0],
            noise,
            *np.abs(unit).T,
            *_quantiles(local / size[:, None], on),
        ],
        axis=-1,
    )
    out, back = shape[:, reach + 1 :], shape[:, reach - 1 :: -1]
    profile_cues = np.concatenate([out + back, np.abs(out - back)], axis=1) / (2 * size[:, None])
    cues = np.concatenate([cues, np.clip(profile_cues, -3.0, 3.0)], axis=1)
    return cues.astype(np.float32), colour.astype(np.float32)


def _quantiles(values: Array, on: Array) -> list[Array]:
    """The 10th, 25th, 50th and 75th percentile of each row (n, cells) where `on` is 1."""
    ordered = np.sort(np.where(on > 0, values, np.inf), axis=1)
    last = on.sum(axis=1) - 1
    rows = np.arange(len(values))
    return [
        np.clip(ordered[rows, np.rint(share * last).astype(np.intp)], -3.0, 3.0)
        for share in (0.10, 0.25, 0.50, 0.75)
    ]
