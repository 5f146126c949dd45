"""What lies around rods' ends in path-traced pictures: what `vision.ends` learns from."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench.bands import Near, segments_near_rods
from tests.scenes import line_rms_px
from vision.ends import REACH, RIM_PX, shown, unit_at
from vision.full_band import unit_of
from vision.ribbon import extended

OFF_WIDTHS, OFF_PX = 1.0, 3.0  # farther from the axis a line is no rod's


@dataclass(frozen=True, slots=True, eq=False)
class Ending:
    """Around one end of a measured line: what the network sees, and where the rod ends.

    `steps` outward from where it seemed to; NaN where that is farther than the network looks.
    """

    picture: str
    seen: np.ndarray
    context: np.ndarray
    steps: float


def endings(folder: Path) -> Iterator[Ending]:
    """Of every rod, from the likeliest segment near it at either level, both ends in sight."""
    for near in segments_near_rods(folder, 1, from_above=True):
        yield from _both(near)


def _both(near: Near) -> Iterator[Ending]:
    frame, curve = near.frame, near.curve
    ends, seen, along = extended(frame, near.ends)
    width = seen.width_px
    if along is None or line_rms_px(ends, curve[near.inside]) > max(OFF_PX, OFF_WIDTHS * width):
        return
    span = ends[1] - ends[0]
    way = span / np.hypot(*span)
    true = curve[[0, -1]] if (curve[-1] - curve[0]) @ way > 0 else curve[[-1, 0]]
    rim = np.array([frame.width, frame.height]) - 1 - RIM_PX
    for which, out in enumerate((-way, way)):
        if (ends[which] < RIM_PX).any() or (ends[which] > rim).any():
            continue
        shows = (true[which] > RIM_PX).all() and (true[which] < rim).all()
        steps = (true[which] - ends[which]) @ out / unit_at(width, unit_of(frame))
        planes = (frame.y, frame.u, frame.v)
        yield Ending(
            near.picture,
            *shown(planes, ends, which, width, unit_of(frame)),
            float(steps) if shows and abs(steps) < REACH else np.nan,
        )
