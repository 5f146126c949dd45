"""The swing's envelope: where head, hands, club head, feet and ball go, in the ground frame.

From body height and club length. All proportions are common practice, no source
(docs/trade.md); they are meant to hold a full swing of a full-sized golfer, not to measure one.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from vision.setup import Handed, Setup


class Part(StrEnum):
    """Parts of the swing's envelope. Keys of the texts file (`part.<value>`)."""

    HEAD = "head"
    HANDS_TOP = "hands-top"
    HANDS_FINISH = "hands-finish"
    CLUB_HEAD_TOP = "club-head-top"
    CLUB_HEAD_SIDE = "club-head-side"
    CLUB_HEAD_FINISH = "club-head-finish"
    FEET = "feet"
    BALL = "ball"


# (part, body heights along (to the target, forward from the toes, up), club lengths likewise).
# The ball's distance is the player's own and is added apart.
_ENVELOPE: tuple[tuple[Part, tuple[float, float, float], tuple[float, float, float]], ...] = (
    (Part.HEAD, (-0.12, 0.05, 1.00), (0, 0, 0)),
    (Part.HEAD, (0.12, 0.00, 1.02), (0, 0, 0)),
    (Part.HANDS_TOP, (-0.20, -0.10, 1.05), (0, 0, 0)),
    (Part.HANDS_TOP, (-0.08, -0.15, 1.05), (0, 0, 0)),
    (Part.HANDS_FINISH, (0.20, -0.10, 1.02), (0, 0, 0)),
    (Part.HANDS_FINISH, (0.08, -0.20, 1.02), (0, 0, 0)),
    # lead arm level, shaft upright: the highest point of the backswing
    (Part.CLUB_HEAD_TOP, (-0.30, -0.05, 0.80), (-0.20, -0.20, 0.96)),
    # at the top the shaft points to the target
    (Part.CLUB_HEAD_TOP, (-0.14, -0.12, 1.05), (0.95, -0.10, 0.10)),
    # shaft level and along the target line, hands at the thigh: the widest points
    (Part.CLUB_HEAD_SIDE, (-0.22, 0.12, 0.50), (-1.00, 0.00, 0.00)),
    (Part.CLUB_HEAD_SIDE, (0.22, 0.12, 0.50), (1.00, 0.00, 0.00)),
    # half-way up on either side
    (Part.CLUB_HEAD_SIDE, (-0.30, 0.05, 0.65), (-0.70, -0.10, 0.70)),
    (Part.CLUB_HEAD_SIDE, (0.30, 0.05, 0.65), (0.70, -0.10, 0.70)),
    # through the ball the shaft is upright again, then hangs behind the back
    (Part.CLUB_HEAD_FINISH, (0.30, -0.05, 0.80), (0.20, -0.20, 0.96)),
    (Part.CLUB_HEAD_FINISH, (0.08, -0.20, 1.02), (-0.70, -0.50, -0.30)),
    # heels and toes
    (Part.FEET, (-0.20, 0.00, 0.00), (0, 0, 0)),
    (Part.FEET, (0.20, 0.00, 0.00), (0, 0, 0)),
    (Part.FEET, (-0.20, -0.16, 0.00), (0, 0, 0)),
    (Part.FEET, (0.20, -0.16, 0.00), (0, 0, 0)),
    (Part.BALL, (0.00, 0.00, 0.00), (0, 0, 0)),
    (Part.BALL, (0.08, 0.00, 0.02), (0, 0, 0)),
)


def facing_y(setup: Setup) -> float:
    """The y direction (+1 or -1) in which the golfer faces, in both views.

    +X is the target and Z up, so whoever has the target at the left hand faces -Y: a
    right-handed golfer. The ball lies on that side of the toe line, the body on the other.
    """
    return -1.0 if setup.handed is Handed.RIGHT else 1.0


def swing_envelope(setup: Setup) -> tuple[NDArray[np.float64], tuple[Part, ...]]:
    """Points (n, 3) in ground metres with the part that each belongs to.

    The toes are on the x axis (the target rod of a T, the toe rod of a pair), mid-chest at x = 0
    (above the T's junction, or the middle of the toe rod).
    """
    player = setup.player
    parts = tuple(part for part, _, _ in _ENVELOPE)
    body = np.array([b for _, b, _ in _ENVELOPE], dtype=np.float64)
    club = np.array([c for _, _, c in _ENVELOPE], dtype=np.float64)
    points = body * player.height_m + club * player.club_m
    points[:, 1] += np.array([player.ball_m if part is Part.BALL else 0.0 for part in parts])
    points[:, 1] *= facing_y(setup)
    return points, parts
