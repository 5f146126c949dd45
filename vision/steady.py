"""A phone that stands: its last looks at the rods as one, with what averaging cannot remove.

The rods are combined by `vision.still`. A single look's stated sigma holds what the finder errs by
in general. Of that a half is taken to come and go with how the rods lie to the pixels, which two
stands of one phone do not share: more than was measured of it (`vision.drift_solve.PLACED_PX`), and
no averaging lowers it. The rest is what differs from place to place and rod to rod, and is seen in
the scatter if it is there. Of the tilt sensor's readings the noise shrinks; what
stays beside its fixed error is `WANDER_RAD`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vision.belief import ACCEPT
from vision.drift_solve import PLACED_PX, rod_numbers
from vision.kernel import kernel
from vision.memory import memory_of, worth
from vision.pose import Pose, solve_pose
from vision.reading import Reading
from vision.rods import Rod, Rods
from vision.setup import Setup, Tilt
from vision.still import FIXED, Stance, combine

EVERY_S = 0.08  # looks nearer to one another say hardly more
MOST = 50  # looks kept: four seconds and more
JUMP_PX = 0.8  # of 1280: a twentieth of a degree
JUMP_SIGMAS = 5.0
NOISE_PX = (0.1, 0.6)  # of 1280: of one look's lines, at least and at most
SOME = 6  # looks that a new one is held against, at either end
ASTRAY = 2  # looks after one another elsewhere: the phone was moved; one is a slip
GONE_S = 1.0  # without a look for so long, nothing is known of what happened meanwhile
FEW = 3
SHAPE = 0.02  # log of the ratio of two pictures' shapes
SAME_LENS = 1e-3  # log of the ratio of two focal lengths
# A sensor's fixed error wanders with its warmth, from one standing of the phone to the next: 0.1 to
# 1 mg a kelvin by data sheets (from memory), 0.06 degrees a mg.
WANDER_RAD = math.radians(0.1)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """One look at the rods, with what the tilt sensor said then; `ends_px` (2, 2, 2) are theirs."""

    time_s: float
    rods: Rods
    ends_px: NDArray[np.float64]
    tilt: Tilt | None
    believed: bool = True  # seen well enough for a single picture


@dataclass(frozen=True, slots=True, eq=False)
class Steady:
    """Rods as a phone that stands sees them in a picture of `size`; `setup.tilt` is the mean.

    `looks` were averaged over `seconds`. `believed`: most of them alone were believed, so that
    these are surely rods.
    """

    rods: Rods
    size: tuple[int, int]
    setup: Setup
    looks: int = 1
    seconds: float = 0.0
    believed: bool = True

    def pose(self) -> Pose:
        """The lens's pose from these rods alone."""
        return solve_pose(self.rods, self.size, self.setup)


@dataclass(frozen=True, slots=True, eq=False)
class Standstill:
    """What one reading leaves for the next: the looks since the phone has come to rest."""

    looks: tuple[Look, ...] = ()
    astray: tuple[Look, ...] = ()
    size: tuple[int, int] | None = None
    setup: Setup | None = None  # of the newest look

    @property
    def since_s(self) -> float:
        """For how long the phone has stood, as far as looks are kept."""
        return self.looks[-1].time_s - self.looks[0].time_s if self.looks else 0.0


def watch(state: Standstill, reading: Reading, size: tuple[int, int], time_s: float) -> Standstill:
    """The looks after one more reading of a picture of `size`; a phone that moved begins anew."""
    if state.looks and not 0 <= time_s - state.looks[-1].time_s <= GONE_S:
        state = Standstill()
    rods = reading.rods
    if not isinstance(rods, Rods) or reading.pose is None:
        return state
    setup = reading.setup
    to = state.size or size
    if size != to and _same_shape(size, to):
        # Browsers send smaller pictures for a while: the same camera, in other pixels.
        rods, setup, size = _resized(rods, size, to), _for_size(setup, size, to), to
    look = Look(time_s, rods, rods.ends_px, setup.tilt, reading.belief >= ACCEPT)
    if not state.looks or state.size != size or not _same_kind(state.setup, setup):
        return Standstill((look,), (), size, setup)
    if _moved(state.looks, look, max(size)):
        astray = (*state.astray, look)
        if len(astray) < ASTRAY:
            return replace(state, astray=astray)
        # What has stopped moving agrees with the newest.
        kept = tuple(each for each in astray if not _moved((look,), each, max(size)))
        return Standstill(kept, (), size, setup)
    if time_s - state.looks[-1].time_s < EVERY_S:
        return replace(state, astray=())
    return Standstill((*state.looks, look)[-MOST:], (), size, setup)


