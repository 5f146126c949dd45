"""Short clips of drawn rods for long runs: small, and quickly made by copying a few of them."""

from __future__ import annotations

import shutil
from dataclasses import replace

import av
import numpy as np

from server.demo.geometry import Camera, Pose
from server.demo.scene import Scene, render

SMALL = Camera(640, 360, 520.0)


def made_clip(path, poses, *, camera=SMALL, rate=30, seed=3):
    """A clip of one picture for each pose, the sensor's noise new in each."""
    scene = replace(Scene(), camera=camera, seed=seed)
    with av.open(str(path), "w") as clip:
        stream = clip.add_stream("mpeg4", rate=rate)
        stream.width, stream.height = camera.width, camera.height
        stream.pix_fmt = "yuv420p"
        stream.bit_rate = 8_000_000
        for number, pose in enumerate(poses):
            picture = render(scene, pose, number % 8)
            clip.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="bgr24")))
        clip.mux(stream.encode())
    return path


def made_folder(folder, count, kinds=6, pictures=3, broken=()):
    """`count` clips of `kinds` different poses in two folders; those in `broken` cannot be read."""
    rng = np.random.default_rng(17)
    made = []
    for kind in range(kinds):
        pose = Pose(offset_m=rng.uniform(-0.3, 0.3), yaw_rad=rng.uniform(-0.05, 0.05))
        (folder / ".made").mkdir(parents=True, exist_ok=True)
        made.append(made_clip(folder / ".made" / f"kind{kind}.mp4", [pose] * pictures))
    names = []
    for number in range(count):
        place = folder / ("morning" if number % 2 else "evening")
        place.mkdir(exist_ok=True)
        path = place / f"swing{number:04d}.mp4"
        if number in broken:
            path.write_bytes(b"not a clip")
        else:
            shutil.copyfile(made[number % kinds], path)
        names.append(str(path))
    return sorted(names)
