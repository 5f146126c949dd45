"""A second look at a picture in which the search alone failed, once its rods are known."""

from __future__ import annotations

import numpy as np

from vision.agree import agreement
from vision.belief import ACCEPT
from vision.find import FLOOR, find_first, find_others
from vision.frame import Frame
from vision.hint import Hint
from vision.read import Weighed, weigh
from vision.rods import NotFound, Reason, Rods
from vision.setup import Setup

# What the score lacks, the agreement with lens and layout must bring. Steep views score low: the
# search expects a phone on a tripod.
SCORED = FLOOR - 8.0
# Log-odds below `ACCEPT` at which rods that agree are taken; fewer where an end had to be set aside
# for that: a shadow beside a rod, its end taken for a covered one, agrees with another place.
AGREEING, AGREEING_IN_PART = 5.0, 3.0
LEAST_ENDS = 2  # of four, not cut and not covered: two lines alone agree with any layout


def find_again(frame: Frame, setup: Setup, hints: tuple[Hint, ...] = ()) -> Rods | NotFound:
    """The rods of `setup.known`: the most believed layout, if it also agrees with what is known.

    UNSURE where something was found that is not. Raises SetupError without known rods.
    """
    size = (frame.width, frame.height)
    rods, seen = find_first(frame, setup, hints, SCORED)
    if isinstance(rods, NotFound):
        return rods
    weighed = [weigh(each, size, setup) for each in (rods, *find_others(frame, setup, hints, seen))]
    known = [each for each in weighed if isinstance(each, Weighed)]
    best = max(known, key=lambda each: each.belief, default=None)
    if best is None:
        return NotFound(Reason.UNSURE, rods.both)
    found = agreement(best.rods, size, setup)
    lacks = AGREEING_IN_PART if found.pose.hidden.any() else AGREEING
    few = np.isfinite(found.pose.view.end_sigma).sum() < LEAST_ENDS
    if found.moved() or few or best.belief < ACCEPT - lacks:
        return NotFound(Reason.UNSURE, rods.both)
    return best.rods
