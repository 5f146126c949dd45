"""Refits the weights of evidence, axes and belief (`vision/*_weights.py`) on path-traced scenes.

`python -m tests.bench.train evidence --scenes DIR --more DIR` prints both levels' weights, `across`
those of where a rod's axis lies in its band, `ends` of where along it a rod ends, `rod` of whether
one is there, `closer` of segments looked at with these, `lines` of how far a measured line may be
off, `belief` of the layouts that are found: in this order. For the first three, every scene is
taken as it is, mirrored, reduced, and with another gamma and more noise; a segment counts as a
rod's when it shares most of its length and lies so near that measuring it finds the rod: that of
its shadow does, too. How they are learnt: `tests.bench.learn`, `learn_sliding` and `line_errors`.
Also prints how well scenes held back are told apart.
"""

import argparse
import textwrap
from pathlib import Path

import numpy as np

from tests.bench import closer
from tests.bench.bands import bands
from tests.bench.endings import endings
from tests.bench.learn import judge, learn, learn_alone, scaled
from tests.bench.learn_sliding import (
    ending_shares,
    learn_axis,
    learn_ending,
    learn_rod,
    log_shares,
    rod_odds,
)
from tests.bench.line_errors import learn_line, lines
from tests.bench.presence import examples
from tests.bench.varied import along_rod, framed, pictures
from vision import hough, segments
from vision.across import HALF
from vision.contrast import contrast_planes
from vision.ends import place_of
from vision.find import COARSE, FINE
from vision.net import standardised

FOLDS = 6
NEAR_PX = (5.0, 2.6)  # of the fine and the coarse planes
FIRST = 3.0  # how often the first folder's examples count, of which there are fewer
KEEP_SHARES = (0.98, 0.96, 0.94, 0.9, 0.8)
WEIGHTS_FILE = '''"""What {whose} has learnt; written by `python -m tests.bench.train`."""

from __future__ import annotations

from {module} import {made_by}

{nets}
'''


def collect(folder, level):
    rows, labels, names = [], [], []
    for name, bgr, curves in pictures(folder):
        frame = framed(bgr)
        planes = contrast_planes(frame, level.reduction)
        pieces = hough.find_lines(planes, level.pieces, level.strips)
        found = segments.grow(planes, pieces, level.band)
        label = np.zeros(len(found.ends_px), bool)
        for curve in curves:
            here = (curve + 0.5) / level.reduction - 0.5
            label |= along_rod(found.ends_px, here, NEAR_PX[0 if level is FINE else 1])
        rows.append(found.cues)
        labels.append(label)
        names += [name] * len(label)
    return np.concatenate(rows), np.concatenate(labels), np.array(names)


def counted(sets):
    """How often each example of these sets counts."""
    return np.repeat([FIRST, *[1.0] * (len(sets) - 1)], [len(each) for each in sets])


def held_back(names, answers, folds=FOLDS):
    """(n, ...) What is said of each example by what learnt without its picture.

    `answers(rest)` learns from the examples where `rest` (n,) is true, and answers for the others.
    """
    order = np.random.default_rng(0).permutation(np.unique(names))
    fold = {name: i % folds for i, name in enumerate(order)}
    groups = np.array([fold[name] for name in names])
    said = [np.asarray(answers(groups != k)) for k in range(folds)]
    held = np.zeros((len(names), *said[0].shape[1:]))
    for k in range(folds):
        held[groups == k] = said[k]
    return held


def train_evidence(folders):
    """Prints `vision/evidence_weights.py`, and what is made of pictures held back."""
    levels = (("COARSE", COARSE), ("FINE", FINE))
    nets = {
        title: alone([collect(folder, level) for folder in folders], title)
        for title, level in levels
    }
    print(written(nets, "a segment's evidence"), flush=True)


def alone(sets, title):
    """The network for segments, of sets of (cues, labels, names), told how well it does."""
    counts = counted([labels for _, labels, _ in sets])
    cues, labels = (np.concatenate([each[k] for each in sets]) for k in range(2))

    def answers(rest):
        return learn_alone(cues[rest], labels[rest], counts[rest]).log_odds(cues[~rest])

    held = held_back([f"{k} {name}" for k, each in enumerate(sets) for name in each[2]], answers)
    print(f"# {title}: {labels.sum()} of {len(labels)}; {kept(held, labels)}")
    return learn_alone(cues, labels, counts)


