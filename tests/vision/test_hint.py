"""Taps: what they do to the evidence, where they go with the rods, and what they cause live."""

import math

import numpy as np
import pytest

from tests.scenes import line_rms_px, scenes
from tests.synthetic import SIZE, draw
from vision import live, read
from vision.find import find
from vision.frame import Frame
from vision.hint import LOWER, NEAR, RAISE, Hint, carried, hinted, on_rods
from vision.live import MARK_S, LiveState
from vision.rods import NotFound, Reason
from vision.setup import View

NEAR_PX = NEAR * max(SIZE)
ROWS = np.array([[[100.0, y], [900.0, y]] for y in (100.0, 300.0, 500.0)])
NOTHING = np.zeros(3)


def test_without_taps_the_evidence_is_as_it_was():
    assert hinted(ROWS, NOTHING, (), SIZE) is NOTHING
    assert len(hinted(np.zeros((0, 2, 2)), np.zeros(0), (Hint((1, 1)),), SIZE)) == 0


def test_a_tap_raises_what_passes_under_it_and_leaves_the_rest():
    told = hinted(ROWS, NOTHING, (Hint((500, 300)),), SIZE)
    np.testing.assert_allclose(told, [0, RAISE, 0], atol=1e-9)


@pytest.mark.parametrize("away", [0.5, 1.0, 2.0])
def test_it_decays_with_distance_as_a_gaussian(away):
    told = hinted(ROWS, NOTHING, (Hint((500, 300 + away * NEAR_PX)),), SIZE)
    assert told[1] == pytest.approx(RAISE * math.exp(-(away**2) / 2), abs=1e-6)


def test_beyond_a_segments_end_counts_the_distance_from_the_end():
    told = hinted(ROWS, NOTHING, (Hint((900 + NEAR_PX, 300)),), SIZE)
    assert told[1] == pytest.approx(RAISE * math.exp(-0.5), abs=1e-6)


def test_two_taps_lower_the_others_a_little():
    told = hinted(ROWS, NOTHING, (Hint((500, 100)), Hint((200, 500))), SIZE)
    np.testing.assert_allclose(told, [RAISE, -LOWER, RAISE], atol=1e-6)
    # Two taps on one rod are no more than one.
    same = hinted(ROWS, NOTHING, (Hint((500, 100)), Hint((600, 100))), SIZE)
    assert same[0] == pytest.approx(RAISE)


def test_a_tap_on_a_smaller_copy_means_the_same_place_and_one_on_a_turned_picture_none():
    # Pixel (0, 0) is the middle of the first pixel, so pixel middles shift with the size.
    assert Hint((319.5, 179.5), (640, 360)).within(SIZE) == pytest.approx((639.5, 359.5))
    assert Hint((-0.5, -0.5), (640, 360)).within(SIZE) == pytest.approx((-0.5, -0.5))
    assert Hint((100.0, 50.0), (360, 640)).within(SIZE) is None
    assert Hint((5000.0, 50.0)).within(SIZE) is None
    assert hinted(ROWS, NOTHING, (Hint((100, 50), (360, 640)),), SIZE) is NOTHING


def test_marks_keep_their_place_along_a_rod_that_moves():
    case = draw(np.random.default_rng(1), View.FACE_ON)
    first = case.rods.first.ends_px
    quarter = tuple(first[0] + 0.25 * (first[1] - first[0]) + [0, 5])
    loose = Hint((3.0, 3.0))
    moved = _shifted(case.rods, [60, -20])
    mark, other = carried((Hint(quarter), loose), case.rods, moved, SIZE)
    want = moved.first.ends_px[0] + 0.25 * (moved.first.ends_px[1] - moved.first.ends_px[0])
    assert np.linalg.norm(mark.xy_px - want) < 3
    assert other == loose
    assert on_rods((mark,), moved, SIZE)
    assert not on_rods((mark, loose), moved, SIZE)


def _shifted(rods, by):
    from dataclasses import replace

    shift = np.asarray(by, float)
    return replace(
        rods,
        first=replace(rods.first, ends_px=rods.first.ends_px + shift),
        second=replace(rods.second, ends_px=rods.second.ends_px + shift),
    )


