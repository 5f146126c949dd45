"""Draws of two rods seen by a known camera, through OpenCV's projection (not vision's own).

Noise as a finder leaves it: lines to 0.3 px at independent points, ends to 1.5 px.
`Draw.params` is the truth in the order of `vision.model.NAMES`.
"""

from dataclasses import dataclass

import cv2
import numpy as np

from vision.rods import End, Rod, Rods
from vision.setup import Handed, Lens, Setup, Tilt, View

LINE_PX = 0.3
END_PX = 1.5
SIZE = (1280, 720)


@dataclass(frozen=True)
class Draw:
    setup: Setup
    rods: Rods
    truth: dict[str, float]
    params: np.ndarray


def camera(heading, pitch, roll, centre):
    """Rotation vector and translation from (right, forward, up) to OpenCV's camera, by Rodrigues.

    Turns are applied in a person's order: heading right, then pitch up, then roll clockwise.
    """
    base = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])  # level, looking along forward
    turn = cv2.Rodrigues(np.array([0.0, -heading, 0]))[0]
    tip = cv2.Rodrigues(np.array([-pitch, 0.0, 0]))[0]
    twist = cv2.Rodrigues(np.array([0.0, 0, -roll]))[0]
    rotation = twist @ tip @ turn @ base
    return cv2.Rodrigues(rotation)[0], -rotation @ centre


def draw(
    rng, view, *, handed=Handed.RIGHT, know_tilt=0.5, know_focal=True, place=None, line_px=LINE_PX
):
    """One random view with its truth; `place` fixes some of offset, yaw, roll, ..."""
    place = place or {}
    pair = view is View.DOWN_THE_LINE
    side = 1.0 if handed is Handed.RIGHT else -1.0
    get = lambda name, value: place.get(name, value)  # noqa: E731
    offset, yaw = get("offset_m", rng.uniform(-0.6, 0.6)), get("yaw_rad", None)
    distance, height = rng.uniform(2.5, 4.4), rng.uniform(0.9, 1.4)
    if yaw is None:
        yaw = np.arctan2(-offset, distance) + np.deg2rad(rng.uniform(-3, 3))
    pitch = get("pitch_rad", -np.arctan2(height - 0.3, distance) + np.deg2rad(rng.uniform(-4, 6)))
    roll = get("roll_rad", np.deg2rad(rng.uniform(-3, 3)))
    lean = np.deg2rad(rng.normal(0, 2.0 if pair else 2.5))
    lengths = 1.22 * np.exp(rng.normal(0, 0.01, 2))
    radius = 0.006
    if pair:
        separation, stagger = rng.normal(0.54, 0.1), rng.uniform(-0.3, 0.3)
        toe = np.array([[0, lengths[0] / 2, radius], [0, -lengths[0] / 2, radius]])
        along = np.array([-side * np.sin(lean), np.cos(lean), 0]) * lengths[1] / 2
        middle = np.array([side * separation, stagger, radius])
        ends = np.stack([toe, np.stack([middle + along, middle - along])])
        centre, heading = np.array([offset, -distance, height]), yaw
    else:
        m, foot = rng.normal(0, 0.08), rng.uniform(-0.05, 0.05)
        target = np.array([[m - lengths[0] / 2, 0, radius], [m + lengths[0] / 2, 0, radius]])
        toward = np.array([np.sin(lean), -np.cos(lean), 0])
        up = np.array([0, 0, radius])
        ends = np.stack([target, np.stack([toward * foot + up, toward * (foot + lengths[1]) + up])])
        right = np.array([np.cos(lean), np.sin(lean), 0])
        centre = distance * toward + offset * right + np.array([0, 0, height])
        heading = yaw - lean
    focal = 1000 * np.exp(rng.normal(0, 0.10))
    principal = np.array([639.5, 359.5]) + rng.normal(0, 0.004 * 1280, 2)
    k1 = rng.normal(0, 0.02)
    matrix = np.array([[focal, 0, principal[0]], [0, focal, principal[1]], [0, 0, 1]])
    rvec, tvec = camera(heading, pitch, roll, centre)
    pixels = cv2.projectPoints(
        ends.reshape(-1, 1, 3), rvec, tvec, matrix, np.array([k1, 0, 0, 0.0])
    )
    pixels = pixels[0].reshape(2, 2, 2)
    roles = Setup(view=view).roles
    rods = [_noisy(rng, role, p, line_px) for role, p in zip(roles, pixels, strict=True)]
    spread = np.deg2rad(know_tilt) if know_tilt else 0.0
    setup = Setup(
        view=view,
        handed=handed,
        rod_lengths_m=dict.fromkeys(roles, 1.22),
        lens=Lens(focal * np.exp(rng.normal(0, 0.002)), focal * 0.002) if know_focal else None,
        tilt=Tilt(pitch + rng.normal(0, spread), roll + rng.normal(0, spread), spread)
        if know_tilt
        else None,
    )
    truth = {
        "offset_m": offset,
        "distance_m": distance,
        "height_m": height,
        "yaw_rad": yaw,
        "pitch_rad": pitch,
        "roll_rad": roll,
    }
    shape = [lean, separation, stagger] if pair else [lean, m, foot]
    place_and_tilt = [*centre[:2], np.log(height), heading, pitch, roll]
    params = np.array(
        [*place_and_tilt, np.log(focal), *principal, k1, *np.log(lengths), *shape],
    )
    inside = ((pixels > 9) & (pixels < np.array(SIZE) - 10)).all()
    if not inside:
        return draw(
            rng,
            view,
            handed=handed,
            know_tilt=know_tilt,
            know_focal=know_focal,
            place=place,
            line_px=line_px,
        )
    return Draw(setup, Rods(rods[0], rods[1], 5.0, -20.0), truth, params)


def _noisy(rng, role, ends, line_px):
    """The rod with line noise, independent at the points length/sqrt(12) off its middle."""
    span = ends[1] - ends[0]
    length = np.linalg.norm(span)
    along = span / length
    across = np.array([-along[1], along[0]])
    a, b = rng.normal(0, line_px, 2)
    middle, tilt = (a + b) / 2, (b - a) / 2 * np.sqrt(3)  # at the ends: sqrt(3) times as far out
    shift = np.array([middle - tilt, middle + tilt])
    moved = ends + across * shift[:, None] + along * rng.normal(0, END_PX, 2)[:, None]
    return Rod(role, moved, (End.SEEN, End.SEEN), line_px, (END_PX, END_PX), 3.0, 3.0)
