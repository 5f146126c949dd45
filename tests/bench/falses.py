"""True finds against false ones, at every threshold, in single pictures and over a second of video.

Pictures that must not be found: each scene with one of its rods painted out, scenes laid without
two rods, and crops of photographed grass, gravel and brick.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from tests.bench.scenes import LAID, accept_score, both_views, found, right, threshold, told
from tests.scenes import Scene
from vision.frame import Frame
from vision.live import LiveState, step
from vision.read import conclude, search
from vision.rods import Rods
from vision.setup import Setup

TEXTURES = Path(__file__).parents[1] / "data" / "textures"
GROUNDS = ("brick", "grass", "gravel")
SIZES = ((640, 360), (360, 640))
LARGEST_ZOOM = 2.5
TINTS = ((1.0, 1.0, 1.0), (0.55, 1.0, 0.75), (0.7, 0.85, 1.0))  # BGR: none, lawn, earth
SENSOR_NOISE = 2.0
FRAMES, PER_SECOND = 15, 15
CLEAR_PX = 6.0  # painted beyond the rod's own half-width: blur, contact shadow
BELOW, ABOVE = 8.0, 6.0  # how far round the shipped threshold the curve is drawn
SHIFTS = (-2.0, 0.0, 2.0, 4.0)
KEEP_PX = 1.5  # left of the other rod beyond its half-width
HEAD_M = 0.14
PIECE_PX = 24.0
STEPS = (2.5, 3.2, 4.0, 5.5, 7.5, 10.0)  # how far beside the rod ground is taken from, half-widths
TILTS = (-1.0, -0.4, 0.0, 0.4, 1.0)  # and how far along it


# --- one rod painted out ---------------------------------------------------------------------


def painted(scene: Scene, gone: int) -> np.ndarray:
    """The scene's picture (BGR) with rod `gone` replaced by ground from beside it.

    Piece by piece along the rod: of several places beside it, the one whose surroundings are most
    like the piece's own, with the difference of the mean colour taken off.
    """
    picture = scene.bgr().astype(np.float32)
    rod = scene.rods[gone]
    spot, half = _mask(rod, scene, CLEAR_PX)
    others, staying = np.zeros_like(spot), np.zeros_like(spot)
    for k, other in enumerate(scene.rods):
        if k != gone:
            others |= _mask(other, scene, CLEAR_PX)[0]
            staying |= _mask(other, scene, KEEP_PX)[0]
    spot &= ~staying  # where rods touch, the other one is left whole
    curve = _curve(rod)
    along = (curve[-1] - curve[0]) / np.linalg.norm(curve[-1] - curve[0])
    turns = [np.array([-along[1], along[0]]) * side + along * t for side in (-1, 1) for t in TILTS]
    moves = [np.rint(turn * reach * half).astype(int) for turn in turns for reach in STEPS]
    height, width = spot.shape
    y, x = np.nonzero(spot)
    piece = np.floor((np.stack([x, y], axis=-1) - curve[0]) @ along / PIECE_PX).astype(int)
    taken = spot | others
    filled = picture.copy()
    for label in np.unique(piece):
        px, py = x[piece == label], y[piece == label]
        rim = np.zeros_like(spot, np.uint8)
        rim[py, px] = 1
        rim = cv2.dilate(rim, np.ones((9, 9), np.uint8)).astype(bool) & ~taken
        ry, rx = np.nonzero(rim)
        least = np.inf
        for dx, dy in moves:
            at = [np.concatenate([a, b]) + d for a, b, d in ((py, ry, dy), (px, rx, dx))]
            inside = (at[0] >= 0) & (at[0] < height) & (at[1] >= 0) & (at[1] < width)
            at = [np.clip(at[0], 0, height - 1), np.clip(at[1], 0, width - 1)]
            source = picture[at[0], at[1]]
            bad = float((taken[at[0], at[1]] | ~inside).mean())
            rest = picture[ry, rx] - source[len(py) :] if len(ry) else np.zeros((1, 3))
            misfit = float(np.abs(rest).mean()) + 500.0 * bad
            if misfit < least:
                least = misfit
                filled[py, px] = source[: len(py)] + rest.mean(axis=0)
    soft = cv2.GaussianBlur(spot.astype(np.float32), (0, 0), 1.0)[..., None]
    soft = np.where(spot[..., None], np.maximum(soft, 0.5), soft * ~staying[..., None])
    return np.clip(np.rint(picture * (1 - soft) + filled * soft), 0, 255).astype(np.uint8)


def _curve(rod: dict) -> np.ndarray:
    return np.array(rod.get("curve_px", rod["ends_px"]))


def _mask(rod: dict, scene: Scene, beyond_px: float) -> tuple[np.ndarray, float]:
    """Where the rod (and a club's head) shows, and half the painted strip's width in pixels."""
    curve = _curve(rod)
    focal = scene.matrix[0, 0]
    near = np.linalg.norm(np.array(rod["ends_m"]) - scene.camera_m, axis=1).min()
    half = 0.5 * rod.get("diameter_m", 0.013) * focal / near + beyond_px
    width, height = scene.size
    out = np.zeros((height, width), np.uint8)
    line = np.rint(curve).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(out, [line], False, 1, round(2 * half))
    if rod["kind"] == "club":
        wide = HEAD_M * focal / np.linalg.norm(np.array(rod["ends_m"])[-1] - scene.camera_m)
        head = tuple(int(v) for v in np.rint(curve[-1]))
        cv2.ellipse(out, head, (round(wide), round(0.5 * wide)), 0, 0, 360, 1, -1)
        cv2.line(out, *line[[0, len(line) // 4], 0].tolist(), 1, round(3 * half))  # the grip
    return out.astype(bool), half


# --- ground without rods ---------------------------------------------------------------------


def crops(count: int, seed: int = 5, names: tuple[str, ...] = GROUNDS) -> Iterator[np.ndarray]:
    """Random crops (BGR) of real textures, turned, enlarged, tinted, with sensor noise."""
    rng = np.random.default_rng(seed)
    textures = [cv2.imread(str(TEXTURES / f"{n}.png"), cv2.IMREAD_GRAYSCALE) for n in names]
    for k in range(count):
        texture = textures[k % len(textures)]
        side = texture.shape[0]
        width, height = SIZES[rng.integers(len(SIZES))]
        angle = rng.uniform(0, 2 * np.pi)
        cos, sin = abs(np.cos(angle)), abs(np.sin(angle))
        box = np.array([width * cos + height * sin, width * sin + height * cos])
        # Never beyond the texture's rim: a mirrored seam would be a line of our own making.
        least = float(box.max()) / (side - 2)
        zoom = least * np.exp(rng.uniform(0, np.log(LARGEST_ZOOM)))
        room = (side - 1 - box / zoom) / 2
        middle = (side - 1) / 2 + rng.uniform(-1, 1, 2) * np.maximum(room, 0)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) / zoom
        shift = middle - turn @ (np.array([width, height]) - 1) / 2
        crop = cv2.warpAffine(
            texture,
            np.column_stack([turn, shift]),
            (width, height),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT_101,
        ).astype(np.float64)
        colour = crop[..., None] * np.array(TINTS[rng.integers(len(TINTS))])
        colour += rng.normal(0, SENSOR_NOISE, colour.shape)
        yield np.clip(colour, 0, 255).astype(np.uint8)


# --- scores ----------------------------------------------------------------------------------


def single(picture: np.ndarray, setup: Setup, _: int = 0) -> tuple[float, Rods | None]:
    """The log-odds of the best layout, -inf where there is none; and its rods."""
    frame = Frame.from_bgr(picture)
    rods = found(search(frame, setup))
    if rods is None:
        return -np.inf, None
    return conclude(rods, (frame.width, frame.height), setup, accept=-np.inf).belief, rods


def second(picture: np.ndarray, setup: Setup, seed: int) -> tuple[float, Rods | None]:
    """Whether the live chain shows rods at the end of a second (0, else -inf), and which.

    Each frame is the picture with fresh sensor noise, moved by up to a pixel. A picture that stands
    still is the hardest case: what is no rod stays where it is as well.
    """
    rng = np.random.default_rng(seed)
    state, rods = LiveState(), None
    height, width = picture.shape[:2]
    for k in range(FRAMES):
        dx, dy = rng.uniform(-1, 1, 2)
        moved = cv2.warpAffine(
            picture,
            np.array([[1, 0, dx], [0, 1, dy]]),
            (width, height),
            borderMode=cv2.BORDER_REFLECT_101,
        )
        noisy = moved + rng.normal(0, SENSOR_NOISE, moved.shape)
        frame = Frame.from_bgr(np.clip(noisy, 0, 255).astype(np.uint8))
        state, live = step(state, frame, setup, k / PER_SECOND)
        rods = live.reading.rods if live.reading.placement is not None else None
    return (0.0, rods) if isinstance(rods, Rods) else (-np.inf, None)


Score = Callable[[np.ndarray, Setup, int], tuple[float, Rods | None]]


@dataclass
class Tally:
    """Scores of what was found: `laid` with whether it was right, `false` by kind with a name."""

    laid: list[tuple[float, bool]] = field(default_factory=list)
    false: dict[str, list[tuple[float, str]]] = field(
        default_factory=lambda: {"wrong": [], "painted": [], "bare": [], "crop": []}
    )

    def row(self, over: str, accept: float, least: float) -> dict:
        """How many pass `least`, told as of the acceptance threshold `accept`."""

        def passing(kind: str, part: str = "") -> int:
            return sum(bool(v >= least) for v, name in self.false[kind] if part in name)

        out = {
            "bench": "accept",
            "over": over,
            "threshold": float(accept),
            "shipped": bool(accept == accept_score()),
            "laid": len(self.laid),
            "true_share": sum(bool(v >= least) for v, ok in self.laid if ok)
            / max(len(self.laid), 1),
            "wrong_finds": passing("wrong"),
        }
        for kind, name in (("painted", "painted"), ("bare", "bare"), ("crop", "crops")):
            out[name] = len(self.false[kind])
            out[f"{kind}_finds"] = passing(kind)
        return out | {f"{ground}_finds": passing("crop", ground) for ground in GROUNDS}

    def worst(self, over: str, least: float) -> list[dict]:
        """The false finds that pass, the surest first."""
        each = sorted((v, kind, name) for kind, x in self.false.items() for v, name in x)[::-1]
        return [
            {"bench": "false-find", "over": over, "kind": kind, "picture": name, "score": value}
            for value, kind, name in each
            if value >= least
        ]


def tally(pictures: list[Scene], know: str, crop_count: int, score: Score) -> Tally:
    """All pictures' scores: as they are, with either rod painted out, and of rod-free crops."""
    out = Tally()
    for seed, scene in enumerate(pictures):
        setup = told(scene, seed, know)
        if scene.layout not in LAID:
            value = max(score(scene.bgr(), s, seed)[0] for s in both_views(setup))
            out.false["bare"].append((value, scene.name))
            continue
        value, rods = score(scene.bgr(), setup, seed)
        out.laid.append((value, right(rods, scene)))
        if not out.laid[-1][1]:
            out.false["wrong"].append((value, scene.name))
        for gone in (0, 1):
            value = score(painted(scene, gone), setup, seed)[0]
            out.false["painted"].append((value, f"{scene.name} without {scene.rods[gone]['role']}"))
    for seed, picture in enumerate(crops(crop_count)):
        value = max(score(picture, s, seed)[0] for s in both_views(Setup()))
        out.false["crop"].append((value, f"{GROUNDS[seed % len(GROUNDS)]} {seed}"))
    return out


def in_single_pictures(pictures: list[Scene], know: str, crop_count: int) -> list[dict]:
    """The curve, then the shipped threshold's false finds."""
    over, every = "single pictures", tally(pictures, know, crop_count, single)
    steps = accept_score() + np.arange(-BELOW, ABOVE + 1)
    return [every.row(over, t, t) for t in steps] + every.worst(over, accept_score())


def over_a_second(pictures: list[Scene], know: str, crop_count: int) -> list[dict]:
    """The same for the live chain, with all its thresholds moved together."""
    over, shipped, out, worst = "a second of video", accept_score(), [], []
    for shift in SHIFTS:
        with threshold(shipped + shift):
            every = tally(pictures, know, crop_count, second)
        out.append(every.row(over, shipped + shift, 0.0))
        worst += every.worst(over, 0.0) if shift == 0 else []
    return out + worst
