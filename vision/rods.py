"""Stage 1 output: the two rods found in a picture, or the reason why not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.setup import Role


class End(StrEnum):
    """How a rod's end shows in the picture."""

    SEEN = "seen"
    CUT = "cut"  # leaves the picture
    HIDDEN = "hidden"  # a foot, a bag, grass over it


class Reason(StrEnum):
    """Why no layout was accepted. Keys of the texts file (`reason.<value>`)."""

    NO_RODS = "no-rods"
    ONE_ROD = "one-rod"
    UNSURE = "unsure"  # something rod-like, not sure enough
    WRONG_LAYOUT = "wrong-layout"  # cross like neither a T nor a pair
    CROSSED = "crossed"  # like an X
    CORNER = "corner"  # ends meet, like an L
    PAIR_LAID = "pair-laid"  # side by side where a T is expected
    T_LAID = "t-laid"  # a T where a pair is expected
    T_TURNED = "t-turned"  # a T whose stem points elsewhere than to the lens
    APART = "apart"  # too far from each other for either layout
    DISAGREES = "disagrees"  # lie otherwise than in the other views of the same setup
    TOO_DARK = "too-dark"
    BLANK = "blank"  # torn, covered or even picture
    TOO_SMALL = "too-small"


@dataclass(frozen=True, slots=True, eq=False)
class Rod:
    """One rod: its centre line between two ends, in pixels of the full picture.

    `ends_px` (2, 2) far end first for a stem and for a pair's rods; for the target rod
    (left, right) in the picture. The line's errors across itself are independent at two points,
    each of `line_sigma_px`: either side of the middle, `line_reach` times 1/sqrt(12) of the length
    away (1: a straight-line regression on even samples; more: most of the error is a shift of the
    whole line). `end_sigma_px` (2,): along the rod.
    """

    role: Role
    ends_px: NDArray[np.float64]
    ends: tuple[End, End]
    line_sigma_px: float
    end_sigma_px: tuple[float, float]
    width_px: float
    score: float
    look: NDArray[np.float64] | None = None  # `vision.look.LOOK`, where measured
    line_reach: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Search:
    """What the search saw besides the two rods that it chose."""

    geometry: float  # the part of the score that says how well they lie
    tapped: float  # the part that taps on the picture gave
    rivals: int  # segments about as rod-like as the worse of the two, or more
    third: float  # evidence of the third best segment
    likely: tuple[Rod, ...]  # the segments that look most like rods, roughly placed


@dataclass(frozen=True, slots=True)
class Rods:
    """Both rods of the layout, in the order of `Setup.roles`."""

    first: Rod
    second: Rod
    score: float  # evidence for both and how well they lie
    runner_up: float  # score of the best other layout
    search: Search | None = None

    @property
    def both(self) -> tuple[Rod, Rod]:
        """Both rods in order."""
        return (self.first, self.second)

    @property
    def ends_px(self) -> NDArray[np.float64]:
        """Both rods' ends (2 rods, 2 ends, 2), pixels."""
        return np.stack([self.first.ends_px, self.second.ends_px])


@dataclass(frozen=True, slots=True)
class NotFound:
    """No layout accepted, with the reason and what was seen nearest to one."""

    reason: Reason
    seen: tuple[Rod, ...] = ()
