"""Walks made up: views of one unmoved layout from above the rods back to the tripod.

OpenCV projects (`tests.synthetic.camera`), not the project's own model; noise as in
`tests.synthetic`.
"""

from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from tests.bench.bounds import laid
from tests.synthetic import END_PX, LINE_PX, SIZE, _noisy, camera
from vision.bundle import OWN
from vision.model import shared_prior
from vision.rods import End, Rods
from vision.setup import Handed, Setup, Tilt, View
from vision.sights import STICK_END
from vision.walk import Sight


@dataclass(frozen=True)
class Layout:
    """Truth that all views share, in the order of `vision.known.SHARED`.

    `always`: by how many of its sigmas each end is seen too far along its rod in every view.
    """

    view: View
    handed: Handed
    shared: np.ndarray
    always: np.ndarray = field(default_factory=lambda: np.zeros(4))

    @property
    def ends(self) -> np.ndarray:
        """Rods' ends (2, 2, 3) in the view frame, by plane geometry."""
        side = 1.0 if self.handed is Handed.RIGHT else -1.0
        params = np.concatenate([np.zeros(OWN), self.shared])
        return laid(params, self.view is View.DOWN_THE_LINE, side).reshape(2, 2, 3)


@dataclass(frozen=True)
class MadeWalk:
    layout: Layout
    sights: list[Sight]
    own: np.ndarray  # (n, 6) truth in the order of vision.model.NAMES


def layout(
    rng, view=View.FACE_ON, handed=Handed.RIGHT, focal_sigma=0.10, length_sigma=0.01
) -> Layout:
    pair = view is View.DOWN_THE_LINE
    focal = 0.78 * SIZE[0] * np.exp(rng.normal(0, focal_sigma))
    principal = (np.array(SIZE) - 1) / 2 + rng.normal(0, 0.004 * SIZE[0], 2)
    k1 = rng.normal(0, 0.02)
    lengths = np.log(1.22) + rng.normal(0, length_sigma, 2)
    if pair:
        shape = [np.deg2rad(rng.normal(0, 1.5)), rng.normal(0.54, 0.1), rng.uniform(-0.3, 0.3)]
    else:
        lean = np.deg2rad(rng.uniform(-4, 4))
        shape = [lean, rng.normal(0, 0.08), rng.uniform(-0.05, 0.05)]
    bias = np.deg2rad(rng.normal(0, 0.7, 2))
    return Layout(view, handed, np.array([np.log(focal), *principal, k1, *lengths, *shape, *bias]))


def drawn_from_the_priors(rng, view=View.FACE_ON, handed=Handed.RIGHT, length_sigma=0.01) -> Layout:
    """Every shared number drawn as the estimator takes it to be: sigmas must then be just right."""
    setup = Setup(
        view=view,
        handed=handed,
        rod_lengths_m=dict.fromkeys(Setup(view=view).roles, 1.22),
        rod_length_sigma=length_sigma,
    )
    mean, sigma = shared_prior(SIZE, setup)
    bias = np.deg2rad(rng.normal(0, 0.7, 2))
    shared = np.append(rng.normal(mean, sigma), bias)
    return Layout(view, handed, shared, rng.normal(0, STICK_END, 4))


def truth_of(made: Layout, rng, share: float) -> np.ndarray:
    """Where the phone is held at a share of the way (0: above the rods, 1: tripod)."""
    distance = 0.65 + share * rng.uniform(2.4, 3.2) + abs(rng.normal(0, 0.1))
    height = np.clip(1.5 - 0.3 * share + rng.normal(0, 0.08), 0.9, 1.7)
    aside = rng.normal(0, 0.15)
    # Aimed at the junction, or between a pair's rods; in the end the whole swing comes in.
    rel = np.array([made.shared[7] / 2 if made.view is View.DOWN_THE_LINE else 0.0, 0.0])
    rel = rel - np.array([aside, -distance])
    heading = np.arctan2(rel[0], rel[1]) + np.deg2rad(rng.normal(0, 12 * (1 - share) + 2))
    pitch = -np.arctan2(height, np.hypot(*rel) - 0.3) + np.deg2rad(rng.normal(0, 3) + 6 * share)
    roll = np.deg2rad(rng.normal(0, 2))
    return np.array([aside, -distance, np.log(height), heading, pitch, roll])


