"""A server in a process of its own, which a test may kill: PORT KEY RECORDS. Tells its address.

Its key is given, so that a phone knows it again after a restart; its vision sees the same two rods
in every picture, so that a place is locked and watched, and three browsers and it fit on a small
machine.
"""

from __future__ import annotations

import asyncio
import math
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from server import tokens
from server.config import ServerConfig
from server.demo.geometry import Camera, Laid, Pose, truth
from server.serve import running
from vision.live import LiveReading, LiveState
from vision.read import conclude
from vision.reading import Reading, Verdict
from vision.rods import End, Rod, Rods
from vision.setup import Setup, Tilt

PLACE = Pose(0.01, 3.4, 1.0, 0.005, math.radians(-10), 0.0)
NOISE_PX = 0.05


class Steady:
    """Rods that lie still, with a little noise, square to a camera that stands at `PLACE`."""

    def __init__(self) -> None:
        ends = truth(PLACE, Laid(), Camera()).ends_px
        self.ends = np.stack([ends[role] for role in Setup().roles])
        self.rng = np.random.default_rng(4)
        self.base: Reading | None = None  # where it stands is worked out once for each setup

    def rods(self, scale: float) -> Rods:
        ends = (self.ends + self.rng.normal(0, NOISE_PX, self.ends.shape)) * scale
        first, second = (
            Rod(role, end, (End.SEEN, End.SEEN), 0.2, (1.5, 1.5), 3.0, 3.0)
            for role, end in zip(Setup().roles, ends, strict=True)
        )
        return Rods(first, second, 5.0, -20.0)

    def step(self, state: LiveState, frame: Any, setup: Setup, time_s: float, hints: Any = ()):
        rods = self.rods(frame.width / 1280)
        setup = replace(setup, tilt=Tilt(PLACE.pitch_rad, 0.0, 0.005, 0.005))
        if self.base is None or self.base.setup != setup or self.width != frame.width:
            told = conclude(rods, (frame.width, frame.height), setup)
            self.base, self.width = replace(told, verdict=Verdict.SQUARE), frame.width
        return state, LiveReading(replace(self.base, rods=rods), time_s)


async def main(port: int, key: str, records: Path) -> None:
    tokens.secrets = SimpleNamespace(token_urlsafe=lambda size: key)  # type: ignore[attr-defined]
    config = ServerConfig(port=port, analyse=Steady().step, records=records)
    async with running(config) as server:
        print(server.page_url, flush=True)
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), sys.argv[2], Path(sys.argv[3])))
