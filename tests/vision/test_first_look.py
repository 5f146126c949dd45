"""The first look's state machine: looks spread, quick ones left out, moved rods noticed."""

from dataclasses import replace

import numpy as np
import pytest

from tests.synthetic import SIZE
from tests.walks import layout, sight, usable
from vision.first_look import (
    APART,
    LEAST,
    MOST,
    PATIENCE_S,
    FirstLook,
    Phase,
    again,
    applied,
    own_lens,
    skip,
    watch,
)
from vision.moved import widened
from vision.setup import LensSource, Setup, View

FPS = 10


def moved(made, degrees):
    """The same rods with the second one turned."""
    shared = made.shared.copy()
    shared[6] += np.deg2rad(degrees)
    return replace(made, shared=shared)


class Hand:
    """Carries a phone past made rods; its time is its own."""

    def __init__(self, seed, view=View.FACE_ON, sensor=True):
        self.rng = np.random.default_rng(seed)
        self.made = layout(self.rng, view=view)
        self.sensor = sensor
        self.look = FirstLook()
        self.time_s = 0.0
        self.steps = []

    def frame(self, own, made=None):
        seen = sight(self.rng, made or self.made, own, self.sensor)
        setup = seen.setup
        self.steps.append(self.look)
        self.look = watch(self.look, seen.rods, SIZE, setup, self.time_s)
        self.time_s += 1 / FPS
        return setup, seen

    def walk(self, seconds=6.0, stand_s=1.5):
        """From a view from above to one on the tripod, along a straight way, then stands."""
        start, end = (usable(self.made, self.rng, share) for share in (0.0, 1.0))
        count = round(seconds * FPS)
        for k in range(count):
            share = 0.5 - 0.5 * np.cos(np.pi * k / (count - 1))
            try:
                self.frame(start + share * (end - start))
            except ValueError:  # for a moment too little of a rod is in view
                self.look = watch(self.look, None, SIZE, self.look.facts or Setup(), self.time_s)
                self.time_s += 1 / FPS
        self.stand(end, stand_s)
        return end

    def stand(self, own, seconds, made=None):
        for _ in range(round(seconds * FPS)):
            self.frame(own, made)


@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_a_walk_begins_by_itself_spreads_its_looks_and_measures_the_rods(view):
    told = []
    for seed in range(12):
        hand = Hand(seed, view)
        hand.walk()
        phases = [step.phase for step in hand.steps]
        assert phases[0] is Phase.OFF
        assert Phase.BACK in phases
        assert hand.look.phase is Phase.KNOWN
        assert hand.look.finished == 1
        sights = hand.look.sights
        assert LEAST <= len(sights) <= MOST
        ends = [np.concatenate([r.ends_px for r in s.rods.both]) / max(SIZE) for s in sights]
        gaps = [np.linalg.norm(a - b) for i, a in enumerate(ends) for b in ends[:i]]
        assert min(gaps) >= APART / 3
        known = hand.look.known
        told.append((known.mean[6] - hand.made.shared[6]) / known.angle_sigma_rad)
        setup = applied(hand.look, sights[-1].setup, SIZE)
        assert setup.known.lens.source is LensSource.FIRST_LOOK
    # 2 of 12 beyond 2 sigma happen by chance in one of 9 such dozens, 4 in one of 500.
    assert (np.abs(told) > 2).sum() <= 3


def test_no_look_is_taken_while_the_picture_moves_fast():
    hand = Hand(1)
    views = [usable(hand.made, hand.rng, share) for share in np.linspace(0, 1, 8)]
    hand.look = again(hand.look, 0.0)
    for k in range(40):
        hand.frame(views[k % 8])  # another place in every frame
    assert hand.look.sights == ()
    assert hand.look.phase is Phase.OVER


def test_a_phone_put_on_the_tripod_is_not_kept_waiting():
    hand = Hand(2)
    end = usable(hand.made, hand.rng, 1.0)
    hand.stand(end, 1.0)
    assert hand.look.phase is Phase.OFF  # nothing begins by itself there
    hand.look = again(hand.look, hand.time_s)
    hand.stand(end, PATIENCE_S - 1.0)
    assert hand.look.collecting
    hand.stand(end, 2.0)
    assert hand.look.phase is Phase.OFF
    setup = Setup()
    assert applied(hand.look, setup, SIZE) is setup


def test_a_skipped_look_does_not_begin_again_until_the_phone_was_raised():
    hand = Hand(3)
    start, end = (usable(hand.made, hand.rng, share) for share in (0.0, 1.0))
    hand.stand(start, 1.0)
    assert hand.look.collecting
    hand.look = skip(hand.look)
    hand.stand(start, 2.0)
    assert hand.look.phase is Phase.OFF
    hand.stand(end, 0.5)
    hand.stand(start, 1.0)
    assert hand.look.collecting


def test_without_a_tilt_sensor_only_the_button_begins():
    hand = Hand(4, sensor=False)
    hand.walk()
    assert hand.look.phase is Phase.OFF
    hand.look = again(hand.look, hand.time_s)
    hand.walk()
    assert len(hand.look.sights) >= LEAST
    assert hand.look.walk is not None


