"""One answer for a clip: the rods of its pictures combined, where its camera stood still.

What a still camera's pictures have in common (the place of the rods to the pixels, lens, layout)
stays in the sigma: only the part of a picture's variance that is seen to change from picture to
picture becomes smaller by averaging, and at least half of the stated sigma never does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.drift_solve import Move, Reference, Unsolved, moved_camera
from vision.errors import SetupError
from vision.memory import memory_of, worth
from vision.pose import solve_pose
from vision.rods import End, Rod, Rods
from vision.setup import Setup
from vision.stands import Stretch, Stretches, stretches

FIXED = 0.5  # share of a picture's stated sigma that averaging never lowers
LEAST_SHARE = 0.2  # of the pictures looked at: rods seen in fewer of them are not surely rods
FEW = 5  # pictures up to which that share says nothing
CARRIED = 0.5  # the share of finds that the main place must hold, else the camera never stands
RESTLESS_PX = 1.5  # of 1280: scatter of the lines of a camera that is held by hand
END_SHARE = 0.25  # of the pictures: where a rod's end is seen by so many, it ends
END_PX = 4.0  # of 1280: ends so near to one another are one place


class Stance(StrEnum):
    """How the camera of a clip stood. Keys of the texts file (`clip.<value>`)."""

    STILL = "still"
    MOVED = "moved"  # stood, and stood elsewhere before or after
    RODS = "rods"  # the rods lay otherwise before or after
    CARRIED = "carried"  # never stood
    FEW = "few"  # too few pictures with rods to say


@dataclass(frozen=True, slots=True)
class Jump:
    """Between two pictures (numbers of the clip) the camera moved, seen from the main place.

    `move` None: the rods lay otherwise, no camera's move explains it.
    """

    last_frame: int
    next_frame: int
    earlier: bool  # the other place came before the main one
    move: Move | None


@dataclass(frozen=True, slots=True)
class Still:
    """The rods of all agreeing pictures in one.

    `best` and `used` are positions among the finds that were given: the best single one, and those
    that agree. `others`: how many showed rods elsewhere for a moment.
    """

    rods: Rods
    stance: Stance
    best: int
    used: tuple[int, ...]
    others: int = 0
    jump: Jump | None = None


def believable(found: int, looked_at: int) -> bool:
    """Whether rods seen in so many of the pictures are there: noise is not in many, rods are."""
    return found >= 1 and (looked_at <= FEW or found >= max(2, LEAST_SHARE * looked_at))


def combine(
    frames: Sequence[int], finds: Sequence[Rods], size: tuple[int, int], setup: Setup
) -> Still:
    """The finds, in order of time, of one clip's pictures of `size` (width, height).

    `frames`: each find's number in its clip. Raises SetupError without any.
    """
    if not finds:
        raise SetupError("no find was given: combine those pictures in which rods were found")
    scores = np.array([rods.score for rods in finds])
    best = int(scores.argmax())
    if len(finds) < 3:
        return Still(finds[best], Stance.FEW, best, (best,))
    base = _reference(finds[best], size, setup)
    ends = np.stack([[rod.ends_px for rod in rods.both] for rods in finds])
    numbers = base.numbers(ends)
    found = stretches(numbers, max(size))
    main = found.main
    scale = max(size) / 1280
    restless = float(numbers[main, :4].std(axis=0).max()) > RESTLESS_PX * scale
    if len(main) < max(LEAST_SHARE, CARRIED) * len(finds) or len(main) < 2 or restless:
        return Still(finds[best], Stance.CARRIED, best, (best,))
    best = int(main[scores[main].argmax()])
    rods = _combined(base, numbers[main], [finds[k] for k in main], finds[best], scale)
    jump, slips = _jump(frames, finds, found, numbers, rods, size, setup)
    stance = Stance.STILL
    if jump is not None:
        stance = Stance.RODS if jump.move is None else Stance.MOVED
    return Still(rods, stance, best, tuple(map(int, main)), slips, jump)


def _reference(
    rods: Rods, size: tuple[int, int], setup: Setup, noise_px: NDArray[np.float64] | None = None
) -> Reference:
    pose = solve_pose(rods, size, setup)
    return Reference(
        ends_px=rods.ends_px,
        seen=np.array([[kind is End.SEEN for kind in rod.ends] for rod in rods.both]),
        size=size,
        view=pose.view,
        params=pose.params,
        noise_px=np.ones(8) if noise_px is None else noise_px,
        memory=0.0,
        blocks=1,
        roles=(rods.first.role.value, rods.second.role.value),
    )


def _combined(
    base: Reference, numbers: NDArray[np.float64], finds: list[Rods], best: Rods, scale: float
) -> Rods:
    """Both rods from the numbers (n, 8) of the finds that agree."""
    rods = []
    for k in range(2):
        each = [rods.both[k] for rods in finds]
        lines = numbers[:, 2 * k : 2 * k + 2]
        along = numbers[:, 4 + 2 * k : 6 + 2 * k]
        rods.append(_rod(base.ends_px[k], lines, along, each, best.both[k], scale))
    first, second = rods
    score = float(np.median([rods.score for rods in finds]))
    runner_up = float(np.median([rods.runner_up for rods in finds]))
    return replace(best, first=first, second=second, score=score, runner_up=runner_up)


def _rod(
    base_px: NDArray[np.float64],
    lines: NDArray[np.float64],
    along: NDArray[np.float64],
    each: list[Rod],
    best: Rod,
    scale: float,
) -> Rod:
    """One rod from its lines' and ends' numbers (n, 2) against `base_px` (2, 2)."""
    span = base_px[1] - base_px[0]
    length = float(np.linalg.norm(span))
    unit = span / length
    side = np.array([-unit[1], unit[0]])
    line = lines.mean(axis=0)
    # Scatter is independent at the points that lie 1/sqrt(3) of the half length off the middle; at
    # the ends it is sqrt(2) times as large. It adds to the line's shift and to its turn alike.
    scatter = float(np.sqrt(lines.var(axis=0, ddof=1).mean() / 2))
    count = worth(len(lines), memory_of(lines))
    line_sigma, turn_sigma = (
        _averaged(float(np.median(stated)), scatter, count)
        for stated in (
            [rod.line_sigma_px for rod in each],
            [rod.line_sigma_px / rod.line_reach for rod in each],
        )
    )
    at, kinds, sigmas = [], [], []
    for end in range(2):
        place, kind, sigma = _end(along[:, end], end, each, scale)
        at.append(place)
        kinds.append(kind)
        sigmas.append(sigma)
    slope = (line[1] - line[0]) / length
    where = np.array([at[0], length + at[1]])
    ends_px = base_px[0] + where[:, None] * unit + (line[0] + slope * where)[:, None] * side
    return replace(
        best,
        ends_px=ends_px,
        ends=(kinds[0], kinds[1]),
        line_sigma_px=line_sigma,
        line_reach=line_sigma / turn_sigma,
        end_sigma_px=(sigmas[0], sigmas[1]),
        width_px=float(np.median([rod.width_px for rod in each])),
        score=float(np.median([rod.score for rod in each])),
    )


def _end(
    along: NDArray[np.float64], end: int, each: list[Rod], scale: float
) -> tuple[float, End, float]:
    """Where one end lies along the rod (px from the base's end), how it shows, and its sigma.

    A golfer covers an end for a while: it is taken where it is farthest out and seen to end in
    enough pictures. Where it is hardly seen, it is what most pictures say.
    """
    seen = np.array([rod.ends[end] is End.SEEN for rod in each])
    if seen.sum() < max(1.0, END_SHARE * len(each)):
        kinds = [rod.ends[end] for rod in each if rod.ends[end] is not End.SEEN]
        kind = max(set(kinds), key=lambda each: (kinds.count(each), each.value))
        sigma = float(np.median([rod.end_sigma_px[end] for rod in each]))
        return float(np.median(along)), kind, sigma
    outward = along[seen] * (1.0 if end else -1.0)
    stated = np.array([rod.end_sigma_px[end] for rod in each])[seen]
    order = np.argsort(-outward)
    reach = max(END_PX * scale, 2 * float(np.median(stated)))
    least = max(1.0, END_SHARE * len(each))
    place = [k for k in order if _here(outward, outward[k], reach).sum() >= least]
    chosen = _here(outward, outward[place[0]], reach) if place else np.ones(len(outward), bool)
    kept = outward[chosen]
    scatter = float(kept.std(ddof=1)) if len(kept) > 1 else 0.0
    count = worth(len(kept), memory_of(kept[:, None])) if len(kept) > 2 else 1.0
    sigma = _averaged(float(np.median(stated[chosen])), scatter, count)
    return float(kept.mean()) * (1.0 if end else -1.0), End.SEEN, sigma


def _here(outward: NDArray[np.float64], at: float, reach: float) -> NDArray[np.bool_]:
    """Which ends lie at most two reaches inside of one place, and none outside of it."""
    return (outward <= at) & (outward >= at - 2 * reach)


def _averaged(stated: float, scatter: float, count: float) -> float:
    """Sigma of a mean: what all have in common, and the scatter over the independent count."""
    common = max(stated**2 - scatter**2, (FIXED * stated) ** 2)
    return float(np.sqrt(common + scatter**2 / count))


def _jump(
    frames: Sequence[int],
    finds: Sequence[Rods],
    found: Stretches,
    numbers: NDArray[np.float64],
    rods: Rods,
    size: tuple[int, int],
    setup: Setup,
) -> tuple[Jump | None, int]:
    """The move to the other place that lasted longest, and how many finds are mere slips."""
    slips = len(found.slips)
    main = found.main
    noise = np.maximum(numbers[main].std(axis=0, ddof=1), 1e-3)
    base = _reference(rods, size, setup, noise)
    best: Jump | None = None
    longest = 0
    for other in (found.before, found.after):
        if other is None:
            continue
        move = _move(base, other, finds, noise, len(main))
        if move is Unsolved.COVERED:
            slips += len(other.which)
            continue
        if len(other.which) <= longest:
            continue
        longest = len(other.which)
        earlier = other is found.before
        last = other.which[-1] if earlier else main[main < other.which[0]][-1]
        first = main[main > other.which[-1]][0] if earlier else other.which[0]
        solved = move if isinstance(move, Move) else None
        best = Jump(frames[int(last)], frames[int(first)], earlier, solved)
    return best, slips


def _move(
    base: Reference, other: Stretch, finds: Sequence[Rods], noise: NDArray[np.float64], count: int
) -> Move | Unsolved:
    """From the main place to another stretch."""
    ends = np.stack([[rod.ends_px for rod in finds[k].both] for k in other.which])
    kinds = [[[e is End.SEEN for e in r.ends] for r in finds[k].both] for k in other.which]
    sigma = noise * np.sqrt(1 / len(other.which) + 1 / count)
    seen = np.stack(kinds).mean(axis=0) >= 0.5
    return moved_camera(base, np.median(base.numbers(ends), axis=0), sigma, seen)
