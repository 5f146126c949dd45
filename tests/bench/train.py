"""Refits the weights of `vision/evidence.py` and `vision/belief.py` on path-traced scenes.

`python -m tests.bench.train --scenes DIR --more DIR` prints both levels' weights, then belief's.
For the evidence, every scene is taken as it is, mirrored, reduced, and with another gamma and more
noise; a segment counts as a rod's when it lies within 3 (fine) or 1.7 (coarse) pixels of it and
shares most of its length. L2-regularised logistic regression on standardised cues for the evidence;
for belief see `tests.bench.learn`. Also prints how well held-back scenes are told apart.
"""

import argparse
import json
import textwrap
from pathlib import Path

import cv2
import numpy as np

from tests.bench.learn import judge, learn, logistic, scaled
from tests.bench.presence import examples
from vision import hough, segments
from vision.belief import standardised
from vision.contrast import contrast_planes
from vision.evidence import features
from vision.find import COARSE, FINE
from vision.frame import Frame

FOLDS = 6
RIDGE = 0.5
FIRST = 3.0  # belief: how often the first folder's examples count, of which there are fewer
KEEP_SHARES = (0.98, 0.96, 0.94, 0.9, 0.8)
WEIGHTS_FILE = '''"""What `vision.belief` has learnt; written by `python -m tests.bench.train`."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def table(text: str, columns: int) -> NDArray[np.float64]:
    """Numbers in rows of so many columns."""
    return np.array(text.split(), np.float64).reshape(-1, columns)


# A row for each of `vision.belief.FEATURES`: its mean, its spread, its weight past the units; and
# its weights into each unit. A row for each unit: its bias and its weight outward.
{tables}
LEVEL = {level:.4f}
'''


def pictures(folder):
    """(setup's name, picture, rods' curves) of every scene and its variants."""
    rng = np.random.default_rng(5)
    for truth in sorted(folder.rglob("truth.json")):
        for scene in json.loads(truth.read_text()):
            if scene.get("step", 9) < 2:
                continue  # looks from right above: another finder's business
            if truth.parent.name == "slides" and scene["step"] % 7 != 3:
                continue  # nearly the same picture
            name = f"{truth.parent.name}/{scene.get('walk', scene['file'])}"
            bgr = cv2.imread(str(truth.parent / scene["file"]))
            curves = [np.array(r.get("curve_px", r["ends_px"])) for r in scene["rods"]]
            yield name, bgr, curves
            mirrored = [np.c_[bgr.shape[1] - 1 - c[:, 0], c[:, 1]] for c in curves]
            yield name, bgr[:, ::-1].copy(), mirrored
            factor = rng.uniform(0.7, 0.95)
            small = cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
            yield name, small, [(c + 0.5) * factor - 0.5 for c in curves]
            dull = 255 * (bgr / 255.0) ** rng.uniform(0.6, 1.6)
            dull += rng.normal(0, rng.uniform(2, 6), bgr.shape)
            yield name, np.clip(dull, 0, 255).astype(np.uint8), curves


def on_rod(ends, curve, tolerance):
    along = curve[-1] - curve[0]
    length = np.linalg.norm(along)
    along = along / length
    rel = ends - curve[0]
    at = np.sort(rel @ along, axis=1)
    off = np.abs(rel @ np.array([-along[1], along[0]])).max(axis=1)
    shared = np.minimum(at[:, 1], length) - np.maximum(at[:, 0], 0)
    span = np.maximum(at[:, 1] - at[:, 0], 1)
    return (off < tolerance) & (shared / length > 0.4) & (shared / span > 0.6)


