"""What a film will be worth, before it is shot: club-head travel, blur, light, shake."""

from __future__ import annotations

from dataclasses import dataclass

from vision.backlight import Light
from vision.errors import SetupError
from vision.setup import Player
from vision.shake import Shake

PROMISED = 0.9  # of the promised rate: less really coming is told


@dataclass(frozen=True, slots=True)
class Camera:
    """What the camera gives: `fps` promised and measured, `exposure_s` of a picture, if known."""

    fps: float | None = None
    measured_fps: float | None = None
    exposure_s: float | None = None
    size: tuple[int, int] | None = None

    def __post_init__(self) -> None:
        for what in (self.fps, self.measured_fps, self.exposure_s):
            if what is not None and not what > 0:
                raise SetupError(f"a rate or exposure of {what:g} cannot be: give more than 0")

    @property
    def real_fps(self) -> float | None:
        """The measured rate where there is one, else the promised one."""
        return self.measured_fps if self.measured_fps is not None else self.fps

    @property
    def slower(self) -> bool:
        """Whether clearly fewer pictures come than were promised."""
        return (
            self.fps is not None
            and self.measured_fps is not None
            and self.measured_fps < PROMISED * self.fps
        )


@dataclass(frozen=True, slots=True)
class Worth:
    """`travel_m` of the club head at the ball from one picture to the next, `blur_m` within one."""

    camera: Camera
    speed_mps: float
    travel_m: float | None
    blur_m: float | None
    light: Light | None = None
    shake: Shake | None = None


def worth(
    camera: Camera, player: Player, light: Light | None = None, shake: Shake | None = None
) -> Worth:
    """Way = speed x time, for the time between pictures and for the exposure."""
    speed = player.speed_mps
    rate = camera.real_fps
    return Worth(
        camera,
        speed,
        None if rate is None else speed / rate,
        None if camera.exposure_s is None else speed * camera.exposure_s,
        light,
        shake,
    )
