"""Stage 4: what the lens's error does to the film."""

from __future__ import annotations

import math
from dataclasses import dataclass

from vision.placement import Layout, Placement
from vision.setup import Handed, Setup, View

MIN_CLEARANCE_M = 0.3  # nearer than this to the lens, "drawn on the plane" has no meaning


@dataclass(frozen=True, slots=True)
class Effect:
    """How far the film misleads, each with one standard deviation; `None` where not of this view.

    `ball_shift_m` (face-on): + = the ball looks too far FORWARD (toward the target) in the stance.
    `club_path_shift_m` (down the line): + = the club looks too far OUTSIDE (toward the ball side)
    when the shaft is parallel to the ground; `club_path_deg` the same as an angle of the shaft.
    `tilt_deg`: added to every tilt read off the film, + = clockwise.
    Also `None`: a lens so near that ball or club would be beside or behind it.
    """

    ball_shift_m: float | None
    ball_shift_sigma_m: float | None
    club_path_shift_m: float | None
    club_path_shift_sigma_m: float | None
    club_path_deg: float | None
    club_path_sigma_deg: float | None
    tilt_deg: float
    tilt_sigma_deg: float


def parallax_shift_m(offset_m: float, distance_m: float, nearer_m: float) -> float:
    """Where a thing is drawn on the plane at `distance_m`, + = camera-right of its true place.

    Pinhole: a lens `offset_m` to the right of the line through the thing, which is `nearer_m`
    nearer than the plane, draws it at -offset * nearer / (distance - nearer).
    """
    return -offset_m * nearer_m / (distance_m - nearer_m)


def target_side(setup: Setup) -> float:
    """Face-on: +1 where the target is on the camera's right, else -1.

    Down the line the same number is +1 where the ball lies on the camera's right of the golfer.
    Right-handed is +1 in both views: facing the camera with the left shoulder to the target,
    and seen from behind standing left of the ball. Left-handed is the mirror image.
    """
    return 1.0 if setup.handed is Handed.RIGHT else -1.0


def film_effect(placement: Placement, layout: Layout, setup: Setup) -> Effect:
    """The film's errors by pinhole parallax, with sigma by linear propagation of `placement.cov`.

    The plane is the chest's and hands' (at `distance_m`); the thing nearer by b is face-on the
    ball (b = ball to toe line) and down the line the club head when the shaft is parallel to
    ground and target line (b = club length). Yaw about the lens changes no parallax. Roll is
    added with the opposite sign to every tilt read off the film.
    """
    p = placement
    e_m, var_e, cov_ed = _offset(p, layout, setup)
    b_m = setup.player.ball_m if setup.view is View.FACE_ON else setup.player.club_m
    tilt_deg, tilt_sigma_deg = -math.degrees(p.roll_rad), math.degrees(p.sigma("roll_rad"))
    near_m = p.distance_m - b_m
    if not near_m >= MIN_CLEARANCE_M:
        return Effect(None, None, None, None, None, None, tilt_deg, tilt_sigma_deg)

    side = target_side(setup)
    shift_m = side * parallax_shift_m(e_m, p.distance_m, b_m)
    d_e = -side * b_m / near_m
    d_d = side * e_m * b_m / near_m**2
    var = d_e**2 * var_e + d_d**2 * float(p.cov[1, 1]) + 2 * d_e * d_d * cov_ed
    sigma_m = math.sqrt(max(0.0, var))
    if setup.view is View.FACE_ON:
        return Effect(shift_m, sigma_m, None, None, None, None, tilt_deg, tilt_sigma_deg)
    slope = shift_m / b_m
    path_sigma = sigma_m / b_m / (1 + slope**2)
    return Effect(
        None,
        None,
        shift_m,
        sigma_m,
        math.degrees(math.atan(slope)),
        math.degrees(path_sigma),
        tilt_deg,
        tilt_sigma_deg,
    )


def _square_offset(layout: Layout, setup: Setup) -> tuple[float, float] | None:
    """Offset from the true perpendicular and its sigma, where the T's own angle is measured."""
    if setup.view is not View.FACE_ON or not layout.measured:
        return None
    if layout.square_offset_m is None or layout.square_offset_sigma_m is None:
        return None
    return layout.square_offset_m, layout.square_offset_sigma_m


def _offset(p: Placement, layout: Layout, setup: Setup) -> tuple[float, float, float]:
    """The offset that the film suffers from, its variance and its covariance with distance.

    Measured T: from the true perpendicular. Otherwise from the line as laid, and what the layout
    leaves open (its angle's sigma over the distance, for a T) is added in quadrature.
    """
    square = _square_offset(layout, setup)
    if square is not None:
        return square[0], square[1] ** 2, 0.0
    var = float(p.cov[0, 0])
    if setup.view is View.FACE_ON and math.isfinite(layout.sigma_rad):
        var += (p.distance_m * layout.sigma_rad) ** 2
    return p.offset_m, var, float(p.cov[0, 1])