class Finder:
    """Stands in for the finders and `follow`: the drawn rods, moved, found only when told."""

    def __init__(self, monkeypatch, needs_hint=True):
        self.case = draw(np.random.default_rng(2), View.FACE_ON)
        self.rods = self.case.rods
        self.needs_hint = needs_hint
        self.asked = []
        self.tracking = True
        self.shift = np.zeros(2)
        monkeypatch.setattr(read, "find_first", lambda *a, **k: (self.find(*a, **k), ()))
        monkeypatch.setattr(live, "find", self.find)
        monkeypatch.setattr(live, "follow", self.follow)

    def find(self, frame, setup, hints=(), accept=None, quick=False):
        self.asked.append(hints)
        near = [h for h in hints if self.touches(h)]
        if self.needs_hint and not near:
            return NotFound(Reason.NO_RODS)
        return _shifted(self.rods, self.shift)

    def follow(self, frame, rods, setup):
        return _shifted(self.rods, self.shift) if self.tracking else None

    def touches(self, hint):
        now = _shifted(self.rods, self.shift)
        return on_rods((hint,), now, SIZE)

    def on_first(self):
        x, y = self.rods.first.ends_px.mean(axis=0)
        return Hint((float(x), float(y)), SIZE)

    def step(self, state, time_s, *hints):
        grey = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)
        return live.step(state, Frame.from_bgr(grey), self.case.setup, time_s, *hints)


def test_reading_passes_taps_on_only_where_there_are_any(monkeypatch):
    finder = Finder(monkeypatch)
    frame = Frame.from_bgr(np.full((SIZE[1], SIZE[0], 3), 90, np.uint8))
    read.read(frame, finder.case.setup)
    found = read.read(frame, finder.case.setup, (finder.on_first(),))
    assert finder.asked == [(), (finder.on_first(),)]
    assert found.placement is not None


def test_a_changed_tap_makes_a_full_search_and_the_same_tap_does_not(monkeypatch):
    finder = Finder(monkeypatch, needs_hint=False)
    state, _ = finder.step(LiveState(), 0.0)
    state, reading = finder.step(state, 0.1)
    assert reading.tracked
    taps = (finder.on_first(),)
    state, reading = finder.step(state, 0.2, taps)
    assert not reading.tracked
    assert finder.asked == [(), taps]
    state, reading = finder.step(state, 0.3, taps)
    assert reading.tracked
    assert reading.marks == taps
    state, reading = finder.step(state, 0.4)  # taken back
    assert not reading.tracked
    assert finder.asked == [(), taps, ()]
    assert reading.marks == ()


def test_a_mark_travels_with_its_rod_into_the_next_search(monkeypatch):
    finder = Finder(monkeypatch)
    taps = (finder.on_first(),)
    state, reading = finder.step(LiveState(), 0.0, taps)
    for n in range(1, 11):
        finder.shift = np.array([-12.0 * n, 4.0 * n])
        state, reading = finder.step(state, 0.1 * n, taps)
        assert reading.tracked
    finder.tracking = False
    state, reading = finder.step(state, 1.1, taps)
    assert reading.reading.placement is not None  # found by the mark where the rod is now
    (mark,) = reading.marks
    assert mark.xy_px == pytest.approx(np.add(taps[0].xy_px, finder.shift), abs=1.0)


def test_a_mark_travels_with_a_rod_that_is_searched_for_afresh_each_time(monkeypatch):
    finder = Finder(monkeypatch)
    finder.tracking = False
    taps = (finder.on_first(),)
    state, _ = finder.step(LiveState(), 0.0, taps)
    for n in range(1, 15):
        finder.shift = np.array([-12.0 * n, 6.0 * n])
        state, reading = finder.step(state, 0.1 * n, taps)
        assert reading.reading.placement is not None
    assert reading.marks[0].xy_px == pytest.approx(np.add(taps[0].xy_px, finder.shift), abs=1.0)


def test_a_mark_on_nothing_is_forgotten_in_the_end(monkeypatch):
    finder = Finder(monkeypatch)
    nowhere = (Hint((5.0, 5.0), SIZE),)
    state, reading = finder.step(LiveState(), 0.0, nowhere)
    assert reading.marks == nowhere
    state, reading = finder.step(state, MARK_S - 0.1, nowhere)
    assert reading.marks == nowhere
    state, reading = finder.step(state, MARK_S + 0.1, nowhere)
    assert reading.marks == ()
    state, reading = finder.step(state, MARK_S + 0.5, nowhere)
    assert finder.asked[-1] == ()


@pytest.mark.parametrize(
    "scene", [s for s in scenes() if s.layout in ("t", "pair")], ids=lambda s: s.name
)
def test_a_tap_beside_the_rods_does_not_lose_them_and_one_on_a_rod_is_believed(scene):
    frame = scene.frame()
    setup = scene.setup()
    rods = [np.array(rod["ends_px"], float) for rod in scene.rods[:2]]
    taps = tuple(Hint(tuple(map(float, 0.4 * a + 0.6 * b + 3))) for a, b in rods)
    told = find(frame, setup, taps)
    for rod, true in zip(told.both, rods, strict=True):
        assert line_rms_px(rod.ends_px, true) < 5
    corner = (Hint((float(scene.size[0] - 8), 8.0)),)
    plain, beside = find(frame, setup), find(frame, setup, corner)
    for one, other in zip(plain.both, beside.both, strict=True):
        np.testing.assert_array_equal(one.ends_px, other.ends_px)
