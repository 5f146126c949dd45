import dataclasses

import cv2
import numpy as np
import pytest

from tests.bench.scenes import right
from tests.scenes import FOLDER, line_rms_px, scenes, truth_of
from vision import belief
from vision import find as find_stage
from vision import read as read_stage
from vision.errors import FrameError
from vision.find import OTHERS, find, find_first, find_others
from vision.frame import Frame
from vision.read import read
from vision.reading import Verdict
from vision.rods import NotFound, Reason, Rods
from vision.setup import Lens, Role, Setup, View

LAID = [s for s in scenes() if s.layout in ("t", "pair")]
BARE = [s for s in scenes() if s.layout not in ("t", "pair")]


@pytest.mark.parametrize("scene", LAID, ids=lambda s: s.name)
def test_both_rods_lie_on_the_true_lines_with_their_roles(scene):
    rods = find(scene.frame(), scene.setup())
    assert isinstance(rods, Rods)
    for rod, true in zip(rods.both, scene.rods, strict=False):
        assert rod.role == Role(true["role"])
        assert line_rms_px(rod.ends_px, np.array(true["ends_px"])) < 5.0


@pytest.mark.parametrize("scene", LAID, ids=lambda s: s.name)
def test_the_placement_agrees_with_the_scene_within_four_sigmas(scene):
    placement = read(scene.frame(), scene.setup(seed=3)).placement
    assert placement is not None
    for quantity, true in truth_of(scene).items():
        error = getattr(placement, quantity) - true
        assert abs(error) < 4 * placement.sigma(quantity), quantity


def test_the_median_offset_and_yaw_errors_are_small():
    readings = [(read(s.frame(), s.setup(seed=7)).placement, truth_of(s)) for s in LAID]
    offset = [abs(p.offset_m - t["offset_m"]) for p, t in readings]
    yaw = [abs(p.yaw_rad - t["yaw_rad"]) for p, t in readings]
    assert np.median(offset) < 0.03
    assert np.median(yaw) < np.deg2rad(0.5)


@pytest.mark.parametrize("scene", BARE, ids=lambda s: s.name)
def test_a_picture_without_the_layout_is_never_square(scene):
    for view in View:
        assert read(scene.frame(), Setup(view=view)).verdict is not Verdict.SQUARE


