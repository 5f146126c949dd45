"""Segments looked at once more at full size: rods against all else in path-traced pictures."""

import cv2
import numpy as np
import pytest

from tests.bench.closer import collect
from tests.bench.scenes import LAID, true_line
from tests.bench.varied import along_rod
from tests.scenes import FOLDER, scenes
from tests.vision.test_across import sunny
from vision.closer import CUES, look_closer, seen_closer
from vision.closer_weights import CLOSER
from vision.find import from_afar
from vision.frame import Frame


@pytest.fixture(scope="module")
def looked():
    """Cues of the segments in the path-traced pictures, whether they are rods', and whose."""
    return collect(FOLDER)


def above(evidence: np.ndarray, on: np.ndarray) -> float:
    """Share of (rod, other) pairs of segments of which the rod has more evidence (the AUC)."""
    return float((evidence[on][:, None] > evidence[~on]).mean())


def test_rods_stand_further_above_other_segments_than_from_afar(looked):
    cues, on, names = looked
    assert cues.shape == (len(on), len(CUES)) == (len(names), len(CUES))
    assert np.isfinite(cues).all()
    assert on.sum() > 20
    before, after = 1 - above(cues[:, 0], on), 1 - above(CLOSER.log_odds(cues), on)
    assert after < 0.7 * before
    assert after < 0.004


def test_log_odds_mean_what_they_say(looked):
    """Of segments that are rods by even odds or better most are, of all others hardly any."""
    cues, on, _ = looked
    evidence = CLOSER.log_odds(cues)
    assert on[evidence > 0].mean() > 0.7
    assert on[evidence < -4].mean() < 0.01


def test_segments_are_moved_onto_rods_axes():
    off = []
    for scene in scenes():
        for rod in scene.rods[:2] if scene.layout in LAID else ():
            axis = true_line(rod, scene.size)
            way = (axis[-1] - axis[0]) / np.linalg.norm(axis[-1] - axis[0])
            start = axis[[0, -1]] + 4.0 * np.array([-way[1], way[0]])
            (moved,), _ = look_closer(scene.frame(), start[None], np.zeros(1))
            off.append(along_rod(moved[None], axis, 1.5)[0])
    assert len(off) >= 10
    assert np.mean(off) >= 0.8


def test_a_rod_beside_its_shadow_is_more_like_one_than_the_bare_ground():
    for seed in range(3):
        frame = Frame.from_bgr(sunny(200.0, 0.45, seed=seed))
        lines = np.array([[[44.0, y], [316.0, y + 1.0]] for y in (122.0, 60.0, 190.0)])
        moved, evidence = look_closer(frame, lines, np.full(3, -3.0))
        assert evidence[0] > max(evidence[1:]) + 2.0
        np.testing.assert_allclose(moved[0][:, 1], 120.0, atol=1.2)


def test_evidence_from_afar_still_counts():
    frame = Frame.from_bgr(sunny(200.0, 0.6))
    line = np.array([[[44.0, 120.0], [316.0, 120.0]]])
    little, much = (look_closer(frame, line, np.array([e]))[1][0] for e in (-6.0, 2.0))
    assert much > little + 1.0


def test_where_there_is_nothing_to_look_at_nothing_is_seen():
    frame = Frame.from_bgr(np.full((240, 320, 3), 128, np.uint8))
    moved, evidence = look_closer(frame, np.empty((0, 2, 2)), np.empty(0))
    assert moved.shape == (0, 2, 2)
    assert evidence.shape == (0,)


def test_an_even_picture_and_lines_out_of_it_give_finite_cues():
    frame = Frame.from_bgr(np.full((240, 320, 3), 128, np.uint8))
    lines = np.array([[[20.0, 20.0], [300.0, 200.0]], [[-90.0, 10.0], [5.0, 300.0]]])
    _, cues = seen_closer(frame, lines, np.zeros(2))
    assert np.isfinite(cues).all()


def test_what_is_looked_at_holds_what_the_fine_level_found():
    scene = next(s for s in scenes() if s.layout in LAID)
    found = from_afar(scene.frame(), scene.setup())
    assert 20 <= len(found.ends_px) <= 60
    assert (np.diff(found.seen) <= 0).all()
    small = cv2.resize(scene.bgr(), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    assert len(from_afar(Frame.from_bgr(small), scene.setup()).ends_px) > 10
