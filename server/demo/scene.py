"""The renderer: one picture of the made-up practice ground for one pose of the lens.

Sticks are drawn with analytic coverage, so where they lie is exact to well below a tenth of a
pixel; the grass is filtered for the footprint of each pixel, so nothing shimmers as the lens
moves. About 25 ms a picture of 1280x720 on one core.
"""

from __future__ import annotations

import itertools
import math

import cv2
import numpy as np

from server.demo import ground
from server.demo.geometry import Points, Pose
from server.demo.sight import Picture, Scene, Sight
from server.demo.things import COLOURS, draw_ball, draw_ball_shadow, draw_rod, draw_rod_shadow

__all__ = ["COLOURS", "Scene", "render"]

_BLEND = 0.5  # levels over which one reduction gives way to the next
_GRASS_SHARPNESS = 0.6  # levels: a bilinear look-up blurs, so a finer level is taken


def render(scene: Scene, pose: Pose, frame: int = 0) -> Picture:
    """(h, w, 3) BGR picture; `frame` seeds the sensor's noise and nothing else."""
    textures = ground.textures(scene.seed)
    sight = Sight.of(scene, pose)
    out = np.empty((scene.camera.height, scene.camera.width, 3), np.uint8)
    top, bottom = sight.horizon_rows()
    if top < scene.camera.height:
        _draw_grass(out, top, sight, textures)
    if bottom > 0:
        _draw_backdrop(out, top, bottom, sight, textures.backdrop)
    if scene.ball:
        draw_ball_shadow(out, sight)
    rods = scene.laid.rods_m()
    for axis in rods.values():
        draw_rod_shadow(out, sight, axis)
    for role, axis in rods.items():
        draw_rod(out, sight, axis, COLOURS[scene.colours[role]])
    if scene.ball:
        draw_ball(out, sight)
    return _with_noise(out, textures.noise, scene.seed, frame)


def _draw_grass(out: Picture, top: int, sight: Sight, textures: ground.Textures) -> None:
    """Fine grass times the wide map, on the rows from `top` down."""
    detail = _warp_ground(top, sight, textures.grass, _GRASS_SHARPNESS)
    wide = _warp_ground(top, sight, textures.macro, 0.0)
    out[top:] = cv2.multiply(detail, wide, scale=1 / 128)


def _warp_ground(top: int, sight: Sight, rip: ground.Ripmap, sharp: float) -> Picture:
    """The ground's texture as seen, on the rows from `top` down.

    Worked in blocks of columns so narrow that a row has nearly one depth even when the phone is
    rolled, which keeps the blending bands short.
    """
    width, height = sight.size
    out = np.empty((height - top, width, 3), np.uint8)
    a, b, _ = sight.to_ground[2]
    blocks = min(12, max(1, math.ceil(abs(a / b) * width / 28))) if b else 12
    edges = np.linspace(0, width, blocks + 1).astype(int)
    for left, right in itertools.pairwise(edges):
        _warp_block(out[:, left:right], top, int(left), sight, rip, sharp)
    return out


def _warp_block(
    out: Picture, top: int, left: int, sight: Sight, rip: ground.Ripmap, sharp: float
) -> None:
    """One block; each pixel from the reduction for its footprint, blended where it changes.

    1 / depth is affine in the pixel; the footprint along the view is |grad(1/depth)| depth^2.
    """
    height, width = out.shape[:2]
    a, b, c = sight.to_ground[2]
    c = c + a * left + b * top
    slope = math.hypot(a, b) / math.cos(sight.pose.pitch_rad)
    far_y = abs(sight.scene.laid.forward[1]) > 0.5
    turn = abs(math.sin(sight.pose.yaw_rad))
    rows = np.arange(height, dtype=np.float32)
    ends = b * rows[:, None] + c + a * np.array([0.0, width - 1.0], np.float32)
    w_low, w_high = ends.min(axis=1), ends.max(axis=1)
    columns = (a * np.arange(width)).astype(np.float32)

    def inverse_depth(level: float) -> float:
        return math.sqrt(slope / (rip.texel_m * 2 ** (level + sharp)))

    started = False
    for k in range(rip.top + 1):
        here = inverse_depth(k)
        coarser = -math.inf if k == rip.top else inverse_depth(k + 1)
        finer = math.inf if k == 0 else inverse_depth(k - _BLEND)
        used = np.flatnonzero((w_high > coarser) & (w_low < finer))
        if not used.size:
            continue
        r0, r1 = int(used[0]), int(used[-1]) + 1
        across = 1 / here / sight.scene.camera.focal_px
        across = max(across, 0.5 * slope * turn / here**2) / rip.texel_m
        picture, to_texel = rip.level(k, round(math.log2(max(across, 1.0)) - sharp), far_y)
        shift = np.array([[1.0, 0.0, left], [0.0, 1.0, top + r0], [0.0, 0.0, 1.0]])
        if k == rip.top and rip.border == cv2.BORDER_WRAP:  # nothing to see in so far a grass
            layer: Picture = np.empty((r1 - r0, width, 3), np.uint8)
            layer[:] = np.rint(picture.mean(axis=(0, 1)))
        else:
            layer = _warp(picture, to_texel @ sight.to_ground @ shift, (width, r1 - r0), rip.border)
        # Rows wholly beyond the blending band are this layer's alone.
        mixed = used[w_high[used] > here] if started else used[:0]
        m0, m1 = (int(mixed[0]), int(mixed[-1]) + 1) if mixed.size else (r0, r0)
        if m1 > m0:
            w = (b * rows[m0:m1] + c).astype(np.float32)[:, None] + columns[None]
            weight = np.clip((finer - w) * np.float32(1 / (finer - here)), 0, 1)
            under = np.ascontiguousarray(out[m0:m1])
            part = np.ascontiguousarray(layer[m0 - r0 : m1 - r0])
            out[m0:m1] = cv2.blendLinear(part, under, weight, 1 - weight)
        out[r0:m0] = layer[: m0 - r0]
        out[m1:r1] = layer[m1 - r0 :]
        started = True


def _warp(picture: Picture, to_source: Points, size: tuple[int, int], border: int) -> Picture:
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpPerspective(picture, to_source, size, flags=flags, borderMode=border)
    return np.asarray(seen, np.uint8)


def _draw_backdrop(out: Picture, top: int, bottom: int, sight: Sight, picture: Picture) -> None:
    """Sky and trees above the slanted line where the grass ends."""
    seen = cv2.warpPerspective(
        picture,
        sight.backdrop_map,
        (sight.size[0], bottom),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    out[:top] = seen[:top, :, :3]
    if bottom > top:
        alpha = seen[top:bottom, :, 3].astype(np.float32) / 255
        out[top:bottom] = cv2.blendLinear(
            np.ascontiguousarray(seen[top:bottom, :, :3]), out[top:bottom], alpha, 1 - alpha
        )


def _with_noise(out: Picture, noise: Picture, seed: int, frame: int) -> Picture:
    """The sensor's noise: a window of a fixed field, placed by seed and frame."""
    h, w = out.shape[:2]
    rng = np.random.default_rng((seed, frame))
    y = int(rng.integers(0, max(1, noise.shape[0] - h)))
    x = int(rng.integers(0, max(1, noise.shape[1] - w)))
    grain = noise[y : y + h, x : x + w]
    if grain.shape != out.shape:  # larger than the field
        grain = np.asarray(cv2.resize(grain, (w, h), interpolation=cv2.INTER_NEAREST), np.uint8)
    return np.asarray(cv2.addWeighted(out, 1.0, grain, 1.0, -128.0), np.uint8)
