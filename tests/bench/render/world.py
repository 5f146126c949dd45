"""Draws worlds: rods on the ground, light, what lies about, and where the camera is.

Metres, Z up, the ground's top z = 0, X along the target rod toward the target.
"""

from dataclasses import dataclass, field, replace

import numpy as np

STICK_M, HEAD_M = 1.22, 0.013
STICKS = {
    "white": (0.85, 0.85, 0.82),
    "yellow": (0.85, 0.75, 0.05),
    "orange": (0.9, 0.25, 0.02),
    "red": (0.65, 0.03, 0.03),
    "lime": (0.45, 0.85, 0.05),
    "pink": (0.9, 0.15, 0.35),
    "blue": (0.03, 0.15, 0.6),
}
SHAFTS = {"steel": (0.62, 0.62, 0.64), "graphite": (0.035, 0.035, 0.04)}
LAWN, OTHER = ("blades", "turf", "mown"), ("gravel", "dirt", "concrete", "paving", "mat")
LIGHTS = ("sun", "low_sun", "overcast", "dusk", "indoor")


@dataclass(frozen=True)
class Rod:
    role: str
    kind: str  # stick or club
    colour: str
    ends_m: np.ndarray  # (2, 3) of the axis; a club's grip first
    radius_m: float

    @property
    def length_m(self) -> float:
        return float(np.linalg.norm(self.ends_m[1] - self.ends_m[0]))


@dataclass(frozen=True)
class Camera:
    position_m: np.ndarray  # (3,)
    cam_from_world: np.ndarray  # (3, 3)
    size: tuple[int, int]
    matrix: np.ndarray  # (3, 3)
    k1: float


@dataclass(frozen=True)
class World:
    layout: str  # t, pair or none
    rods: list[Rod]
    info: dict
    ground: str
    light: str
    sun: np.ndarray  # (3,) toward the sun
    things: dict[str, np.ndarray] = field(default_factory=dict)
    seed: int = 0


def turned(yaw: float, pitch: float, roll: float, ahead_rad: float) -> np.ndarray:
    """cam_from_world of a lens that looks along `ahead_rad` (from +X toward +Y), turned to its
    right by yaw, up by pitch, clockwise by roll (radians)."""
    azimuth = ahead_rad - yaw
    ahead = np.array([np.cos(azimuth) * np.cos(pitch), np.sin(azimuth) * np.cos(pitch), 0])
    ahead[2] = np.sin(pitch)
    right = np.array([np.sin(azimuth), -np.cos(azimuth), 0.0])
    down = np.cross(ahead, right)
    c, s = np.cos(roll), np.sin(roll)
    return np.array([c * right + s * down, -s * right + c * down, ahead])


def draw_rod(rng, role: str, middle, direction, club_share: float) -> Rod:
    """A stick or a club whose middle and horizontal direction are given; either way round."""
    direction = np.array([*direction, 0.0]) / np.linalg.norm(direction)
    middle = np.array([*middle, 0.0])
    if rng.random() < club_share:
        length = rng.uniform(0.94, 1.14)
        way = direction * (length / 2) * rng.choice([-1, 1])
        ends = np.array([middle - way, middle + way])
        ends[:, 2] = HEAD_M, 0.01
        return Rod(role, "club", str(rng.choice(list(SHAFTS))), ends, HEAD_M / 2)
    radius = rng.uniform(0.004, 0.0045)
    way = direction * STICK_M / 2
    ends = np.array([middle - way, middle + way]) + np.array([0, 0, radius])
    weights = np.array([3, 3, 3, 3, 1, 1, 1]) / 15
    return Rod(role, "stick", str(rng.choice(list(STICKS), p=weights)), ends, radius)


def draw_rods(rng, layout: str) -> tuple[list[Rod], dict]:
    club = 0.36
    if layout == "pair":
        toe = draw_rod(rng, "toe", (rng.normal(0, 0.06), 0), (1, 0), club)
        apart, err = rng.uniform(0.4, 0.75), rng.uniform(-2.6, 2.6)
        way = np.deg2rad(err)
        ball = draw_rod(
            rng, "ball", (rng.normal(0, 0.12), -apart), (np.cos(way), np.sin(way)), club
        )
        return [toe, ball], {"separation_m": apart, "parallel_err_deg": err}
    target = draw_rod(rng, "target", (rng.normal(0, 0.07), rng.normal(0, 0.02)), (1, 0), club)
    y = float(target.ends_m[0, 1])
    lean = rng.uniform(-4, 4)  # the near end toward the target: 90 + lean
    way = np.array([np.sin(np.deg2rad(lean)), -np.cos(np.deg2rad(lean))])
    stem = draw_rod(rng, "stem", (0, 0), way, club)
    foot = np.array([rng.normal(0, 0.06), y - 0.02 - rng.uniform(0, 0.045)])
    middle = foot + way * stem.length_m / 2
    stem = replace(stem, ends_m=stem.ends_m + np.array([*middle, 0]))
    junction = foot + way * (y - foot[1]) / way[1]
    return [target, stem], {
        "junction": [round(float(v), 5) for v in junction],
        "t_angle_deg": 90 + lean,
        "stem_foot_off_m": y - foot[1],
    }


