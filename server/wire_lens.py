"""Lens profiles as JSON: export, import, and the camera that a page says it has (docs/lens.md)."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from server.fields import Fields, shown
from server.lens_words import board_big, board_say, hint_texts, refusal_text
from vision.board_live import BoardProgress
from vision.calibrate import Calibration, Refusal
from vision.errors import SetupError
from vision.profile import LensKey, Made, Profile

FORMAT = "teesquare lens profiles"
VERSION = 1
MAX_NAME = 200

_KEYS = (
    "name",
    "device",
    "lens",
    "made",
    "size",
    "focal_px",
    "sigma_px",
    "centre_px",
    "centre_sigma_px",
    "distortion",
    "k1_sigma",
    "rms_px",
    "held_back_px",
    "views",
)
_BEND = ("k1", "k2", "p1", "p2", "k3")
_BIG = 1e6


def profiles_to_json(profiles: Sequence[Profile]) -> str:
    """The export, indented for people."""
    held = {"format": FORMAT, "version": VERSION, "profiles": [_profile(p) for p in profiles]}
    return json.dumps(held, indent=2, allow_nan=False, ensure_ascii=False) + "\n"


def profiles_from_json(text: str) -> list[Profile]:
    """The profiles of an export. Raises SetupError with a sentence that says what is wrong."""
    try:
        obj = json.loads(text)
    except (ValueError, RecursionError) as wrong:
        raise SetupError("the file is not JSON: give one that --export has written") from wrong
    if not isinstance(obj, dict) or obj.get("format") != FORMAT:
        raise SetupError("the file holds no lens profiles: give one that --export has written")
    if obj.get("version") != VERSION:
        raise SetupError(
            f"the file's version is {shown(obj.get('version'))}, this program reads {VERSION}: "
            "update it, or export again"
        )
    held = obj.get("profiles")
    if not isinstance(held, list):
        raise SetupError(f"profiles is {shown(held)}: give a list")
    return [_read(item) for item in held]


def _profile(profile: Profile) -> dict[str, Any]:
    return {
        "name": profile.name,
        "device": profile.key.device,
        "lens": profile.key.lens,
        "made": profile.made.value,
        "size": list(profile.size),
        "focal_px": profile.focal_px,
        "sigma_px": profile.sigma_px,
        "centre_px": profile.centre_px and list(profile.centre_px),
        "centre_sigma_px": profile.centre_sigma_px,
        "distortion": dict(zip(_BEND, profile.bend, strict=True)),
        "k1_sigma": profile.k1_sigma,
        "rms_px": profile.rms_px,
        "held_back_px": profile.held_back_px,
        "views": profile.views,
    }


def _read(obj: object) -> Profile:
    fields = Fields(obj, "profile", _KEYS)
    bend = Fields(fields.get("distortion", {}), "distortion", _BEND)
    name = _text(fields, "name")
    if not name:
        raise SetupError("a profile has no name: give it one under the key name")
    size = _pair(fields, "size", 1e5)
    centre = _pair(fields, "centre_px", 1e5) if fields.has("centre_px") else None
    width, height = (int(side) for side in size)
    return Profile(
        name=name,
        key=LensKey.of(_text(fields, "device"), _text(fields, "lens"), (width, height)),
        made=fields.choice("made", Made, Made.BOARD),
        size=(width, height),
        focal_px=fields.number("focal_px", 10.0, _BIG, "pixels"),
        sigma_px=fields.number("sigma_px", 1e-3, _BIG, "pixels"),
        centre_px=centre,
        centre_sigma_px=fields.optional("centre_sigma_px", 1e-3, _BIG, "pixels", None),
        bend=(
            bend.number("k1", -10.0, 10.0, "no unit", 0.0),
            bend.number("k2", -100.0, 100.0, "no unit", 0.0),
            bend.number("p1", -1.0, 1.0, "no unit", 0.0),
            bend.number("p2", -1.0, 1.0, "no unit", 0.0),
            bend.number("k3", -1000.0, 1000.0, "no unit", 0.0),
        ),
        k1_sigma=fields.optional("k1_sigma", 1e-6, 10.0, "no unit", None),
        rms_px=fields.optional("rms_px", 0.0, _BIG, "pixels", None),
        held_back_px=fields.optional("held_back_px", 0.0, _BIG, "pixels", None),
        views=int(fields.number("views", 0, 1e6, "views", 0)),
    )


def camera_from_json(obj: object) -> LensKey:
    """The setup message's `camera` {device, lens, size}. Raises SetupError."""
    fields = Fields(obj, "camera", ("device", "lens", "size"))
    width, height = (int(side) for side in _pair(fields, "size", 1e5))
    return LensKey.of(_text(fields, "device"), _text(fields, "lens"), (width, height))


def _text(fields: Fields, key: str) -> str:
    value = fields.get(key, "")
    if not isinstance(value, str) or len(value) > MAX_NAME or not value.isprintable():
        raise SetupError(f"{key} is {shown(value)}: give a name of at most {MAX_NAME} letters")
    return value


def _pair(fields: Fields, key: str, most: float) -> tuple[float, float]:
    value = fields.get(key, None)
    if not (
        isinstance(value, list)
        and len(value) == 2
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
        and all(-most <= v <= most for v in value)
    ):
        raise SetupError(f"{key} is {shown(value)}: give two numbers, such as [1280, 720]")
    return float(value[0]), float(value[1])


def board_to_json(progress: BoardProgress, language: str) -> dict[str, Any]:
    """What a guidance message says while a lens is measured, over what it says of rods."""
    return {
        "say": board_say(progress, language),
        "big": board_big(progress, language),
        "notes": [refusal_text(progress.refused)] if progress.refused is not None else [],
        "board": {"kept": progress.kept, "done": progress.found is not None},
    }


def calibration_to_json(found: Calibration | Refusal, name: str | None) -> str:
    """What `calibrate --json` prints: one object in one line."""
    if isinstance(found, Refusal):
        refused = {
            "profile": None,
            "refused": found.fault.value,
            "reason": refusal_text(found),
            "found": found.found,
            "limit": found.limit,
            "hints": [hint.value for hint in found.hints],
        }
        return json.dumps(refused, allow_nan=False)
    line = {
        "profile": name,
        "refused": None,
        "size": list(found.size),
        "focal_px": found.focal_px,
        "focal_sigma_px": found.focal_sigma_px,
        "centre_px": list(found.centre_px),
        "centre_sigma_px": found.centre_sigma_px,
        "distortion": dict(zip(_BEND, found.bend, strict=True)),
        "k1_sigma": found.k1_sigma,
        "rms_px": found.rms_px,
        "held_back_px": found.held_back_px,
        "views": [
            {
                "name": view.name,
                "corners": view.corners,
                "rms_px": view.rms_px,
                "held_back_px": view.held_back_px if view.used else None,
                "used": view.used,
            }
            for view in found.views
        ],
        "hints": [hint.value for hint in found.hints],
        "hint_texts": hint_texts(found.hints),
    }
    return json.dumps(line, allow_nan=False)
