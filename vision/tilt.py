"""The phone's motion sensor: one reading of gravity -> pitch and roll of the rear camera.

Axes and signs: W3C DeviceOrientation Event specification (device frame: x right, y up along the
screen in the natural orientation, z out of the screen; a device at rest, screen up, reports
(0, 0, +9.8) as `accelerationIncludingGravity`) and W3C Screen Orientation (a device turned 90
degrees counterclockwise has the angle 90).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from vision.errors import SetupError
from vision.setup import Tilt

STANDARD_GRAVITY_MPS2 = 9.80665  # CGPM 1901
MAX_SHAKE_MPS2 = 1.0  # a phone at rest reads gravity alone; more than this off and it is moving
LEAST_LEVEL = 0.05  # cosine of the steepest pitch of which a roll is told
MIN_UPRIGHT = 0.2  # share of gravity along the screen that settles the sign (11 degrees)


def _on_screen(gravity_mps2: Sequence[float], screen_deg: float) -> tuple[float, float, float]:
    """Device axes -> axes of the picture as shown: x right, y up, z out of the screen."""
    if len(gravity_mps2) != 3:
        raise SetupError(
            f"gravity has {len(gravity_mps2)} components: give x, y and z in the device's axes"
        )
    x, y, z = (float(v) for v in gravity_mps2)
    a = math.radians(screen_deg)
    return x * math.cos(a) - y * math.sin(a), x * math.sin(a) + y * math.cos(a), z


def gravity_is_flipped(gravity_mps2: Sequence[float], screen_deg: float) -> bool | None:
    """Whether this device reports the opposite of the W3C sign (iOS does); None if undecided.

    A phone that stands shows its picture the right way up, so the upward reading of the standard
    must have a positive part along the screen's y; where it is negative, the sign is flipped.
    Undecided while the phone lies (nearly) flat or the reading is unusable. The sign belongs to
    the device: decide once, then hand it to `tilt_from_gravity`.
    """
    _, y, _ = _on_screen(gravity_mps2, screen_deg)
    norm = math.hypot(*(float(v) for v in gravity_mps2))
    if not math.isfinite(norm) or norm == 0 or abs(y) < MIN_UPRIGHT * norm:
        return None
    return y < 0


def tilt_from_gravity(
    gravity_mps2: Sequence[float],
    screen_deg: float,
    sigma_rad: float = math.radians(0.3),
    bias_sigma_rad: float = math.radians(0.7),
    *,
    flipped: bool | None = None,
) -> Tilt | None:
    """Pitch (+ looking up) and roll (+ clockwise, seen from behind the phone) in radians.

    `gravity_mps2` (3,): accelerationIncludingGravity in the device's axes, m/s^2.
    `screen_deg`: `screen.orientation.angle`. `flipped`: the device reports the opposite sign, as
    iOS does; None settles it from this very reading by `gravity_is_flipped`: the rear camera of a
    standing phone gives a picture that is the right way up.
    None for a reading that says nothing: not finite, shaken (length more than 1 m/s^2 from
    standard gravity), or too flat for its sign to be settled. Raises SetupError unless 3 numbers.

    With the unit upward vector (x, y, z) in screen axes the rear camera looks along -z, so
    pitch = asin(-z) (the specification's worked example: the third component of the vector out of
    the back of the screen is -cos(beta) cos(gamma)), and roll = atan2(-x, y).
    The two sigmas are measured figures of phone sensors from the project's design, not promises
    of a data sheet.
    """
    x, y, z = _on_screen(gravity_mps2, screen_deg)
    norm = math.hypot(x, y, z)
    if not math.isfinite(norm) or abs(norm - STANDARD_GRAVITY_MPS2) > MAX_SHAKE_MPS2:
        return None
    if flipped is None:
        flipped = gravity_is_flipped(gravity_mps2, screen_deg)
        if flipped is None:
            return None
    sign = -1.0 if flipped else 1.0
    x, y, z = sign * x / norm, sign * y / norm, sign * z / norm
    if y < -MIN_UPRIGHT:
        # Some devices count the screen's angle the other way about: the picture is never shown
        # on its head, so half a turn in the screen's plane is the angle's error.
        x, y = -x, -y
    pitch_rad = math.asin(max(-1.0, min(1.0, -z)))
    # An error e of gravity along x turns the roll by e / cos(pitch); of the fixed error so much as
    # is more than it is in a level phone.
    level = max(math.cos(pitch_rad), LEAST_LEVEL)
    roll_sigma_rad = math.hypot(sigma_rad, bias_sigma_rad * (1.0 - level)) / level
    return Tilt(pitch_rad, math.atan2(-x, y), sigma_rad, bias_sigma_rad, roll_sigma_rad)
