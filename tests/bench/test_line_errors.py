"""How the sigmas of lines are learnt: told by the look, whatever few lines are wholly wrong."""

import numpy as np
import pytest

from tests.bench.line_errors import learn_line, off_px
from tests.bench.train import written_lines
from tests.synthetic import draw
from vision.look import LOOK
from vision.view import View

COUNT = 6000
SLOPES = np.zeros((len(LOOK), 2))
SLOPES[2], SLOPES[7] = (0.5, -0.3), (0.0, 0.4)
LEVEL = np.array([-3.0, -4.0])


def made(seed, wrong=0.0):
    """Looks, and lines off by what the looks say; a share `wrong` of them by ten times that."""
    rng = np.random.default_rng(seed)
    looks = rng.normal(2.0, 3.0, (COUNT, len(LOOK)))
    sigma = np.exp((looks - 2.0) / 3.0 @ SLOPES + LEVEL)
    off = rng.normal(0, 1, sigma.shape) * sigma
    off[rng.uniform(size=COUNT) < wrong] *= 10.0
    return looks, off, sigma


@pytest.mark.parametrize("wrong", [0.0, 0.02])
def test_what_the_look_says_of_a_lines_error_is_learnt(wrong):
    looks, off, _ = made(1, wrong)
    learnt = learn_line(looks, off, np.ones(COUNT))
    np.testing.assert_allclose(learnt.slope, SLOPES, atol=0.06)
    others, unseen, truth = made(2)
    told = np.array([learnt.sigmas_px(look, 1.0) for look in others])
    inner = ((truth > np.exp(learnt.least)) & (truth < np.exp(learnt.most))).all(axis=1)
    assert inner.mean() > 0.8
    ratio = told[inner] / truth[inner]
    np.testing.assert_allclose(np.median(ratio, axis=0), 1.0, atol=0.25 if wrong else 0.06)
    share = (np.abs(unseen) < 2 * told).mean(axis=0)
    assert (share > 0.94).all() and (share < 0.985).all()


def test_a_line_that_counts_thrice_is_as_good_as_three():
    looks, off, _ = made(3)
    few = slice(0, 500)
    counts = np.where(np.arange(500) < 100, 3.0, 1.0)
    thrice = np.r_[np.arange(500), np.arange(100), np.arange(100)]
    once = learn_line(looks[few], off[few], counts)
    same = learn_line(looks[thrice], off[thrice], np.ones(len(thrice)))
    # Standardised alike or not, the same is said of the same look.
    told = [
        np.log([each.sigmas_px(look, 1.0) for look in looks[:50]]) - each.level
        for each in (once, same)
    ]
    spread = np.ptp(told[0], axis=0)
    assert np.abs(told[0] - told[1]).max() < 0.2 * spread.min()


def test_what_is_written_is_what_was_learnt():
    looks, off, _ = made(4)
    learnt = learn_line(looks, off, np.ones(COUNT))
    read: dict = {}
    exec(written_lines(learnt), read)
    for name in ("mean", "spread", "slope", "level", "least", "most"):
        np.testing.assert_allclose(getattr(read["LINES"], name), getattr(learnt, name), atol=1e-4)


def test_a_line_is_off_by_its_shift_and_its_turn():
    rod = draw(np.random.default_rng(5), View.FACE_ON).rods.first
    start, stop = rod.ends_px
    span = stop - start
    across = np.array([-span[1], span[0]]) / np.hypot(*span)
    shift, turn = 1.5, 0.4  # the turn at 1/sqrt(12) of the length from the middle
    at = np.linspace(0, 1, 13)[:, None]
    points = start + at * span + (shift + turn * np.sqrt(12) * (at - 0.5)) * across
    np.testing.assert_allclose(off_px(rod, points), [shift, turn], atol=1e-9)
