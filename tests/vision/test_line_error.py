"""How far a line may be off its rod: within bounds, with the width, more where it looks bad."""

import numpy as np
import pytest

from tests.vision.test_ribbon import club
from vision.line_error_weights import LINES
from vision.look import LOOK
from vision.ribbon import extended, measure


def test_every_number_of_a_look_has_its_slopes():
    assert LINES.mean.shape == LINES.spread.shape == (len(LOOK),)
    assert LINES.slope.shape == (len(LOOK), 2)
    assert (LINES.spread > 0).all()
    assert (LINES.least < LINES.level).all() and (LINES.level < LINES.most).all()


@pytest.mark.parametrize("seed", range(8))
def test_what_looks_like_no_rod_ever_is_within_what_rods_have_shown(seed):
    """A look from elsewhere must not make a line exact, nor its sigma a number without meaning."""
    look = np.random.default_rng(seed).normal(0, 10.0**seed, len(LOOK))
    for width in (2.0, 8.0):
        logs = np.log(np.array(LINES.sigmas_px(look, width)) / width)
        assert (logs > LINES.least - 1e-9).all() and (logs < LINES.most + 1e-9).all()


def test_a_rod_that_was_not_looked_at_may_be_as_bad_as_any():
    np.testing.assert_allclose(LINES.sigmas_px(None, 5.0), 5.0 * np.exp(LINES.most))


def test_a_line_seen_twice_as_large_may_be_twice_as_far_off():
    look = LINES.mean
    np.testing.assert_allclose(LINES.sigmas_px(look, 8.0), 2 * np.array(LINES.sigmas_px(look, 4.0)))


SEGMENT = np.array([[60.0, 120.0], [299.0, 119.0]])


def sigmas(frame):
    """Of the shift, and of the turn, of the measured line."""
    ribbon = measure(frame, SEGMENT)
    return np.array([1.0, 1.0 / ribbon.line_reach]) * ribbon.line_sigma_px / np.sqrt(2)


def test_a_club_with_a_dark_grip_is_trusted_less_than_a_stick():
    """In the path-traced scenes a club's line is turned by twice as much as a stick's."""
    for seed in range(4):
        stick, grip = sigmas(club(None, seed)), sigmas(club(30.0, seed))
        assert (grip > 1.5 * stick).all()


@pytest.mark.parametrize("ground_noise", [6.0, 40.0, 90.0])
def test_no_line_is_trusted_more_than_its_windows_agree(ground_noise):
    for seed in range(4):
        frame = club(None, seed, ground_noise)
        _, seen, along = extended(frame, SEGMENT)
        assert along is not None
        assert (sigmas(frame) > np.sqrt(0.5) * seen.sigma_px).all()
