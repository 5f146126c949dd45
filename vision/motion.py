"""How the rods' ends move from frame to frame, and views brought to one another's pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.rods import Rod, Rods
from vision.setup import Tilt
from vision.sights import Sight

STANDING = 0.008  # of the picture's longer side, the ends' mean, from where they were


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """How the rods' ends move in the picture: last seen, and where they have stood since when."""

    size: tuple[int, int]
    ends_px: NDArray[np.float64]
    time_s: float
    stood_px: NDArray[np.float64]
    stood_s: float
    speed: float = float("inf")  # longer sides a second

    def still_for_s(self, time_s: float) -> float:
        """Seconds for which the ends have stood."""
        return time_s - self.stood_s


def moving(before: Motion | None, rods: Rods, size: tuple[int, int], time_s: float) -> Motion:
    """The motion with one more frame; a first one where there is none to compare with."""
    ends = np.concatenate([rod.ends_px for rod in rods.both])
    if before is None or before.size != size or time_s <= before.time_s:
        return Motion(size, ends, time_s, ends, time_s)
    longer = max(size)
    went = float(np.linalg.norm(ends - before.ends_px, axis=1).mean()) / longer
    speed = went / (time_s - before.time_s)
    gone = float(np.linalg.norm(ends - before.stood_px, axis=1).mean()) / longer
    if gone > STANDING:
        return Motion(size, ends, time_s, ends, time_s, speed)
    return Motion(size, ends, time_s, before.stood_px, before.stood_s, speed)


def wider(tilt: Tilt, late_rad: float) -> Tilt:
    """The tilt with an error more, by which its reading is late."""
    pitch, roll = (float(np.hypot(sigma, late_rad)) for sigma in tilt.noise_rad)
    return replace(tilt, sigma_rad=pitch, roll_sigma_rad=roll)


def scaled(rod: Rod, factor: float) -> Rod:
    """The rod in a picture resized by `factor`; pixel 0 is the middle of the first pixel."""
    first, second = rod.end_sigma_px
    return replace(
        rod,
        ends_px=(rod.ends_px + 0.5) * factor - 0.5,
        line_sigma_px=rod.line_sigma_px * factor,
        end_sigma_px=(first * factor, second * factor),
        width_px=rod.width_px * factor,
    )


def away(a: Sight, b: Sight) -> float:
    """How far two looks' ends lie apart, all four together, of the longer side."""
    ends = [s.rods.ends_px for s in (a, b)]
    return float(np.linalg.norm(ends[0] - ends[1])) / max(a.size)