def draw_things(rng, layout: str, light: str) -> dict:
    """What else is about, by name: the numbers that place it (all drawn here, so that a walk's
    views share them)."""
    things: dict[str, np.ndarray] = {}
    ahead = np.array([0, 1.0]) if layout != "pair" else np.array([1.0, 0])
    side = np.array([ahead[1], -ahead[0]])

    def beside(near, far, low, high):
        out = rng.uniform(low, high) * rng.choice([-1, 1])
        return ahead * rng.uniform(near, far) + side * out

    if rng.random() < 0.2:
        turn = rng.uniform(0, np.pi)
        things["third_rod"] = np.array([*beside(-0.5, 2.5, 1.1, 2.2), np.cos(turn), np.sin(turn)])
    if rng.random() < 0.35:
        things["ball"] = np.array([*(beside(-0.4, 1.0, 0.1, 0.8))])
    if rng.random() < 0.22:
        things["hose"] = np.concatenate([beside(-1.5, 2.5, 0.9, 2.0) for _ in range(4)])
    if rng.random() < 0.2:
        things["bag"] = beside(0.8, 4, 1.2, 3)
    if rng.random() < 0.3:
        things["posts"] = np.concatenate(
            [beside(1.5, 7, 0.8, 4) for _ in range(rng.integers(1, 5))]
        )
    if rng.random() < 0.15:
        turn = rng.uniform(0, np.pi)
        things["line"] = np.array([*beside(0.2, 3, 0.7, 2), np.cos(turn), np.sin(turn)])
    if rng.random() < 0.2:
        things["person"] = np.array(
            [rng.normal(0, 0.1), rng.uniform(0.1, 0.3), rng.uniform(0, 6.28)]
        )
    if rng.random() < 0.35:
        things["clutter"] = np.concatenate(
            [beside(-0.3, 3.5, 0.9, 2.5) for _ in range(rng.integers(1, 5))]
        )
    if rng.random() < 0.1:
        things["over"] = np.array(
            [rng.integers(0, 2), rng.uniform(0.25, 0.75), rng.uniform(0.05, 0.12)]
        )
    if light in ("sun", "low_sun") and rng.random() < 0.3:
        things["beside_shadow"] = np.array([rng.uniform(0.04, 0.2) * rng.choice([-1, 1])])
    if rng.random() < 0.25:
        things["tripod"] = np.zeros(1)
    if light != "indoor":
        angles = rng.uniform(0, 2 * np.pi, 14)
        far = rng.uniform(15, 60, 14)
        things["trees"] = np.stack([np.cos(angles) * far, np.sin(angles) * far], 1).ravel()
    return things


def draw_world(seed: int, layout: str) -> World:
    rng = np.random.default_rng([seed, 77])
    rods, info = draw_rods(rng, "t" if layout == "none" else layout)
    light = str(rng.choice(LIGHTS, p=[0.42, 0.2, 0.14, 0.12, 0.12]))
    if light == "indoor":
        ground = str(rng.choice(["concrete", "mat", "carpet"]))
    else:
        ground = str(rng.choice(LAWN if rng.random() < 0.45 else OTHER))
    elevation = np.deg2rad({"low_sun": rng.uniform(10, 24)}.get(light, rng.uniform(30, 68)))
    azimuth = rng.uniform(0, 2 * np.pi)
    sun = np.array([np.cos(azimuth), np.sin(azimuth), np.tan(elevation)])
    sun /= np.linalg.norm(sun)
    things = draw_things(rng, layout, light)
    if "beside_shadow" in things:  # the sun stands along one of the rods
        rod = rods[int(rng.integers(2))].ends_m
        way = (rod[1] - rod[0])[:2] * rng.choice([-1, 1])
        way /= np.linalg.norm(way)
        sun = np.array([*(way * np.cos(elevation)), np.sin(elevation)])
        aside = np.array([way[1], -way[0]]) * things["beside_shadow"][0]
        things["beside_shadow"] = np.array(
            [*(rod.mean(0)[:2] + way * 1.1 + aside), 1.8 * np.tan(elevation)]
        )
    if layout == "none":
        rods, info = [], {}
    return World(layout, rods, info, ground, light, sun, things, seed)


