"""A standing phone's mean look: what it averages, when it begins anew, what never shrinks."""

import math
from dataclasses import replace

import numpy as np
import pytest

from server.demo.geometry import Camera, Laid, Pose, truth
from vision.drift_solve import PLACED_PX, rod_numbers
from vision.read import conclude, not_found
from vision.rods import End, NotFound, Reason, Rod, Rods
from vision.setup import Setup, Tilt
from vision.steady import MOST, WANDER_RAD, Standstill, _noise_and_step, _resized, steady, watch
from vision.still import FIXED

SIZE = (1280, 720)
POSE = Pose(0.02, 3.4, 1.0, 0.0, math.radians(-9), 0.005)
LINE_PX, END_PX, NOISE = 0.22, 1.5, math.radians(0.3)


class Phone:
    def __init__(self, seed=1, pose=POSE, noise_px=0.05, tilt_noise=0.0017, reach=1.0):
        self.reach = reach
        self.rng = np.random.default_rng(seed)
        self.pose, self.noise_px, self.tilt_noise = pose, noise_px, tilt_noise
        self.time_s = 0.0
        self.state = Standstill()

    def reading(self):
        true = np.array([self.pose.pitch_rad, self.pose.roll_rad])
        pitch, roll = true + self.rng.normal(0, self.tilt_noise, 2)
        setup = Setup(tilt=Tilt(pitch, roll, NOISE, math.radians(0.7)))
        ends = truth(self.pose, Laid(), Camera()).ends_px
        kinds = (End.SEEN, End.SEEN)
        rods = [
            Rod(
                role,
                ends[role] + self.rng.normal(0, self.noise_px, (2, 2)),
                kinds,
                LINE_PX,
                (END_PX, END_PX),
                3.0,
                3.0,
                line_reach=self.reach,
            )
            for role in setup.roles
        ]
        return conclude(Rods(*rods, 5.0, -20.0), SIZE, setup, -math.inf)

    def run(self, seconds, step_s=0.1):
        for _ in range(round(seconds / step_s)):
            self.time_s += step_s
            self.state = watch(self.state, self.reading(), SIZE, self.time_s)
        return steady(self.state)


def test_nothing_without_a_look():
    assert steady(Standstill()) is None


def test_noise_shrinks_and_what_stays_with_a_stand_does_not():
    mean = Phone().run(3.0)
    assert mean.looks >= 28 and mean.seconds == pytest.approx(2.9, abs=0.11)
    for rod in mean.rods.both:
        assert rod.line_sigma_px == pytest.approx(FIXED * LINE_PX, rel=0.05)
        assert rod.end_sigma_px[0] == pytest.approx(FIXED * END_PX, rel=0.05)
    # Half of what the finder states is more than what was measured of its error of place.
    assert PLACED_PX[0] <= FIXED * LINE_PX and PLACED_PX[1] <= FIXED * END_PX
    noise = np.array(mean.setup.tilt.noise_rad)
    assert (noise >= WANDER_RAD).all() and (noise < 0.5 * NOISE).all()
    assert mean.setup.tilt.bias_sigma_rad == math.radians(0.7)  # the same in every reading
    ends = truth(POSE, Laid(), Camera()).ends_px
    for rod in mean.rods.both:
        assert np.abs(rod.ends_px - ends[rod.role]).max() < 0.05


def test_scatter_that_is_larger_than_stated_widens_the_mean():
    calm, shaken = Phone(noise_px=0.05).run(3.0), Phone(noise_px=0.5).run(3.0)
    assert shaken.rods.first.line_sigma_px > calm.rods.first.line_sigma_px


def test_a_line_that_is_hardly_turned_is_no_surer_than_was_measured_and_scatter_turns_it():
    calm, shaken = Phone(reach=4.0).run(3.0), Phone(reach=4.0, noise_px=0.5).run(3.0)
    one, other = calm.rods.first, shaken.rods.first
    turn, shaken_turn = (rod.line_sigma_px / rod.line_reach for rod in (one, other))
    assert FIXED * LINE_PX / 4 < PLACED_PX[0] <= turn < one.line_sigma_px
    assert shaken_turn > 1.1 * turn


