"""A crowd's phones that stand: between two measurements, what was said last is said again.

Most of a dozen phones stand still while somebody walks to one of them. Their pictures are all
looked at, and measured as soon as one shows something else; but what has shown nothing new for a
second is measured once a second instead of eleven times. Only a phone that stands wrong rests:
before "square" is said each picture is measured, as it is where a place is watched, while filming,
while led back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import av

from server.planes import luma_of
from vision.reading import Reading
from vision.rest import Landmarks, landmarks, unmoved
from vision.rods import Rods

REST_S = 1.0
CALM_S = 1.0  # after each change: the instruction follows pictures that were measured


def never() -> float:
    """No rest: every picture is measured."""
    return 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """What was said of the last measured picture, of `time_s`, and what it showed at the rods.

    `given`: all that vision was told beside the picture.
    """

    time_s: float
    given: tuple[object, ...]
    reading: Reading
    message: dict[str, Any]
    marks: Landmarks


class Rest:
    """`rest_s` gives how long (seconds) a phone may rest now; 0 for not at all."""

    def __init__(self, rest_s: Callable[[], float] = never) -> None:
        self._rest_s = rest_s
        self._last: Measured | None = None
        self._changed_s = float("-inf")

    def holds(
        self, picture: av.VideoFrame, given: tuple[object, ...], time_s: float
    ) -> Measured | None:
        """What still holds of this picture; None: it must be measured."""
        last = self._last
        if last is None:
            return None
        luma = luma_of(picture)
        same = last.given == given and luma is not None and unmoved(last.marks, luma)
        if not same or time_s < last.time_s:
            self._changed_s = time_s
        calm = time_s - self._changed_s >= CALM_S
        return last if calm and time_s - last.time_s < self._rest_s() else None

    def measured(
        self,
        picture: av.VideoFrame,
        given: tuple[object, ...],
        time_s: float,
        reading: Reading,
        message: dict[str, Any],
    ) -> None:
        """A picture has been measured, and this was said of it."""
        before, self._last = self._last, None
        luma, rods = luma_of(picture), reading.rods
        if self._rest_s() <= 0 or luma is None or not isinstance(rods, Rods):
            return
        marks = landmarks(luma, rods)
        if marks is not None:
            self._last = Measured(time_s, given, reading, message, marks)
        if before is None:
            self._changed_s = time_s
