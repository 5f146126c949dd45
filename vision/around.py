"""A T that is seen from anywhere around it, to tell where it aims.

A lens that squares up stands in front of the stem, and any other T in the picture is refused. One
who asks where the target rod aims sees that best from behind it, where the stem points aside.
"""

from __future__ import annotations

from dataclasses import replace

from vision.pose import Pose, solve_pose
from vision.ribbon import end_for_end
from vision.rods import Reason, Rods
from vision.setup import Setup


def may_stand_aside(setup: Setup, wrong: Reason | None) -> bool:
    """Whether a T is refused only for where the lens stands, which an aim does not mind."""
    asked = setup.aim is not None and not setup.aim.moved
    return asked and wrong is Reason.T_TURNED


def solve_around(rods: Rods, size: tuple[int, int], setup: Setup) -> tuple[Rods, Pose]:
    """A T's pose from wherever it is seen, and its rods in the order that goes with it.

    Seen from behind the target line the target rod's left end, as seen from the stem's side, is
    the right one in the picture. Only one order leaves the stem where it is: the other one's T is
    a mirror image.
    """
    turned = replace(rods, first=end_for_end(rods.first))
    found = [(each, solve_pose(each, size, setup)) for each in (rods, turned)]
    return min(found, key=lambda one: one[1].cost)
