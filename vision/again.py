"""A second look at a picture in which the search alone failed, once its rods are known."""

from __future__ import annotations

import numpy as np

from vision.agree import agreement
from vision.find import FLOOR, find
from vision.frame import Frame
from vision.hint import Hint
from vision.rods import NotFound, Reason, Rods
from vision.setup import Setup

# What the score lacks, the agreement with lens and layout must bring. Steep views score low: the
# search expects a phone on a tripod.
BELIEVED = FLOOR - 8.0
LEAST_ENDS = 2  # of four, not cut and not covered: two lines alone agree with any layout


def find_again(frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()) -> Rods | NotFound:
    """The rods of `setup.known`: found with a lower score, believed where they agree with it.

    UNSURE where something was found that does not agree. Raises SetupError without known rods.
    """
    rods = find(frame, setup, hints, BELIEVED)
    if isinstance(rods, NotFound):
        return rods
    found = agreement(rods, (frame.width, frame.height), setup)
    if found.moved() or np.isfinite(found.pose.view.end_sigma).sum() < LEAST_ENDS:
        return NotFound(Reason.UNSURE, rods.both)
    return rods
