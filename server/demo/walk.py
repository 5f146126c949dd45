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
from server.sentence import Sentence
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
    language: str = "en",
    tell: Callable[[str], None] = print,
) -> Outcome:
    """Stream to the server and obey it until it has said square for a second, or time is up.

    The server speaks to the phone in `language`; `tell` gets Sentences.
    """
    setup = Setup(view=scene.laid.view, handed=scene.laid.handed)
    async with connected(url, token, scene, setup, Stance(start), seed, language) as phone:
        tell(_begun(start))
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
            tell(Sentence("demo.told.problem", text=text))
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


def _line(sample: Sample, message: dict[str, Any]) -> Sentence:
    text = message.get("say") or message.get("reason") or message.get("verdict")
    line: dict[str, str | float] = {
        "seconds": round(sample.time_s, 1),
        "text": str(text),
        "offset_cm": round(sample.true.offset_m * 100, 1),
        "yaw_deg": round(math.degrees(sample.true.yaw_rad), 1),
    }
    if sample.offset_m is None or sample.yaw_deg is None:
        return Sentence("demo.told.step.blind", **line)
    shown = {
        "shown_cm": round(sample.offset_m * 100, 1),
        "shown_deg": round(sample.yaw_deg, 1),
    }
    return Sentence("demo.told.step", **line, **shown)


def _begun(pose: Pose) -> Sentence:
    return Sentence(
        "demo.told.begun",
        side=_side(pose.offset_m),
        way=_side(pose.yaw_rad),
        offset_cm=round(abs(pose.offset_m) * 100),
        yaw_deg=round(abs(math.degrees(pose.yaw_rad))),
        distance_m=round(pose.distance_m, 1),
        height_m=round(pose.height_m, 1),
    )


def _side(right: float) -> Sentence:
    return Sentence("demo.told.right" if right > 0 else "demo.told.left")


def summary(outcome: Outcome) -> Sentence:
    """How it ended, in two sentences."""
    pose = outcome.pose
    return Sentence(
        "demo.told.square" if outcome.square else "demo.told.unsquare",
        seconds=round(outcome.elapsed_s),
        moves=outcome.moves,
        truth=Sentence(
            "demo.told.truth",
            offset_cm=round(pose.offset_m * 100, 1),
            yaw_deg=round(math.degrees(pose.yaw_rad), 1),
            roll_deg=round(math.degrees(pose.roll_rad), 1),
        ),
    )