def _lens(rng) -> tuple[tuple[int, int], np.ndarray, float]:
    size = (720, 1280) if rng.random() < 0.5 else (1280, 720)
    focal = 1280 * np.clip(np.exp(rng.normal(np.log(0.78), 0.1)), 0.65, 0.96)
    middle = (np.array(size) - 1) / 2 + rng.normal(0, 0.0045 * 1280, 2)
    matrix = np.array([[focal, 0, middle[0]], [0, focal, middle[1]], [0, 0, 1.0]])
    return size, matrix, float(np.clip(rng.normal(0, 0.022), -0.058, 0.058))


def _frame_of(world: World) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Origin, the line's direction (away from the lens) and its right, in the ground plane."""
    if world.layout == "pair":
        ends = world.rods[0].ends_m[:, :2]
        return ends.mean(0), np.array([1.0, 0]), np.array([0, -1.0])
    if world.layout == "none":
        return np.zeros(2), np.array([0, 1.0]), np.array([1.0, 0])
    ends = world.rods[1].ends_m[:, :2]
    tip, foot = ends[np.argsort(ends[:, 1])]
    way = (foot - tip) / np.linalg.norm(foot - tip)
    return np.array(world.info["junction"]), way, np.array([way[1], -way[0]])


def _posed(world, lens, aside, back, height, yaw, pitch, roll) -> Camera:
    origin, way, right = _frame_of(world)
    at = origin - way * back + right * aside
    ahead = float(np.arctan2(way[1], way[0]))
    return Camera(
        np.array([*at, height]), turned(yaw, pitch, roll, ahead), lens[0], lens[1], lens[2]
    )


def seen_share(world: World, camera: Camera) -> float:
    """Of the two rods' axes, the smaller share that is inside the picture."""
    shares = []
    for rod in world.rods:
        points = np.linspace(*rod.ends_m, 40)
        rel = (points - camera.position_m) @ camera.cam_from_world.T
        px = rel[:, :2] / rel[:, 2:] * camera.matrix[0, 0] + camera.matrix[:2, 2]
        inside = (rel[:, 2] > 0.1) & (px > 5).all(1) & (px < np.array(camera.size) - 6).all(1)
        shares.append(inside.mean())
    return min(shares, default=1.0)


def draw_camera(world: World, near: bool = False) -> Camera:
    rng = np.random.default_rng([world.seed, 78])
    for attempt in range(400):
        lens = _lens(rng)
        back, height = rng.uniform(2.5, 4.5), rng.uniform(0.9, 1.4)
        wide = attempt > 300
        if near:
            aside = rng.normal(0, 0.035)
            yaw, roll = np.deg2rad(rng.normal(0, 1.3)), np.deg2rad(rng.normal(0, 0.9))
        else:
            aside = rng.uniform(-0.75, 0.75)
            yaw = np.arctan2(-aside, back) + np.deg2rad(rng.normal(0, 4))
            roll = np.deg2rad(np.clip(rng.normal(0, 2), -5, 5))
        pitch = np.deg2rad(rng.uniform(-33, -4))
        camera = _posed(world, lens, aside, back, height, yaw, pitch, roll)
        if seen_share(world, camera) >= (0.75 if wide or rng.random() < 0.06 else 1.0):
            return camera
    return camera


def held_by_hand(world: World) -> World:
    """The same without the tripod."""
    return replace(world, things={k: v for k, v in world.things.items() if k != "tripod"})


def draw_walk(world: World, steps: int = 8) -> list[Camera]:
    """Hand-held from above the rods back to the tripod; one lens."""
    rng = np.random.default_rng([world.seed, 79])
    lens = _lens(rng)
    cameras = []
    last = rng.uniform(3.2, 4.4)
    low = rng.uniform(0.9, 1.3)
    for step in range(steps):
        share = step / (steps - 1)
        back = 0.62 + (last - 0.62) * share + rng.normal(0, 0.12) * (0 < step < steps - 1)
        height = 1.52 + (low - 1.52) * share + rng.normal(0, 0.05)
        aside = rng.normal(0, 0.12)
        aim = np.arctan2(height, back - 0.1) if world.layout == "t" else np.arctan2(height, back)
        best = None
        for _ in range(60):
            yaw = np.arctan2(-aside, max(back, 0.9)) + np.deg2rad(rng.normal(0, 4))
            pitch = -aim + np.deg2rad(rng.normal(0, 6))
            camera = _posed(
                world, lens, aside, back, height, yaw, pitch, np.deg2rad(rng.normal(0, 1.5))
            )
            share_seen = seen_share(world, camera)
            if best is None or share_seen > best[0]:
                best = (share_seen, camera)
            if share_seen == 1.0:
                break
        cameras.append(best[1])
    return cameras