@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_a_kicked_rod_is_noticed_and_lens_lengths_and_bias_stay_known(view):
    waits = []
    for seed in range(8):
        hand = Hand(100 + seed, view)
        end = hand.walk(stand_s=2.5)
        before = hand.look.known
        kicked = moved(hand.made, 5.0)
        kicked_s = hand.time_s
        hand.stand(end, 3.0, kicked)
        assert hand.look.phase is Phase.MOVED
        waits.append(next(k for k, s in enumerate(hand.steps) if s.phase is Phase.MOVED) / FPS)
        waits[-1] = min(waits[-1] - kicked_s, 3.0)
        setup, _ = hand.frame(end, kicked)
        after = applied(hand.look, setup, SIZE).known
        assert after is hand.look.wide
        for kept in (slice(0, 6), slice(9, 11)):
            assert np.allclose(after.mean[kept], before.mean[kept])
            assert np.allclose(after.cov[kept, kept], before.cov[kept, kept])
        assert not after.angle_measured
    assert max(waits) <= 2.0


@pytest.mark.parametrize("phones", [2, pytest.param(10, marks=pytest.mark.nightly)])
@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_unmoved_rods_are_not_said_to_be_moved(view, phones):
    """Phones stand for 20 s each, then are slid aside and stand again: 300 frames a phone."""
    for seed in range(phones):
        hand = Hand(200 + seed, view)
        end = hand.walk(stand_s=20.0)
        slid = end.copy()
        slid[0] += 0.08
        turned = slid.copy()
        turned[3] -= np.arctan2(0.08, -end[1])  # in the end the stem's foot shows where it showed
        for start, stop in ((end, slid), (slid, turned)):
            for k in range(10):
                hand.frame(start + (k + 1) / 10 * (stop - start))
        hand.stand(turned, 10.0)
        assert hand.look.phase is Phase.KNOWN
        assert not hand.look.doubting


def test_moved_rods_are_measured_anew_from_above_with_what_stays_known():
    hand = Hand(300)
    end = hand.walk(stand_s=2.5)
    lens = hand.look.known.cov[0, 0]
    hand.made = moved(hand.made, -5.0)
    hand.stand(end, 3.0)
    assert hand.look.phase is Phase.MOVED
    hand.walk()
    assert hand.look.phase is Phase.KNOWN
    known = hand.look.known
    assert abs(known.mean[6] - hand.made.shared[6]) < 3 * known.angle_sigma_rad
    assert known.cov[0, 0] <= lens * 1.01
    # An earlier look helped, so this one is no further evidence of the lens.
    assert own_lens(hand.look) is None


def test_skipping_the_look_at_moved_rods_leaves_them_moved():
    hand = Hand(301)
    end = hand.walk(stand_s=2.5)
    hand.stand(end, 3.0, moved(hand.made, 5.0))
    wide = hand.look.wide
    hand.look = skip(again(hand.look, hand.time_s))
    assert (hand.look.phase, hand.look.wide) == (Phase.MOVED, wide)


def test_other_facts_begin_from_nothing():
    hand = Hand(5)
    end = hand.walk()
    seen = sight(hand.rng, hand.made, end)
    other = replace(seen.setup, rod_lengths_m={})
    assert applied(hand.look, other, SIZE) is other
    look = watch(hand.look, seen.rods, SIZE, other, hand.time_s)
    assert (look.phase, look.known, look.sights) == (Phase.OFF, None, ())
    # A tolerance, a target or a goal is no such fact.
    more = replace(seen.setup, goal=replace(seen.setup.goal, height_m=1.0))
    assert watch(hand.look, seen.rods, SIZE, more, hand.time_s).phase is Phase.KNOWN


def test_a_look_is_scaled_where_the_browser_sends_smaller_pictures():
    hand = Hand(6)
    hand.look = again(hand.look, 0.0)
    start = usable(hand.made, hand.rng, 0.0)
    hand.stand(start, 0.5)
    assert len(hand.look.sights) == 1
    seen = sight(hand.rng, hand.made, usable(hand.made, hand.rng, 0.6))
    half = replace(
        seen.rods,
        **{
            name: replace(rod, ends_px=(rod.ends_px + 0.5) / 2 - 0.5)
            for name, rod in (("first", seen.rods.first), ("second", seen.rods.second))
        },
    )
    for k in range(4):
        hand.look = watch(hand.look, half, (640, 360), seen.setup, hand.time_s + k / FPS)
    assert len(hand.look.sights) == 2
    kept = hand.look.sights[1]
    assert kept.size == SIZE
    assert np.allclose(kept.rods.first.ends_px, seen.rods.first.ends_px)


def test_an_own_lens_owes_nothing_to_a_profile():
    hand = Hand(7)
    hand.walk()
    lens = own_lens(hand.look)
    assert lens.focal_px == hand.look.walk.known.lens.focal_px
    assert abs(np.log(lens.focal_px) - hand.made.shared[0]) < 3 * lens.sigma_px / lens.focal_px


def test_widened_rods_keep_a_valid_covariance():
    hand = Hand(8)
    hand.walk()
    wide = widened(hand.look.known)
    assert np.linalg.eigvalsh(wide.cov).min() > 0
    assert np.all(np.diag(wide.cov) >= np.diag(hand.look.known.cov) - 1e-12)
