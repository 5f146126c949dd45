"""Refits the weights of `vision/evidence.py` and `vision/belief.py` on path-traced scenes.

`python -m tests.bench.train --scenes DIR --more DIR` prints both levels' weights, then belief's.
For the evidence, every scene is taken as it is, mirrored, reduced, and with another gamma and more
noise; a segment counts as a rod's when it lies within 3 (fine) or 1.7 (coarse) pixels of it and
shares most of its length. Logistic regression on standardised cues: L2-regularised for the
evidence, with few weights for belief. Also prints how well held-back scenes are told apart.
"""

import argparse
import json
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from tests.bench.presence import examples
from vision import hough, segments
from vision.belief import FEATURES
from vision.contrast import contrast_planes
from vision.evidence import features
from vision.find import COARSE, FINE
from vision.frame import Frame

FOLDS = 6
RIDGE = 0.5
LASSO = 2.0  # belief: few weights generalise better
LEAST = 0.06  # standardised weights below this are left out
KEEP_SHARES = (0.98, 0.96, 0.94, 0.9, 0.8)


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
    mean, spread = cues.mean(axis=0), cues.std(axis=0) + 1e-6
    design = np.c_[np.clip((cues - mean) / spread, -4, 4), np.ones(len(cues))]
    sign = np.where(labels, 1.0, -1.0)

    def loss(w):
        margin = sign * (design @ w)
        slope = -(sign * expit(-margin)) @ design
        slope[:-1] += 2 * RIDGE * w[:-1]
        return np.logaddexp(0, -margin).sum() + RIDGE * (w[:-1] ** 2).sum(), slope

    w = minimize(loss, np.zeros(design.shape[1]), jac=True, method="L-BFGS-B").x
    weights = w[:-1] / spread
    return weights, float(w[-1] - weights @ mean)


def fit_few(values, labels):
    """Logistic regression with an L1 penalty, then again without it on the features kept."""
    mean, spread = values.mean(axis=0), values.std(axis=0) + 1e-6
    design = np.clip((values - mean) / spread, -6, 6)
    sign = np.where(labels, 1.0, -1.0)
    count = design.shape[1]

    def loss(w):
        margin = sign * (design @ (w[:count] - w[count:-1]) + w[-1])
        pull = sign * expit(-margin)
        slope = pull @ design
        value = np.logaddexp(0, -margin).sum() + LASSO * w[:-1].sum()
        return value, np.concatenate([LASSO - slope, LASSO + slope, [-pull.sum()]])

    bounds = [(0, None)] * (2 * count) + [(None, None)]
    w = minimize(loss, np.zeros(2 * count + 1), jac=True, method="L-BFGS-B", bounds=bounds).x
    kept = np.flatnonzero(np.abs(w[:count] - w[count:-1]) > LEAST)
    weights = np.zeros(count)
    weights[kept], bias = fit(values[:, kept], labels)
    return weights, bias


def train_belief(folder, more):
    """Prints the weights of `vision/belief.py`, and what they make of pictures held back.

    Of pictures of two sorts (`more`, rendered by `tests.bench.render`, are several times as many)
    the mean of two fits: of the first alone, and of all. A fit of all is better on the second sort
    and worse on the first; the mean is better on the second and as good on the first. What is
    shipped was fitted before partners were looked for; a fit with them, and with twice as many
    pictures, finds no more of pictures that neither has seen.
    """
    first = list(examples(folder))
    fits = [_fit_held(first)]
    if more:
        rest = [e for each in more for e in examples(each) if not e.kind.startswith("crop")]
        fits.append(_fit_held(first + rest))
    weights, bias = (np.mean(part, axis=0) for part in zip(*fits, strict=True))
    print("WEIGHTS: dict[str, float] = {")
    for name, weight in zip(FEATURES, weights, strict=True):
        if weight:
            print(f'    "{name}": {weight:.4f},')
    print(f"}}\nBIAS = {bias:.4f}", flush=True)


def _fit_held(every):
    """Weights and bias of these examples; prints how well held-back ones are told apart."""
    values, labels = np.array([e.features for e in every]), np.array([e.true for e in every])
    kinds = np.array([e.kind for e in every])
    order = np.random.default_rng(0).permutation(np.unique([e.picture for e in every]))
    fold = {name: i % FOLDS for i, name in enumerate(order)}
    groups = np.array([fold[e.picture] for e in every])
    held = np.zeros(len(labels))
    for k in range(FOLDS):
        weights, bias = fit_few(values[groups != k], labels[groups != k])
        held[groups == k] = values[groups == k] @ weights + bias
    for share in KEEP_SHARES:
        least = np.quantile(held[kinds == "true"], 1 - share)
        passing = {
            kind: f"{(held[kinds == kind] >= least).sum()} of {(kinds == kind).sum()}"
            for kind in np.unique(kinds[~labels])
        }
        print(f"# held back, {share:.0%} of the true from {least:.2f}: {passing}")
    return fit_few(values, labels)


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

    train_belief(args.scenes, args.more)


if __name__ == "__main__":
    main()
