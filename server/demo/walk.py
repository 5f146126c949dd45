"""The whole walk without a window: simulated phone, real server, scripted hand, told as it goes."""

from __future__ import annotations

import asyncio
import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from server.demo.geometry import START, Pose
from server.demo.hand import Hand, Stance, step
from server.demo.phone import Phone, connected
from server.demo.scene import Scene
from vision.setup import Setup

STALE_S = 0.5  # older guidance is no ground to move on
TICK_S = 0.03
STAY_S = 1.0  # square for this long, by what the server says, ends the walk


@dataclass(frozen=True, slots=True)
class Sample:
    """One guidance message beside the truth of the picture that it speaks of."""

    time_s: float
    true: Pose
    verdict: str
    offset_m: float | None
    yaw_deg: float | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a walk ended."""

    square: bool
    pose: Pose
    elapsed_s: float
    moves: int
    samples: tuple[Sample, ...]


async def walk(
    url: str,
    token: str,
    *,
    scene: Scene,
    seconds: float = 60.0,
    seed: int = 1,
    start: Pose = START,
    tell: Callable[[str], None] = print,
) -> Outcome:
    """Stream to the server and obey it until it has said square for a second, or time is up."""
    setup = Setup(view=scene.laid.view, handed=scene.laid.handed)
    async with connected(url, token, scene, setup, Stance(start), seed) as phone:
        tell(f"The simulated phone is connected: {_place(start)}.")
        return await _obey(phone, Hand(seed=seed), seconds, tell)


async def _obey(phone: Phone, hand: Hand, seconds: float, tell: Callable[[str], None]) -> Outcome:
    begin_s = last_s = time.monotonic()
    samples: list[Sample] = []
    told: tuple[Any, ...] | None = None
    square_from_s: float | None = None
    known_problems = 0
    while True:
        await asyncio.sleep(TICK_S)
        now_s = time.monotonic()
        message = phone.guidance if now_s - phone.arrived_s < STALE_S else None
        if phone.fresh.is_set() and message is not None:
            phone.fresh.clear()
            sample = _sample(phone, message, now_s - begin_s)
            samples.append(sample)
            heading = _heading(message)
            if heading != told:
                told = heading
                tell(_line(sample, message))
        for text in phone.problems[known_problems:]:
            tell(f"The server says: {text}")
        known_problems = len(phone.problems)
        square = message is not None and message.get("verdict") == "square"
        square_from_s = (square_from_s or now_s) if square else None
        seen_s = phone.seen_s(message) if message is not None else None
        hand, phone.stance = step(hand, phone.stance, message, now_s, now_s - last_s, seen_s)
        last_s = now_s
        held = square_from_s is not None and now_s - square_from_s >= STAY_S
        if held or phone.over or now_s - begin_s > seconds:
            return Outcome(held, phone.stance.pose, now_s - begin_s, hand.moves, tuple(samples))


def _sample(phone: Phone, message: dict[str, Any], time_s: float) -> Sample:
    shown = message.get("placement") or {}
    true = phone.track.pose_at(float(message.get("capture_s", 0.0)))
    return Sample(
        time_s, true, str(message.get("verdict")), shown.get("offset_m"), shown.get("yaw_deg")
    )


def _heading(message: dict[str, Any]) -> tuple[Any, ...]:
    """What makes an instruction another one: not its number, which changes with each picture."""
    first = (message.get("advice") or [{}])[0]
    return message.get("verdict"), first.get("move"), first.get("direction")


def _line(sample: Sample, message: dict[str, Any]) -> str:
    text = message.get("say") or message.get("reason") or message.get("verdict")
    true = sample.true
    line = f"{sample.time_s:5.1f} s  {text}"
    line += f"  [true: {true.offset_m * 100:+.1f} cm, {math.degrees(true.yaw_rad):+.1f}°"
    if sample.offset_m is not None and sample.yaw_deg is not None:
        line += f"; shown: {sample.offset_m * 100:+.1f} cm, {sample.yaw_deg:+.1f}°"
    return line + "]"


def _place(pose: Pose) -> str:
    side = "right" if pose.offset_m > 0 else "left"
    way = "right" if pose.yaw_rad > 0 else "left"
    return (
        f"{abs(pose.offset_m) * 100:.0f} cm to the {side} of its line, turned "
        f"{abs(math.degrees(pose.yaw_rad)):.0f}° to the {way}, "
        f"{pose.distance_m:.1f} m away, {pose.height_m:.1f} m high"
    )


def summary(outcome: Outcome) -> str:
    """How it ended, in one or two sentences."""
    pose = outcome.pose
    truth = (
        f"In truth {pose.offset_m * 100:+.1f} cm off the line, turned "
        f"{math.degrees(pose.yaw_rad):+.1f}°, rolled {math.degrees(pose.roll_rad):+.1f}°."
    )
    if outcome.square:
        return f"Square after {outcome.elapsed_s:.0f} s and {outcome.moves} moves. {truth}"
    return f"Not square after {outcome.elapsed_s:.0f} s and {outcome.moves} moves. {truth}"
