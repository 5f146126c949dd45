"""The second look for known rods: found where they lie, not where a shadow would fit as well."""

import cv2
import numpy as np
import pytest

from tests.bench.falses import painted
from tests.bench.scenes import LAID, found, right, true_line
from tests.scenes import scenes
from vision.again import find_again
from vision.errors import SetupError
from vision.frame import Frame
from vision.known import SHARED, KnownRods
from vision.pose import solve_pose
from vision.read import search
from vision.rods import NotFound, Reason

DIMMED = 0.6  # of the ground's light lost in the shadow
SHORTER = 0.7  # than the rod: an end that the pose must take for covered


def known_rods(scene):
    """The scene's setup with its rods as one view measured them, and where they are."""
    setup = scene.setup(seed=1)
    rods = found(search(scene.frame(), setup))
    assert right(rods, scene)
    pose = solve_pose(rods, scene.size, setup)
    shared = slice(6, 15)
    mean, cov = np.zeros(len(SHARED)), np.diag(np.full(len(SHARED), 1e-4))
    mean[:9], cov[:9, :9] = pose.params[shared], pose.cov[shared, shared]
    known = KnownRods(setup.view, setup.handed, scene.size, mean, cov)
    return setup.knowing(known), rods


def with_shadow(picture, scene, rods, gone, aside_px):
    """The picture with a straight shadow beside where that rod lay, along it and shorter."""
    points = true_line(scene.rods[gone], scene.size)
    span = points[-1] - points[0]
    start = points[0] + aside_px * np.array([-span[1], span[0]]) / np.hypot(*span)
    first, last = (np.rint(8 * p).astype(int).tolist() for p in (start, start + SHORTER * span))
    mask = np.zeros(picture.shape[:2], np.float32)
    wide = max(3, round(1.2 * rods.both[gone].width_px))
    cv2.line(mask, first, last, 1.0, wide, cv2.LINE_AA, 3)
    mask = cv2.GaussianBlur(mask, (0, 0), 1.0)[..., None]
    return Frame.from_bgr((picture * (1 - DIMMED * mask)).astype(np.uint8))


@pytest.fixture(scope="module")
def looks():
    return [(scene, *known_rods(scene)) for scene in scenes() if scene.layout in LAID]


def test_known_rods_are_found_where_they_lie(looks):
    assert len(looks) >= 6
    for scene, setup, _ in looks:
        assert right(found(find_again(scene.frame(), setup)), scene), scene.name


def test_where_one_is_gone_the_other_and_the_ground_are_not_enough(looks):
    for scene, setup, _ in looks:
        for gone in range(2):
            answer = find_again(Frame.from_bgr(painted(scene, gone)), setup)
            assert isinstance(answer, NotFound), scene.name


def test_a_shadow_beside_where_a_rod_lay_does_not_stand_for_it(looks):
    """With an end taken for covered, most of them agree with another place of the lens."""
    answers = [
        find_again(with_shadow(painted(scene, gone), scene, rods, gone, aside), setup)
        for scene, setup, rods in looks
        for gone in range(2)
        for aside in (-18.0, 18.0)
    ]
    refused = [answer for answer in answers if isinstance(answer, NotFound)]
    assert len(refused) >= 0.9 * len(answers) > 20
    doubted = [answer for answer in refused if answer.reason is Reason.UNSURE]
    assert len(doubted) > 10
    assert all(len(answer.seen) == 2 for answer in doubted)


def test_without_known_rods_there_is_nothing_to_find_again():
    scene = scenes()[0]
    with pytest.raises(SetupError, match="first look"):
        find_again(scene.frame(), scene.setup())
