"""How far measured lines are off their rods in path-traced pictures: what `line_error` learns."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from tests.bench.learn import scaled
from tests.bench.scenes import LAID, found, right, told, true_line
from tests.scenes import scenes
from vision.line_error import LineError
from vision.net import standardised
from vision.read import search
from vision.rods import Rod

FREEDOM = 5.0  # of Student's t: a line in a hundred is worse than any look would tell
DECAY = 0.01
BOUNDS = (5.0, 99.0)  # percentiles of what is told of rods that are known: no more, no less is said
IN_TWO_SIGMAS = 95.45  # per cent of a normal distribution


@dataclass(frozen=True, slots=True, eq=False)
class LineSeen:
    """A found rod: how it looks, and how far its line is off, in its widths.

    `off` (2,): shifted in the middle of the true rod's points, and turned at 1/sqrt(12) of the
    length.
    """

    picture: str
    look: np.ndarray
    off: np.ndarray


def lines(folder: Path) -> Iterator[LineSeen]:
    """Of every picture's rods where both are found."""
    for seed, scene in enumerate(scenes(folder)):
        if scene.layout not in LAID:
            continue
        rods = found(search(scene.frame(), told(scene, seed, "all")))
        if rods is None or not right(rods, scene):
            continue
        for rod, true in zip(rods.both, scene.rods[:2], strict=True):
            if rod.look is not None:
                off = off_px(rod, true_line(true, scene.size)) / rod.width_px
                yield LineSeen(scene.name, rod.look, off)


def off_px(rod: Rod, points: np.ndarray) -> np.ndarray:
    """Shift and turn (2,) of a found rod's line against the true rod's points (n, 2)."""
    span = rod.ends_px[1] - rod.ends_px[0]
    length = float(np.hypot(*span))
    along, across = span / length, np.array([-span[1], span[0]]) / length
    at = (points - rod.ends_px[0]) @ along / length - 0.5
    turn, shift = np.polyfit(at, (points - rod.ends_px[0]) @ across, 1)
    return np.array([shift, turn / np.sqrt(12.0)])


def learn_line(looks: np.ndarray, off: np.ndarray, counts: np.ndarray) -> LineError:
    """The sigmas of lines (n, 2) from looks (n, len(LOOK)); `counts` (n,) how often each counts."""
    mean, spread = scaled(looks)
    points = standardised(looks, mean, spread)
    both = np.stack([_log_linear(points, np.abs(off[:, k]), counts) for k in range(2)], axis=1)
    slope, level = both[1:], both[0]
    said = points @ slope + level
    level = level + np.log(
        [np.percentile(np.abs(off[:, k]) / np.exp(said[:, k]), IN_TWO_SIGMAS) / 2 for k in range(2)]
    )
    least, most = np.percentile(points @ slope + level, BOUNDS, axis=0)
    return LineError(mean, spread, slope, level, least, most)


def _log_linear(points: np.ndarray, off: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Level and slopes of log sigma at the most likely, with a decay on the slopes."""
    share = counts / counts.sum()

    def cost(params: np.ndarray) -> tuple[float, np.ndarray]:
        logs, slope = params[0] + points @ params[1:], params[1:]
        square = (off / np.exp(logs)) ** 2
        lost = logs + (FREEDOM + 1) / 2 * np.log1p(square / FREEDOM)
        by = share * (1 - (FREEDOM + 1) * square / (FREEDOM + square))
        gradient = np.concatenate([[by.sum()], points.T @ by + 2 * DECAY * slope])
        return float(share @ lost + DECAY * slope @ slope), gradient

    start = np.append(np.log(np.median(off) + 1e-6), np.zeros(points.shape[1]))
    return np.asarray(minimize(cost, start, jac=True, method="L-BFGS-B").x)
