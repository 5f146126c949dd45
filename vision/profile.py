"""What is known of one lens at one size: made from a board, or gathered from first looks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from vision.calibrate import Calibration
from vision.errors import SetupError
from vision.setup import Lens, LensSource

# A lens focused at a near board stands further out than one focused at the rods: thin lenses,
# v = f d / (d - f). From memory of phones' lenses (f 5 to 7 mm), 0.5 m against 3 m is 1 %.
FOCUS_SHARE = 0.005
STEADIER_SHARE = 0.002  # stabilised lenses and sensors wander, as a share of the longer side
# First looks share faults that each one's own sigma does not know (tilt sensor, rods, focus).
BETWEEN_LOOKS_SHARE = 0.01
MIN_LOOKS = 2
OUTLYING = 4.0  # sigmas from the median at which one look is set aside
SAME_SHAPE = 0.005


class Made(StrEnum):
    """Where a profile comes from."""

    BOARD = "board"
    LOOKS = "looks"


@dataclass(frozen=True, slots=True)
class LensKey:
    """Which lens, as far as a browser tells: `device` and `lens` are its own words.

    `long_px` and `short_px` are the camera's picture, however the phone is held.
    """

    device: str
    lens: str
    long_px: int
    short_px: int

    def __post_init__(self) -> None:
        if not 16 <= self.short_px <= self.long_px <= 100_000:
            raise SetupError(
                f"a camera's picture of {self.long_px} x {self.short_px} pixels cannot be: give "
                "the longer side first, each from 16 to 100000"
            )

    @staticmethod
    def of(device: str, lens: str, size: tuple[int, int]) -> LensKey:
        """The key for pictures of `size`, upright or not."""
        return LensKey(device, lens, max(size), min(size))


@dataclass(frozen=True, slots=True)
class Profile:
    """One lens, in pixels of a picture of `size` as it was calibrated (upright or not).

    Spreads are one standard deviation. `views` counts board views or looks; `rms_px` and
    `held_back_px` are null for looks, which have no board.
    """

    name: str
    key: LensKey
    made: Made
    size: tuple[int, int]
    focal_px: float
    sigma_px: float
    centre_px: tuple[float, float] | None = None
    centre_sigma_px: float | None = None
    bend: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    k1_sigma: float | None = None
    rms_px: float | None = None
    held_back_px: float | None = None
    views: int = 0

    def lens_for(self, size: tuple[int, int]) -> Lens | None:
        """The lens for a picture of `size`: scaled; None for another shape, which is another crop.

        A phone held the other way gives the same picture turned, which way is not known: the
        principal point is then the middle, give or take how far off it was.
        """
        scale = max(size) / max(self.size)
        if abs(min(size) - scale * min(self.size)) > 1 + SAME_SHAPE * min(size):
            return None
        same_way = (size[0] >= size[1]) == (self.size[0] >= self.size[1])
        middle = ((self.size[0] - 1) / 2, (self.size[1] - 1) / 2)
        centre, spread, bend = self.centre_px, self.centre_sigma_px, self.bend
        if centre is not None:
            spread = float(np.hypot(spread or 0.0, STEADIER_SHARE * max(self.size)))
        if centre is not None and not same_way:
            off = max(abs(centre[0] - middle[0]), abs(centre[1] - middle[1]))
            spread, centre = float(np.hypot(spread or 0.0, off)), (middle[1], middle[0])
            bend = (bend[0], bend[1], 0.0, 0.0, bend[4])
        share = FOCUS_SHARE if self.made is Made.BOARD else 0.0
        bent = self.made is Made.BOARD and centre is not None
        return Lens(
            focal_px=self.focal_px,
            sigma_px=float(np.hypot(self.sigma_px, share * self.focal_px)),
            source=LensSource.PROFILE,
            k1=0.0 if bent else self.bend[0],
            k1_sigma=self.k1_sigma,
            centre_px=centre,
            centre_sigma_px=spread,
            bend=bend if bent else None,
        ).scaled(scale)


def from_calibration(name: str, device: str, lens: str, found: Calibration) -> Profile:
    """The profile of a calibrated lens."""
    return Profile(
        name=name,
        key=LensKey.of(device, lens, found.size),
        made=Made.BOARD,
        size=found.size,
        focal_px=found.focal_px,
        sigma_px=found.focal_sigma_px,
        centre_px=found.centre_px,
        centre_sigma_px=found.centre_sigma_px,
        bend=found.bend,
        k1_sigma=found.k1_sigma,
        rms_px=found.rms_px,
        held_back_px=found.held_back_px,
        views=sum(view.used for view in found.views),
    )


@dataclass(frozen=True, slots=True)
class Look:
    """What one first look found (pixels of the key's picture); sigmas are its own."""

    focal_px: float
    sigma_px: float
    k1: float = 0.0
    k1_sigma: float | None = None

    def __post_init__(self) -> None:
        if not (0 < self.focal_px < 1e6 and 0 < self.sigma_px < 1e6):
            raise SetupError(
                f"a first look with a focal length of {self.focal_px:g} px and a sigma of "
                f"{self.sigma_px:g} px cannot be kept: both must be above 0"
            )


def from_looks(key: LensKey, looks: Sequence[Look], name: str) -> Profile | None:
    """Several first looks, weighted by their inverse variances; None while there are too few.

    To each variance one between looks is added: the larger of a floor and what their spread shows
    (DerSimonian and Laird, Controlled Clinical Trials 7, 1986), and the floor once more to the
    result: a bias that every look shares does not shrink with their number. A look far from the
    others' median is set aside.
    """
    if len(looks) < MIN_LOOKS:
        return None
    logs = np.log([look.focal_px for look in looks])
    own = np.array([look.sigma_px / look.focal_px for look in looks])
    spread = np.hypot(own, BETWEEN_LOOKS_SHARE)
    kept = np.abs(logs - np.median(logs)) < OUTLYING * spread
    if kept.sum() < MIN_LOOKS:
        return None  # they contradict each other: another zoom, perhaps
    between = max(BETWEEN_LOOKS_SHARE**2, _between(logs[kept], own[kept] ** 2))
    weight = 1.0 / (own[kept] ** 2 + between)
    focal = float(np.exp((weight * logs[kept]).sum() / weight.sum()))
    share = float(np.sqrt(1.0 / weight.sum() + BETWEEN_LOOKS_SHARE**2))
    k1, k1_sigma = _fused_k1([look for look, keep in zip(looks, kept, strict=True) if keep])
    return Profile(
        name=name,
        key=key,
        made=Made.LOOKS,
        size=(key.long_px, key.short_px),
        focal_px=focal,
        sigma_px=share * focal,
        bend=(k1, 0.0, 0.0, 0.0, 0.0),
        k1_sigma=k1_sigma,
        views=int(kept.sum()),
    )


def _between(values: np.ndarray, variances: np.ndarray) -> float:
    """DerSimonian and Laird's variance between estimates, at least 0."""
    weight = 1.0 / variances
    mean = (weight * values).sum() / weight.sum()
    excess = (weight * (values - mean) ** 2).sum() - (len(values) - 1)
    scale = weight.sum() - (weight**2).sum() / weight.sum()
    return float(max(0.0, excess / scale)) if scale > 0 else 0.0


def _fused_k1(looks: Sequence[Look]) -> tuple[float, float | None]:
    known = [(look.k1, look.k1_sigma) for look in looks if look.k1_sigma]
    if not known:
        return 0.0, None
    k1, sigma = np.array(known).T
    # The same prior stands in every look's k1, so the best look's spread is what is known.
    weight = 1.0 / sigma**2
    return float((weight * k1).sum() / weight.sum()), float(sigma.min())
