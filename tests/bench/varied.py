"""Path-traced pictures with their rods' curves, as they are and varied, to learn from."""

import json

import cv2
import numpy as np

from vision.frame import Frame


def pictures(folder, from_above=False):
    """(setup's name, picture, rods' curves) of every scene and its variants.

    `from_above`: with a walk's looks from right above the rods, which have a finder of their own.
    """
    rng = np.random.default_rng(5)
    for truth in sorted(folder.rglob("truth.json")):
        for scene in json.loads(truth.read_text()):
            if scene.get("step", 9) < 2 and not from_above:
                continue
            if truth.parent.name == "slides" and scene["step"] % 7 != 3:
                continue  # nearly the same picture
            name = f"{truth.parent.name}/{scene.get('walk', scene['file'])}"
            bgr = cv2.imread(str(truth.parent / scene["file"]))
            curves = [
                np.array(r.get("curve_px", np.linspace(*np.array(r["ends_px"]), 13)))
                for r in scene["rods"]
            ]
            yield name, bgr, curves
            mirrored = [np.c_[bgr.shape[1] - 1 - c[:, 0], c[:, 1]] for c in curves]
            yield name, bgr[:, ::-1].copy(), mirrored
            factor = rng.uniform(0.7, 0.95)
            small = cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
            yield name, small, [(c + 0.5) * factor - 0.5 for c in curves]
            dull = 255 * (bgr / 255.0) ** rng.uniform(0.6, 1.6)
            dull += rng.normal(0, rng.uniform(2, 6), bgr.shape)
            yield name, np.clip(dull, 0, 255).astype(np.uint8), curves


def framed(bgr):
    """The picture's planes, on whole pixels of the coarsest ones."""
    height, width = (side // 4 * 4 for side in bgr.shape[:2])
    return Frame.from_bgr(np.ascontiguousarray(bgr[:height, :width]))


def along_rod(ends, curve, tolerance):
    """Which segments (n, 2, 2) share most of a rod's length and lie along it: (n,)."""
    along = curve[-1] - curve[0]
    length = np.linalg.norm(along)
    along = along / length
    rel = ends - curve[0]
    at = np.sort(rel @ along, axis=1)
    off = np.abs(rel @ np.array([-along[1], along[0]])).max(axis=1)
    shared = np.minimum(at[:, 1], length) - np.maximum(at[:, 0], 0)
    span = np.maximum(at[:, 1] - at[:, 0], 1)
    return (off < tolerance) & (shared / length > 0.4) & (shared / span > 0.6)
