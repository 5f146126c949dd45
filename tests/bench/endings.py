"""What lies around rods' ends in path-traced pictures: what `vision.ends` learns from."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench.bands import near_rod
from tests.bench.varied import framed, pictures
from tests.scenes import line_rms_px
from vision.ends import REACH, RIM_PX, shown, unit_at
from vision.find import COARSE, FINE, candidates_in
from vision.frame import Frame
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
    for name, bgr, curves in pictures(folder, from_above=True):
        frame = framed(bgr)
        size = np.array([frame.width, frame.height])
        for level in (COARSE, FINE):
            segments = candidates_in(frame, level).ends_px
            for curve in curves:
                inside = ((curve > -0.5) & (curve < size - 0.5)).all(axis=1)
                if inside.sum() < 3:
                    continue
                near = [ends for ends in segments if near_rod(ends, curve[inside])][:1]
                for ends in near:
                    yield from _both(name, frame, ends, curve, inside)


def _both(
    name: str, frame: Frame, segment: np.ndarray, curve: np.ndarray, inside: np.ndarray
) -> Iterator[Ending]:
    ends, seen, along = extended(frame, segment)
    width = seen.width_px
    if along is None or line_rms_px(ends, curve[inside]) > max(OFF_PX, OFF_WIDTHS * width):
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
            name,
            *shown(planes, ends, which, width, unit_of(frame)),
            float(steps) if shows and abs(steps) < REACH else np.nan,
        )
