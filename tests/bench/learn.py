"""How the weights of belief, a segment's evidence and a rod's axis are learnt: small networks.

A segment's evidence is learnt from a hundred thousand examples outright. For belief a smooth judge
teaches: kernel logistic regression on a few hundred of its examples (Zhu and Hastie 2005, with the
Nystrom method) tells held-back layouts apart best: what is like no true one is not believed. It
would have to carry those along; a network of a few units is taught to answer as it does, on the
examples, on mixtures of them and on what was never seen.
"""

from collections.abc import Callable

import numpy as np
from scipy.optimize import minimize
from scipy.special import expit, log_softmax, softmax

from vision.across import CONTEXT, HALF, INPUTS, PATCH, Sliding, mirrored, paired
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
# The sliding network: Adam (Kingma and Ba 2015), usual constants, its steps falling to none.
SLIDING_UNITS = 16  # and their mirror images
ROD_UNITS = 40  # likewise
STEP, DECAY, EPOCHS, BATCH = 4e-3, 1e-4, 25, 256
FIRST_MOMENT, SECOND_MOMENT = 0.9, 0.999

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


def learn_sliding(
    profiles: np.ndarray, context: np.ndarray, axis: np.ndarray, counts: np.ndarray
) -> Sliding:
    """The network of `vision.across`, from windows (n, ...) whose `axis` (n,) is known, in columns.

    Cross-entropy of the columns' shares, an axis between two columns shared by both.
    """
    counts = (counts / counts.mean()).astype(np.float32)

    def slopes(net, some):
        return _sliding_slopes(net, profiles[some], context[some], axis[some], counts[some])

    return _descended(SLIDING_UNITS, len(axis), slopes)


def learn_rod(
    patches: np.ndarray, context: np.ndarray, labels: np.ndarray, counts: np.ndarray
) -> Sliding:
    """The network of `vision.axis` that says whether a rod is there, from windows (n, ...).

    `patches` (n, 2 PATCH + 1, 4): the columns around the line, on a rod where `labels` (n,).
    Logistic loss. The last unit's answer is the same everywhere: it holds the level.
    """
    counts = (counts / counts.mean()).astype(np.float32)

    def slopes(net, some):
        return _rod_slopes(net, patches[some], context[some], labels[some], counts[some])

    return _descended(ROD_UNITS, len(labels), slopes, level=True)


