"""The rate that phones are asked for: down while most pictures go unseen, up again with care."""

import math

import numpy as np
import pytest

from server.pace import CROWD, LONGEST_S, MOST, PATIENCE_S, RATES, WINDOW_S, Counts, Pace, Ration


class Machine:
    """Looks at `can` pictures a second of all phones, less what decoding too many costs it."""

    def __init__(self, phones, can, cost=0.0, most=math.inf):
        self.phones, self.can, self.cost = phones, can, cost
        self.pace, self.now_s = Pace(most), 0.0
        self.received = self.taken = 0
        self.told = []

    def run(self, seconds):
        for _ in range(round(seconds / 0.5)):
            self.now_s += 0.5
            come = self.pace.fps * self.phones * 0.5
            self.received += round(come)
            self.taken += round(min(come, max(self.can * 0.5 - self.cost * come, 0.0)))
            counts = Counts(self.received, self.taken, self.phones)
            for _ in range(self.phones):  # each phone's ping asks
                self.told.append(self.pace.look(counts, self.now_s))
        return self.told[-1]


def test_a_phone_or_two_are_left_alone_however_slow_the_machine():
    for phones in range(1, CROWD):
        assert Machine(phones, 10).run(30) == RATES[0]


def test_a_quick_machine_is_sent_everything():
    assert Machine(4, 500).run(60) == RATES[0]


@pytest.mark.parametrize(("can", "rate"), [(330, 30), (250, 20), (175, 15), (120, 11), (20, 11)])
def test_twelve_phones_come_down_to_what_is_looked_at(can, rate):
    machine = Machine(12, can)
    assert machine.run(4 * WINDOW_S) == rate
    assert machine.told[0] == RATES[0]


@pytest.mark.parametrize(
    ("phones", "rate"), [(2, 30), (5, 30), (6, 20), (9, 15), (12, 11), (20, 11)]
)
def test_a_crowd_is_asked_for_no_more_than_its_cores_are_for(phones, rate):
    machine = Machine(phones, 10_000, most=MOST)
    assert machine.run(0.5) == rate
    assert machine.run(10 * PATIENCE_S) == rate  # however well it goes
    assert Machine(phones, 10_000, most=4 * MOST).run(0.5) == RATES[0]


def test_coming_down_gives_the_time_of_decoding_back():
    wasteful = Machine(12, 300, cost=0.5)
    wasteful.run(20)
    before = wasteful.taken
    wasteful.run(10)
    assert (wasteful.taken - before) / 10 / 12 > 10  # looked at for each phone, each second
    assert 300 - 0.5 * 30 * 12 == 120  # at the full rate: the same ten, of thirty


def test_it_goes_up_again_once_the_machine_is_free_and_gives_up_asking_in_vain():
    machine = Machine(12, 175)
    assert machine.run(10) == 15
    machine.can = 1000
    assert machine.run(2 * PATIENCE_S + 6 * WINDOW_S) == RATES[0]
    # A machine that can do just so much is not asked for more every few seconds.
    machine = Machine(12, 175)
    machine.run(10)
    machine.told.clear()
    machine.run(600)
    above = sum(fps > 15 for fps in machine.told) / len(machine.told)
    assert above < 3 * WINDOW_S / PATIENCE_S * 0.2
    tries = sum(b > a for a, b in zip(machine.told, machine.told[1:], strict=False))
    assert 3 <= tries <= 4 + 600 / LONGEST_S


def test_a_phone_that_leaves_or_a_silence_says_nothing():
    machine = Machine(12, 100)
    machine.run(2)
    machine.phones, machine.received, machine.taken = 11, 100, 50
    at = machine.pace.fps
    assert machine.pace.look(Counts(100, 50, 11), machine.now_s + WINDOW_S) == at
    assert machine.pace.look(Counts(101, 50, 11), machine.now_s + 2 * WINDOW_S) == at


def test_two_that_remain_are_sent_for_in_full_again():
    machine = Machine(12, 100)
    assert machine.run(30) == RATES[-1]
    assert machine.pace.look(Counts(0, 0, CROWD - 1), machine.now_s + 0.5) == RATES[0]


@pytest.mark.parametrize("sent", [13, 15, 24, 30, 60])
def test_what_is_sent_beyond_what_was_asked_for_is_let_pass(sent):
    ration = Ration()
    rng = np.random.default_rng(sent)
    at_s = np.arange(0, 20, 1 / sent) + rng.uniform(0, 0.3 / sent, 20 * sent)
    seen_s = [s for s in at_s if ration.allows(RATES[-1], s)]
    assert len(seen_s) / 20 == pytest.approx(RATES[-1], rel=0.03)
    assert max(np.diff(seen_s)) < 2 / RATES[-1] + 0.3 / sent  # evenly, as far as they come so


def test_all_is_looked_at_where_all_was_asked_for_and_from_a_phone_that_obeys():
    ration = Ration()
    assert all(ration.allows(RATES[0], s / 60) for s in range(600))
    assert sum(ration.allows(15, s / 15) for s in range(300)) >= 298


def test_a_silence_saves_little_up():
    ration = Ration()
    assert ration.allows(11, 0.0)
    assert [ration.allows(11, 60.0 + k / 1000) for k in range(10)].count(True) == 2
