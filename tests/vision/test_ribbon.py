"""Measuring a segment that hardly lies in the picture is no crash: its ends are cut."""

import numpy as np
import pytest

from tests.scenes import scenes
from vision.ribbon import measure
from vision.rods import End


@pytest.mark.parametrize(
    "ends",
    [
        [[59.0, 2.0], [121.0, 3.0]],
        [[-40.0, -3.0], [60.0, -2.0]],
        [[2.0, 300.0], [1.0, 380.0]],
        [[-200.0, -90.0], [-120.0, -60.0]],
        [[10.0, 10.0], [16.0, 14.0]],
    ],
)
def test_a_segment_at_the_rim_is_survived(ends):
    for scene in scenes():
        ribbon = measure(scene.frame(), np.array(ends))
        assert np.isfinite(ribbon.ends_px).all()


def test_a_segment_outside_the_picture_has_cut_ends():
    frame = scenes()[0].frame()
    assert measure(frame, np.array([[-200.0, -90.0], [-120.0, -60.0]])).ends == (End.CUT, End.CUT)
