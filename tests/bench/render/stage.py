"""A world on a stage, and the linear light of it that reaches a camera (Mitsuba 3)."""

from pathlib import Path

import cv2
import mitsuba as mi
import numpy as np

from tests.bench.render.materials import glossy, matt, metal
from tests.bench.render.shapes import blades, box, texture, tube, write_ply
from tests.bench.render.things import THINGS
from tests.bench.render.world import HEAD_M, SHAFTS, STICKS, Camera, World

mi.set_variant("scalar_rgb")
T = mi.ScalarTransform4f
WIDER = 1.14  # of the picture that is traced, so that distortion has something to take from


class Stage:
    """Collects the shapes of a world; their meshes are files in `folder`."""

    def __init__(self, world: World, folder: Path):
        self.world, self.folder = world, folder
        self.parts: dict = {"type": "scene", "integrator": {"type": "path", "max_depth": 3}}
        self.rng = np.random.default_rng([world.seed, 80])
        self._ground()
        self._light()
        for rod in world.rods:
            self.rod(rod.kind, rod.colour, rod.ends_m, rod.radius_m)
        for name, numbers in world.things.items():
            if name != "tripod":  # it stands under the camera
                THINGS[name](self, numbers)

    def mesh(self, mesh, bsdf: dict) -> None:
        name = f"part{len(self.parts)}"
        path = write_ply(self.folder / f"{name}.ply", mesh)
        self.parts[name] = {"type": "ply", "filename": path, "face_normals": True, "bsdf": bsdf}

    def _textured(self, kind: str, tile_m: float, wide_m: float, long_m: float) -> dict:
        picture = mi.Bitmap(texture(self.rng, kind))
        return {
            "type": "diffuse",
            "reflectance": {
                "type": "bitmap",
                "bitmap": picture,
                "raw": True,
                "to_uv": T().scale([wide_m / tile_m, long_m / tile_m, 1]),
            },
        }

    def _plane(self, name: str, kind: str, side_m: float, z: float, middle=(0.0, 0.0)) -> None:
        self.parts[name] = {
            "type": "rectangle",
            "to_world": T()
            .translate([*middle, z])
            .rotate([0, 0, 1], float(self.rng.uniform(0, 90)) if name == "ground" else 0)
            .scale([side_m / 2, side_m / 2, 1]),
            "bsdf": self._textured(kind, float(self.rng.uniform(1.6, 2.6)), side_m, side_m),
        }

    def _ground(self) -> None:
        kind, rng = self.world.ground, self.rng
        if kind == "mat":
            under = (
                "concrete"
                if self.world.light == "indoor"
                else str(rng.choice(["concrete", "turf", "gravel"]))
            )
            self._plane("ground", under, 400 if self.world.light != "indoor" else 14, -0.02)
            half = rng.uniform(0.75, 1.0)
            middle = np.mean([r.ends_m.mean(0)[:2] for r in self.world.rods] or [[0, -0.4]], axis=0)
            middle = middle + rng.normal(0, 0.05, 2)
            self._plane("mat", "mat", 2 * half, -0.0005, [float(v) for v in middle])
            self.mesh(box([*middle, -0.011], [half + 0.01, half + 0.01, 0.01]), matt([0.03] * 3))
            return
        self._plane("ground", kind, 400 if self.world.light != "indoor" else 14, 0.0)
        if kind != "blades":
            if kind == "mown":
                self._stripes()
            return
        tall = float(rng.uniform(0.005, 0.013))
        hue = rng.uniform(0, 1)
        count = int(rng.uniform(7000, 12000))
        green = np.array([0.07 + 0.1 * hue, 0.2, 0.03]) * rng.uniform(0.7, 1.3)
        for k in range(3):
            path = write_ply(self.folder / f"grass{k}.ply", blades(rng, 0.52, count, tall))
            self.parts[f"grass{k}"] = {
                "type": "shapegroup",
                "a": {"type": "ply", "filename": path, "face_normals": True, "bsdf": matt(green)},
            }
        number = 0
        for x in np.arange(-6, 6.1, 0.5):
            for y in np.arange(-6, 6.1, 0.5):
                turn = 90.0 * int(rng.integers(4))
                self.parts[f"at{number}"] = {
                    "type": "instance",
                    "s": {"type": "ref", "id": f"grass{int(rng.integers(3))}"},
                    "to_world": T().translate([float(x), float(y), 0]).rotate([0, 0, 1], turn),
                }
                number += 1

    def _stripes(self) -> None:
        wide, long = float(self.rng.uniform(0.4, 1.5)), 120.0
        turf = self._textured("turf", 2.2, wide, long)
        for k in range(-14, 14):
            self.parts[f"stripe{k}"] = {
                "type": "rectangle",
                "to_world": T()
                .rotate([0, 0, 1], float(self.world.seed * 37 % 180))
                .translate([(2 * k + 0.6) * wide, 0, 0.0004])
                .scale([wide / 2, long / 2, 1]),
                "bsdf": turf,
            }

    def _light(self) -> None:
        world, rng = self.world, self.rng
        sun = [float(v) for v in world.sun]
        if world.light == "indoor":
            for k, (x, y) in enumerate(rng.uniform(-3, 3, (3, 2))):
                self.parts[f"lamp{k}"] = {
                    "type": "rectangle",
                    "to_world": T()
                    .translate([x, y, 2.95])
                    .rotate([1, 0, 0], 180)
                    .scale([0.6, 0.3, 1]),
                    "emitter": {
                        "type": "area",
                        "radiance": {"type": "rgb", "value": [9.0, 8.6, 8.0]},
                    },
                }
            wall = matt(rng.uniform(0.2, 0.8) * np.ones(3))
            self.mesh(box([0, 0, 3.06], [7, 7, 0.05]), wall)
            for x, y in ((7, 0), (-7, 0), (0, 7), (0, -7)):
                self.mesh(
                    box([x, y, 1.5], [7 if x == 0 else 0.05, 7 if y == 0 else 0.05, 1.6]), wall
                )
            self.parts["fill"] = {"type": "constant", "radiance": {"type": "rgb", "value": 0.02}}
            return
        if world.light == "overcast":
            level = [0.9, 0.95, 1.0]
            self.parts["sky"] = {"type": "constant", "radiance": {"type": "rgb", "value": level}}
            return
        scale = {"sun_scale": 0.0} if world.light == "dusk" else {}
        self.parts["sky"] = {
            "type": "sunsky",
            "sun_direction": sun,
            "turbidity": float(rng.uniform(2, 7)),
            "sun_aperture": 0.55,
            **scale,
        }

    def rod(self, kind: str, colour: str, ends: np.ndarray, radius: float) -> None:
        if kind == "stick":
            points = np.linspace(*ends, 12)
            self.mesh(tube(points, np.full(12, radius)), glossy(STICKS[colour]))
            return
        share = np.array([0, 0.004, 0.12, 0.255, 0.256, 0.6, 1.0])
        radii = np.array([HEAD_M - 0.002, HEAD_M, 0.0115, 0.0095, 0.0073, 0.006, 0.0048])
        points = ends[0] + (ends[1] - ends[0]) * share[:, None]
        self.mesh(tube(points[:4], radii[:4]), matt([0.02] * 3))
        shaft = metal(0.25) if colour == "steel" else glossy(SHAFTS[colour], 0.1)
        self.mesh(tube(points[4:], radii[4:]), shaft)
        way = (ends[1] - ends[0])[:2]
        heading = np.arctan2(way[1], way[0])
        rng = np.random.default_rng(abs(int(ends[0, 0] * 1e6)))
        turn = heading + np.deg2rad(rng.uniform(62, 105)) * rng.choice([-1, 1])
        long = rng.uniform(0.033, 0.045)
        middle = ends[1] + np.array([np.cos(turn), np.sin(turn), 0]) * (long - 0.008)
        middle[2] = 0.013
        half = [long, rng.uniform(0.011, 0.022), 0.012]
        self.mesh(box(middle, half, turn), metal(0.35))

    def seen_by(self, camera: Camera, samples: int, seed: int) -> np.ndarray:
        """Linear light (h, w, 3) through `camera`, its distortion included."""
        w, h = camera.size
        wide, high = (round(v * WIDER / 2) * 2 for v in (w, h))
        focal = float(camera.matrix[0, 0])
        rotation = camera.cam_from_world
        to_world = np.eye(4)
        # Mitsuba's camera looks along +z with x to the left and y up.
        to_world[:3, :3] = rotation.T @ np.diag([-1.0, -1.0, 1.0])
        to_world[:3, 3] = camera.position_m
        parts = dict(self.parts)
        if "tripod" in self.world.things:
            parts.update(self._legs(camera))
        parts["sensor"] = {
            "type": "perspective",
            "fov": float(np.degrees(2 * np.arctan(wide / 2 / focal))),
            "fov_axis": "x",
            "to_world": T(to_world),
            "film": {"type": "hdrfilm", "width": wide, "height": high, "rfilter": {"type": "box"}},
            "sampler": {"type": "independent", "sample_count": samples, "seed": seed},
        }
        scene = mi.load_dict(parts)
        self.visible = [self._visible(scene, rod, camera) for rod in self.world.rods]
        traced = np.array(mi.render(scene, seed=seed))[..., :3].astype(np.float32)
        grid = (
            np.stack(np.meshgrid(np.arange(w), np.arange(h)), -1)
            .reshape(-1, 1, 2)
            .astype(np.float64)
        )
        rays = cv2.undistortPoints(grid, camera.matrix, np.array([camera.k1, 0, 0, 0, 0])).reshape(
            h, w, 2
        )
        maps = (rays * focal + [(wide - 1) / 2, (high - 1) / 2]).astype(np.float32)
        traced = np.minimum(traced, np.percentile(traced, 99.9) * 4)  # fireflies
        return np.maximum(cv2.remap(traced, maps, None, cv2.INTER_CUBIC), 0)

    @staticmethod
    def _visible(scene, rod, camera: Camera) -> float:
        """Of the rod's top line, the share with nothing before it."""
        free = []
        for point in np.linspace(*rod.ends_m, 50)[1:-1]:
            way = camera.position_m - point
            far = np.linalg.norm(way)
            way = way / far
            start = point + [0, 0, HEAD_M + 0.012] + way * 0.02  # above its own surface
            ray = mi.Ray3f(mi.Point3f(*start), mi.Vector3f(*way), float(far - 0.25), 0.0, [])
            free.append(not scene.ray_test(ray))
        return float(np.mean(free))

    def _legs(self, camera: Camera) -> dict:
        parts = {}
        ahead = camera.cam_from_world[2] * [1, 1, 0]
        back = camera.position_m - 0.13 * ahead / np.linalg.norm(ahead)
        for k, turn in enumerate((0.5, 2.6, 4.7)):
            foot = np.array([back[0] + 0.35 * np.cos(turn), back[1] + 0.35 * np.sin(turn), 0.0])
            path = write_ply(
                self.folder / f"leg{k}.ply",
                tube(np.array([back - [0, 0, 0.06], foot]), np.full(2, 0.011), 8),
            )
            parts[f"leg{k}"] = {"type": "ply", "filename": path, "bsdf": matt([0.02] * 3)}
        path = write_ply(self.folder / "body.ply", box(back, [0.05, 0.05, 0.06]))
        parts["body"] = {"type": "ply", "filename": path, "bsdf": matt([0.02] * 3)}
        return parts
