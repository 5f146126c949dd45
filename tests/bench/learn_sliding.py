"""How the networks that slide over pixels are learnt: a rod's axis, that there is one, its ends."""

from collections.abc import Callable

import numpy as np
from scipy.special import log_softmax, softmax

from tests.bench.learn import Parts, unlikeliness
from vision import ends
from vision.across import CONTEXT, HALF, INPUTS, PATCH, Sliding, mirrored, paired

SLIDING_UNITS = 16  # and their mirror images
ROD_UNITS = 40  # likewise
ENDING_UNITS = 32
# Adam (Kingma and Ba 2015), usual constants, its steps falling to none.
STEP, DECAY, EPOCHS, BATCH = 4e-3, 1e-4, 25, 256
ENDING_DECAY, ENDING_EPOCHS = 5e-3, 40
FIRST_MOMENT, SECOND_MOMENT = 0.9, 0.999


def learn_axis(
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


def learn_ending(
    seen: np.ndarray, context: np.ndarray, steps: np.ndarray, counts: np.ndarray
) -> ends.Ending:
    """The network of `vision.ends`, from what shows around rods' ends (n, ...).

    `steps` (n,) out to where each rod ends, NaN where at none. Cross-entropy of the steps' shares,
    an end between two steps shared by both.
    """
    rng = np.random.default_rng(0)
    units = ENDING_UNITS
    start = [rng.normal(0, 0.1, (ends.INPUTS, units)), np.zeros(units), rng.normal(0, 0.2, units)]
    counts = counts / counts.mean()

    def slopes(weights, some):
        net = ends.Ending(*weights[:3], float(weights[3][0]))
        return _ending_slopes(net, seen[some], context[some], steps[some], counts[some])

    *weights, nowhere = _down(
        [*start, np.zeros(1)], len(steps), slopes, rng, ENDING_EPOCHS, ENDING_DECAY
    )
    return ends.Ending(*weights, float(nowhere[0]))


def _ending_slopes(
    net: ends.Ending,
    seen: np.ndarray,
    context: np.ndarray,
    steps: np.ndarray,
    counts: np.ndarray,
) -> list[np.ndarray]:
    """Slopes of the mean cross-entropy by the network's four sorts of weights."""
    inputs = _around_steps(seen, context)
    hidden = np.maximum(inputs @ net.inward + net.bias, 0.0)
    share = _ending_shares(net, hidden)
    row = np.arange(len(steps))
    known = np.isfinite(steps)
    at = steps[known] + ends.REACH
    low = np.floor(at).astype(int)
    share[row[known], low] -= low + 1 - at
    share[row[known], low + 1] -= at - low
    share[row[~known], -1] -= 1.0
    pull = (share * counts[:, None] / len(steps)).astype(np.float32)
    back = pull[:, :-1, None] * net.outward * (hidden > 0.0)
    return [
        np.tensordot(inputs, back, axes=((0, 1), (0, 1))),
        back.sum(axis=(0, 1)),
        np.tensordot(pull[:, :-1], hidden, axes=((0, 1), (0, 1))),
        pull[:, -1].sum(keepdims=True),
    ]


def _ending_shares(net: ends.Ending, hidden: np.ndarray) -> np.ndarray:
    answers = hidden @ net.outward
    nowhere = np.full((len(answers), 1), net.nowhere, np.float32)
    return softmax(np.concatenate([answers, nowhere], axis=1), axis=1)


def _around_steps(seen: np.ndarray, context: np.ndarray) -> np.ndarray:
    """What the network of `vision.ends` is given for each step: (n, steps, INPUTS)."""
    count, samples, channels = seen.shape
    taps = 2 * ends.PATCH + 1
    flat = seen.reshape(count, samples * channels)
    around = np.lib.stride_tricks.sliding_window_view(flat, taps * channels, axis=1)[:, ::channels]
    shape = (count, samples - taps + 1, context.shape[1])
    return np.concatenate([around, np.broadcast_to(context[:, None], shape)], axis=2)


def ending_shares(net: ends.Ending, seen: np.ndarray, context: np.ndarray) -> np.ndarray:
    """What `vision.ends.shares_of` says of many ends (n, ...)."""
    parts = []
    for some in np.array_split(np.arange(len(seen)), max(len(seen) // 2048, 1)):
        inputs = _around_steps(seen[some], context[some])
        parts.append(_ending_shares(net, np.maximum(inputs @ net.inward + net.bias, 0.0)))
    return np.concatenate(parts)


def _descended(
    units: int, count: int, slopes_of: Callable[[Sliding, np.ndarray], Parts], level: bool = False
) -> Sliding:
    """The network learnt by small steps down the slopes that a few of the examples give at a time.

    Of each unit and its mirror image one is learnt: the pull on both is the pull on it. `level`:
    the last one sees nothing, and answers always.
    """
    rng = np.random.default_rng(0)
    start = [rng.normal(0, 0.13, (INPUTS, units)), np.zeros(units), rng.normal(0, 0.2, units)]
    if level:
        start[0][:, -1], start[1][-1], start[2][-1] = 0.0, 1.0, 0.0

    def slopes(weights, some):
        out = list(slopes_of(paired(*weights), some))
        if level:
            out[0][:, -1], out[1][-1] = 0.0, 0.0
        return out

    return paired(*_down(start, count, slopes, rng, EPOCHS, DECAY))


def _down(
    start: list[np.ndarray],
    count: int,
    slopes_of: Callable[[list[np.ndarray], np.ndarray], list[np.ndarray]],
    rng: np.random.Generator,
    epochs: int,
    decay: float,
) -> list[np.ndarray]:
    """Weights, of which the first are kept small, after small steps down from `start`."""
    weights = [each.astype(np.float32) for each in start]
    mean, square = ([np.zeros_like(each) for each in weights] for _ in range(2))
    each_epoch = max(count // BATCH, 1)
    steps = epochs * each_epoch
    for step in range(steps):
        if step % each_epoch == 0:
            order = iter(np.array_split(rng.permutation(count), each_epoch))
        slopes = slopes_of(weights, next(order))
        slopes[0] = slopes[0] + decay * weights[0]
        rate = STEP * (0.5 + 0.5 * np.cos(np.pi * step / steps))
        for k, slope in enumerate(slopes):
            mean[k] += (1 - FIRST_MOMENT) * (slope - mean[k])
            square[k] += (1 - SECOND_MOMENT) * (slope**2 - square[k])
            ahead = mean[k] / (1 - FIRST_MOMENT ** (step + 1))
            size = np.sqrt(square[k] / (1 - SECOND_MOMENT ** (step + 1)))
            weights[k] = (weights[k] - rate * ahead / (size + 1e-8)).astype(np.float32)
    return weights


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
