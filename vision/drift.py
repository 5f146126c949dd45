"""A fixed camera over time: whether it has moved since a place was remembered.

Pure: the caller gives each reading's time and carries the state. Readings are gathered in blocks
of half a second, each the median of its frames. Sixteen blocks make the reference and show the
noise, whatever its cause. Then windows of the last blocks are compared with it.

Why an unmoving camera gives no alarm: a move is told only where its estimate reaches `SHARE` of
the limit *and* the rods' numbers could not be noise: their chi^2 against the reference reaches
`SURPRISE`, in two windows after one another (a second each, half of it shared) or in one of four
seconds. The spreads in it come from the noise *between* blocks, in which noise that lasts for many
frames is contained, and averaging counts only as far as blocks do not resemble one another. With
`CAUTION` the bar is a chi^2 of 109 for 8 numbers: 1e-19 for normal noise, and 1e-7 were every sigma
half again as large as it is taken to be, where 30 minutes hold 3600 windows: 4e-4 false alarms at
most. What no noise estimate holds is a wander that begins after the place was learned; against a
little of it stands `FLOOR_PX`, which no averaging lowers, and the limit itself.

What is told of the size rests on other spreads, wider ones: see `vision.drift_solve`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum
from statistics import median

import numpy as np
from numpy.typing import NDArray

from vision.drift_solve import Move, Reference, Unsolved, moved_camera
from vision.memory import memory_of, worth
from vision.pose import solve_pose
from vision.reading import Reading
from vision.rods import End, Rods

LEARN_BLOCKS = 16
RESTLESS_PX = (1.0, 6.0)  # across, along, of 1280: blocks that differ so are no camera that stands
FLOOR_PX = (0.02, 0.06)  # across, along, of 1280: light and warmth shift lines by so much
CAUTION = 1.25  # a spread taken from so few blocks may be so much too small
SHORT, LONG = 2, 8  # blocks in a window
SHARE = 0.6  # of the limit: the ends' error of place may hide a third of a centimetre
SURPRISE = 70.0  # chi^2 of 8 numbers of an unmoved camera from which it has surely moved
CALM = 0.5  # of the limit: below it the alarm ends
CALM_BLOCKS = 4
SLOWEST_S = 0.5  # so long a block waits for its least frames
BLIND_S = 3.0  # without a block for so long, nothing is known
HISTORY = 40  # blocks kept, for windows and for the noise of the moment


class Watch(StrEnum):
    """What the watch says. Keys of the texts file (`drift.<value>`)."""

    LEARNING = "learning"
    STILL = "still"
    MOVED = "moved"  # the camera, by more than the limit
    RODS = "rods"  # the rods have been moved
    BLIND = "blind"  # the rods do not show well enough


@dataclass(frozen=True, slots=True)
class Pace:
    """How readings are gathered: blocks of `block_s`; fewer than `least_frames` say nothing.

    Moved rods are told after `rods_blocks` blocks: a leg in the way passes, moved rods stay.
    """

    block_s: float = 0.5
    least_frames: int = 3
    rods_blocks: int = 4


@dataclass(frozen=True, slots=True)
class Limits:
    """How far a camera may move until it is told, and how soon."""

    move_m: float = 0.01
    turn_rad: float = math.radians(0.3)
    pace: Pace = Pace()


# While filming: a place is learned in 3 s and a knock told within one; the bar for what is no
# noise is the same, and there are three times as many windows to mistake.
QUICK = Pace(0.2, 2, 15)


@dataclass(frozen=True, slots=True)
class Drift:
    """The watch at one time. `learned` 0 to 1; `move` of the last window, None if unknown.

    `too_far`, `too_turned`: which of the limits the camera has left (MOVED only).
    """

    watch: Watch
    learned: float = 1.0
    move: Move | None = None
    too_far: bool = False
    too_turned: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Sample:
    """One reading's ends (2, 2, 2) in the reference's size, and which of them show."""

    time_s: float
    ends_px: NDArray[np.float64]
    seen: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class DriftState:
    """What one reading leaves for the next. `reference` None: still learning."""

    limits: Limits = Limits()
    reference: Reference | None = None
    size: tuple[int, int] | None = None
    frames: tuple[_Sample, ...] = ()  # of the block that is being filled
    blocks: tuple[_Sample, ...] = ()
    told: Drift = Drift(Watch.LEARNING, 0.0)
    beyond: int = 0  # windows after one another that were beyond a limit
    calm: int = 0
    apart: int = 0  # blocks after one another in which the rods lay otherwise


def remember(limits: Limits) -> DriftState:
    """Begin to learn where the camera stands now."""
    return DriftState(limits)


def watch_again(reference: Reference, limits: Limits) -> DriftState:
    """Begin to watch against a place that was learned before."""
    return DriftState(limits, reference, reference.size, told=Drift(Watch.BLIND))


def look(
    state: DriftState, reading: Reading, size: tuple[int, int], time_s: float
) -> tuple[DriftState, Drift]:
    """The watch after one more reading of a picture of `size`; `time_s` is the frame's own time."""
    sample = _sample(state, reading, size, time_s)
    frames = state.frames
    if frames and _full(frames, time_s, state.limits.pace):
        state = _close(state, reading)
        frames = state.frames
    if sample is not None:
        frames = (*frames, sample)
        state = replace(state, size=state.size or size)
    state = replace(state, frames=frames)
    last_s = state.blocks[-1].time_s if state.blocks else -math.inf
    blind = state.reference is not None and not frames and time_s - last_s > BLIND_S
    # An alarm stays: what hides the rods does not put the camera back.
    if blind and state.told.watch is not Watch.MOVED:
        state = replace(state, told=Drift(Watch.BLIND), beyond=0, apart=0)
    return state, state.told