def test_tilt_readings_that_remember_one_another_count_as_fewer():
    phone = Phone(tilt_noise=0.0)
    slow = iter(np.repeat(phone.rng.normal(0, NOISE, 8), 5))
    for _ in range(40):
        phone.pose = replace(POSE, pitch_rad=POSE.pitch_rad)
        phone.time_s += 0.1
        reading = phone.reading()
        tilt = reading.setup.tilt
        told = replace(tilt, pitch_rad=tilt.pitch_rad + next(slow))
        reading = replace(reading, setup=replace(reading.setup, tilt=told))
        phone.state = watch(phone.state, reading, SIZE, phone.time_s)
    remembered = steady(phone.state).setup.tilt.noise_rad[0]
    alone = Phone(tilt_noise=NOISE).run(4.0).setup.tilt.noise_rad[0]
    assert remembered > 1.2 * alone


@pytest.mark.parametrize(
    "change",
    [{"offset_m": 0.01}, {"yaw_rad": math.radians(0.2)}, {"height_m": 0.03}],
    ids=lambda c: next(iter(c)),
)
def test_a_phone_that_was_moved_begins_anew(change):
    phone = Phone()
    phone.run(2.0)
    phone.pose = Pose(**{n: getattr(POSE, n) + change.get(n, 0.0) for n in Pose.__slots__})
    mean = phone.run(0.5)
    assert mean.looks <= 5
    ends = truth(phone.pose, Laid(), Camera()).ends_px
    assert np.abs(mean.rods.first.ends_px - ends[mean.rods.first.role]).max() < 0.3


def test_a_phone_that_creeps_is_found_out():
    phone = Phone()
    for k in range(60):
        phone.pose = replace(POSE, yaw_rad=math.radians(0.02) * k)
        phone.run(0.1)
    assert len(phone.state.looks) < 20


def test_one_slip_of_the_search_changes_nothing():
    phone = Phone()
    phone.run(2.0)
    phone.pose = replace(POSE, offset_m=0.3)
    phone.run(0.1)
    phone.pose = POSE
    assert phone.run(0.5).looks >= 23


def test_rods_that_are_hidden_for_long_end_what_was_known():
    phone = Phone()
    phone.run(2.0)
    lost = not_found(NotFound(Reason.NO_RODS), Setup())
    phone.state = watch(phone.state, lost, SIZE, phone.time_s + 0.5)
    assert len(phone.state.looks) >= 18
    phone.state = watch(phone.state, lost, SIZE, phone.time_s + 2.0)
    assert not phone.state.looks


def test_no_more_is_kept_than_is_needed_and_a_turned_picture_begins_anew():
    phone = Phone()
    phone.run(8.0)
    assert len(phone.state.looks) == MOST
    phone.state = watch(phone.state, phone.reading(), (720, 1280), phone.time_s + 0.1)
    assert len(phone.state.looks) == 1


def test_a_browser_that_sends_smaller_pictures_for_a_while_interrupts_nothing():
    phone = Phone()
    phone.run(2.0)
    for _ in range(10):
        phone.time_s += 0.1
        whole = phone.reading()
        half = _resized(whole.rods, SIZE, (640, 360))
        assert half.first.ends_px[0, 0] == pytest.approx(
            (whole.rods.first.ends_px[0, 0] + 0.5) / 2 - 0.5
        )
        small = replace(whole, rods=half)
        phone.state = watch(phone.state, small, (640, 360), phone.time_s)
    mean = steady(phone.state)
    assert (mean.size, mean.looks >= 28) == (SIZE, True)
    ends = truth(POSE, Laid(), Camera()).ends_px
    assert np.abs(mean.rods.second.ends_px - ends[mean.rods.second.role]).max() < 0.05


def test_the_compiled_check_is_the_medians_of_the_rods_numbers():
    rng = np.random.default_rng(4)
    there = rng.uniform(0, 1000, (2, 2, 2))
    looks = there + rng.normal(0, 0.3, (12, 2, 2, 2))
    now = there + rng.normal(0, 0.8, (2, 2, 2))
    lines = rod_numbers(looks[0], looks)[:, :4]
    away = np.abs(rod_numbers(looks[0], now)[:4] - np.median(lines, axis=0)).max()
    noise = np.median(np.abs(np.diff(lines, axis=0)), axis=0).max() / 0.954
    np.testing.assert_allclose(_noise_and_step(looks, now), (noise, away), rtol=1e-9)
