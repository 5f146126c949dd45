"""This finder side by side with stock line detectors, through one and the same later stages.

Each detector's segments become `vision.find.Candidates`; choice of layout (`rank`), measuring and
roles (`settle`) and the pose are the same code for all. A stock detector knows nothing of rods,
so its evidence is length alone, with the weight at which each found the most rods.
"""

from collections.abc import Callable
from dataclasses import replace
from time import thread_time

import cv2
import numpy as np

from tests.bench.scenes import (
    FLOOR,
    LAID,
    accept_score,
    found,
    on_rod,
    pose_error,
    right,
    told,
)
from tests.scenes import Scene
from vision import find as finder
from vision.frame import Frame
from vision.read import conclude, search
from vision.rods import Rods
from vision.setup import Setup
from vision.track import follow, stay

KEEP = finder.CANDIDATES  # as many candidates as this finder ranks
APART_PX = 4.0
LENGTH_WEIGHT = 1.0
SHORTEST_PX = 40.0
RIM_PX = 8.0
NOISE = 2.0  # grey levels, of the frame that is tracked into
SHIFT_PX = 2


def canny_hough(gray: np.ndarray) -> np.ndarray:
    """With the settings of OpenCV's own tutorial "Hough Line Transform"."""
    edges = cv2.Canny(gray, threshold1=50, threshold2=200)
    # By keyword: the positional order lands wrongly in Python (opencv#10823).
    return _segments(
        cv2.HoughLinesP(
            edges, rho=1, theta=np.pi / 180, threshold=50, minLineLength=50, maxLineGap=10
        )
    )


def tuned_hough(gray: np.ndarray) -> np.ndarray:
    """Smoothed first, and with the settings that found the most rods in the path-traced scenes."""
    edges = cv2.Canny(cv2.GaussianBlur(gray, (5, 5), 0), threshold1=100, threshold2=200)
    return _segments(
        cv2.HoughLinesP(
            edges, rho=1, theta=np.pi / 180, threshold=60, minLineLength=50, maxLineGap=10
        )
    )


def lsd(gray: np.ndarray) -> np.ndarray:
    """Without refinement, which breaks rods into pieces."""
    return _segments(cv2.createLineSegmentDetector(refine=cv2.LSD_REFINE_NONE).detect(gray)[0])


def edge_drawing(gray: np.ndarray) -> np.ndarray:
    drawing = cv2.ximgproc.createEdgeDrawing()
    drawing.detectEdges(gray)
    return _segments(drawing.detectLines())


STOCK: dict[str, Callable[[np.ndarray], np.ndarray]] = {
    "Canny + HoughLinesP": canny_hough,
    "the same, tuned": tuned_hough,
    "LSD": lsd,
    "EdgeDrawing": edge_drawing,
}
OURS = "this finder"


def _segments(lines: np.ndarray | None) -> np.ndarray:
    """(n, 2, 2) from (n, 4), (n, 1, 4) or nothing, as different OpenCV versions return."""
    if lines is None:
        return np.empty((0, 2, 2))
    return np.asarray(lines, np.float64).reshape(-1, 4).reshape(-1, 2, 2)


def candidates(segments: np.ndarray, size: tuple[int, int]) -> finder.Candidates:
    """The longest segments, parallel copies (a rod has two edges) of a longer one left out.

    So are lines along the rim of a picture of `size` (width, height), which are no rods.
    """
    length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    rim = (segments < RIM_PX) | (segments > np.array(size) - 1 - RIM_PX)
    use = (length >= SHORTEST_PX) & ~rim.all(axis=1).any(axis=-1)
    segments, length = segments[use], length[use]
    order = np.argsort(-length, kind="stable")
    segments, length = segments[order], length[order]
    alive, kept = np.ones(len(segments), bool), []
    for k in range(len(segments)):
        if not alive[k]:
            continue
        kept.append(k)
        if len(kept) == KEEP:
            break
        along = (segments[k, 1] - segments[k, 0]) / length[k]
        rel = segments - segments[k, 0]
        off = np.abs(rel[..., 0] * along[1] - rel[..., 1] * along[0]).max(axis=1)
        at = (rel @ along).mean(axis=1)
        alive &= ~((off < APART_PX) & (at > 0) & (at < length[k]))
    logit = LENGTH_WEIGHT * np.log(length[kept] / (2 * SHORTEST_PX))
    return finder.Candidates(segments[kept], logit, logit)


def choose(frame: Frame, stock: finder.Candidates, setup: Setup) -> Rods | None:
    """The best layout among a stock detector's candidates, believed or not."""
    if len(stock.ends_px) < 2:
        return None
    guesses = finder.rank(stock, (frame.width, frame.height), setup)
    return finder.settle(frame, stock, guesses, setup) if guesses else None


def rows(pictures: list[Scene], know: str) -> list[dict]:
    """One row for each detector, over the pictures with both rods laid; times on one thread."""
    laid = [s for s in pictures if s.layout in LAID]
    tally: dict[str, dict[str, list]] = {
        name: {k: [] for k in ("lines", "total", "rods", "right", "taken", "offset", "yaw", "all")}
        for name in (OURS, *STOCK)
    }
    track: dict[str, list] = {k: [] for k in ("ms", "right", "kept", "still_ms", "still_right")}
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        for seed, scene in enumerate(laid):
            frame, setup = scene.frame(), told(scene, seed, know)
            for name, detect in STOCK.items():
                _stock(tally[name], detect, frame, setup, scene)
            best = _own(tally[OURS], frame, setup, scene)
            if best is not None:
                _tracked(track, frame, best, setup, scene, seed)
    finally:
        cv2.setNumThreads(threads)
    return [_row(name, each, tally, know) for name, each in tally.items()] + [_track_row(track)]