def steady(state: Standstill) -> Steady | None:
    """All looks in one; None without any. Fewer than three say no more than the best of them."""
    if not state.looks or state.size is None or state.setup is None:
        return None
    tilt = _tilt([look.tilt for look in state.looks])
    setup = replace(state.setup, tilt=tilt, aim=None)
    finds = [look.rods for look in state.looks]
    believed = 2 * sum(look.believed for look in state.looks) >= len(state.looks)
    now = replace(setup, tilt=state.looks[-1].tilt or tilt)
    newest = Steady(finds[-1], state.size, now, believed=believed)
    if len(finds) < FEW:
        return newest
    still = combine(range(len(finds)), finds, state.size, setup)
    if still.stance is not Stance.STILL:
        return newest
    rods = _sharpened(still.rods, [finds[k] for k in still.used], max(state.size))
    return Steady(rods, state.size, setup, len(still.used), state.since_s, believed)


def _sharpened(mean: Rods, finds: list[Rods], long_px: int) -> Rods:
    """The mean of the finds with the sigmas that a difference of two stands has."""
    numbers = rod_numbers(mean.ends_px, np.stack([rods.ends_px for rods in finds]))
    count = worth(len(numbers), memory_of(numbers))
    across, along = (floor * long_px / 1280 for floor in PLACED_PX)

    def sigma(stated: list[float], scatter: float, least: float) -> float:
        common = max(FIXED * float(np.median(stated)), least)
        return math.sqrt(common**2 + scatter**2 / count)

    def one(k: int, rod: Rod) -> Rod:
        each = [rods.both[k] for rods in finds]
        # Scatter, and the least, are of a line's shift and of its turn alike: see `vision.still`.
        lines = math.sqrt(float(numbers[:, 2 * k : 2 * k + 2].var(axis=0, ddof=1).mean()) / 2)
        ends = numbers[:, 4 + 2 * k : 6 + 2 * k].std(axis=0, ddof=1)
        first, second = (
            sigma([rod.end_sigma_px[e] for rod in each], float(ends[e]), along) for e in range(2)
        )
        line = sigma([rod.line_sigma_px for rod in each], lines, across)
        turn = sigma([rod.line_sigma_px / rod.line_reach for rod in each], lines, across)
        return replace(
            rod, line_sigma_px=line, end_sigma_px=(first, second), line_reach=line / turn
        )

    return replace(mean, first=one(0, mean.first), second=one(1, mean.second))


def _same_kind(a: Setup | None, b: Setup) -> bool:
    """Whether two looks are of one view, line, lens and what is known of the rods."""
    if a is None or (a.view, a.handed, a.line) != (b.view, b.handed, b.line):
        return False
    if a.known is not b.known or (a.lens is None) != (b.lens is None):
        return False
    if a.lens is None or b.lens is None:
        return True
    near = abs(math.log(a.lens.focal_px / b.lens.focal_px)) < SAME_LENS
    return near and a.lens.source is b.lens.source


def _same_shape(a: tuple[int, int], b: tuple[int, int]) -> bool:
    return abs(math.log(a[0] * b[1] / (a[1] * b[0]))) < SHAPE


