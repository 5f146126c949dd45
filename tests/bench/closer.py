"""Segments looked at closer: `vision.closer` learns from them, and who says if a rod is there."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench.bands import axis_off, seen_along
from tests.bench.scenes import place, told, true_line
from tests.bench.varied import along_rod
from tests.scenes import scenes
from vision.across import HALF, PATCH
from vision.closer import seen_closer
from vision.find import from_afar
from vision.frame import Frame
from vision.full_band import unit_of

ON_PX = 5.0  # of a segment's ends from a rod's axis, once moved
BESIDE_PX = 12.0  # where it was found: on a rod's shadow, say; not learnt from unless moved onto it
ON, BESIDE = 1.5, 8.0  # the same of a window, columns


@dataclass(frozen=True, slots=True, eq=False)
class Looked:
    """A picture's segments as found and as moved (n, 2, 2), their cues (n, cues), and its rods."""

    picture: str
    frame: Frame
    found_px: np.ndarray
    moved_px: np.ndarray
    cues: np.ndarray
    axes: list[np.ndarray]


def looked_at(folder: Path, knows: tuple[str, ...] = ("all", "view")) -> Iterator[Looked]:
    """What is looked at closer in each scene under the folder, with so much stated."""
    for truth in sorted(folder.rglob("truth.json")):
        if truth.parent.name == "slides":
            continue  # nearly the same picture again and again
        for seed, scene in enumerate(scenes(truth.parent)):
            frame = Frame.from_bgr(scene.bgr())
            axes = [true_line(rod, scene.size) for rod in scene.rods]
            for know in knows:
                found = from_afar(frame, told(scene, seed, know))
                moved, cues = seen_closer(frame, found.ends_px, found.seen)
                name = f"{truth.parent.name}/{place(scene)}"
                yield Looked(name, frame, found.ends_px, moved, cues, axes)


def collect(folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Cues (n, cues), whether each segment is a rod's (n,), and their pictures' names (n,)."""
    rows, labels, names = [], [], []
    for seen in looked_at(folder):
        on, beside = np.zeros((2, len(seen.cues)), bool)
        for axis in seen.axes:
            on |= along_rod(seen.moved_px, axis, ON_PX)
            beside |= along_rod(seen.found_px, axis, BESIDE_PX)
        sure = on | ~beside
        rows.append(seen.cues[sure])
        labels.append(on[sure])
        names += [seen.picture] * int(sure.sum())
    return np.concatenate(rows), np.concatenate(labels), np.array(names)


def windows(folder: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Windows of the moved segments, as the rod's network sees them, on rods and on all else.

    Patches (n, 2 PATCH + 1, 4), contexts (n, CONTEXT), whether each is on a rod's axis (n,), and
    their pictures' names (n,).
    """
    patches, contexts, labels, names = [], [], [], []
    for seen in looked_at(folder, ("all",)):
        frame = seen.frame
        for ends in seen.moved_px:
            profiles, context = seen_along(frame, ends)
            off = np.full(len(profiles), np.inf)
            for axis in seen.axes:
                off = np.fmin(off, np.abs(axis_off(ends, axis, len(off))) / unit_of(frame))
            sure = (off < ON) | (off > BESIDE)
            patches.append(profiles[sure, HALF : HALF + 2 * PATCH + 1].astype(np.float16))
            contexts.append(context[sure].astype(np.float16))
            labels.append(off[sure] < ON)
            names += [seen.picture] * int(sure.sum())
    patch, context, label = (np.concatenate(each) for each in (patches, contexts, labels))
    return patch, context, label, np.array(names)
