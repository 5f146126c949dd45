"""What `calibrate` and the page say about lenses, from `web/texts`."""

from __future__ import annotations

import math

from server.words import PLAIN, Z95, Plain, Speech, fill, named, pointed
from vision.board_live import BoardProgress
from vision.calibrate import Calibration, Fault, Refusal
from vision.coverage import CoverageHint
from vision.profile import Profile

_ANGLES = (Fault.NO_TILT, Fault.SAME_TILT)
# Arrows that the page can draw; a board goes the way the arrow points.
_ARROWS = {
    CoverageHint.TIP: "tilt-up",
    CoverageHint.SWING: "turn-left",
    CoverageHint.CLOSER: "forward",
    CoverageHint.UPPER_LEFT: "up",
    CoverageHint.UPPER_RIGHT: "up",
    CoverageHint.LOWER_LEFT: "down",
    CoverageHint.LOWER_RIGHT: "down",
}
_PIXELS = (Fault.RESIDUAL, Fault.HELD_BACK)


def refusal_text(refusal: Refusal, speech: Speech = PLAIN) -> str:
    """Why a set of views was refused, and what to do, in sentences."""
    found, limit = (_amount(refusal.fault, v) for v in (refusal.found, refusal.limit))
    said = fill(speech, f"lens.refused.{refusal.fault.value}", found=found, limit=limit)
    return " ".join([said, *hint_texts(refusal.hints, speech)])


def _amount(fault: Fault, value: float) -> str:
    if fault in _ANGLES:
        return f"{math.degrees(value):.0f}°"
    if fault in _PIXELS:
        return f"{value:.2f} px"
    if fault is Fault.FOCAL_UNSURE:
        return f"{100 * value:.1f} %"
    return f"{value:.0f}"


def hint_texts(hints: tuple[CoverageHint, ...], speech: Speech = PLAIN) -> list[str]:
    """What further views should show, one sentence each."""
    return [fill(speech, f"lens.hint.{hint.value}") for hint in hints]


def calibration_text(found: Calibration, speech: Speech = PLAIN) -> str:
    """The result for a terminal: the lens, each view's residual, the check."""
    width, height = (str(side) for side in found.size)
    used = [view for view in found.views if view.used]
    corners = str(sum(view.corners for view in used))
    focal, sigma = f"{found.focal_px:.2f}", f"{found.focal_sigma_px:.2f}"
    x, y = (f"{side:.2f}" for side in found.centre_px)
    bend = dict(zip(("k1", "k2", "p1", "p2", "k3"), found.bend, strict=True))
    bent = {name: f"{bend[name]:.{5 if name[0] == 'p' else 4}f}" for name in bend}
    rms, worst = f"{found.rms_px:.3f}", f"{found.held_back_px:.3f}"
    lines = [
        fill(speech, "calibrate.focal", focal=focal, sigma=sigma, width=width, height=height),
        fill(speech, "calibrate.centre", x=x, y=y, sigma=f"{found.centre_sigma_px:.2f}"),
        fill(speech, "calibrate.bend", sigma=f"{found.k1_sigma:.4f}", **bent),
        fill(speech, "calibrate.rms", rms=rms, views=str(len(used)), corners=corners, worst=worst),
    ]
    for view in found.views:
        what = fill(
            speech,
            "calibrate.view.used" if view.used else "calibrate.view.unused",
            rms=f"{view.rms_px:.3f}",
            worst=f"{view.held_back_px:.3f}",
            tilt=f"{math.degrees(view.tilt_rad):.0f}°",
        )
        seen = {"name": view.name, "corners": str(view.corners), "what": what}
        lines.append(named(speech, "calibrate.view", **seen))
    lines += [fill(speech, "calibrate.better", hint=h) for h in hint_texts(found.hints, speech)]
    return "\n".join(lines)


def profile_text(profile: Profile, speech: Speech = PLAIN) -> str:
    """One line about a profile."""
    key = profile.key
    nameless = fill(speech, "calibrate.profile.nameless")
    return named(
        speech,
        "calibrate.profile",
        name=profile.name,
        focal=pointed(f"{profile.focal_px:.1f}", speech),
        sigma=pointed(f"{profile.sigma_px:.1f}", speech),
        long=str(key.long_px),
        short=str(key.short_px),
        what=fill(speech, f"calibrate.profile.{profile.made.value}", n=str(profile.views)),
        device=key.device or nameless,
        lens=key.lens or nameless,
    )


def board_say(progress: BoardProgress, language: str = "en") -> str:
    """The one instruction while a lens is measured, as a sentence."""
    speech = Plain(language=language)
    if progress.found is not None:
        spread = max(1.0, Z95 * progress.found.focal_sigma_px)
        return fill(
            speech, "say.board.done", focal=f"{progress.found.focal_px:.0f}", spread=f"{spread:.0f}"
        )
    if not progress.seen:
        return fill(speech, "say.board.find")
    wished = fill(speech, f"lens.hint.{(progress.hints or (CoverageHint.MORE,))[0].value}")
    return fill(speech, "say.board.next", wish=wished)


def board_big(progress: BoardProgress, language: str = "en") -> dict[str, str]:
    """The same in huge type: how many views there are, and what the next should show."""
    speech = Plain(language=language)
    if progress.found is not None:
        return {"arrow": "ready", "number": "", "unit": "", "word": fill(speech, "word.board.done")}
    if not progress.seen:
        return {"arrow": "find", "number": "", "unit": "", "word": fill(speech, "word.board.find")}
    hint = (progress.hints or (CoverageHint.MORE,))[0]
    word = fill(speech, f"word.board.{hint.value}")
    return {
        "arrow": _ARROWS.get(hint, "hold"),
        "number": str(progress.kept),
        "unit": fill(speech, "word.board.views"),
        "word": word,
    }