def _resized(rods: Rods, size: tuple[int, int], to: tuple[int, int]) -> Rods:
    """The rods in pixels of a picture of another size (pixel 0 is the middle of the first)."""
    scale = np.array(to) / np.array(size)
    factor = float(scale.mean())

    def one(rod: Rod) -> Rod:
        first, second = rod.end_sigma_px
        return replace(
            rod,
            ends_px=(rod.ends_px + 0.5) * scale - 0.5,
            line_sigma_px=rod.line_sigma_px * factor,
            end_sigma_px=(first * factor, second * factor),
        )

    return replace(rods, first=one(rods.first), second=one(rods.second))


def _for_size(setup: Setup, size: tuple[int, int], to: tuple[int, int]) -> Setup:
    if setup.lens is None:
        return setup
    return replace(setup, lens=setup.lens.scaled(max(to) / max(size)))


def _moved(looks: tuple[Look, ...], look: Look, long_px: int) -> bool:
    """Whether the rods' lines lie elsewhere than in the looks since the phone came to rest."""
    # The first and the last of them: also a phone that creeps is found out.
    some = looks if len(looks) <= 2 * SOME else looks[:SOME] + looks[-SOME:]
    scale = long_px / 1280
    low, high = (bound * scale for bound in NOISE_PX)
    noise, away = _noise_and_step(np.stack([each.ends_px for each in some]), look.ends_px)
    if len(some) <= FEW:
        noise = high
    return away > max(JUMP_PX * scale, JUMP_SIGMAS * min(max(noise, low), high))


@kernel
def _noise_and_step(looks: NDArray[np.float64], now: NDArray[np.float64]) -> tuple[float, float]:
    """The lines' noise from look to look, and how far they lie `now` from the looks' median.

    In pixels, of both rods' lines at their ends, the worst of the four; `looks` (n, 2, 2, 2),
    `now` (2, 2, 2). Noise by the median step, as in `vision.stands`; lines as in
    `drift_solve.rod_numbers`.
    """
    noise, away = 0.0, 0.0
    count = len(looks)
    across, steps = np.empty(count), np.empty(max(count - 1, 1))
    for rod in range(2):
        x0, y0 = looks[0, rod, 0]
        span_x, span_y = looks[0, rod, 1, 0] - x0, looks[0, rod, 1, 1] - y0
        length = np.sqrt(span_x * span_x + span_y * span_y)
        span_x, span_y = span_x / length, span_y / length
        for end in range(2):
            here = 0.0
            for k in range(count + 1):
                line = now[rod] if k == count else looks[k, rod]
                ax, ay, bx, by = line[0, 0] - x0, line[0, 1] - y0, line[1, 0] - x0, line[1, 1] - y0
                u0, v0 = ax * span_x + ay * span_y, ay * span_x - ax * span_y
                u1, v1 = bx * span_x + by * span_y, by * span_x - bx * span_y
                here = v0 + (v1 - v0) / (u1 - u0) * (end * length - u0)
                if k < count:
                    across[k] = here
            for k in range(count - 1):
                steps[k] = abs(across[k + 1] - across[k])
            if count > 1:
                noise = max(noise, np.median(steps) / 0.954)
            away = max(away, abs(here - np.median(across)))
    return noise, away


def _tilt(read: list[Tilt | None]) -> Tilt | None:
    """The sensor's mean; the noise over the readings' independent count, and the wander."""
    known = [tilt for tilt in read if tilt is not None]
    if not known:
        return None
    last = known[-1]
    if len(known) < FEW:
        return last
    both = np.array([[tilt.pitch_rad, tilt.roll_rad] for tilt in known])
    # The slower of the two tells how much they remember.
    count = worth(len(both), max(memory_of(both[:, :1]), memory_of(both[:, 1:])))
    # A sensor that scatters less than it is said to is not noisier for it, but few say little.
    scatter = np.maximum(both.std(axis=0, ddof=1), np.array(last.noise_rad) / math.sqrt(len(both)))
    pitch_sigma, roll_sigma = np.sqrt(WANDER_RAD**2 + scatter**2 / count).tolist()
    pitch, roll = both.mean(axis=0).tolist()
    return replace(
        last, pitch_rad=pitch, roll_rad=roll, sigma_rad=pitch_sigma, roll_sigma_rad=roll_sigma
    )
