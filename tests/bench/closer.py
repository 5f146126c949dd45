"""Segments looked at closer: `vision.closer` learns from them, and who says if a rod is there."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.bench.scenes import place, told, true_line
from tests.bench.varied import along_rod
from tests.scenes import scenes
from vision.across import HALF, PATCH, windows_of
from vision.closer import seen_closer
from vision.find import from_afar
from vision.frame import Frame
from vision.full_band import band_along, unit_of

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
            ends = np.ascontiguousarray(ends)
            band = band_along((frame.y, frame.u, frame.v), ends, HALF, unit_of(frame))
            profiles, context = windows_of(band)
            none = np.full(len(profiles), np.inf)
            off = np.min([none, *(_off(ends, axis, len(none)) for axis in seen.axes)], axis=0)
            off = off / unit_of(frame)
            sure = (off < ON) | (off > BESIDE)
            patches.append(profiles[sure, HALF : HALF + 2 * PATCH + 1].astype(np.float16))
            contexts.append(context[sure].astype(np.float16))
            labels.append(off[sure] < ON)
            names += [seen.picture] * int(sure.sum())
    patch, context, label = (np.concatenate(each) for each in (patches, contexts, labels))
    return patch, context, label, np.array(names)


def _off(ends: np.ndarray, axis: np.ndarray, count: int) -> np.ndarray:
    """How far (count,) the rod's axis is off the middles of a segment's windows; inf beyond it."""
    span = ends[1] - ends[0]
    length = np.hypot(*span)
    at = (axis - ends[0]) @ span / length
    off = (axis - ends[0]) @ [-span[1], span[0]] / length
    order = np.argsort(at)
    middles = (np.arange(count) + 0.5) / count * length
    return np.abs(np.interp(middles, at[order], off[order], left=np.inf, right=np.inf))