def _descended(
    units: int, count: int, slopes_of: Callable[[Sliding, np.ndarray], Parts], level: bool = False
) -> Sliding:
    """The network learnt by small steps down the slopes that a few of the examples give at a time.

    Of each unit and its mirror image one is learnt: the pull on both is the pull on it. `level`:
    the last one sees nothing, and answers always.
    """
    rng = np.random.default_rng(0)
    weights = [rng.normal(0, 0.13, (INPUTS, units)), np.zeros(units), rng.normal(0, 0.2, units)]
    if level:
        weights[0][:, -1], weights[1][-1], weights[2][-1] = 0.0, 1.0, 0.0
    weights = [each.astype(np.float32) for each in weights]
    mean, square = ([np.zeros_like(each) for each in weights] for _ in range(2))
    each_epoch = max(count // BATCH, 1)
    steps = EPOCHS * each_epoch
    for step in range(steps):
        if step % each_epoch == 0:
            order = iter(np.array_split(rng.permutation(count), each_epoch))
        slopes = list(slopes_of(paired(*weights), next(order)))
        slopes[0] = slopes[0] + DECAY * weights[0]
        if level:
            slopes[0][:, -1], slopes[1][-1] = 0.0, 0.0
        rate = STEP * (0.5 + 0.5 * np.cos(np.pi * step / steps))
        for k, slope in enumerate(slopes):
            mean[k] += (1 - FIRST_MOMENT) * (slope - mean[k])
            square[k] += (1 - SECOND_MOMENT) * (slope**2 - square[k])
            ahead = mean[k] / (1 - FIRST_MOMENT ** (step + 1))
            size = np.sqrt(square[k] / (1 - SECOND_MOMENT ** (step + 1)))
            weights[k] = (weights[k] - rate * ahead / (size + 1e-8)).astype(np.float32)
    return paired(*weights)


def _rod_slopes(
    net: Sliding, patches: np.ndarray, context: np.ndarray, labels: np.ndarray, counts: np.ndarray
) -> Parts:
    """Slopes of the mean logistic loss by the weights of the units that are learnt."""
    inputs = _seen(patches, context)
    hidden = np.maximum(inputs @ net.inward + net.bias, 0.0)
    _, slope = unlikeliness(labels, counts / len(labels))(hidden @ net.outward)
    pull = slope.astype(np.float32)
    back = pull[:, None] * net.outward * (hidden > 0.0)
    return _of_learnt(net, inputs.T @ back, back.sum(axis=0), hidden.T @ pull)


def rod_odds(net: Sliding, patches: np.ndarray, context: np.ndarray) -> np.ndarray:
    """What `vision.axis.rod_odds` says of many patches, without its limits."""
    hidden = np.maximum(_seen(patches, context) @ net.inward + net.bias, 0.0)
    return np.asarray(hidden @ net.outward)


def _seen(patches: np.ndarray, context: np.ndarray) -> np.ndarray:
    return np.concatenate([patches.reshape(len(patches), -1), context], axis=1).astype(np.float32)


def _of_learnt(net: Sliding, inward: np.ndarray, *others: np.ndarray) -> Parts:
    """Slopes by the weights of the units that are learnt, of those of all."""
    learnt = len(net.bias) // 2
    return (
        inward[:, :learnt] + mirrored(inward[:, learnt:]),
        *(each[:learnt] + each[learnt:] for each in others),
    )


def _sliding_slopes(
    net: Sliding,
    profiles: np.ndarray,
    context: np.ndarray,
    axis: np.ndarray,
    counts: np.ndarray,
) -> Parts:
    """Slopes of the mean cross-entropy by the weights of the units that are learnt."""
    inputs = _inputs(profiles, context)
    hidden = np.maximum(inputs @ net.inward + net.bias, 0.0)
    answer = hidden @ net.outward
    share = softmax(answer, axis=1)
    low = np.floor(axis).astype(int)
    row = np.arange(len(axis))
    share[row, low + HALF] -= low + 1 - axis
    share[row, low + HALF + 1] -= axis - low
    pull = share * counts[:, None] / len(axis)
    back = pull[..., None] * net.outward * (hidden > 0.0)
    inward = np.tensordot(inputs, back, axes=((0, 1), (0, 1)))
    outward = np.tensordot(pull, hidden, axes=((0, 1), (0, 1)))
    return _of_learnt(net, inward, back.sum(axis=(0, 1)), outward)


def _inputs(profiles: np.ndarray, context: np.ndarray) -> np.ndarray:
    """What the sliding network is given for each column: (windows, columns, INPUTS)."""
    count, wide, planes = profiles.shape
    seen = np.lib.stride_tricks.sliding_window_view(profiles, 2 * PATCH + 1, axis=1)
    columns = wide - 2 * PATCH
    return np.concatenate(
        [
            np.swapaxes(seen, 2, 3).reshape(count, columns, (2 * PATCH + 1) * planes),
            np.broadcast_to(context[:, None], (count, columns, CONTEXT)),
        ],
        axis=2,
    ).astype(np.float32)


def log_shares(net: Sliding, profiles: np.ndarray, context: np.ndarray) -> np.ndarray:
    """What `vision.across.log_shares` says of many windows, without its floor."""
    parts = []
    for some in np.array_split(np.arange(len(profiles)), max(len(profiles) // 2048, 1)):
        hidden = np.maximum(_inputs(profiles[some], context[some]) @ net.inward + net.bias, 0.0)
        parts.append(hidden @ net.outward)
    return log_softmax(np.concatenate(parts), axis=1)


def _net(mean: np.ndarray, spread: np.ndarray, parts: Parts) -> Net:
    inward, bias, outward, past, level = parts
    return Net(mean, spread, inward, bias, outward, past, float(level[0]))
