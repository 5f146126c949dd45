"""Where the camera films from, for whom, and what the rods are called then."""

from __future__ import annotations

from enum import StrEnum


class View(StrEnum):
    """Where the camera films from."""

    FACE_ON = "face-on"
    DOWN_THE_LINE = "down-the-line"


class Handed(StrEnum):
    """The golfer's handedness."""

    RIGHT = "right"
    LEFT = "left"


class Role(StrEnum):
    """What a rod is for. T: target and stem. Pair: toe and ball."""

    TARGET = "target"
    STEM = "stem"
    TOE = "toe"
    BALL = "ball"


class Line(StrEnum):
    """Down the line: the line on which the lens belongs."""

    TOE = "toe"
    HANDS = "hands"
    MIDDLE = "middle"


ROLES: dict[View, tuple[Role, Role]] = {
    View.FACE_ON: (Role.TARGET, Role.STEM),
    View.DOWN_THE_LINE: (Role.TOE, Role.BALL),
}