def _full(frames: tuple[_Sample, ...], time_s: float, pace: Pace) -> bool:
    """Whether a block is complete: few frames a second fill it more slowly."""
    since_s = time_s - frames[0].time_s
    wait_s = pace.block_s if len(frames) >= pace.least_frames else max(pace.block_s, SLOWEST_S)
    return not 0 <= since_s < wait_s


def _sample(
    state: DriftState, reading: Reading, size: tuple[int, int], time_s: float
) -> _Sample | None:
    found = reading.rods
    if not isinstance(found, Rods) or reading.pose is None:
        return None
    reference = state.reference
    if reference is not None and tuple(rod.role.value for rod in found.both) != reference.roles:
        return None
    to = state.size or size
    if abs(math.log(size[0] * to[1] / (size[1] * to[0]))) > 0.02:
        return None  # turned, or another camera
    scale = np.array(to) / np.array(size)
    ends = np.stack([(rod.ends_px + 0.5) * scale - 0.5 for rod in found.both])
    seen = np.array([[kind is End.SEEN for kind in rod.ends] for rod in found.both])
    return _Sample(time_s, ends, seen)


def _close(state: DriftState, reading: Reading) -> DriftState:
    """The frames gathered so far become a block, which is judged."""
    frames, state = state.frames, replace(state, frames=())
    if len(frames) < state.limits.pace.least_frames:
        return state
    block = _Sample(
        median(f.time_s for f in frames),
        np.median(np.stack([f.ends_px for f in frames]), axis=0),
        np.stack([f.seen for f in frames]).mean(axis=0) >= 0.5,
    )
    state = replace(state, blocks=(*state.blocks, block)[-HISTORY:])
    return _learn(state, reading) if state.reference is None else _judge(state)


def _learn(state: DriftState, reading: Reading) -> DriftState:
    """More blocks until there are enough; anew where the camera does not stand still."""
    blocks = state.blocks
    assert state.size is not None
    ends = np.stack([b.ends_px for b in blocks])
    seen = np.stack([b.seen for b in blocks]).mean(axis=0) >= 0.8
    if not _stands(ends, seen, state.size) or int(seen.sum()) < 2:
        return replace(state, blocks=blocks[-1:], told=Drift(Watch.LEARNING, 0.0))
    if len(blocks) < LEARN_BLOCKS or not isinstance(reading.rods, Rods):
        return replace(state, told=Drift(Watch.LEARNING, min(1.0, len(blocks) / LEARN_BLOCKS)))
    mean = ends.mean(axis=0)
    rods = reading.rods
    first, second = (
        replace(rod, ends_px=m, ends=_kinds(rod.ends, s))
        for rod, m, s in zip(rods.both, mean, seen, strict=True)
    )
    pose = solve_pose(replace(rods, first=first, second=second), state.size, reading.setup)
    reference = Reference(
        ends_px=mean,
        seen=seen,
        size=state.size,
        view=pose.view,
        params=pose.params,
        noise_px=np.ones(8),
        memory=0.0,
        blocks=len(blocks),
        roles=(first.role.value, second.role.value),
    )
    numbers = reference.numbers(np.stack([b.ends_px for b in blocks]))
    memory = memory_of(numbers)
    noise = _noise(numbers, memory)
    reference = replace(reference, noise_px=noise, memory=memory)
    return replace(state, reference=reference, told=Drift(Watch.STILL))