def kept(held, labels):
    """Words for how many rods stand out more than all but a share of the others."""
    others = np.sort(held[~labels])[::-1]
    shares = {
        f: round(float((held[labels] > others[int(f * len(others))]).mean()), 3)
        for f in (0.002, 0.01, 0.03)
    }
    return f"rods kept at a share of others: {shares}"


def train_across(folders):
    """Prints `vision/across_weights.py`, and how often a window held back has its axis right."""
    sets = [list(bands(folder)) for folder in folders]
    every = [band for each in sets for band in each]
    windows = [len(band.axis) for band in every]
    profiles, context, axis = (
        np.concatenate([getattr(band, part) for band in every])
        for part in ("profiles", "context", "axis")
    )
    # Every start counts alike, however many of its windows show the rod.
    known = np.array([np.isfinite(band.axis).sum() for band in every])
    counts = np.repeat(counted(sets) / known, windows)
    names = np.repeat(
        [f"{k} {band.picture}" for k, each in enumerate(sets) for band in each], windows
    )
    shown = np.isfinite(axis)
    profiles, context, axis, counts, names = (
        each[shown] for each in (profiles, context, axis, counts, names)
    )

    def answers(rest):
        net = learn_axis(profiles[rest], context[rest], axis[rest], counts[rest])
        return log_shares(net, profiles[~rest], context[~rest]).argmax(axis=1) - HALF

    miss = np.abs(held_back(names, answers, 2) - axis)
    shares = {f"{within} px": round(float((miss < within).mean()), 3) for within in (1, 2, 4)}
    print(f"# {len(every)} bands, {len(axis)} windows; held back, axis within: {shares}")
    net = learn_axis(profiles, context, axis, counts)
    print(written_sliding("ACROSS", net, "`vision.across`"), flush=True)


def train_ends(folders):
    """Prints `vision/ends_weights.py`, and how far ends of pictures held back are off."""
    sets = [list(endings(folder)) for folder in folders]
    every = [ending for each in sets for ending in each]
    counts = counted(sets)
    seen, context, steps = (
        np.array([getattr(ending, part) for ending in every])
        for part in ("seen", "context", "steps")
    )
    names = [f"{k} {ending.picture}" for k, each in enumerate(sets) for ending in each]

    def answers(rest):
        net = learn_ending(seen[rest], context[rest], steps[rest], counts[rest])
        shares = ending_shares(net, seen[~rest], context[~rest])
        return [place_of(share)[0] for share in shares]

    miss = np.abs(held_back(names, answers, 2) - steps)[np.isfinite(steps)]
    shares = {f"{within} steps": round(float((miss < within).mean()), 3) for within in (0.5, 1, 2)}
    print(f"# {len(miss)} ends; held back, within: {shares}")
    print(written_ending(learn_ending(seen, context, steps, counts)), flush=True)


def train_rod(folders):
    """Prints `vision/rod_weights.py`, and what is made of windows held back."""
    sets = [closer.windows(folder) for folder in folders]
    counts = counted([each[2] for each in sets])
    patches, context, labels = (np.concatenate([each[k] for each in sets]) for k in range(3))
    names = [f"{k} {name}" for k, each in enumerate(sets) for name in each[3]]

    def answers(rest):
        net = learn_rod(patches[rest], context[rest], labels[rest], counts[rest])
        return rod_odds(net, patches[~rest], context[~rest])

    held = held_back(names, answers, 2)
    print(f"# {labels.sum()} of {len(labels)} windows; {kept(held, labels)}")
    net = learn_rod(patches, context, labels, counts)
    print(written_sliding("ROD", net, "the rod's network of `vision.axis`"), flush=True)


def train_closer(folders):
    """Prints `vision/closer_weights.py`, and what is made of pictures held back."""
    net = alone([closer.collect(folder) for folder in folders], "CLOSER")
    print(written({"CLOSER": net}, "`vision.closer`"), flush=True)


def train_lines(folders):
    """Prints `vision/line_error_weights.py`, and how often lines held back are within sigmas."""
    sets = [list(lines(folder)) for folder in folders]
    every = [line for each in sets for line in each]
    counts = counted(sets)
    looks, off = (np.array([getattr(line, part) for line in every]) for part in ("look", "off"))
    names = [f"{k} {line.picture}" for k, each in enumerate(sets) for line in each]

    def answers(rest):
        learnt = learn_line(looks[rest], off[rest], counts[rest])
        return [learnt.sigmas_px(look, 1.0) for look in looks[~rest]]

    for which, ratio in zip(
        ("shifts", "turns"), (np.abs(off) / held_back(names, answers)).T, strict=True
    ):
        shares = {
            f"{within} sigma": round(float((ratio < within).mean()), 3) for within in (1, 2, 3)
        }
        print(f"# {len(ratio)} lines; held back, {which} within: {shares}")
    print(written_lines(learn_line(looks, off, counts)), flush=True)


