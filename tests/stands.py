"""Two stands of one phone at rods that were laid anew between them, seen through OpenCV's camera.

As `tests.walks`; what averaging over seconds leaves of a look is drawn at the sigma that is stated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tests.walks import SIZE, Layout, layout, usable, visible
from vision.rods import End, Rod, Rods
from vision.setup import Handed, Lens, LensSource, Setup, Tilt, View
from vision.steady import Steady

LINE_PX, END_PX, TILT_DEG, BIAS_DEG = 0.15, 0.75, 0.1, 0.7


@dataclass(frozen=True)
class Stand:
    """`own` (6,) as in `vision.model.NAMES`; `truth` (6,) as in `vision.placement.QUANTITIES`."""

    made: Layout
    own: np.ndarray
    look: Steady

    @property
    def truth(self) -> np.ndarray:
        return truth_of(self.made, self.own)


def truth_of(made: Layout, own: np.ndarray) -> np.ndarray:
    """The placement by plane geometry: along and across the stem, or the toe rod."""
    right, forward, lean = own[0], own[1], made.shared[6]
    if made.view is View.DOWN_THE_LINE:
        return np.array([right, -forward, np.exp(own[2]), own[3], own[4], own[5]])
    across = right * np.cos(lean) + forward * np.sin(lean)
    along = right * np.sin(lean) - forward * np.cos(lean)
    return np.array([across, along, np.exp(own[2]), own[3] + lean, own[4], own[5]])


def own_of(made: Layout, truth: np.ndarray) -> np.ndarray:
    """The other way round."""
    across, along, height, yaw, pitch, roll = truth
    lean = made.shared[6] if made.view is View.FACE_ON else 0.0
    right = across * np.cos(lean) + along * np.sin(lean)
    forward = across * np.sin(lean) - along * np.cos(lean)
    return np.array([right, forward, np.log(height), yaw - lean, pitch, roll])


def laid_anew(rng, view=View.FACE_ON, handed=Handed.RIGHT, **kwargs) -> tuple[Layout, Layout]:
    """The same sticks, lens and phone twice; the rods lie otherwise the second time."""
    first, second = layout(rng, view, handed, **kwargs), layout(rng, view, handed, **kwargs)
    shared = second.shared.copy()
    shared[:6], shared[9:] = first.shared[:6], first.shared[9:]
    return first, replace(second, shared=shared)


def stand(rng, made: Layout, own: np.ndarray, lens_sigma: float | None = None) -> Stand:
    """A stand with noise; raises ValueError where the rods do not show."""
    pixels, cut = visible(made, own)
    if cut.sum() > 1:
        raise ValueError("too many ends are outside")
    roles = Setup(view=made.view).roles
    rods = []
    for role, ends, off in zip(roles, pixels, cut, strict=True):
        kinds = tuple(End.CUT if c else End.SEEN for c in off)
        rods.append(_noisy(rng, role, ends, kinds))
    read = own[4:6] + made.shared[9:] + np.deg2rad(rng.normal(0, TILT_DEG, 2))
    focal = float(np.exp(made.shared[0]))
    lens = None
    if lens_sigma is not None:
        given = focal * math.exp(rng.normal(0, lens_sigma))
        lens = Lens(given, given * lens_sigma, LensSource.PROFILE)
    setup = Setup(
        view=made.view,
        handed=made.handed,
        rod_lengths_m=dict.fromkeys(roles, 1.22),
        rod_length_sigma=0.01,
        tilt=Tilt(*read, math.radians(TILT_DEG), math.radians(BIAS_DEG)),
        lens=lens,
    )
    return Stand(made, own, Steady(Rods(*rods, 5.0, -20.0), SIZE, setup, 20, 3.0))


def two_stands(rng, view=View.FACE_ON, handed=Handed.RIGHT, spread=None) -> tuple[Stand, Stand]:
    """Somewhere, and again so far apart (6 sigmas, as in QUANTITIES)."""
    spread = np.array([0.1, 0.1, 0.08, 0.02, 0.02, 0.02]) if spread is None else spread
    first, second = laid_anew(rng, view, handed)
    for _ in range(50):
        own = usable(first, rng, 1.0)
        there = truth_of(first, own) + spread * rng.normal(0, 1, 6)
        try:
            return stand(rng, first, own), stand(rng, second, own_of(second, there))
        except ValueError:
            continue
    return two_stands(rng, view, handed, spread)


def _noisy(rng, role, ends, kinds) -> Rod:
    """As `tests.synthetic._noisy`, with the smaller noise of a mean over seconds."""
    span = ends[1] - ends[0]
    along = span / np.linalg.norm(span)
    across = np.array([-along[1], along[0]])
    a, b = rng.normal(0, LINE_PX, 2)
    middle, tilt = (a + b) / 2, (b - a) / 2 * np.sqrt(3)
    moved = ends + across * np.array([middle - tilt, middle + tilt])[:, None]
    moved = moved + along * rng.normal(0, END_PX, 2)[:, None]
    return Rod(role, moved, kinds, LINE_PX, (END_PX, END_PX), 3.0, 3.0)
