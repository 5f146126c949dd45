"""Path-traced pictures with exact truth, and geometry that shares no code with vision.

`truth_of` computes the placement by plane geometry from the scene's camera and rods.
"""

import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from vision.frame import Frame
from vision.setup import Lens, Role, Setup, Tilt, View

FOLDER = Path(__file__).parent / "data" / "scenes"


@dataclass(frozen=True)
class Scene:
    name: str
    layout: str
    size: tuple[int, int]
    rotation: np.ndarray
    camera_m: np.ndarray
    matrix: np.ndarray
    rods: list
    placement: dict | None
    layout_info: dict | None
    folder: Path = FOLDER
    tags: tuple[str, ...] = ()

    def bgr(self) -> np.ndarray:
        return cv2.imread(str(self.folder / self.name))

    def frame(self) -> Frame:
        return Frame.from_bgr(self.bgr())

    def setup(self, *, tilt_sigma_deg: float = 0.5, seed: int = 0) -> Setup:
        rng = np.random.default_rng(seed)
        tilt = None
        if self.placement is not None:
            pitch, roll = (self.placement[k] for k in ("pitch_deg", "roll_deg"))
            noise = rng.normal(0, tilt_sigma_deg, 2)
            tilt = Tilt(
                np.deg2rad(pitch + noise[0]),
                np.deg2rad(roll + noise[1]),
                np.deg2rad(tilt_sigma_deg),
            )
        laid = self.layout in ("t", "pair")
        return Setup(
            view=View.DOWN_THE_LINE if self.layout == "pair" else View.FACE_ON,
            rod_lengths_m={Role(r["role"]): r["length_m"] for r in self.rods[:2]} if laid else {},
            lens=Lens(float(self.matrix[0, 0]), 2.0),
            tilt=tilt,
        )


def scenes(folder: Path = FOLDER) -> list[Scene]:
    return [
        Scene(
            x["file"],
            x["layout"],
            tuple(x["size"]),
            np.array(x["R"]),
            np.array(x["camera_m"]),
            np.array(x["K"]),
            x["rods"],
            x["placement"],
            x["layout_info"],
            folder,
            tuple(x.get("tags", ())),
        )
        for x in json.loads((folder / "truth.json").read_text())
    ]


def truth_of(scene: Scene) -> dict[str, float]:
    """Offset, distance, height (m) and yaw (rad) from the scene's geometry, right-handed golfer."""
    first, second = (np.array(r["ends_m"])[:, :2] for r in scene.rods[:2])
    if scene.layout == "t":
        foot, tip = sorted(second, key=lambda p: -p[1])
        line, origin = foot - tip, np.array(scene.layout_info["junction"])
    else:
        far, near = sorted(first, key=lambda p: -p[0])
        line, origin = far - near, (far + near) / 2
    line = line / np.linalg.norm(line)
    right = np.array([line[1], -line[0]])
    rel = scene.camera_m[:2] - origin
    ahead = scene.rotation[2, :2]
    return {
        "offset_m": float(rel @ right),
        "distance_m": float(-rel @ line),
        "height_m": float(scene.camera_m[2]),
        "yaw_rad": float(np.arctan2(ahead @ right, ahead @ line)),
    }


def line_rms_px(ends_px: np.ndarray, truth_px: np.ndarray) -> float:
    """Rms distance of the true rod from the line through `ends_px` (2, 2).

    `truth_px` (n, 2): its two ends, or more points along the whole of it.
    """
    along = (ends_px[1] - ends_px[0]) / np.linalg.norm(ends_px[1] - ends_px[0])
    points = np.linspace(*truth_px, 13) if len(truth_px) == 2 else truth_px
    samples = points - ends_px[0]
    return float(np.sqrt(((samples[:, 0] * along[1] - samples[:, 1] * along[0]) ** 2).mean()))
