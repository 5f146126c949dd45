"""Does a lens still fit its profile? Another zoom or stabilisation crop shows as misfit.

The same view is solved with the profile's focal length and with a free one. The profile's is the
other's special case, so the cost that it adds is chi^2 with one degree of freedom while it holds
(Wilks 1938). What never changes from frame to frame (the rods' own angle, a sensor's bias) errs in
all of them alike: frames are never added up, only asked to agree.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.pose import HIDDEN_GAIN, Pose
from vision.setup import LensSource, Setup

FREE_SHARE = 0.7  # spread of log focal length that leaves it to the picture
# Below the price of a covered end, which can look like another focal length: then the page says
# both. Exceeded by chance in 0.5 and 0.8 % of views (chi^2 with one degree of freedom).
ALONE_CHI2 = 8.0  # one picture alone
EACH_CHI2 = 7.0  # each of several in a row
ROW_S = 1.0
ROW_FRAMES = 8


@dataclass(frozen=True, slots=True)
class LensCheck:
    """`chi2` is what the profile's focal length costs this view; `ratio` free over profile's."""

    chi2: float
    ratio: float

    @property
    def contradicts(self) -> bool:
        """Whether one picture alone is enough to say that the lens has changed."""
        return self.chi2 > ALONE_CHI2


@dataclass(frozen=True, slots=True)
class LensWatch:
    """What consecutive frames have said of the profile. `changed` stays until the setup changes."""

    since_s: float | None = None
    frames: int = 0
    side: float = 0.0
    changed: bool = False


def is_profile(setup: Setup) -> bool:
    """Whether the lens was taken from a profile, so that it can be checked."""
    return setup.lens is not None and setup.lens.source is LensSource.PROFILE


def freed(setup: Setup) -> Setup:
    """The same setup with the profile's focal length hardly trusted."""
    assert setup.lens is not None
    lens = replace(setup.lens, sigma_px=FREE_SHARE * setup.lens.focal_px)
    return replace(setup, lens=lens)


def set_aside(setup: Setup) -> Setup:
    """The setup without its profile: the lens is assumed, and it is known why."""
    return replace(setup, lens=None, lens_changed=True)


def compare(held: Pose, free: Pose, focal_px: float) -> LensCheck:
    """The check from poses of one view under `setup` and `freed(setup)`; `focal_px` the profile's.

    An end set aside as covered is priced as the solver does, so that a wrong focal length cannot
    be explained away for nothing. A misfit that stays with a free focal length is no fault of the
    lens and widens the limit.
    """
    more = _cost(held) - _cost(free)
    return LensCheck(
        chi2=max(0.0, more) / max(1.0, free.misfit), ratio=free.lens.focal_px / focal_px
    )


def _cost(pose: Pose) -> float:
    return pose.cost + HIDDEN_GAIN * float(np.sum(pose.hidden))


def watch(state: LensWatch, check: LensCheck | None, time_s: float) -> LensWatch:
    """The state after one more frame; `check` is None for a frame without rods or profile.

    Changed when every frame for `ROW_S`, at least `ROW_FRAMES`, misfits to the same side.
    """
    if state.changed or check is None:
        return state
    side = float(np.sign(check.ratio - 1.0))
    if check.chi2 <= EACH_CHI2:
        return LensWatch()
    if state.since_s is None or side != state.side or time_s < state.since_s:
        return LensWatch(time_s, 1, side)
    frames = state.frames + 1
    changed = frames >= ROW_FRAMES and time_s - state.since_s >= ROW_S
    return replace(state, frames=frames, changed=changed)
