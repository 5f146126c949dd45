"""How the weights of belief and a segment's evidence are learnt: small networks.

A segment's evidence is learnt from a hundred thousand examples outright. For belief a smooth judge
teaches: kernel logistic regression on a few hundred of its examples (Zhu and Hastie 2005, with the
Nystrom method) tells held-back layouts apart best: what is like no true one is not believed. It
would have to carry those along; a network of a few units is taught to answer as it does, on the
examples, on mixtures of them and on what was never seen.
"""

from collections.abc import Callable

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit

from vision.net import CLIP, Net, standardised

LANDMARKS = 800
GAIN = 0.01  # of the Gaussian kernel, per square of standardised distance
RIDGE = 0.02
UNITS = 16
SEGMENT_UNITS = 24
SHRINK = 3e-4
MIXTURES, SHUFFLED, STRANGE = 40_000, 10_000, 20_000
JITTER = 0.3
LEAST, MOST = -5.0, 6.0  # log-odds beyond which it does not matter how far
ROUNDS = 1500

Judge = Callable[[np.ndarray], np.ndarray]
# Of a network's answers (n,): how wrong they are, and its slope (n,).
Fault = Callable[[np.ndarray], tuple[float, np.ndarray]]
Parts = tuple[np.ndarray, ...]


def scaled(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Mean and spread (features,) by which `vision.net` standardises."""
    return values.mean(axis=0), values.std(axis=0) + 1e-6


def unlikeliness(labels: np.ndarray, counts: np.ndarray | float) -> Fault:
    """Minus the log-likelihood of these labels, given log-odds; each counts so often."""
    sign = np.where(labels, 1.0, -1.0)

    def fault(answer):
        margin = sign * answer
        return float((counts * np.logaddexp(0, -margin)).sum()), -sign * counts * expit(-margin)

    return fault


def logistic(
    design: np.ndarray, labels: np.ndarray, ridge: float, counts: np.ndarray | float = 1.0
) -> tuple[np.ndarray, float]:
    """L2-regularised logistic regression: weights and bias; `counts` says how often each counts."""
    unlikely = unlikeliness(labels, counts)

    def loss(w):
        value, pull = unlikely(design @ w[:-1] + w[-1])
        value += ridge * (w[:-1] ** 2).sum()
        return value, np.append(pull @ design + 2 * ridge * w[:-1], pull.sum())

    w = minimize(
        loss, np.zeros(design.shape[1] + 1), jac=True, method="L-BFGS-B", options={"maxiter": 3000}
    ).x
    return w[:-1], float(w[-1])


def judge(values: np.ndarray, labels: np.ndarray, counts: np.ndarray, seed: int = 0) -> Judge:
    """Kernel logistic regression on standardised examples (n, features): log-odds of others.

    `counts` (n,): how often each example counts.
    """
    rng = np.random.default_rng(seed)
    weights, bias = logistic(values, labels, 5.0)
    # Most landmarks where a straight border is in doubt.
    doubt = np.exp(-np.minimum(np.abs(values @ weights + bias), 9.0) / 2.0) + 0.01
    doubt *= counts
    chosen = rng.choice(len(values), min(LANDMARKS, len(values)), False, doubt / doubt.sum())
    centres = values[chosen]

    def kernel(points):
        far = (points**2).sum(axis=1)[:, None] + (centres**2).sum(axis=1) - 2 * points @ centres.T
        return np.exp(-GAIN * np.maximum(far, 0.0))

    size, vectors = np.linalg.eigh(kernel(centres))
    kept = size > 1e-7 * size[-1]
    whiten = vectors[:, kept] / np.sqrt(size[kept])
    weights, bias = logistic(kernel(values) @ whiten, labels, RIDGE, counts)
    along = whiten @ weights
    return lambda points: kernel(points) @ along + bias


def taught(teacher: Judge, values: np.ndarray, seed: int = 0) -> Parts:
    """A network that answers as `teacher` does about points like `values` (n, features)."""
    rng = np.random.default_rng(seed)
    count, width = values.shape
    likely = np.exp(np.clip(teacher(values), LEAST, 0.0) / 3.0)
    one, other = (rng.choice(count, MIXTURES, p=likely / likely.sum()) for _ in range(2))
    share = rng.uniform(0, 1, (MIXTURES, 1))
    mixed = share * values[one] + (1 - share) * values[other]
    shuffled = np.stack([rng.choice(column, SHUFFLED) for column in values.T], axis=1)
    points = np.concatenate([values, values, mixed, shuffled])
    points[count:] += rng.normal(0, JITTER, points[count:].shape)
    reach = rng.uniform(0, CLIP, (STRANGE, 1))
    strange = rng.uniform(-1, 1, (STRANGE, width)) * reach
    points = np.clip(np.concatenate([points, strange]), -CLIP, CLIP).astype(np.float32)
    target = np.clip(np.concatenate([teacher(p) for p in np.array_split(points, 40)]), LEAST, MOST)
    weight = np.exp(np.minimum(target, 0.0) / 4.0)
    weight /= weight.sum()

    def off(answer):
        miss = answer - target
        return float((weight * miss**2).sum()), 2 * weight * miss

    return network(points, off, UNITS, rng)


def network(points: np.ndarray, fault: Fault, units: int, rng: np.random.Generator) -> Parts:
    """The network of so many units, and of small weights, whose answers at fault are least so.

    Its weights inward (features, `units`), the units' biases, weights outward, weights past the
    units (features,), and the bias; for standardised `points` (n, features) of single precision.
    """
    width = points.shape[1]

    def parts(w):
        inward, *rest = np.split(w, np.cumsum([width * units, units, units, width]))
        return inward.reshape(width, units), *rest

    def loss(w):
        inward, bias, outward, past, level = (part.astype(np.float32) for part in parts(w))
        hidden = np.tanh(points @ inward + bias)
        value, slope = fault(hidden @ outward + points @ past + level)
        pull = slope.astype(np.float32)
        back = pull[:, None] * outward * (1 - hidden * hidden)
        size = (inward**2).sum() + 0.1 * (outward**2).sum() + 0.1 * (past**2).sum()
        slopes = [
            (points.T @ back + 2 * SHRINK * inward).ravel(),
            back.sum(axis=0),
            hidden.T @ pull + 0.2 * SHRINK * outward,
            points.T @ pull + 0.2 * SHRINK * past,
            [pull.sum()],
        ]
        return value + SHRINK * float(size), np.concatenate(slopes).astype(float)

    start = np.concatenate(
        [
            rng.normal(0, 0.15, width * units),
            rng.normal(0, 0.3, units),
            rng.normal(0, 1.0, units),
            np.zeros(width + 1),
        ]
    )
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": ROUNDS}).x
    return parts(found)


def learn(values: np.ndarray, labels: np.ndarray, counts: np.ndarray) -> Net:
    """The network for features (n, features) of layouts that are laid rods or not."""
    mean, spread = scaled(values)
    points = standardised(values, mean, spread)
    return _net(mean, spread, taught(judge(points, labels, counts), points))


def learn_alone(values: np.ndarray, labels: np.ndarray, counts: np.ndarray) -> Net:
    """The network for cues (n, cues) of segments on rods or not: logistic loss, no teacher.

    There are a hundred times as many segments as layouts.
    """
    mean, spread = scaled(values)
    points = standardised(values, mean, spread).astype(np.float32)
    unlikely = unlikeliness(labels, counts / counts.sum())
    parts = network(points, unlikely, SEGMENT_UNITS, np.random.default_rng(0))
    return _net(mean, spread, parts)


def _net(mean: np.ndarray, spread: np.ndarray, parts: Parts) -> Net:
    inward, bias, outward, past, level = parts
    return Net(mean, spread, inward, bias, outward, past, float(level[0]))
