"""Bands over path-traced rods and where in each the axis lies: what `vision.across` learns from."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench.varied import framed, pictures
from tests.scenes import line_rms_px
from vision.across import HALF, windows_of
from vision.find import COARSE, FINE, candidates_in
from vision.frame import Frame
from vision.full_band import band_along, unit_of

FARTHEST_PX = 12.0  # of a segment from the rod that it may be moved onto
SHARED = 0.35  # of the rod's length, at least
OF_SEGMENT = 0.6
EACH = 2  # segments of each level
MOVED, TURNED = 1.5, 1.0  # columns by which the other start is off the axis
IN_SIGHT = HALF - 1.5


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """One start: what the network sees of it, and the axis's columns off it (windows,) or NaN."""

    picture: str
    profiles: np.ndarray
    context: np.ndarray
    axis: np.ndarray


def bands(folder: Path) -> Iterator[Band]:
    """Of every rod from the segments that are found near it, and from near its axis."""
    rng = np.random.default_rng(6)
    for near in segments_near_rods(folder, EACH):
        seen = near.curve[near.inside]
        yield from _band(near.picture, near.frame, near.ends, seen)
        yield from _band(near.picture, near.frame, _beside(near.ends, seen, rng), seen)


@dataclass(frozen=True, slots=True, eq=False)
class Near:
    """A segment (2, 2) found near a rod, the rod's curve (n, 2), which of it is in the picture."""

    picture: str
    frame: Frame
    ends: np.ndarray
    curve: np.ndarray
    inside: np.ndarray


def segments_near_rods(folder: Path, each: int, from_above: bool = False) -> Iterator[Near]:
    """So many of either level, the likeliest first, near each rod; `from_above` as in `varied`."""
    for name, bgr, curves in pictures(folder, from_above):
        frame = framed(bgr)
        size = np.array([frame.width, frame.height])
        for level in (COARSE, FINE):
            segments = candidates_in(frame, level).ends_px
            for curve in curves:
                inside = ((curve > -0.5) & (curve < size - 0.5)).all(axis=1)
                if inside.sum() < 3:
                    continue
                near = [ends for ends in segments if _near_rod(ends, curve[inside])][:each]
                yield from (Near(name, frame, ends, curve, inside) for ends in near)


def _near_rod(ends: np.ndarray, curve: np.ndarray) -> bool:
    """Whether a segment lies along most of a rod's curve, so near that it may be moved onto it."""
    span = curve[-1] - curve[0]
    length = np.hypot(*span)
    at = np.sort((ends - curve[0]) @ span / length**2)
    shared = min(at[1], 1.0) - max(at[0], 0.0)
    far = line_rms_px(ends, curve)
    return far < FARTHEST_PX and shared > SHARED and shared > OF_SEGMENT * (at[1] - at[0])


def _beside(ends: np.ndarray, curve: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The segment moved nearly onto the axis."""
    axis, across = _from(ends, curve)
    shifts = np.interp([0.0, np.hypot(*(ends[1] - ends[0]))], *axis)
    off = rng.normal(0, MOVED) + rng.normal(0, TURNED) * np.array([-0.5, 0.5])
    return ends + (shifts + off)[:, None] * across


def _from(ends: np.ndarray, curve: np.ndarray) -> tuple[tuple[np.ndarray, np.ndarray], np.ndarray]:
    """How far along and across the segment the curve's points lie; and the way across."""
    along = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    across = np.array([-along[1], along[0]])
    at, off = (curve - ends[0]) @ along, (curve - ends[0]) @ across
    order = np.argsort(at)
    return (at[order], off[order]), across


def seen_along(frame: Frame, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What the networks see of the windows along a segment: profiles and contexts."""
    planes = (frame.y, frame.u, frame.v)
    return windows_of(band_along(planes, np.ascontiguousarray(ends), HALF, unit_of(frame)))


def axis_off(ends: np.ndarray, curve: np.ndarray, count: int) -> np.ndarray:
    """How far across (count,) the rod's axis is from a segment's windows' middles, pixels.

    NaN beyond the rod.
    """
    middles = (np.arange(count) + 0.5) / count * np.hypot(*(ends[1] - ends[0]))
    (at, off), _ = _from(ends, curve)
    return np.interp(middles, at, off, left=np.nan, right=np.nan)


def _band(name: str, frame: Frame, ends: np.ndarray, curve: np.ndarray) -> Iterator[Band]:
    profiles, context = seen_along(frame, ends)
    axis = axis_off(ends, curve, len(profiles)) / unit_of(frame)
    axis[np.abs(axis) > IN_SIGHT] = np.nan
    if np.isfinite(axis).sum() >= 3:
        yield Band(name, profiles, context, axis)
