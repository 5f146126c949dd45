"""The whole chain on one picture: frame -> rods -> pose -> placement -> effect -> advice."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from vision.advice import Advice
from vision.aim import Aim, NoAim
from vision.effect import Effect
from vision.framing import Framing
from vision.lens_check import LensCheck
from vision.placement import Layout, Placement
from vision.pose import Pose
from vision.rods import NotFound, Rods
from vision.setup import Lens, Setup


class Verdict(StrEnum):
    """The outcome. SQUARE only with the stated confidence in every governed quantity."""

    SQUARE = "square"
    OFF = "off"
    NOT_FOUND = "not-found"


@dataclass(frozen=True, slots=True)
class Evidence:
    """Why to believe a reading: rms misfit, and the next best solution's cost over the best's."""

    residual_px: float
    runner_up_ratio: float


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds spent, measured by the caller's clock; None for a part that was not timed apart."""

    find_s: float | None
    pose_s: float | None
    total_s: float


@dataclass(frozen=True, slots=True)
class Reading:
    """All that is said about one picture. Where `rods` is NotFound, what needs a pose is None."""

    setup: Setup
    verdict: Verdict
    rods: Rods | NotFound
    placement: Placement | None
    layout: Layout | None
    lens: Lens | None
    framing: Framing | None
    effect: Effect | None
    advice: tuple[Advice, ...]
    evidence: Evidence | None
    unsure: tuple[str, ...] = ()  # governed quantities inside tolerance but not surely so
    pose: Pose | None = None  # what the placement was made from
    belief: float = float("-inf")  # log-odds that the rods are there
    lens_check: LensCheck | None = None  # how well the picture fits the lens's profile, where asked
    aim: Aim | NoAim | None = None  # None: nobody asked, or there is no pose
