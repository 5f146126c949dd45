"""`python -m tests.bench.render --out DIR`: fresh pictures and their truth.json."""

import argparse
import json
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

from tests.bench.render.photo import photographed
from tests.bench.render.stage import Stage
from tests.bench.render.world import (
    Camera,
    Rod,
    World,
    draw_camera,
    draw_walk,
    draw_world,
    held_by_hand,
)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.render", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, metavar="DIR")
    parser.add_argument("--kind", choices=["single", "near", "walk"], default="single")
    parser.add_argument("--count", type=int, default=20, help="of worlds")
    parser.add_argument("--first", type=int, default=0, help="the first world's seed")
    parser.add_argument("--samples", type=int, default=12, help="rays for each pixel")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    book = options.out / "truth.json"
    entries = json.loads(book.read_text()) if book.exists() else []
    done = {e["file"] for e in entries}
    for seed in range(options.first, options.first + options.count):
        rng = np.random.default_rng([seed, 76])
        none = options.kind == "single" and rng.random() < 0.08
        layout = "none" if none else str(rng.choice(["t", "pair"]))
        world = draw_world(seed, layout)
        if options.kind == "walk":
            world = held_by_hand(world)
            cameras = draw_walk(world)
        else:
            cameras = [draw_camera(world, near=options.kind == "near")]
        for step, camera in enumerate(cameras):
            name = (
                f"{options.kind}_{seed:04}" + (f"_{step:02}" if len(cameras) > 1 else "") + ".jpg"
            )
            if name in done:
                continue
            began = time.perf_counter()
            entry = write(options.out / name, world, camera, step, options.samples)
            if len(cameras) > 1:
                entry |= {"walk": seed, "step": step}
            entries.append(entry)
            book.write_text(json.dumps(entries))
            print(
                name,
                world.ground,
                world.light,
                sorted(world.things),
                f"{time.perf_counter() - began:.1f} s",
                flush=True,
            )


def write(path: Path, world: World, camera: Camera, step: int, samples: int) -> dict:
    """Traces one picture into `path`; its entry of truth.json."""
    with tempfile.TemporaryDirectory() as folder:
        stage = Stage(world, Path(folder))
        linear = stage.seen_by(camera, samples, seed=world.seed * 100 + step)
    rng = np.random.default_rng([world.seed, 81, step])
    picture, tags = photographed(linear, world.light, rng, np.random.default_rng([world.seed, 82]))
    quality = int(rng.integers(72, 94))
    cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, quality])
    rods = [
        {**_rod(rod, camera), "visible": visible}
        for rod, visible in zip(world.rods, stage.visible, strict=True)
    ]
    tags += [world.ground, world.light, *world.things, *{r.kind for r in world.rods}]
    if any(rod["in_frame"] < 1 for rod in rods):
        tags.append("cut_off")
    if any(rod["visible"] < 0.75 for rod in rods):
        tags.append("occluded")
    rotation = camera.cam_from_world
    pitch = float(np.arcsin(rotation[2, 2]))
    roll = float(np.arcsin(-rotation[0, 2] / np.cos(pitch)))
    return {
        "file": path.name,
        "layout": world.layout,
        "view": world.layout,
        "size": list(camera.size),
        "camera_m": camera.position_m.round(6).tolist(),
        "R": rotation.round(8).tolist(),
        "K": camera.matrix.round(4).tolist(),
        "dist": [round(camera.k1, 6), 0, 0, 0, 0],
        "placement": {
            "height_m": float(camera.position_m[2]),
            "pitch_deg": float(np.degrees(pitch)),
            "roll_deg": float(np.degrees(roll)),
        }
        if world.layout != "none"
        else None,
        "layout_info": world.info or None,
        "rods": rods,
        "tags": sorted(tags),
        "jpeg_q": quality,
    }


def _rod(rod: Rod, camera: Camera) -> dict:
    points = np.linspace(*rod.ends_m, 49)
    rel = (points - camera.position_m) @ camera.cam_from_world.T
    px, _ = cv2.projectPoints(
        points,
        cv2.Rodrigues(camera.cam_from_world)[0],
        -camera.cam_from_world @ camera.position_m,
        camera.matrix,
        np.array([camera.k1, 0, 0, 0, 0]),
    )
    px = px.reshape(-1, 2)
    inside = (px > -0.5).all(1) & (px < np.array(camera.size) - 0.5).all(1) & (rel[:, 2] > 0.05)
    return {
        "role": rod.role,
        "kind": rod.kind,
        "colour": rod.colour,
        "length_m": rod.length_m,
        "diameter_m": 2 * rod.radius_m,
        "ends_m": rod.ends_m.round(6).tolist(),
        "ends_px": px[[0, -1]].round(4).tolist(),
        "curve_px": px[::4].round(4).tolist(),
        "in_frame": float(inside.mean()),
        "width_px": float(2 * rod.radius_m * camera.matrix[0, 0] / np.median(rel[:, 2])),
    }


if __name__ == "__main__":
    main()
