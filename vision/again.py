"""A second look at a picture in which the search alone failed, once its rods are known."""

from __future__ import annotations

import numpy as np

from vision.agree import agreement_of
from vision.belief import ACCEPT
from vision.errors import SetupError
from vision.find import FLOOR, find_first, find_others
from vision.frame import Frame
from vision.hint import Hint
from vision.read import SURE, Weighed, weigh
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
    """The rods of `setup.known`: the most believed layout that also agrees with what is known.

    UNSURE where something was found, but no such layout. Raises SetupError without known rods.
    """
    if setup.known is None:
        raise SetupError("no rods were measured before: take a first look, then look again")
    size = (frame.width, frame.height)
    rods, seen = find_first(frame, setup, hints, SCORED)
    if isinstance(rods, NotFound):
        return rods
    first = weigh(rods, size, setup)
    if isinstance(first, Weighed) and first.belief >= SURE and _agrees(first):
        return rods
    others = (weigh(each, size, setup) for each in find_others(frame, setup, hints, seen))
    known = [each for each in (first, *others) if isinstance(each, Weighed)]
    for each in sorted(known, key=lambda each: -each.belief):
        if _agrees(each):
            return each.rods
    return NotFound(Reason.UNSURE, rods.both)


def _agrees(weighed: Weighed) -> bool:
    """Whether rods agree with the known ones, and are believed enough for that."""
    found = agreement_of(weighed.pose)
    lacks = AGREEING_IN_PART if found.pose.hidden.any() else AGREEING
    enough = np.isfinite(found.pose.view.end_sigma).sum() >= LEAST_ENDS
    return bool(enough and not found.moved() and weighed.belief >= ACCEPT - lacks)