def test_the_same_picture_at_4k_gives_the_same_place():
    scene = next(s for s in LAID if s.layout == "t")
    bgr = cv2.imread(str(FOLDER / scene.name))
    large = cv2.resize(bgr, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
    setup = scene.setup()
    setup_large = dataclasses.replace(setup, lens=setup.lens.scaled(3.0))
    small = read(Frame.from_bgr(bgr), setup).placement
    big = read(Frame.from_bgr(large), setup_large).placement
    assert small is not None and big is not None
    assert big.offset_m == pytest.approx(small.offset_m, abs=0.03)


@pytest.mark.parametrize(
    ("level", "reason"), [(0, Reason.TOO_DARK), (5, Reason.TOO_DARK), (128, Reason.BLANK)]
)
def test_dark_and_blank_pictures_say_so(level, reason):
    found = find(Frame.from_bgr(np.full((720, 1280, 3), level, np.uint8)), Setup())
    assert found == NotFound(reason)


def test_a_tiny_picture_says_so():
    found = find(Frame.from_bgr(np.zeros((60, 80, 3), np.uint8)), Setup())
    assert found == NotFound(Reason.TOO_SMALL)


def test_a_torn_frame_does_not_crash():
    scene = LAID[0]
    bgr = cv2.imread(str(FOLDER / scene.name))
    bgr[bgr.shape[0] // 3 :] = 128
    assert read(Frame.from_bgr(bgr), scene.setup()).verdict is not Verdict.SQUARE


@pytest.mark.parametrize("size", [(161, 121), (641, 361), (200, 1000), (1280, 720)])
def test_noise_of_any_size_is_survived(size):
    rng = np.random.default_rng(5)
    noise = rng.integers(0, 255, (size[1], size[0], 3), np.uint8)
    assert read(Frame.from_bgr(noise), Setup()).verdict is not Verdict.SQUARE


def test_a_wrong_array_is_misuse_with_the_remedy():
    with pytest.raises(FrameError, match="give \\(height, width, 3\\) uint8"):
        Frame.from_bgr(np.zeros((10, 10), np.uint8))


def test_the_lens_unknown_still_finds_the_rods():
    for scene in LAID:
        setup = dataclasses.replace(scene.setup(), lens=None, tilt=None, rod_lengths_m={})
        reading = read(scene.frame(), setup)
        assert reading.placement is not None, scene.name
        assert abs(reading.placement.offset_m - truth_of(scene)["offset_m"]) < 4 * max(
            reading.placement.sigma("offset_m"), 0.02
        )


def test_a_stated_lens_is_kept():
    scene = LAID[0]
    reading = read(scene.frame(), scene.setup())
    assert isinstance(reading.lens, Lens)
    assert reading.lens.focal_px == pytest.approx(scene.matrix[0, 0], abs=10)


class Scripted:
    """`find_first` and `find_others` of `vision.read`, with set answers; what was asked."""

    def __init__(self, monkeypatch, best, others):
        self.answers, self.asked = {"find_first": (best, ()), "find_others": others}, []
        for name in self.answers:
            monkeypatch.setattr(read_stage, name, self._answering(name))

    def _answering(self, name):
        def answer(*args, **kwargs):
            self.asked.append(name)
            return self.answers[name]

        return answer


def _less_believed(rods, by):
    """The same rods, lying worse."""
    geometry = rods.search.geometry - by
    return dataclasses.replace(rods, search=dataclasses.replace(rods.search, geometry=geometry))


def test_where_the_best_layout_is_not_believed_the_most_believed_other_is_taken(monkeypatch):
    scene = LAID[0]
    frame, setup = scene.frame(), scene.setup(seed=1)
    good = find(frame, setup)
    bad, nothing = _less_believed(good, 200.0), NotFound(Reason.UNSURE)
    fair = _less_believed(good, 0.5)
    for best, others, taken in (
        (good, None, good),
        (bad, [bad, fair, good], good),
        (bad, [fair, bad], fair),
        (bad, [bad], bad),
        (bad, [], bad),
        (nothing, [good], good),
        (nothing, [], nothing),
    ):
        with monkeypatch.context() as patched:
            scripted = Scripted(patched, best, others)
            assert read_stage.search(frame, setup) is taken
            asked = ["find_first"] if best is good else ["find_first", "find_others"]
            assert scripted.asked == asked
            # Among many phones there is time for a glance only.
            assert read_stage.search(frame, setup, quick=True) is best


def test_where_the_best_layout_is_believed_a_little_the_others_are_asked_too(monkeypatch):
    """A shadow beside a rod may be."""
    scene = LAID[0]
    frame, setup = scene.frame(), scene.setup(seed=1)
    good = find(frame, setup)
    falling = (_less_believed(good, by) for by in np.arange(0.0, 60.0, 0.25))
    sure = read_stage.SURE
    weak = next(r for r in falling if read_stage.weigh(r, scene.size, setup).belief < sure)
    weaker = _less_believed(weak, 0.25)
    for rods in (weak, weaker):
        assert belief.ACCEPT < read_stage.weigh(rods, scene.size, setup).belief < sure
    for best, others, taken in (
        (weak, [weaker, good], good),
        (weaker, [weak], weak),
        (weak, [weaker], weak),
        (weak, [], weak),
    ):
        with monkeypatch.context() as patched:
            scripted = Scripted(patched, best, others)
            assert read_stage.search(frame, setup) is taken
            assert scripted.asked == ["find_first", "find_others"]


def test_other_layouts_are_measured_ones_and_not_the_first_again():
    for scene in LAID:
        frame, setup = scene.frame(), scene.setup(seed=1)
        first, seen = find_first(frame, setup)
        others = find_others(frame, setup, (), seen)
        assert 1 <= len(others) <= 3 * OTHERS
        assert all(rods.first.look is not None for rods in others)
        # At least as good as the next best of those that were had.
        assert max(rods.score for rods in others) >= seen[-1].guesses[1].score
        had = [(rods.score, rods.runner_up) for rods in others[: OTHERS if len(seen) == 1 else 0]]
        assert (first.score, first.runner_up) not in had
        assert any(right(rods, scene) for rods in (first, *others))


def test_what_was_seen_is_not_looked_for_again(monkeypatch):
    scene = LAID[0]
    frame, setup = scene.frame(), scene.setup(seed=1)
    _, seen = find_first(frame, setup)
    alone = find_others(frame, setup, (), tuple(find_stage.ways(frame, setup))[:1])
    looked = []
    planes = find_stage.contrast_planes
    monkeypatch.setattr(
        find_stage, "contrast_planes", lambda *args: (looked.append(args[1]), planes(*args))[1]
    )
    again = find_others(frame, setup, (), seen)
    assert len(looked) == 2 - len(seen)
    assert [r.score for r in again] == [r.score for r in alone]


def test_no_other_layouts_are_looked_for_in_the_dark():
    dark = Frame.from_bgr(np.zeros((360, 640, 3), np.uint8))
    rods, seen = find_first(dark, Setup())
    assert rods == NotFound(Reason.TOO_DARK)
    assert find_others(dark, Setup(), (), seen) == []
