"""What the judge of laid rods learns where no straight border tells, and its pupil, the network."""

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest

from tests.bench import learn
from tests.bench.bands import bands
from tests.bench.closer import windows
from tests.bench.learn import (
    judge,
    learn_alone,
    learn_rod,
    learn_sliding,
    log_shares,
    logistic,
    rod_odds,
    scaled,
)
from tests.bench.scenes import LAID
from tests.bench.train import written, written_sliding
from tests.scenes import FOLDER
from vision.across import CONTEXT, HALF, INPUTS, PATCH, paired
from vision.net import standardised


def ring(seed: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Features (count, 4) of which three tell: true ones lie within a ball about the origin."""
    values = np.random.default_rng(seed).normal(0, 1, (count, 4))
    return values * [2.0, 0.5, 1.0, 3.0] + 5.0, (values[:, :3] ** 2).sum(axis=1) < 2.4


@pytest.fixture
def small(monkeypatch):
    """Fewer points to teach with, and a kernel that suits four features."""
    for name, value in {"MIXTURES": 4000, "SHUFFLED": 1000, "STRANGE": 2000, "GAIN": 0.1}.items():
        monkeypatch.setattr(learn, name, value)


def test_the_network_judges_as_its_teacher_does_where_no_straight_border_can(small):
    values, labels = ring(1, 1200)
    others, truth = ring(2, 1000)
    counts = np.ones(len(labels))
    mean, spread = scaled(values)
    points, unseen = (standardised(v, mean, spread) for v in (values, others))
    weights, bias = logistic(points, labels, 1.0)
    straight = ((unseen @ weights + bias > 0) == truth).mean()
    teacher = ((judge(points, labels, counts)(unseen) > 0) == truth).mean()
    pupil = ((learn.learn(values, labels, counts).log_odds(others) > 0) == truth).mean()
    assert straight < 0.65
    assert teacher > 0.92
    assert pupil > teacher - 0.04


def test_many_examples_teach_a_network_without_a_teacher(monkeypatch):
    monkeypatch.setattr(learn, "ROUNDS", 300)
    values, labels = ring(5, 20_000)
    others, truth = ring(6, 1000)
    counts = np.ones(len(labels))
    assert ((learn_alone(values, labels, counts).log_odds(others) > 0) == truth).mean() > 0.95


def test_a_network_without_a_teacher_says_how_likely(monkeypatch):
    monkeypatch.setattr(learn, "ROUNDS", 100)
    values, truth = ring(7, 20_000)
    told = truth ^ (np.random.default_rng(8).uniform(size=truth.size) < 0.3)  # 3 in 10 told wrong
    typical = {}
    for share in (1.0, 0.1):
        net = learn_alone(values, told, np.where(told, share, 1.0))
        typical[share] = np.array([np.median(net.log_odds(values[of])) for of in (truth, ~truth)])
    np.testing.assert_array_less(0.5 * np.log(7 / 3), typical[1.0] * [1, -1])  # small weights:
    np.testing.assert_array_less(typical[1.0] * [1, -1], np.log(7 / 3))  # cautious
    np.testing.assert_allclose(typical[1.0] - typical[0.1], np.log(10), atol=0.3)


def test_an_example_that_counts_twice_is_as_good_as_two():
    values, labels = ring(3, 200)
    counts = np.where(np.arange(200) < 50, 2.0, 1.0)
    twice = np.r_[np.arange(200), np.arange(50)]
    once, both = logistic(values, labels, 1.0, counts), logistic(values[twice], labels[twice], 1.0)
    np.testing.assert_allclose(once[0], both[0], atol=1e-3)
    assert once[1] == pytest.approx(both[1], abs=1e-2)


def test_what_is_written_is_what_was_learnt(small, monkeypatch):
    monkeypatch.setattr(learn, "ROUNDS", 20)
    values, labels = ring(4, 300)
    net = learn.learn(values, labels, np.ones(300))
    read: dict = {}
    exec(written({"ONE": net, "OTHER": dataclasses.replace(net, level=2.5)}, "a test"), read)
    for name in ("mean", "spread", "past"):
        np.testing.assert_allclose(getattr(read["ONE"], name), getattr(net, name), atol=1e-4)
    for name in ("inward", "bias", "outward"):
        np.testing.assert_allclose(getattr(read["ONE"], name), getattr(net, name), atol=1e-3)
    assert read["ONE"].level == pytest.approx(net.level, abs=1e-4)
    assert read["OTHER"].level == 2.5


def profiled(seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Windows (count, ...) with a thin light axis and a wide dark thing on either side of it."""
    rng = np.random.default_rng(seed)
    axis = rng.uniform(-10.0, 10.0, count)
    side = rng.choice([-1.0, 1.0], count)
    columns = np.arange(-HALF - PATCH, HALF + PATCH + 1)
    off = columns - axis[:, None]
    profiles = rng.normal(0, 0.2, (count, len(columns), 4)).astype(np.float32)
    profiles[..., 0] += 2.0 * np.exp(-0.5 * off**2) - 3.0 * (
        np.abs(off * side[:, None] - 4.0) < 2.5
    )
    return profiles, np.zeros((count, CONTEXT), np.float32), axis


def test_a_sliding_network_learns_which_of_two_things_is_the_axis(monkeypatch):
    monkeypatch.setattr(learn, "EPOCHS", 4)
    profiles, context, axis = profiled(1, 4000)
    net = learn_sliding(profiles, context, axis, np.ones(4000))
    others, context, truth = profiled(2, 500)
    answer = log_shares(net, others, context)
    np.testing.assert_allclose(np.exp(answer).sum(axis=1), 1.0, atol=1e-5)
    assert (np.abs(answer.argmax(axis=1) - HALF - truth) < 1.0).mean() > 0.95


def three_units(rng: np.random.Generator) -> list[np.ndarray]:
    return [rng.normal(0, 0.3, shape) for shape in ((INPUTS, 3), (3,), (3,))]


def are_differences(slopes, unlikely, weights):
    """Whether slopes are what `unlikely` differs by at some of the weights."""
    for k, place in ((0, (5, 1)), (0, (INPUTS - 5, 0)), (0, (INPUTS - 1, 2)), (1, (1,)), (2, (2,))):
        ahead, behind = ([part.copy() for part in weights] for _ in range(2))
        ahead[k][place] += 1e-4
        behind[k][place] -= 1e-4
        slope = (unlikely(ahead) - unlikely(behind)) / 2e-4
        assert slopes[k][place] == pytest.approx(slope, rel=0.02, abs=2e-4)


def test_the_slopes_of_the_sliding_network_are_its_differences():
    profiles, context, axis = profiled(3, 20)
    rng = np.random.default_rng(4)
    weights = three_units(rng)
    counts = rng.uniform(0.5, 2.0, 20)

    def unlikely(parts):
        answer = log_shares(paired(*parts), profiles, context)
        low, row = np.floor(axis).astype(int), np.arange(20)
        share = axis - low
        own = (1 - share) * answer[row, low + HALF] + share * answer[row, low + HALF + 1]
        return -(counts * own).mean()

    slopes = learn._sliding_slopes(paired(*weights), profiles, context, axis, counts)
    are_differences(slopes, unlikely, weights)


def test_a_sliding_network_is_written_as_it_was_learnt(monkeypatch):
    monkeypatch.setattr(learn, "EPOCHS", 1)
    profiles, context, axis = profiled(5, 600)
    net = learn_sliding(profiles, context, axis, np.ones(600))
    read: dict = {}
    exec(written_sliding("ACROSS", net, "a test"), read)
    for name in ("inward", "bias", "outward"):
        np.testing.assert_allclose(getattr(read["ACROSS"], name), getattr(net, name), atol=6e-4)


def patched(seed: int, count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Patches (count, ...) of which one in four has a thin light axis in its middle."""
    rng = np.random.default_rng(seed)
    labels = rng.uniform(size=count) < 0.25
    patches = rng.normal(0, 0.5, (count, 2 * PATCH + 1, 4)).astype(np.float32)
    patches[labels, PATCH, 0] += 2.5
    patches[~labels, PATCH + 3, 0] += 2.5  # as light, but beside it
    return patches, np.zeros((count, CONTEXT), np.float32), labels


def test_a_network_learns_whether_a_rod_is_there(monkeypatch):
    monkeypatch.setattr(learn, "EPOCHS", 4)
    patches, context, labels = patched(1, 6000)
    net = learn_rod(patches, context, labels, np.ones(6000))
    others, context, truth = patched(2, 1000)
    odds = rod_odds(net, others, context)
    assert ((odds > 0) == truth).mean() > 0.97
    mirrored = rod_odds(net, np.ascontiguousarray(others[:, ::-1]), context)
    np.testing.assert_allclose(odds, mirrored, atol=1e-3)
    # Where nothing can be seen, how often there is one is all that is known.
    monkeypatch.setattr(learn, "EPOCHS", 20)
    blind = learn_rod(patches * 0, context.repeat(6, axis=0), labels, np.ones(6000))
    known = rod_odds(blind, others[:1] * 0, context[:1])[0]
    assert known == pytest.approx(np.log(labels.mean() / (1 - labels.mean())), abs=0.15)


def test_the_slopes_of_the_rods_network_are_its_differences():
    patches, context, labels = patched(3, 20)
    rng = np.random.default_rng(4)
    weights = three_units(rng)
    counts = rng.uniform(0.5, 2.0, 20)

    def unlikely(parts):
        odds = rod_odds(paired(*parts), patches, context)
        return float((counts * np.logaddexp(0, np.where(labels, -odds, odds))).mean())

    slopes = learn._rod_slopes(paired(*weights), patches, context, labels, counts)
    are_differences(slopes, unlikely, weights)


@pytest.fixture
def one_scene(tmp_path: Path) -> Path:
    """A folder with one path-traced picture of laid rods."""
    entries = json.loads((FOLDER / "truth.json").read_text())
    laid = [entry for entry in entries if entry["layout"] in LAID and entry.get("step", 9) > 1][:1]
    (tmp_path / "truth.json").write_text(json.dumps(laid))
    (tmp_path / laid[0]["file"]).write_bytes((FOLDER / laid[0]["file"]).read_bytes())
    return tmp_path


def test_windows_are_told_apart_by_the_rods_they_lie_on(one_scene):
    patches, context, labels, names = windows(one_scene)
    assert patches.shape == (len(labels), 2 * PATCH + 1, 4)
    assert context.shape == (len(names), CONTEXT)
    assert 0.01 < labels.mean() < 0.3
    # A rod is smoother than the ground beside it, most of all where it is looked for in vain.
    assert patches[labels, PATCH, 3].mean() < patches[~labels, PATCH, 3].mean() - 0.1


def test_bands_over_path_traced_rods_show_them_where_they_are(one_scene):
    """Every other one starts within a few columns of the axis."""
    seen = list(bands(one_scene))
    assert len(seen) >= 8
    for band in seen:
        assert band.profiles.shape[0] == len(band.axis) == len(band.context)
        assert np.nanmax(np.abs(band.axis)) <= HALF - 1.5
    assert np.median([np.nanmedian(np.abs(band.axis)) for band in seen[1::2]]) < 2.0
