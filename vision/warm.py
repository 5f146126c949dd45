"""The compiled loops made ready, so that the first picture need not wait for the compiler."""

from __future__ import annotations

from functools import cache

import numpy as np

from vision.find import find_first, find_others
from vision.frame import Frame
from vision.read import conclude
from vision.rest import landmarks, unmoved
from vision.rods import NotFound
from vision.setup import Setup
from vision.steady import Standstill, watch
from vision.track import follow


@cache
def warm_up() -> None:
    """Find, follow and place drawn rods, once a process: slow on a new machine, then under 1 s."""
    rng = np.random.default_rng(0)
    luma = rng.normal(90.0, 6.0, (360, 640))
    luma[248:252, 150:490] = 230.0  # a T, seen from its stem's end
    luma[252:340, 318:323] = 230.0
    chroma = np.full((180, 320), 128, np.uint8)
    frame = Frame(np.clip(luma, 0, 255).astype(np.uint8), chroma, chroma.copy())
    rods, seen = find_first(frame, Setup(), accept=-np.inf)
    assert not isinstance(rods, NotFound)
    find_others(frame, Setup(), (), seen)
    follow(frame, rods, Setup())
    marks = landmarks(frame.y, rods)
    assert marks is not None
    unmoved(marks, frame.y)
    size, looks = (frame.width, frame.height), Standstill()
    reading = conclude(rods, size, Setup(), accept=-np.inf)
    for time_s in (0.0, 0.1):
        looks = watch(looks, reading, size, time_s)
