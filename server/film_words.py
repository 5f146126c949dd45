"""What a film will be worth, in sentences: fills the `worth.` templates of the texts."""

from __future__ import annotations

import math

from server.words import INCH_M, Speech, fill, length_number
from vision.shake import Shake
from vision.worth import Worth

MPH_MPS = 0.44704  # exact: the international mile over the hour
KNOWN_SHAKE_M = 0.002  # less at the ball than any film shows


def worth_lines(worth: Worth, speech: Speech) -> list[str]:
    """One sentence for each thing worth knowing, what spoils most first."""
    lines = []
    if worth.light is not None and worth.light.against:
        lines.append(fill(speech, "worth.against"))
    if worth.shake is not None and worth.shake.told and worth.shake.ball_m >= KNOWN_SHAKE_M:
        lines.append(_shake(worth.shake, speech))
    camera = worth.camera
    if camera.slower and camera.fps is not None and camera.measured_fps is not None:
        fps, promised = f"{camera.measured_fps:.0f}", f"{camera.fps:.0f}"
        lines.append(fill(speech, "worth.slower", fps=fps, promised=promised))
    if worth.travel_m is not None and camera.real_fps is not None:
        key = "worth.travel.size" if camera.size else "worth.travel"
        lines.append(
            fill(
                speech,
                key,
                fps=f"{camera.real_fps:.0f}",
                size=" x ".join(map(str, camera.size or ())),
                travel=_length(worth.travel_m, speech),
                speed=_speed(worth.speed_mps, speech),
            )
        )
    if worth.blur_m is not None and camera.exposure_s is not None:
        lines.append(
            fill(
                speech,
                "worth.blur",
                exposure=f"{1 / camera.exposure_s:.0f}",
                blur=_length(worth.blur_m, speech),
            )
        )
    return lines


def _shake(shake: Shake, speech: Speech) -> str:
    angle = f"{math.degrees(shake.rms_rad):.2f}"
    return fill(speech, "worth.shake", angle=angle, ball=_small(shake.ball_m, speech))


def _length(metres: float, speech: Speech) -> str:
    number, unit = length_number(metres, speech.units)
    return fill(speech, f"amount.{unit}.one" if number == "1" else f"amount.{unit}", n=number)


def _small(metres: float, speech: Speech) -> str:
    if speech.units == "inches":
        return f"{metres / INCH_M:.1f} {fill(speech, 'unit.in')}"
    return f"{metres * 100:.1f} {fill(speech, 'unit.cm')}"


def _speed(speed_mps: float, speech: Speech) -> str:
    if speech.units == "inches":
        return fill(speech, "worth.mph", n=f"{speed_mps / MPH_MPS:.0f}")
    return fill(speech, "worth.mps", n=f"{speed_mps:.0f}")
