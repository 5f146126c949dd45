import dataclasses

import cv2
import numpy as np
import pytest

from tests.bench.scenes import right
from tests.scenes import FOLDER, line_rms_px, scenes, truth_of
from vision import read as read_stage
from vision.errors import FrameError
from vision.find import find, find_closely
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


class TwoSizes:
    """`find` at a glance and `find_closely`, scripted: which layout each of them gives."""

    def __init__(self, monkeypatch, glance, closely):
        self.answers, self.asked = {"find": glance, "find_closely": closely}, []
        for name in self.answers:
            monkeypatch.setattr(read_stage, name, self._answering(name))

    def _answering(self, name):
        def answer(*args, **kwargs):
            self.asked.append(name)
            return self.answers[name]

        return answer


def _seen(rods, closely=False):
    return dataclasses.replace(rods, search=dataclasses.replace(rods.search, closely=closely))


def _doubtful(rods):
    """The same rods in a picture that is full of others, so that they are not believed."""
    return dataclasses.replace(rods, search=dataclasses.replace(rods.search, geometry=-200.0))


@pytest.mark.parametrize(
    ("glance", "closely", "taken", "asked"),
    [
        ("good", None, "good", ["find"]),
        ("bad", "good", "good", ["find", "find_closely"]),
        ("bad", "bad", "bad", ["find", "find_closely"]),
        ("bad", None, "bad", ["find", "find_closely"]),
    ],
)
def test_where_a_glance_is_not_believed_a_closer_look_decides(
    monkeypatch, glance, closely, taken, asked
):
    scene = LAID[0]
    frame, setup = scene.frame(), scene.setup(seed=1)
    good = find(frame, setup)
    kinds = {"good": good, "bad": _doubtful(good), None: NotFound(Reason.UNSURE)}
    answers = {"glance": _seen(kinds[glance]), "closely": kinds[closely]}
    if closely is not None:
        answers["closely"] = _seen(kinds[closely], closely=True)
    sizes = TwoSizes(monkeypatch, answers["glance"], answers["closely"])
    rods = read_stage.search(frame, setup)
    assert sizes.asked == asked
    assert rods is answers["closely" if taken == closely != glance else "glance"]
    # Among many phones there is time for a glance only.
    assert read_stage.search(frame, setup, quick=True) is answers["glance"]


def test_what_was_looked_at_closely_is_not_looked_at_again(monkeypatch):
    scene = LAID[0]
    frame, setup = scene.frame(), scene.setup(seed=1)
    doubtful = _seen(_doubtful(find(frame, setup)), closely=True)
    sizes = TwoSizes(monkeypatch, doubtful, None)
    assert read_stage.search(frame, setup) is doubtful
    assert sizes.asked == ["find"]


def test_the_closer_look_finds_the_rods_by_itself():
    found = [find_closely(scene.frame(), scene.setup(seed=1)) for scene in LAID]
    assert all(rods.search.closely for rods in found if isinstance(rods, Rods))
    assert (
        np.mean([isinstance(r, Rods) and right(r, s) for r, s in zip(found, LAID, strict=True)])
        >= 0.8
    )