def collect(folder, level):
    rows, labels, names = [], [], []
    for name, bgr, curves in pictures(folder):
        height, width = (side // 4 * 4 for side in bgr.shape[:2])
        frame = Frame.from_bgr(np.ascontiguousarray(bgr[:height, :width]))
        planes = contrast_planes(frame, level.reduction)
        pieces = hough.find_lines(planes, level.pieces, level.strips)
        found = segments.grow(planes, pieces, level.band)
        label = np.zeros(len(found.ends_px), bool)
        for curve in curves:
            here = (curve + 0.5) / level.reduction - 0.5
            label |= on_rod(found.ends_px, here, 3.0 if level is FINE else 1.7)
        rows.append(features(found.cues))
        labels.append(label)
        names += [name] * len(label)
    return np.concatenate(rows), np.concatenate(labels), np.array(names)


def fit(cues, labels):
    mean, spread = scaled(cues)
    weights, bias = logistic(standardised(cues, mean, spread), labels, RIDGE)
    weights = weights / spread
    return weights, bias - float(weights @ mean)


def train_belief(folders):
    """Prints `vision/belief_weights.py`, and what is made of pictures held back."""
    sets = [list(examples(folder, with_crops=k == 0)) for k, folder in enumerate(folders)]
    every = [e for each in sets for e in each]
    counts = np.repeat([FIRST, *[1.0] * (len(sets) - 1)], [len(each) for each in sets])
    values, labels = np.array([e.features for e in every]), np.array([e.true for e in every])
    kinds = np.array([e.kind for e in every])
    order = np.random.default_rng(0).permutation(np.unique([e.picture for e in every]))
    fold = {name: i % FOLDS for i, name in enumerate(order)}
    groups = np.array([fold[e.picture] for e in every])
    held = np.zeros(len(labels))
    for k in range(FOLDS):
        rest = groups != k
        mean, spread = scaled(values[rest])
        points = standardised(values, mean, spread)
        held[~rest] = judge(points[rest], labels[rest], counts[rest])(points[~rest])
    for share in KEEP_SHARES:
        least = np.quantile(held[kinds == "true"], 1 - share)
        passing = {
            kind: f"{(held[kinds == kind] >= least).sum()} of {(kinds == kind).sum()}"
            for kind in np.unique(kinds[~labels])
        }
        print(f"# held back, {share:.0%} of the true from {least:.2f}: {passing}")
    print(written(learn(values, labels, counts)), flush=True)


def written(net):
    """The text of `vision/belief_weights.py`."""
    blocks = (
        ("EACH", np.stack([net.mean, net.spread, net.past], axis=1), 4),
        ("INWARD", net.inward, 3),
        ("UNITS", np.stack([net.bias, net.outward], axis=1), 3),
    )
    tables = "\n".join(
        f'{name} = table("""\n{rows_of(numbers, digits)}\n""", {numbers.shape[1]})'
        for name, numbers, digits in blocks
    )
    return WEIGHTS_FILE.format(tables=tables, level=net.level)


def rows_of(numbers, digits):
    """One row of text for each row of numbers, or several where they are long."""
    return "\n".join(textwrap.fill(" ".join(f"{v:.{digits}f}" for v in row), 96) for row in numbers)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=Path, required=True)
    parser.add_argument(
        "--more", type=Path, action="append", default=[], help="others, for belief alone"
    )
    args = parser.parse_args()
    for title, level in (("COARSE", COARSE), ("FINE", FINE)):
        cues, labels, names = collect(args.scenes, level)
        order = np.random.default_rng(0).permutation(np.unique(names))
        fold = {name: i % FOLDS for i, name in enumerate(order)}
        groups = np.array([fold[n] for n in names])
        held = np.zeros(len(labels))
        for k in range(FOLDS):
            weights, bias = fit(cues[groups != k], labels[groups != k])
            held[groups == k] = cues[groups == k] @ weights + bias
        others = np.sort(held[~labels])[::-1]
        shares = {
            f: round(float((held[labels] > others[int(f * len(others))]).mean()), 3)
            for f in (0.002, 0.01, 0.03)
        }
        weights, bias = fit(cues, labels)
        print(
            f"# {title}: {labels.sum()} of {len(labels)}; rods kept at a share of others: {shares}"
        )
        print(f"{title} = Evidence(")
        print(f"    np.array({np.round(weights, 4).tolist()}),\n    {bias:.4f},\n)", flush=True)

    train_belief([args.scenes, *args.more])


if __name__ == "__main__":
    main()
