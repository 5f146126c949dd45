"""Clock comparison, against RFC 5905's formulas and against made networks of known truth."""

import numpy as np
import pytest

from server.clock import PHI, PRECISION_S, ClockFilter, ClockOffset, Exchange, start_offset


def exchange(at_s, offset_s, there_s, back_s, think_s=0.0002):
    """A ping that leaves at the server's time `at_s`, over ways of known length."""
    t2_s = at_s + there_s
    t3_s = t2_s + think_s
    return Exchange(at_s - offset_s, t2_s, t3_s, t3_s + back_s - offset_s)


def test_offset_and_delay_are_those_of_rfc_5905():
    # RFC 5905, section 8: theta = 1/2 [(T2 - T1) + (T3 - T4)], delta = (T4 - T1) - (T3 - T2).
    one = Exchange(t1_s=10.0, t2_s=13.75, t3_s=13.80, t4_s=10.20)
    assert one.offset_s == pytest.approx(0.5 * ((13.75 - 10.0) + (13.80 - 10.20)))
    assert one.delay_s == pytest.approx((10.20 - 10.0) - (13.80 - 13.75))


@pytest.mark.parametrize("seed", range(4))
def test_the_bound_holds_over_a_bad_network_and_the_best_of_the_window_is_good(seed):
    rng = np.random.default_rng(seed)
    true_s, rate = -3.7, rng.uniform(-30e-6, 30e-6)
    clock = ClockFilter()
    for k in range(240):
        at_s = 5000.0 + 0.5 * k
        # A floor of 2 ms and queues of 0 to 100 ms, independent on the two ways.
        there_s, back_s = 0.002 + rng.exponential(0.03, 2)
        drifted_s = true_s + rate * (at_s - 5000.0)
        clock.add(exchange(at_s, drifted_s, there_s, back_s))
        found = clock.offset(at_s + 0.2)
        assert abs(found.offset_s - drifted_s) <= found.bound_s
    assert found.bound_s < 0.012
    assert abs(found.offset_s - drifted_s) < 0.01


def test_wholly_unequal_ways_stay_inside_the_bound():
    clock = ClockFilter()
    clock.add(exchange(100.0, 3.7, 0.080, 0.0))
    found = clock.offset(100.2)
    assert abs(found.offset_s - 3.7) == pytest.approx(0.040, abs=1e-6)
    assert abs(found.offset_s - 3.7) <= found.bound_s


def test_the_bound_grows_while_nothing_is_heard():
    clock = ClockFilter()
    clock.add(exchange(100.0, 0.0, 0.002, 0.002))
    soon, late = clock.offset(100.1), clock.offset(160.1)
    assert late.bound_s - soon.bound_s == pytest.approx(60 * PHI)
    assert soon.bound_s == pytest.approx(0.002 + PHI * (100.1 - 100.0022) + PRECISION_S)


def test_a_clock_that_is_set_is_followed_at_once():
    clock = ClockFilter()
    for k in range(20):
        clock.add(exchange(100.0 + k, 0.0, 0.002, 0.002))
    clock.add(exchange(121.0, 3.7, 0.010, 0.012))
    assert clock.offset(121.1).offset_s == pytest.approx(3.7, abs=0.002)


def test_what_cannot_be_is_left_out():
    clock = ClockFilter()
    assert clock.offset(0.0) is None
    assert not clock.add(Exchange(10.0, 11.0, 12.0, 10.1))  # back before it was answered
    assert not clock.add(Exchange(10.0, 12.0, 11.0, 10.1))  # answered before it came
    assert clock.add(exchange(50.0, 0.0, 0.001, 0.001))
    assert not clock.add(exchange(50.0, 0.0, 0.001, 0.001))  # twice the same
    assert clock.offset(50.1).offset_s == pytest.approx(0.0)


def test_two_films_are_compared_over_both_clocks():
    a, b = ClockOffset(3.7, 0.004), ClockOffset(-0.2, 0.003)
    # a starts at server time 103.7, b at 103.9.
    between = start_offset(100.0, a, 104.1, b)
    assert between.offset_s == pytest.approx(0.2)
    assert between.bound_s == pytest.approx(0.007)
