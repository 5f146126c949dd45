"""The bench's pictures with their truth, what is told of them, and when a find counts as right."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from tests.scenes import FOLDER, Scene, line_rms_px, scenes, truth_of
from vision import belief, live, read
from vision.rods import NotFound, Rods
from vision.setup import Role, Setup, View

RIGHT_PX = 5.0  # rms of the found line from the true rod
LAID = ("t", "pair")
FLOOR = -1e3  # a score that every layout passes


def gather(folders: list[Path], limit: int | None = None) -> list[Scene]:
    """The scenes of every folder that has a truth.json, each folder's first `limit`."""
    return [s for folder in folders or [FOLDER] for s in scenes(folder)[:limit]]


def told(scene: Scene, seed: int, know: str) -> Setup:
    """What the finder is told: `all` (lens, lengths, tilt to 0.5 degrees) or only the `view`."""
    setup = scene.setup(seed=seed)
    if know == "view":
        return Setup(view=setup.view)
    return setup


def both_views(setup: Setup) -> list[Setup]:
    """The setup for either view: a picture without rods must not be found under any."""
    return [
        replace(setup, view=view, rod_lengths_m=setup.rod_lengths_m if view is setup.view else {})
        for view in View
    ]


def place(scene: Scene) -> str:
    """The picture's name without its step in a walk or slide: those belong together."""
    name = Path(scene.name).stem
    return name.rsplit("_", 1)[0] if name.count("_") > 1 else name


def true_line(rod: dict, size: tuple[int, int]) -> np.ndarray:
    """Points (n, 2) of the true rod inside the picture, along its (lens-bent) image."""
    points = np.array(rod.get("curve_px", np.linspace(*np.array(rod["ends_px"]), 13)))
    inside = ((points > -0.5) & (points < np.array(size) - 0.5)).all(axis=1)
    return points[inside] if inside.sum() >= 2 else points


def right(rods: Rods | None, scene: Scene) -> bool:
    """Both rods on their true lines, with their roles."""
    if rods is None:
        return False
    return all(
        rod.role == Role(true["role"])
        and line_rms_px(rod.ends_px, true_line(true, scene.size)) < RIGHT_PX
        for rod, true in zip(rods.both, scene.rods[:2], strict=True)
    )


def on_rod(ends_px: np.ndarray, rod: dict, size: tuple[int, int]) -> bool:
    """Whether a segment lies on this rod and covers half of it or more."""
    points = true_line(rod, size)
    length = float(np.linalg.norm(ends_px[1] - ends_px[0]))
    along = (ends_px[1] - ends_px[0]) / length
    rel = points - ends_px[0]
    at, off = rel @ along, rel[:, 0] * along[1] - rel[:, 1] * along[0]
    covered = (at > -2) & (at < length + 2) & (np.abs(off) < RIGHT_PX)
    return bool(covered.mean() >= 0.5)


def pose_error(placement, scene: Scene) -> tuple[float, float]:
    """Errors of offset (m) and yaw (radians) against the scene's own geometry."""
    truth = truth_of(scene)
    return (
        abs(placement.offset_m - truth["offset_m"]),
        abs(placement.yaw_rad - truth["yaw_rad"]),
    )


@contextmanager
def threshold(value: float) -> Iterator[None]:
    """The whole chain with its thresholds moved to accept at `value`, then as it was."""
    moved = [(belief, "ACCEPT"), (read, "ACCEPT"), (live, "ACCEPT"), (live, "DOUBTFUL")]
    kept = [getattr(module, name) for module, name in moved]
    shift = value - belief.ACCEPT
    try:
        for (module, name), before in zip(moved, kept, strict=True):
            setattr(module, name, before + shift)
        yield
    finally:
        for (module, name), before in zip(moved, kept, strict=True):
            setattr(module, name, before)


def accept_score() -> float:
    """The shipped acceptance threshold (log-odds)."""
    return float(belief.ACCEPT)


def found(answer: Rods | NotFound) -> Rods | None:
    return None if isinstance(answer, NotFound) else answer
