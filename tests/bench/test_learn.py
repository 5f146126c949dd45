"""What the judge of laid rods learns where no straight border tells, and its pupil, the network."""

import dataclasses

import numpy as np
import pytest

from tests.bench import learn
from tests.bench.learn import judge, learn_alone, logistic, scaled
from tests.bench.train import written
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