def _stands(ends_px: NDArray[np.float64], seen: NDArray[np.bool_], size: tuple[int, int]) -> bool:
    """Whether lines and seen ends of all blocks (n, 2, 2, 2) lie where they lie in the first."""
    span = ends_px[0, :, 1] - ends_px[0, :, 0]
    along = span / np.linalg.norm(span, axis=1, keepdims=True)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    ways = [np.ptp(np.einsum("nrec,rc->nre", ends_px, d), axis=0) for d in (across, along)]
    limits = np.array(RESTLESS_PX) * max(size) / 1280
    return bool((ways[0] <= limits[0]).all() and (np.where(seen, ways[1], 0) <= limits[1]).all())


def _kinds(kinds: tuple[End, End], seen: NDArray[np.bool_]) -> tuple[End, End]:
    far, near = (
        k if s == (k is End.SEEN) else End.SEEN if s else End.HIDDEN
        for k, s in zip(kinds, seen, strict=True)
    )
    return far, near


def _noise(numbers: NDArray[np.float64], memory: float) -> NDArray[np.float64]:
    """Sigma (8,) of a block's numbers, from blocks (n, 8) whose scatter memory makes too small."""
    alike = 1.0 / worth(len(numbers), memory)
    scatter = numbers.std(axis=0, ddof=1)
    return np.asarray(CAUTION * scatter / math.sqrt(1.0 - min(alike, 0.75)))


def _judge(state: DriftState) -> DriftState:
    """What the windows that end with the newest block say."""
    reference = state.reference
    assert reference is not None
    short = _window(state, reference, SHORT)
    if short is None or short is Unsolved.COVERED:
        if state.told.watch is Watch.MOVED:
            return state
        told = state.told if short is None else Drift(Watch.BLIND)
        return replace(state, told=told, beyond=0, apart=0)
    if short is Unsolved.RODS:
        apart = state.apart + 1
        told = Drift(Watch.RODS) if apart >= state.limits.pace.rods_blocks else state.told
        return replace(state, told=told, apart=apart, beyond=0, calm=0)
    assert isinstance(short, Move)
    state = replace(state, apart=0)
    beyond = state.beyond + 1 if any(_exceeds(short, state.limits, SHARE)) else 0
    long = _window(state, reference, LONG)
    sure = isinstance(long, Move) and any(_exceeds(long, state.limits, SHARE))
    if beyond >= 2 or sure:
        shown = short if beyond >= 2 else long
        assert isinstance(shown, Move)
        far, turned = _exceeds(shown, state.limits, SHARE)
        if far and turned:  # what the other may only mirror is left out
            way, turn = shown.way_main[1], shown.turn_main[1]
            far, turned = way >= min(2.0, turn), turn >= min(2.0, way)
        told = Drift(Watch.MOVED, move=shown, too_far=far, too_turned=turned)
        return replace(state, told=told, beyond=beyond, calm=0)
    calm = 0 if any(_exceeds(short, state.limits, CALM)) else state.calm + 1
    told = replace(state.told, move=short)
    if state.told.watch is not Watch.MOVED or calm >= CALM_BLOCKS:
        told = Drift(Watch.STILL, move=short)
    return replace(state, told=told, beyond=beyond, calm=calm)


def _exceeds(move: Move, limits: Limits, share: float) -> tuple[bool, bool]:
    """Whether way and turn are beyond a share of their limits, and surely no noise."""
    sure = move.surprise >= SURPRISE
    return (
        sure and move.distance_m >= max(share * limits.move_m, move.distance_sigma_m),
        sure and move.angle_rad >= max(share * limits.turn_rad, move.angle_sigma_rad),
    )


def _window(state: DriftState, reference: Reference, blocks: int) -> Move | Unsolved | None:
    """The move that the last so many blocks show; None where they do not follow on one another."""
    last = state.blocks[-blocks:]
    longest_s = 2 * blocks * max(state.limits.pace.block_s, SLOWEST_S)
    if len(last) < blocks or last[-1].time_s - last[0].time_s > longest_s:
        return None
    seen = np.asarray(np.stack([b.seen for b in last]).mean(axis=0) >= 0.5)
    history = reference.numbers(np.stack([b.ends_px for b in state.blocks]))
    now, memory = reference.noise_px, reference.memory
    if len(history) > LEARN_BLOCKS:
        # Noise may have grown. By the median step, so that one real move is no noise: 0.954 is
        # sqrt(2) times the normal distribution's 0.6745.
        steps = np.median(np.abs(np.diff(history, axis=0)), axis=0) / 0.954
        now = np.maximum(now, steps / math.sqrt(1.0 - memory))
    floor = np.repeat(FLOOR_PX, 4) * max(reference.size) / 1280
    sigma = np.sqrt(
        now**2 / worth(blocks, memory)
        + reference.noise_px**2 / worth(reference.blocks, memory)
        + floor**2
    )
    return moved_camera(reference, history[-blocks:].mean(axis=0), sigma, seen)
