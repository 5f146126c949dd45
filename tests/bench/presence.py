"""Examples of laid rods and of what only looks like them, for the weights of `vision/belief.py`.

True: the right layout of each scene. False: the best layout that is left when one rod's segments or
both rods' are taken away, when a rod is painted out, when the other view is asked for, in scenes
without rods, and in crops of photographed ground. Each by every way of looking.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.bench.falses import crops, painted
from tests.bench.scenes import LAID, both_views, place, right, told, true_line
from tests.scenes import Scene, scenes
from vision.belief import features
from vision.find import Candidates, Seen, rank, settle, ways, with_first
from vision.frame import Frame
from vision.read import weigh
from vision.rods import Reason, Rods
from vision.setup import Setup, View

NEAR_PX = 12.0  # so close to a rod, a segment belongs to it
OF_ROD = 0.25  # ... and covers this share of it
CROPS = 600
CROP_SEED = 77
SLIDES_STEP = 4  # neighbouring pictures of a slide are nearly the same


@dataclass
class Example:
    """One layout: its features, whether it is the laid one, of what kind, and its picture."""

    features: np.ndarray
    true: bool
    kind: str
    picture: str


def examples(folder: Path, with_crops: bool = True) -> Iterator[Example]:
    """All examples of the scenes under `folder`, and of photographed ground."""
    for truth in sorted(folder.rglob("truth.json")):
        step = SLIDES_STEP if truth.parent.name == "slides" else 1
        for seed, scene in enumerate(scenes(truth.parent)):
            if seed % step == 0:
                yield from _of_scene(scene, seed, f"{truth.parent.name}/{place(scene)}")
    for k, crop in enumerate(crops(CROPS, seed=CROP_SEED) if with_crops else ()):
        for view in View:
            yield from _best(Frame.from_bgr(crop), Setup(view=view), f"crop {k % 3}", f"crop {k}")


def _of_scene(scene: Scene, seed: int, picture: str) -> Iterator[Example]:
    frame = Frame.from_bgr(scene.bgr())
    for know in ("all", "view"):
        setup = told(scene, seed, know)
        if scene.layout not in LAID:
            for asked in both_views(setup):
                yield from _best(frame, asked, "bare", picture)
            continue
        for seen in ways(frame, setup):
            yield from _true(frame, seen, setup, scene, picture)
            on = [
                np.array([_belongs(ends, rod, scene) for ends in seen.candidates.ends_px], bool)
                for rod in scene.rods[:2]
            ]
            for gone in (on[0], on[1], on[0] | on[1]):
                left = _without(seen.candidates, gone)
                guesses = rank(left, (frame.width, frame.height), setup)
                rest = replace(seen, candidates=left, guesses=guesses)
                yield from _of(frame, rest, setup, "removed", picture, scene)
        if know == "all":
            for gone in range(2):
                empty = Frame.from_bgr(painted(scene, gone))
                yield from _best(empty, setup, "painted", picture)
        else:
            other = next(view for view in View if view is not setup.view)
            yield from _best(frame, Setup(view=other), "other view", picture)


def _belongs(ends_px: np.ndarray, rod: dict, scene: Scene) -> bool:
    points = true_line(rod, scene.size)
    length = float(np.linalg.norm(ends_px[1] - ends_px[0]))
    along = (ends_px[1] - ends_px[0]) / length
    rel = points - ends_px[0]
    at, off = rel @ along, np.abs(rel[:, 0] * along[1] - rel[:, 1] * along[0])
    return bool(((at > -2) & (at < length + 2) & (off < NEAR_PX)).mean() > OF_ROD)


def _without(candidates: Candidates, gone: np.ndarray) -> Candidates:
    return Candidates(candidates.ends_px[~gone], candidates.logit[~gone], candidates.seen[~gone])


def _true(frame: Frame, seen: Seen, setup: Setup, scene: Scene, picture: str) -> Iterator[Example]:
    for k in range(len(seen.guesses)):
        rods = settle(frame, seen.candidates, with_first(seen.guesses, k), setup)
        if right(rods, scene):
            yield from _example(
                rods, frame, setup, "true" if k == 0 else "true, not first", picture
            )
            return


def _best(frame: Frame, setup: Setup, kind: str, picture: str) -> Iterator[Example]:
    for seen in ways(frame, setup):
        yield from _of(frame, seen, setup, kind, picture)


def _of(
    frame: Frame, seen: Seen, setup: Setup, kind: str, picture: str, scene: Scene | None = None
) -> Iterator[Example]:
    """Of the best layout, but where it leads to the scene's rods after all."""
    if seen.guesses:
        rods = settle(frame, seen.candidates, seen.guesses, setup)
        if scene is not None and right(rods, scene):
            return
        yield from _example(rods, frame, setup, kind, picture)


def _example(rods: Rods, frame: Frame, setup: Setup, kind: str, picture: str) -> Iterator[Example]:
    weighed = weigh(rods, (frame.width, frame.height), setup)
    if isinstance(weighed, Reason) or not weighed.fits:
        return  # refused before anyone asks whether it is believed
    values = features(weighed.rods, weighed.pose)
    if np.isfinite(values).all():
        yield Example(values, kind.startswith("true"), kind, picture)
