"""`python -m tests.bench vision`: how fast, how exact and how careful, beside other ways.

`python -m tests.bench server`: many phones at once, beside a receiver that only decodes.

`python -m tests.bench soak --phones 6 --seconds 1800`: the slope of the server's memory.
"""

import argparse
import json
import os
import platform
from collections.abc import Iterable, Iterator
from pathlib import Path

import cv2
import numpy as np

from tests.bench import board, bounds, detectors, falses, serving, soak
from tests.bench.scenes import gather

PARTS = ("finders", "pose", "one-view", "board", "accept", "video")
COLUMNS = {
    "finders": "finder pictures lines_ms total_ms hough_lines_over_total under_a_segment_share "
    "right_share right_and_accepted_share offset_cm_median offset_cm_p95 yaw_deg_median "
    "yaw_deg_p95",
    "tracking": "frames track_ms track_ms_p95 kept_share right_share still_ms still_right_share",
    "pose": "view known quantity median_error bound_median over_bound scipy_median apart_median "
    "within_2_sigma solve_ms",
    "one-view": "tilt_deg focal_rel pitch_deg offset_sigma square_sigma angle_sigma yaw_sigma "
    "distance_sigma height_sigma focal_sigma",
    "board": "from offset_m_median offset_m_p95 distance_m_median distance_m_p95 yaw_deg_median "
    "yaw_deg_p95 detected_share",
    "false-find": "kind picture score",
    "accept": "threshold shipped true_share wrong_finds painted painted_finds bare bare_finds "
    "crops brick_finds grass_finds gravel_finds",
}


def main() -> None:
    options = _options()
    cv2.setNumThreads(1)
    if options.what == "server":
        row = serving.row(
            options.phones, options.seconds, options.codec, options.fps, options.scenes
        )
        _show([row], options)
        return
    if options.what == "soak":
        _show([soak.row(options.phones, options.seconds, options.codec, options.fps)], options)
        return
    pictures = gather(options.scenes, options.limit)
    head = {
        "bench": "machine",
        "cores": os.cpu_count(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        "opencv": cv2.__version__,
        "numpy": np.__version__,
        "pictures": len(pictures),
        "time": "CPU milliseconds of one thread",
    }
    _show([head], options)
    for part in options.parts:
        _show(list(_rows(part, pictures, options)), options)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("what", choices=["vision", "server", "soak"])
    parser.add_argument("--json", action="store_true", help="one JSON object a row")
    parser.add_argument("--markdown", action="store_true", help="tables for docs/performance.md")
    parser.add_argument(
        "--scenes",
        type=Path,
        action="append",
        default=[],
        metavar="DIR",
        help="a folder of pictures with truth.json (repeatable; default: the tests' own)",
    )
    parser.add_argument("--limit", type=int, help="only the first so many of each folder")
    parser.add_argument("--know", choices=["all", "view"], default="all")
    parser.add_argument("--draws", type=int, default=200, help="of synthetic rods for each row")
    parser.add_argument("--crops", type=int, default=200, help="rod-free crops of real textures")
    parser.add_argument("--video-crops", type=int, default=30)
    parser.add_argument("--phones", type=int, default=12, help="server: phones at a time")
    parser.add_argument("--seconds", type=float, default=20.0, help="server: measured for so long")
    parser.add_argument("--fps", type=int, default=15, help="server: pictures a second of each")
    parser.add_argument("--codec", choices=["vp8", "h264"], default="vp8")
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=list(PARTS))
    return parser.parse_args()


def _rows(part: str, pictures: list, options: argparse.Namespace) -> Iterable[dict]:
    if part == "finders":
        return detectors.rows(pictures, options.know)
    if part == "pose":
        return bounds.rows(options.draws)
    if part == "one-view":
        return bounds.one_view_rows()
    if part == "board":
        return board.rows(options.draws)
    if part == "accept":
        return falses.in_single_pictures(pictures, options.know, options.crops)
    return falses.over_a_second(pictures, options.know, options.video_crops)


def _show(rows: list[dict], options: argparse.Namespace) -> None:
    if options.json:
        for row in rows:
            print(json.dumps(row, ensure_ascii=False), flush=True)
        return
    for kind, group in _groups(rows):
        names = COLUMNS[kind].split() if kind in COLUMNS else list(group[0])
        rest = {k: v for k, v in group[0].items() if k not in names and k != "shipped"}
        same = {k: v for k, v in rest.items() if all(r.get(k) == v for r in group)}
        print("\n" + " · ".join(f"{k} {v}" for k, v in same.items()))
        cells = [names] + [[_text(row.get(name)) for name in names] for row in group]
        if options.markdown:
            cells.insert(1, ["---"] * len(names))
            print("\n" + "\n".join("| " + " | ".join(line) + " |" for line in cells), flush=True)
            continue
        wide = [max(len(line[k]) for line in cells) for k in range(len(names))]
        for line in cells:
            print("  ".join(text.rjust(w) for text, w in zip(line, wide, strict=True)), flush=True)


def _groups(rows: list[dict]) -> Iterator[tuple[str, list[dict]]]:
    for kind in dict.fromkeys(row["bench"] for row in rows):
        yield kind, [row for row in rows if row["bench"] == kind]


def _text(value: object) -> str:
    if value is None:
        return "-"
    if isinstance(value, bool):
        return "<-" if value else ""
    if isinstance(value, float):
        return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"
    return str(value)


if __name__ == "__main__":
    main()
