"""Gravity in the phone's axes -> pitch and roll, against the W3C definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.vision.pinhole import UP, place
from vision.errors import SetupError
from vision.setup import Handed, View
from vision.tilt import gravity_is_flipped, tilt_from_gravity

G = 9.80665


def device_reads(camera, screen_deg: float = 0.0) -> np.ndarray:
    """A resting device's accelerationIncludingGravity: g along the upward vertical, in its axes.

    Screen axes: x right as the camera's, y up, z out of the screen toward the person behind it.
    A device turned counterclockwise by the screen's angle carries its own axes with it.
    """
    right, down, forward = camera.rotation
    screen = np.array([right @ UP, -down @ UP, -forward @ UP]) * G
    a = math.radians(screen_deg)
    # device x axis, seen in the screen's axes, stands at +a (counterclockwise)
    x_axis = np.array([math.cos(a), math.sin(a), 0])
    y_axis = np.array([-math.sin(a), math.cos(a), 0])
    return np.array([screen @ x_axis, screen @ y_axis, screen[2]])


def test_w3c_screen_up_reads_plus_g_on_z():
    """W3C DeviceOrientation Event spec, example: device flat, screen upmost: (0, 0, 9.8)."""
    tilt = tilt_from_gravity((0, 0, 9.8), 0, flipped=False)
    assert math.degrees(tilt.pitch_rad) == pytest.approx(-90)  # the rear camera looks down
    # flat: which way the sign goes cannot be seen, and nothing is said
    assert tilt_from_gravity((0, 0, 9.8), 0) is None
    assert gravity_is_flipped((0, 0, 9.8), 0) is None


def test_upright_phone_looks_level():
    tilt = tilt_from_gravity((0, 9.8, 0), 0)
    assert (tilt.pitch_rad, tilt.roll_rad) == (pytest.approx(0), pytest.approx(0))
    assert tilt.sigma_rad == pytest.approx(math.radians(0.3))
    assert tilt.bias_sigma_rad == pytest.approx(math.radians(0.7))


@pytest.mark.parametrize("beta", [40, 80, 90, 100])
@pytest.mark.parametrize("gamma", [-20, 0, 15])
def test_w3c_worked_example_of_the_rear_camera(beta, gamma):
    """W3C DeviceOrientation Event spec, "worked example": R = Rz(alpha) Rx(beta) Ry(gamma).

    v' = R (0, 0, -1) is the direction out of the back of the screen, its third component
    -cos(beta) cos(gamma). (Matrices and result as remembered; the result is checked against R.)
    """
    a, b, g = (math.radians(v) for v in (30, beta, gamma))
    rz = [[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]]
    rx = [[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]]
    ry = [[math.cos(g), 0, math.sin(g)], [0, 1, 0], [-math.sin(g), 0, math.cos(g)]]
    earth_from_device = np.array(rz) @ np.array(rx) @ np.array(ry)
    back = earth_from_device @ [0, 0, -1]
    assert back[2] == pytest.approx(-math.cos(b) * math.cos(g))
    reading = earth_from_device.T @ [0, 0, G]
    tilt = tilt_from_gravity(reading, 0)
    assert math.sin(tilt.pitch_rad) == pytest.approx(back[2])


@pytest.mark.parametrize("screen_deg", [0, 90, 180, 270])
@pytest.mark.parametrize(("pitch", "roll"), [(0, 0), (-0.2, 0.05), (0.1, -0.15), (-1.0, 0.3)])
@pytest.mark.parametrize("flipped", [False, True])
def test_agrees_with_a_camera_held_so(screen_deg, pitch, roll, flipped):
    camera = place(View.FACE_ON, Handed.RIGHT, yaw=0.2, pitch=pitch, roll=roll)
    reading = device_reads(camera, screen_deg) * (-1 if flipped else 1)
    for known in (None, flipped):
        tilt = tilt_from_gravity(reading, screen_deg, flipped=known)
        assert tilt.pitch_rad == pytest.approx(pitch, abs=1e-9)
        assert tilt.roll_rad == pytest.approx(roll, abs=1e-9)
    assert gravity_is_flipped(reading, screen_deg) is flipped


def test_angle_counted_the_other_way_about():
    """With the sign known, a picture on its head can only be the screen angle's error."""
    camera = place(View.FACE_ON, Handed.RIGHT, pitch=-0.2, roll=0.05)
    tilt = tilt_from_gravity(device_reads(camera, 90), 270, flipped=False)
    assert tilt.pitch_rad == pytest.approx(-0.2)
    assert tilt.roll_rad == pytest.approx(0.05)


def test_turned_counterclockwise_is_screen_angle_90():
    """W3C Screen Orientation: the left side down is a device turned counterclockwise, 90 degrees.

    Its +x axis then points up (device axes as drawn in the DeviceOrientation spec).
    """
    tilt = tilt_from_gravity((9.8, 0, 0), 90)
    assert (tilt.pitch_rad, tilt.roll_rad) == (pytest.approx(0), pytest.approx(0))


@pytest.mark.parametrize(
    "reading",
    [(0, 0, 0), (0, 12, 0), (0, 5, 0), (math.nan, 9.8, 0), (math.inf, 0, 0), (9.8, 0, 0)],
)
def test_unusable_readings_say_nothing(reading):
    assert tilt_from_gravity(reading, 0) is None


def test_wrong_shape_is_misuse():
    with pytest.raises(SetupError, match="2 components"):
        tilt_from_gravity((0, 9.8), 0)


@given(pitch=st.floats(-1.2, 0.5), roll=st.floats(-0.6, 0.6))
def test_mirror_image_rolls_the_other_way(pitch, roll):
    reading = device_reads(place(View.FACE_ON, Handed.RIGHT, pitch=pitch, roll=roll))
    a = tilt_from_gravity(reading, 0)
    b = tilt_from_gravity(reading * [-1, 1, 1], 0)
    assert b.roll_rad == pytest.approx(-a.roll_rad) and b.pitch_rad == pytest.approx(a.pitch_rad)


def test_roll_is_less_sure_in_a_phone_that_looks_down():
    """Spread of atan2 of noisy gravity, sampled: an error along x turns the roll by 1 / cos."""
    rng = np.random.default_rng(5)
    sigma = np.deg2rad(0.3)
    for pitch in np.deg2rad([0.0, -30.0, -60.0, -75.0]):
        up = 9.80665 * np.array([0.0, np.cos(pitch), -np.sin(pitch)])
        noisy = up + rng.normal(0, sigma * 9.80665, (4000, 3))
        tilts = [tilt_from_gravity(g, 0.0, sigma, 0.0, flipped=False) for g in noisy]
        rolls = [tilt.roll_rad for tilt in tilts if tilt is not None]
        told = tilt_from_gravity(up, 0.0, sigma, 0.0, flipped=False).noise_rad
        assert np.std(rolls) == pytest.approx(told[1], rel=0.06)
        assert told[0] == pytest.approx(sigma)