def train_belief(folders):
    """Prints `vision/belief_weights.py`, and what is made of pictures held back."""
    sets = [list(examples(folder, with_crops=k == 0)) for k, folder in enumerate(folders)]
    every = [e for each in sets for e in each]
    counts = counted(sets)
    values, labels = np.array([e.features for e in every]), np.array([e.true for e in every])
    kinds = np.array([e.kind for e in every])

    def answers(rest):
        points = standardised(values, *scaled(values[rest]))
        return judge(points[rest], labels[rest], counts[rest])(points[~rest])

    held = held_back([e.picture for e in every], answers)
    for share in KEEP_SHARES:
        least = np.quantile(held[kinds == "true"], 1 - share)
        passing = {
            kind: f"{(held[kinds == kind] >= least).sum()} of {(kinds == kind).sum()}"
            for kind in np.unique(kinds[~labels])
        }
        print(f"# held back, {share:.0%} of the true from {least:.2f}: {passing}")
    print(written({"BELIEF": learn(values, labels, counts)}, "`vision.belief`"), flush=True)


def written(nets, whose):
    """The text of a file of weights: networks by their names."""
    calls = {name: _net(net) for name, net in nets.items()}
    return _file(whose, calls, "vision.net", "net_of")


def written_sliding(name, net, whose):
    """The text of a file of weights of a sliding network: the units whose mirror images it adds."""
    learnt = len(net.bias) // 2
    units = np.stack([net.bias, net.outward], axis=1)[:learnt]
    call = _call("sliding_of", (("inward", net.inward[:, :learnt], 3), ("units", units, 3)))
    return _file(whose, {name: call}, "vision.across", "sliding_of")


def written_ending(net):
    """The text of the file of weights of the network that tells a rod's ends."""
    units = np.stack([net.bias, net.outward], axis=1)
    tables = (("inward", net.inward, 3), ("units", units, 3))
    call = _call("ending_of", tables, f"    nowhere={net.nowhere:.4f},\n")
    return _file("`vision.ends`", {"ENDS": call}, "vision.ends", "ending_of")


def written_lines(learnt):
    """The text of the file of weights that tell how far a line may be off."""
    each = np.concatenate([learnt.mean[:, None], learnt.spread[:, None], learnt.slope], axis=1)
    both = np.stack([learnt.level, learnt.least, learnt.most])
    call = _call("line_error_of", (("each", each, 4), ("both", both, 4)))
    return _file("`vision.line_error`", {"LINES": call}, "vision.line_error", "line_error_of")


def _net(net):
    tables = (
        ("each", np.stack([net.mean, net.spread, net.past], axis=1), 4),
        ("inward", net.inward, 3),
        ("units", np.stack([net.bias, net.outward], axis=1), 3),
    )
    return _call("net_of", tables, f"    level={net.level:.4f},\n")


def _file(whose, calls, module, made_by):
    nets = "\n".join(f"{name} = {call}" for name, call in calls.items())
    return WEIGHTS_FILE.format(whose=whose, module=module, made_by=made_by, nets=nets)


def _call(made_by, tables, last=""):
    texts = [f'    {name}="""\n{rows_of(table, digits)}\n""",\n' for name, table, digits in tables]
    return f"{made_by}(\n{''.join(texts)}{last})"


def rows_of(numbers, digits):
    """One row of text for each row of numbers, or several where they are long."""
    return "\n".join(textwrap.fill(" ".join(f"{v:.{digits}f}" for v in row), 96) for row in numbers)


TRAINED = {
    "evidence": train_evidence,
    "across": train_across,
    "ends": train_ends,
    "rod": train_rod,
    "closer": train_closer,
    "lines": train_lines,
    "belief": train_belief,
}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", choices=tuple(TRAINED))
    parser.add_argument("--scenes", type=Path, required=True)
    parser.add_argument("--more", type=Path, action="append", default=[], help="other scenes")
    args = parser.parse_args()
    TRAINED[args.what]([args.scenes, *args.more])


if __name__ == "__main__":
    main()
