"""What `calibrate` and the page say about lenses, from `web/texts/LANGUAGE/guidance.json`."""

from __future__ import annotations

import math

from server.words import Z95, Plain, Speech, fill
from vision.board_live import BoardProgress
from vision.calibrate import Calibration, Fault, Refusal
from vision.coverage import CoverageHint
from vision.profile import Made, Profile

_PLAIN = Plain()
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


def refusal_text(refusal: Refusal, speech: Speech = _PLAIN) -> str:
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


def hint_texts(hints: tuple[CoverageHint, ...], speech: Speech = _PLAIN) -> list[str]:
    """What further views should show, one sentence each."""
    return [fill(speech, f"lens.hint.{hint.value}") for hint in hints]


def calibration_text(found: Calibration, speech: Speech = _PLAIN) -> str:
    """The result for a terminal: the lens, each view's residual, the check."""
    width, height = found.size
    k1, k2, p1, p2, k3 = found.bend
    used = [view for view in found.views if view.used]
    corners = sum(view.corners for view in used)
    lines = [
        f"focal length {found.focal_px:.2f} px (sigma {found.focal_sigma_px:.2f}) in pictures of "
        f"{width} x {height}",
        f"principal point {found.centre_px[0]:.2f}, {found.centre_px[1]:.2f} px (sigma "
        f"{found.centre_sigma_px:.2f})",
        f"distortion k1 {k1:.4f} (sigma {found.k1_sigma:.4f}), k2 {k2:.4f}, p1 {p1:.5f}, "
        f"p2 {p2:.5f}, k3 {k3:.4f}",
        f"residual {found.rms_px:.3f} px rms over {len(used)} views with {corners} corners; "
        f"each view held back in turn: at worst {found.held_back_px:.3f} px",
    ]
    for view in found.views:
        said = (
            f"{view.rms_px:.3f} px, held back {view.held_back_px:.3f} px, tilted "
            f"{math.degrees(view.tilt_rad):.0f}°"
            if view.used
            else f"{view.rms_px:.3f} px: left out, it does not fit the others"
        )
        lines.append(f"  {view.name}: {view.corners} corners, {said}")
    lines += [f"could be better: {hint}" for hint in hint_texts(found.hints, speech)]
    return "\n".join(lines)


def profile_text(profile: Profile) -> str:
    """One line about a profile."""
    key = profile.key
    of = "board views" if profile.made is Made.BOARD else "first looks"
    return (
        f"{profile.name}: focal length {profile.focal_px:.1f} px (sigma {profile.sigma_px:.1f}) "
        f"at {key.long_px} x {key.short_px}, from {profile.views} {of}; device "
        f"{key.device or '(none)'}, lens {key.lens or '(none)'}"
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
