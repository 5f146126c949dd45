"""Square only when it is surely so."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from tests.vision.pinhole import laid, placement
from vision.framing import Cure, Framing, Part
from vision.governed import governed, probability_inside
from vision.reading import Verdict
from vision.setup import Goal, Setup, Tolerance, View
from vision.verdict import judge

T = laid(View.FACE_ON)
GOOD = (0.005, 0.02, 0.02, 0.003, 0.003, 0.003)


def test_square_when_everything_is_surely_inside():
    assert judge(placement(sigma=GOOD), T, None, Setup()) == (Verdict.SQUARE, ())


def test_no_placement_is_not_found():
    assert judge(None, None, None, Setup()) == (Verdict.NOT_FOUND, ())


@pytest.mark.parametrize(
    ("name", "edge"),
    [("offset", 0.05), ("yaw", math.radians(2)), ("roll", math.radians(2))],
)
@pytest.mark.parametrize("sign", [-1, 1])
def test_each_default_tolerance_governs_by_itself(name, edge, sign):
    inside = placement(**{name: 0.9 * edge * sign}, sigma=edge / 100)
    outside = placement(**{name: 1.01 * edge * sign}, sigma=edge / 100)
    assert judge(inside, T, None, Setup())[0] is Verdict.SQUARE
    assert judge(outside, T, None, Setup()) == (Verdict.OFF, ())


@pytest.mark.parametrize("index_name", [(0, "offset"), (3, "yaw"), (5, "roll")])
def test_a_quantity_not_known_is_never_assumed(index_name):
    index, name = index_name
    for sigma in (0.07, 1e6, math.inf, math.nan):
        wide = list(GOOD)
        wide[index] = sigma
        assert judge(placement(sigma=tuple(wide)), T, None, Setup()) == (Verdict.OFF, (name,))


def test_height_and_distance_govern_only_when_stated():
    far = placement(distance=5.0, height=1.6, sigma=GOOD)
    assert judge(far, T, None, Setup())[0] is Verdict.SQUARE
    assert judge(far, T, None, Setup(goal=Goal(height_m=0.9)))[0] is Verdict.OFF
    assert judge(far, T, None, Setup(goal=Goal(distance_m=3.5)))[0] is Verdict.OFF
    assert judge(far, T, None, Setup(goal=Goal(1.6, 5.0)))[0] is Verdict.SQUARE
    free = Setup(goal=Goal(0.9, 3.5), tolerance=Tolerance(height_m=None, distance_m=None))
    assert judge(far, T, None, free)[0] is Verdict.SQUARE


def test_framing_governs_only_when_asked_for():
    here = placement(sigma=GOOD)
    out = Framing(False, (Part.HEAD,))
    assert judge(here, T, out, Setup())[0] is Verdict.SQUARE
    asked = Setup(goal=Goal(framing=True))
    assert judge(here, T, out, asked)[0] is Verdict.OFF
    assert judge(here, T, None, asked)[0] is Verdict.OFF
    assert judge(here, T, Framing(True, ()), asked)[0] is Verdict.SQUARE


@pytest.mark.parametrize("view", list(View))
def test_the_rods_own_angle_governs_once_measured(view):
    here, setup = placement(sigma=GOOD), Setup(view=view)
    wrong = laid(view, math.radians(3), 0.001)
    assert judge(here, wrong, None, setup)[0] is Verdict.SQUARE
    assert judge(here, replace(wrong, measured=True), None, setup) == (Verdict.OFF, ())
    vague = laid(view, 0.0, math.radians(1), measured=True)
    assert judge(here, vague, None, setup) == (Verdict.OFF, ("layout",))


@given(
    error=st.floats(-0.2, 0.2),
    sigma=st.floats(1e-4, 0.2),
    tolerance=st.floats(0.001, 0.2),
)
def test_probability_is_the_normal_integral(error, sigma, tolerance):
    want = norm.cdf(tolerance, error, sigma) - norm.cdf(-tolerance, error, sigma)
    assert probability_inside(error, sigma, tolerance) == pytest.approx(want, abs=1e-12)


def test_probability_without_spread_is_yes_or_no():
    assert probability_inside(0.05, 0.0, 0.05) == 1
    assert probability_inside(0.06, 0.0, 0.05) == 0
    assert probability_inside(0.0, -1.0, 0.05) == 0


@pytest.mark.parametrize("sigma", [0.002, 0.01, 0.02, 0.026])
@pytest.mark.parametrize("beyond", [1.0, 1.05, 1.5])
def test_false_square_just_outside_the_tolerance_is_rare(sigma, beyond):
    """At most 5 % of readings of a lens that truly stands outside; 4000 draws, so +0.7 % (2 sd)."""
    rng = np.random.default_rng(11)
    spreads = (sigma, *GOOD[1:])
    draws = rng.normal(0.05 * beyond, sigma, size=4000)
    square = sum(
        judge(placement(x, sigma=spreads), T, None, Setup())[0] is Verdict.SQUARE for x in draws
    )
    assert square / 4000 <= 0.057


def test_a_true_square_is_found_when_it_is_well_known():
    rng = np.random.default_rng(12)
    draws = rng.normal(0.0, 0.01, size=1000)
    spreads = (0.01, *GOOD[1:])
    square = sum(
        judge(placement(x, sigma=spreads), T, None, Setup())[0] is Verdict.SQUARE for x in draws
    )
    assert square > 990


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_probability_of_what_is_no_number_is_none_at_all(bad):
    assert probability_inside(bad, 0.01, 0.05) == 0
    assert probability_inside(0.0, bad, 0.05) == 0


def distance_error_m(goal, framing):
    here = placement(distance=4.0, sigma=GOOD)
    [told] = [g for g in governed(here, T, framing, Setup(goal=goal)) if g.quantity == "distance"]
    return told.error


def test_a_stated_distance_gives_way_only_to_a_framing_that_was_asked_for():
    cut_off = Framing(False, (Part.HEAD,), Cure.BACK, 0.6)
    assert distance_error_m(Goal(distance_m=3.5), cut_off) == pytest.approx(0.5)
    asked = Goal(distance_m=3.5, framing=True)
    assert distance_error_m(asked, cut_off) == pytest.approx(0.5 - 0.6)
    assert distance_error_m(asked, None) == pytest.approx(0.5)
    tilted = Framing(False, (Part.HEAD,), Cure.TILT, 0.6, 0.1)
    assert distance_error_m(asked, tilted) == pytest.approx(0.5)
