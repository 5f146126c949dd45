"""Whether chosen rods are believed: present ones are, and what completes a layout is not."""

import dataclasses

import numpy as np
import pytest

from tests.bench.falses import painted
from tests.scenes import scenes
from tests.synthetic import draw
from vision.belief import ACCEPT, FEATURES, features, log_odds
from vision.belief_weights import BELIEF
from vision.cues import cue_count
from vision.find import COARSE, FINE, find
from vision.frame import Frame
from vision.look import LOOK
from vision.pose import solve_pose
from vision.read import read
from vision.reading import Verdict
from vision.rods import Rods
from vision.setup import View

LAID = [scene for scene in scenes() if scene.layout in ("t", "pair")]


def names(scene):
    return scene.name


def test_every_feature_has_its_weights():
    count = len(FEATURES)
    assert len(set(FEATURES)) == count == 11 + 2 * len(LOOK)
    assert shape(BELIEF) == (count, len(BELIEF.bias))


@pytest.mark.parametrize("level", [COARSE, FINE])
def test_every_cue_has_its_weights(level):
    assert shape(level.evidence) == (cue_count(level.band.flank), len(level.evidence.bias))


def shape(net):
    """Features and units, if all of the network's numbers agree on them."""
    count, units = net.inward.shape
    assert net.mean.shape == net.spread.shape == net.past.shape == (count,)
    assert net.bias.shape == net.outward.shape == (units,)
    assert (net.spread > 0).all()
    return count, units


@pytest.mark.parametrize("scene", LAID, ids=names)
@pytest.mark.parametrize("gone", [0, 1])
def test_one_rod_painted_out_is_not_found(scene, gone):
    reading = read(Frame.from_bgr(painted(scene, gone)), scene.setup(seed=1))
    assert reading.verdict is Verdict.NOT_FOUND


def test_most_laid_rods_are_believed():
    beliefs = [read(Frame.from_bgr(s.bgr()), s.setup(seed=1)).belief for s in LAID]
    assert np.mean(np.array(beliefs) >= ACCEPT) >= 0.8


def test_the_features_are_those_of_the_picture_and_a_tap_adds_to_them():
    scene = LAID[0]
    frame, setup = Frame.from_bgr(scene.bgr()), scene.setup(seed=1)
    rods = find(frame, setup)
    assert isinstance(rods, Rods) and rods.search is not None
    pose = solve_pose(rods, (frame.width, frame.height), setup)
    values = dict(zip(FEATURES, features(rods, pose), strict=True))
    assert all(np.isfinite(v) for v in values.values())
    assert values["lower free ends"] <= values["higher free ends"] <= 2
    assert values["pair"] == (setup.view is View.DOWN_THE_LINE)
    longest = max(np.linalg.norm(rod.ends_px[1] - rod.ends_px[0]) for rod in rods.both)
    assert values["higher length"] == pytest.approx(np.log(longest))
    tapped = dataclasses.replace(rods, search=dataclasses.replace(rods.search, tapped=3.0))
    assert log_odds(tapped, pose) == pytest.approx(log_odds(rods, pose) + 3.0)


def test_rods_that_no_search_measured_keep_their_score():
    case = draw(np.random.default_rng(2), View.FACE_ON)
    rods = dataclasses.replace(case.rods, score=1.25)
    assert log_odds(rods, solve_pose(rods, (1280, 720), case.setup)) == 1.25