def project(made: Layout, own: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Pixels (n, 2) of points (n, 3) in the view frame, by cv2.projectPoints."""
    focal = np.exp(made.shared[0])
    matrix = np.array([[focal, 0, made.shared[1]], [0, focal, made.shared[2]], [0, 0, 1]])
    centre = np.array([own[0], own[1], np.exp(own[2])])
    rvec, tvec = camera(own[3], own[4], own[5], centre)
    dist = np.array([made.shared[3], 0, 0, 0.0])
    return cv2.projectPoints(points.reshape(-1, 1, 3), rvec, tvec, matrix, dist)[0].reshape(-1, 2)


def visible(made: Layout, own: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The rods' visible ends (2, 2, 2) in the picture, and which are cut off by its edge (2, 2)."""
    shares = np.linspace(0.0, 1.0, 201)[:, None, None]
    ends = made.ends
    along = ends[:, 0] + shares * (ends[:, 1] - ends[:, 0])  # (201, 2, 3)
    centre = np.array([own[0], own[1], np.exp(own[2])])
    rotation = cv2.Rodrigues(camera(own[3], own[4], own[5], centre)[0])[0]
    depth = (along - centre) @ rotation[2]
    pixels = project(made, own, along.reshape(-1, 3)).reshape(201, 2, 2)
    inside = ((pixels >= 0) & (pixels <= np.array(SIZE) - 1)).all(axis=-1) & (depth > 0.2)
    out, cut = np.zeros((2, 2, 2)), np.zeros((2, 2), bool)
    for rod in range(2):
        where = np.flatnonzero(inside[:, rod])
        if len(where) < 60:
            raise ValueError("too little of a rod in the picture")
        out[rod] = pixels[where[[0, -1]], rod]
        cut[rod] = where[0] > 0, where[-1] < 200
    return out, cut


def sight(
    rng, made: Layout, own: np.ndarray, sensor: bool = True, line_px=LINE_PX, length_sigma=0.01
) -> Sight:
    """What a finder leaves of one view, and the sensor's reading."""
    pixels, cut = visible(made, own)
    roles = Setup(view=made.view).roles
    rods = []
    for k, (role, ends, off) in enumerate(zip(roles, pixels, cut, strict=True)):
        rod = _noisy(rng, role, ends, line_px)
        along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
        always = END_PX * made.always[2 * k : 2 * k + 2, None] * along
        rod = replace(rod, ends_px=rod.ends_px + always)
        rods.append(replace(rod, ends=tuple(End.CUT if c else End.SEEN for c in off)))
    tilt = None
    if sensor:
        read = own[4:6] + made.shared[9:] + np.deg2rad(rng.normal(0, 0.3, 2))
        tilt = Tilt(*read, np.deg2rad(0.3), np.deg2rad(0.7))
    setup = Setup(
        view=made.view,
        handed=made.handed,
        rod_lengths_m=dict.fromkeys(roles, 1.22),
        rod_length_sigma=length_sigma,
        tilt=tilt,
    )
    return Sight(Rods(rods[0], rods[1], 5.0, -20.0), SIZE, setup)


def walk(
    rng, count, *, sensor=True, made=None, shares=None, length_sigma=0.01, **kwargs
) -> MadeWalk:
    """A walk of `count` views, from steep to the tripod."""
    made = made or layout(rng, length_sigma=length_sigma, **kwargs)
    shares = np.linspace(0, 1, count) if shares is None else shares
    own = [usable(made, rng, share) for share in shares]
    sights = [sight(rng, made, o, sensor, length_sigma=length_sigma) for o in own]
    return MadeWalk(made, sights, np.stack(own))


def usable(made: Layout, rng, share: float) -> np.ndarray:
    """A view with enough of both rods in the picture and at least three of their ends."""
    for _ in range(300):
        own = truth_of(made, rng, share)
        try:
            _, cut = visible(made, own)
        except ValueError:
            continue
        if cut.sum() <= 1:
            return own
    raise AssertionError("no such view of these rods")
