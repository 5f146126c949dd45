"""What lies and stands about: each takes the stage and the numbers that `world` drew for it."""

import numpy as np

from tests.bench.render.materials import glossy, matt
from tests.bench.render.shapes import box, tube
from tests.bench.render.world import STICKS


def third_rod(stage, at):
    way = np.array([at[2], at[3], 0]) * 0.61
    middle = np.array([at[0], at[1], 0.0045])
    colour = list(STICKS)[stage.rng.integers(len(STICKS))]
    stage.rod("stick", colour, np.array([middle - way, middle + way]), 0.0044)


def ball(stage, at):
    stage.parts["ball"] = {
        "type": "sphere",
        "center": [*map(float, at), 0.02135],
        "radius": 0.02135,
        "bsdf": glossy([0.85] * 3),
    }


def hose(stage, at):
    knots = at.reshape(4, 2)
    t = np.linspace(0, 1, 40)[:, None]
    curve = (
        (1 - t) ** 3 * knots[0]
        + 3 * (1 - t) ** 2 * t * knots[1]
        + 3 * (1 - t) * t**2 * knots[2]
        + t**3 * knots[3]
    )
    colour = [[0.05, 0.3, 0.05], [0.7, 0.55, 0.02], [0.02, 0.02, 0.02]][stage.rng.integers(3)]
    stage.mesh(tube(np.c_[curve, np.full(40, 0.009)], np.full(40, 0.009), 10), glossy(colour))


def bag(stage, at):
    x, y = at
    colour = stage.rng.uniform(0.02, 0.6, 3)
    stage.mesh(
        tube(np.array([[x, y, 0.0], [x + 0.03, y, 0.85]]), np.array([0.11, 0.12])), matt(colour)
    )
    for _ in range(5):
        dx, dy = stage.rng.normal(0, 0.05, 2)
        top = [x + 1.5 * dx, y + 1.5 * dy, 1.1]
        stage.mesh(
            tube(np.array([[x + dx, y + dy, 0.8], top]), np.array([0.006, 0.008]), 8),
            matt([0.1] * 3),
        )


def posts(stage, at):
    for x, y in at.reshape(-1, 2):
        tall, thick = stage.rng.uniform(0.6, 2.6), stage.rng.uniform(0.008, 0.03)
        colour = matt(stage.rng.uniform(0.05, 0.8) * np.ones(3))
        stage.mesh(tube(np.array([[x, y, 0.0], [x, y, tall]]), np.full(2, thick), 10), colour)


def line(stage, at):
    long, wide = stage.rng.uniform(1, 4), stage.rng.uniform(0.02, 0.05)
    turn = float(np.arctan2(at[3], at[2]))
    z = 0.0012 if stage.world.ground != "mat" else -0.0185
    stage.mesh(box([at[0], at[1], z], [long, wide, 0.001], turn), matt([0.75, 0.75, 0.72]))


def person(stage, at):
    rng = stage.rng
    pair = stage.world.layout == "pair"
    # At address beside the rods: behind the target rod (T), left of the toe rod (pair).
    base = np.array([at[0], 0.12 + at[1], 0])
    shirt, legs = (matt(rng.uniform(0.03, 0.7, 3)) for _ in range(2))
    skin = matt([0.45, 0.28, 0.18])
    toward = np.array([0, -1.0, 0])
    for side in (-0.17, 0.17):
        foot = base + np.array([side, 0, 0])
        stage.mesh(
            box(foot + np.array([0, -0.04, 0.035]), [0.045, 0.13, 0.035]),
            matt(rng.uniform(0.05, 0.8) * np.ones(3)),
        )
        hip = base + np.array([side * 0.6, 0.12, 0.88])
        stage.mesh(
            tube(
                np.array(
                    [foot + np.array([0, 0.03, 0.05]), foot + np.array([0, -0.02, 0.48]), hip]
                ),
                np.array([0.055, 0.065, 0.085]),
            ),
            legs,
        )
        shoulder = base + toward * 0.28 + np.array([side * 1.1, 0, 1.42])
        stage.mesh(
            tube(
                np.array([shoulder, base + toward * 0.34 + np.array([0, 0, 0.82])]),
                np.array([0.055, 0.035]),
            ),
            skin,
        )
    stage.mesh(
        tube(
            np.array(
                [base + np.array([0, 0.12, 0.85]), base + toward * 0.27 + np.array([0, 0, 1.45])]
            ),
            np.array([0.16, 0.19]),
        ),
        shirt,
    )
    head = base + toward * 0.4 + np.array([0, 0, 1.62])
    stage.parts["head"] = {
        "type": "sphere",
        "center": [float(v) for v in head],
        "radius": 0.105,
        "bsdf": skin,
    }
    hands = base + toward * 0.34 + np.array([0, 0, 0.82])
    if rng.random() < 0.6:
        ground = base + np.array([0.05, -0.75 if not pair else -0.6, 0.03])
        stage.mesh(tube(np.array([hands, ground]), np.array([0.009, 0.006]), 8), matt([0.3] * 3))


def clutter(stage, at):
    for x, y in at.reshape(-1, 2):
        half = stage.rng.uniform(0.02, 0.2, 3)
        z = half[2] - (0.02 if stage.world.ground == "mat" else 0)
        colour = matt(stage.rng.uniform(0.02, 0.8, 3))
        stage.mesh(box([x, y, z], half, float(stage.rng.uniform(0, 3))), colour)


def over(stage, numbers):
    if not stage.world.rods:
        return
    ends = stage.world.rods[int(numbers[0])].ends_m
    x, y, _ = ends[0] + (ends[1] - ends[0]) * numbers[1]
    half = [numbers[2], numbers[2] * 0.8, 0.02]
    colour = matt(stage.rng.uniform(0.05, 0.8, 3))
    stage.mesh(box([x, y, 0.02], half, float(stage.rng.uniform(0, 3))), colour)


def beside_shadow(stage, at):
    x, y, tall = at
    stage.mesh(
        tube(np.array([[x, y, 0.0], [x, y, float(tall)]]), np.full(2, 0.011), 10),
        matt([0.2] * 3),
    )


def trees(stage, at):
    for k, (x, y) in enumerate(at.reshape(-1, 2)):
        tall = stage.rng.uniform(3, 9)
        stage.mesh(
            tube(np.array([[x, y, 0.0], [x, y, tall * 0.5]]), np.full(2, 0.2), 8),
            matt([0.08, 0.05, 0.03]),
        )
        green = np.array([0.05, 0.12, 0.03]) * stage.rng.uniform(0.5, 1.6)
        for j in range(4):
            middle = np.array([x, y, tall * 0.62]) + stage.rng.normal(0, tall * 0.14, 3)
            stage.parts[f"tree{k}_{j}"] = {
                "type": "sphere",
                "center": [float(v) for v in middle],
                "radius": float(tall * stage.rng.uniform(0.15, 0.28)),
                "bsdf": matt(green),
            }


THINGS = {
    f.__name__: f
    for f in (third_rod, ball, hose, bag, posts, line, person, clutter, over, beside_shadow, trees)
}
