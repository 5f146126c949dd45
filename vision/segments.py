"""Stage 1c: line pieces grown into whole segments, with the cues that tell rods from others."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.band import SEED_CELLS, Array, best_run, likeness, paths_of, straighten, thin_of
from vision.cues import cue_count, measure_cues
from vision.hough import Lines
from vision.kernel import kernel

REACH = 0.30  # half-length of the band, of the picture's longer side


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
    reach = REACH * max(planes.shape[1:]) if reach_px is None else reach_px
    half = max(2 * SEED_CELLS, int(reach) // sizes.cell)  # cells on either side of the seed
    image = np.asarray(cv2.merge([planes[0], planes[1], planes[2]]), np.float32)
    ends, cues, colour = _grow_each(
        image,
        np.asarray(lines.ends_px, np.float32),
        half,
        (sizes.cell, sizes.sample, sizes.half_width, sizes.flank),
        shift_px,
        *paths_of(half, sizes.cell, sizes.half_width, shift_px),
        cue_count(sizes.flank),
    )
    return Segments(ends, cues, colour)


@kernel
def _grow_each(
    image: Array,
    pieces: Array,
    half: int,
    sizes: tuple[int, int, int, int],
    shift: int,
    paths: Array,
    columns: NDArray[np.uint32],
    cue_number: int,
) -> tuple[Array, Array, Array]:
    """Ends (n, 2, 2), cues (n, `cue_number`) and colours (n, 3) of pieces (n, 2, 2)."""
    cell, sample, wide, flank = sizes
    count = len(pieces)
    ends = np.empty((count, 2, 2), np.float32)
    cues = np.empty((count, cue_number), np.float32)
    colours = np.empty((count, 3), np.float32)
    for i in range(count):
        middle = (pieces[i, 0] + pieces[i, 1]) / np.float32(2.0)
        along = pieces[i, 1] - pieces[i, 0]
        along = along / np.sqrt((along * along).sum())
        band, inside = straighten(image, middle, along, half, cell, sample, wide)
        thin = thin_of(band, flank)
        noise = np.sqrt((thin * thin).mean() + 0.01)
        llr = likeness(thin, inside, noise, half, wide, shift)
        path, first, last = best_run(llr, columns, half)
        cues[i], colours[i] = measure_cues(
            band, thin, columns[path], first, last, inside, noise, cell, flank
        )
        for e in range(2):
            t = ((first if e == 0 else last + 1) - half) * cell
            offset = paths[path, 0] + paths[path, 1] * t
            ends[i, e, 0] = middle[0] + along[0] * t - along[1] * offset
            ends[i, e, 1] = middle[1] + along[1] * t + along[0] * offset
    return ends, cues, colours