def _stock(tally: dict, detect: Callable, frame: Frame, setup: Setup, scene: Scene) -> None:
    began = thread_time()
    segments = detect(frame.y)
    lines = thread_time()
    rods = choose(frame, candidates(segments, scene.size), setup)
    ended = thread_time()
    under = [
        any(on_rod(s, rod, scene.size) for s in segments if np.any(s[0] != s[1]))
        for rod in scene.rods[:2]
    ]
    tally["lines"].append(lines - began)
    tally["total"].append(ended - began)
    tally["all"].append(all(under))
    _judge(tally, rods, setup, scene)


def _own(tally: dict, frame: Frame, setup: Setup, scene: Scene) -> Rods | None:
    accepted = found(search(frame, setup))  # caches warm, as in a stream
    began = thread_time()
    finder.find(frame, setup)  # as far as the others go: whether it is believed comes after
    tally["total"].append(thread_time() - began)
    best = found(finder.find(frame, setup, accept=FLOOR))
    _judge(tally, best, setup, scene)
    believed = accepted is not None and conclude(accepted, scene.size, setup).placement is not None
    tally["taken"].append(believed and right(accepted, scene))
    return accepted if tally["taken"][-1] else None


def _judge(tally: dict, rods: Rods | None, setup: Setup, scene: Scene) -> None:
    tally["right"].append(right(rods, scene))
    if not tally["right"][-1]:
        return
    placement = conclude(rods, scene.size, setup).placement
    if placement is not None:
        offset, yaw = pose_error(placement, scene)
        tally["offset"].append(offset)
        tally["yaw"].append(yaw)


def shaken(frame: Frame, dx: int, dy: int, noise: float, rng: np.random.Generator) -> Frame:
    """The frame moved by even steps, as a moving camera sees it, with fresh sensor noise."""

    def plane(values: np.ndarray, step: int) -> np.ndarray:
        moved = np.roll(values, (dy // step, dx // step), axis=(0, 1))
        return np.clip(moved + rng.normal(0, noise / step, values.shape), 0, 255).astype(np.uint8)

    return Frame(plane(frame.y, 1), plane(frame.u, 2), plane(frame.v, 2))


def _tracked(tally: dict, frame: Frame, rods: Rods, setup: Setup, scene: Scene, seed: int) -> None:
    rng = np.random.default_rng(seed)
    later = shaken(frame, SHIFT_PX, -SHIFT_PX, NOISE, rng)
    follow(later, rods, setup)
    began = thread_time()
    again = follow(later, rods, setup)
    tally["ms"].append(1e3 * (thread_time() - began))
    noisy = shaken(frame, 0, 0, NOISE, rng)
    stay(noisy, rods, setup)
    began = thread_time()
    still = stay(noisy, rods, setup)
    tally["still_ms"].append(1e3 * (thread_time() - began))
    tally["still_right"].append(still is not None and right(still, scene))
    tally["kept"].append(again is not None)
    tally["right"].append(again is not None and right(_back(again), scene))


def _back(rods: Rods) -> Rods:
    """The rods moved back by the shift, for comparison with the unmoved truth."""
    shift = np.array([SHIFT_PX, -SHIFT_PX])
    first, second = (replace(r, ends_px=r.ends_px - shift) for r in rods.both)
    return replace(rods, first=first, second=second)


def _row(name: str, each: dict, tally: dict, know: str) -> dict:
    ms = 1e3 * float(np.median(each["total"]))
    reference = 1e3 * float(np.median(tally["Canny + HoughLinesP"]["lines"]))
    return {
        "bench": "finders",
        "finder": name,
        "pictures": len(each["total"]),
        "know": know,
        "lines_ms": 1e3 * float(np.median(each["lines"])) if each["lines"] else None,
        "total_ms": ms,
        "hough_lines_over_total": reference / ms,
        "under_a_segment_share": float(np.mean(each["all"])) if each["all"] else None,
        "right_share": float(np.mean(each["right"])),
        "right_and_accepted_share": float(np.mean(each["taken"])) if each["taken"] else None,
        "accept_score": accept_score() if name == OURS else None,
        "offset_cm_median": _percentile(each["offset"], 50, 100),
        "offset_cm_p95": _percentile(each["offset"], 95, 100),
        "yaw_deg_median": _percentile(each["yaw"], 50, float(np.rad2deg(1))),
        "yaw_deg_p95": _percentile(each["yaw"], 95, float(np.rad2deg(1))),
    }


def _track_row(tally: dict) -> dict:
    return {
        "bench": "tracking",
        "frames": len(tally["ms"]),
        "track_ms": _percentile(tally["ms"], 50, 1.0),
        "track_ms_p95": _percentile(tally["ms"], 95, 1.0),
        "still_ms": _percentile(tally["still_ms"], 50, 1.0),
        "still_right_share": float(np.mean(tally["still_right"])) if tally["still_right"] else None,
        "kept_share": float(np.mean(tally["kept"])) if tally["kept"] else None,
        "right_share": float(np.mean(tally["right"])) if tally["right"] else None,
    }


def _percentile(values: list, share: float, unit: float) -> float | None:
    return float(np.percentile(values, share)) * unit if values else None
