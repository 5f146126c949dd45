"""The maker of fresh pictures: its truth is what its pictures show, and what it was asked for."""

import dataclasses
import json

import cv2
import numpy as np
import pytest

from tests.bench.render import __main__ as command
from tests.bench.render import world as worlds
from tests.bench.scenes import right
from tests.scenes import scenes, truth_of
from vision.read import read

SEEDS = range(16)


@pytest.mark.parametrize("layout", ["t", "pair"])
def test_rods_lie_as_the_truth_says(layout):
    for seed in SEEDS:
        world = worlds.draw_world(seed, layout)
        first, second = (rod.ends_m[:, :2] for rod in world.rods)
        ways = [ends[1] - ends[0] for ends in (first, second)]
        along, across = (way / np.linalg.norm(way) for way in ways)
        angle_deg = np.degrees(np.arcsin(along[0] * across[1] - along[1] * across[0]))
        if layout == "pair":
            turn = 1 if along @ across > 0 else -1
            assert angle_deg * turn == pytest.approx(world.info["parallel_err_deg"], abs=1e-6)
            assert 0.3 < abs(first.mean(axis=0)[1] - second.mean(axis=0)[1]) < 0.85
        else:
            tip = second[np.argmin(second[:, 1])]
            stem = tip - np.array(world.info["junction"])
            lean_deg = np.degrees(np.arctan2(stem[0], -stem[1]))  # toward the target is +
            assert 90 + lean_deg == pytest.approx(world.info["t_angle_deg"], abs=1e-3)
        for rod in world.rods:
            assert 0.9 < rod.length_m < 1.25 and rod.ends_m[:, 2].min() > 0


def test_a_turned_lens_is_turned_as_a_person_says_it():
    ahead = np.pi / 2  # +Y
    level = worlds.turned(0.0, 0.0, 0.0, ahead)
    np.testing.assert_allclose(level, [[1, 0, 0], [0, 0, -1], [0, 1, 0]], atol=1e-12)
    assert worlds.turned(0.1, 0.0, 0.0, ahead)[2, 0] > 0  # to its right
    assert worlds.turned(0.0, -0.2, 0.0, ahead)[2, 2] < 0  # down
    assert worlds.turned(0.0, 0.0, 0.1, ahead)[0, 2] < 0  # clockwise: its right side sinks
    np.testing.assert_allclose(np.linalg.det(worlds.turned(0.3, -0.4, 0.1, 1.0)), 1.0, atol=1e-12)


def test_cameras_see_the_rods_and_walks_end_where_a_tripod_stands():
    for seed in SEEDS:
        world = worlds.draw_world(seed, "t" if seed % 2 else "pair")
        assert worlds.seen_share(world, worlds.draw_camera(world)) >= 0.75
        walk = worlds.draw_walk(world)
        assert len(walk) == 8
        assert all(camera.matrix is walk[0].matrix for camera in walk)  # one lens
        heights = [camera.position_m[2] for camera in walk]
        assert heights[0] > 1.3 and 0.7 < heights[-1] < 1.5
        assert worlds.seen_share(world, walk[-1]) == 1.0


def _smaller(camera, factor):
    """The same view in fewer pixels: quicker to trace."""
    size = tuple(round(side * factor) for side in camera.size)
    matrix = np.diag([factor, factor, 1.0]) @ camera.matrix
    matrix[:2, 2] += 0.5 * (factor - 1)  # pixel (0, 0) is the middle of the first
    return dataclasses.replace(camera, size=size, matrix=matrix)


def test_a_traced_picture_shows_the_rods_where_its_truth_says(tmp_path):
    world = dataclasses.replace(
        worlds.draw_world(717, "t"), ground="concrete", light="overcast", things={}
    )
    camera = _smaller(worlds.draw_camera(world), 0.5)
    entry = command.write(tmp_path / "a.jpg", world, camera, step=0, samples=4)
    (tmp_path / "truth.json").write_text(json.dumps([entry]))
    assert cv2.imread(str(tmp_path / "a.jpg")).shape[:2] == camera.size[::-1]
    assert all(rod["visible"] > 0.9 for rod in entry["rods"])
    (scene,) = scenes(tmp_path)
    reading = read(scene.frame(), scene.setup(seed=1))
    assert reading.placement is not None
    assert right(reading.rods, scene)
    for quantity, true in truth_of(scene).items():
        error = getattr(reading.placement, quantity) - true
        assert abs(error) < 4 * reading.placement.sigma(quantity), quantity
