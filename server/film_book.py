"""What outlives one connection: running films, locked places, and the way to the records."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

import cv2
import numpy as np

from server import annotate, words
from server.drift_row import Row
from server.drift_words import drift_text
from server.wire import Stated
from vision.drift import Drift
from vision.drift_solve import Reference
from vision.frame import Frame
from vision.reading import Reading
from vision.steady import Steady

MOST_LOCKS = 64  # phones whose locked place is remembered


@dataclass(frozen=True, slots=True, eq=False)
class Lock:
    """The reading and picture at which a place was locked; `reference` None: it never was.

    `steady`: how the rods were seen over the seconds before. `again`: the earlier film to whose
    place the phone had been led.
    """

    reference: Reference | None
    reading: Reading
    frame: Frame
    steady: Steady | None = None
    again: str | None = None


class Keeper(Protocol):
    """Where records of films are kept. Times are Unix seconds."""

    def begin(
        self, film: str, begun_s: float, lock: Lock, worth: dict[str, Any], stated: Stated
    ) -> None:
        """A film begins; one that is known already goes on."""

    def sample(self, film: str, row: Row) -> None:
        """One more drift sample."""

    def finish(
        self, film: str, ended_s: float, picture: bytes | None, worth: dict[str, Any]
    ) -> None:
        """A film has ended; without a `picture` the one of its begin stays."""


class FilmBook:
    """Shared by all sessions of a server, so that a film survives its connection."""

    def __init__(
        self, keeper: Keeper | None = None, clock: Callable[[], float] = time.time
    ) -> None:
        self.keeper = keeper
        self._clock = clock
        self._mutex = threading.Lock()
        self._locks: dict[str, Lock] = {}
        self._begun_s: dict[str, float] = {}

    def now_s(self) -> float:
        """Unix seconds."""
        return self._clock()

    def keep_lock(self, phone: str, lock: Lock) -> None:
        """Remember where a phone was locked, for its next connection."""
        with self._mutex:
            self._locks.pop(phone, None)
            self._locks[phone] = lock
            while len(self._locks) > MOST_LOCKS:
                self._locks.pop(next(iter(self._locks)))

    def lock_of(self, phone: str) -> Lock | None:
        """Where the phone was locked last, None if nobody knows."""
        with self._mutex:
            found = self._locks.get(phone) if phone else None
        return found if found is not None and found.reference is not None else None

    def begin(
        self, film: str, since_s: float, lock: Lock, worth: dict[str, Any], stated: Stated
    ) -> None:
        """A film began `since_s` ago; told again of a known one (a new connection), it goes on."""
        with self._mutex:
            if film in self._begun_s:
                return
            begun_s = self._begun_s[film] = self._clock() - since_s
        if self.keeper is not None:
            self.keeper.begin(film, begun_s, lock, worth, stated)

    def sample(self, film: str, drift: Drift) -> None:
        """Where the camera of a running film stands now."""
        if self.keeper is not None:
            self.keeper.sample(film, row_of(drift, self._clock()))

    def finish(
        self,
        film: str,
        lasted_s: float,
        picture: bytes | None,
        worth: dict[str, Any],
        ago_s: float = 0.0,
    ) -> None:
        """A film has ended after `lasted_s`, `ago_s` ago."""
        with self._mutex:
            begun_s = self._begun_s.pop(film, None)
        ended_s = self._clock() - ago_s if begun_s is None else begun_s + lasted_s
        if self.keeper is not None:
            self.keeper.finish(film, ended_s, picture, worth)


def row_of(drift: Drift, at_s: float) -> Row:
    """A drift as the log keeps it."""
    move = drift.move
    if move is None:
        return Row(at_s, drift.watch.value)
    six = tuple(np.concatenate([move.move_m, move.turn_rad]).tolist())
    return Row(at_s, drift.watch.value, six, move.distance_sigma_m, move.angle_sigma_rad)


def still(lock: Lock, drift: Drift | None, stated: Stated) -> bytes | None:
    """The locked picture as JPEG with rods, numbers, effect and drift drawn on it."""
    reading, frame = lock.reading, lock.frame
    lines = [words.say(reading, stated), _numbers(reading), words.effect_text(reading, stated)]
    if drift is not None:
        lines.append(drift_text(drift, stated))
    planes = (frame.u, frame.v)
    size = (frame.width, frame.height)
    cb, cr = (cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR) for plane in planes)
    bgr = np.asarray(cv2.cvtColor(np.dstack([frame.y, cr, cb]), cv2.COLOR_YCrCb2BGR), np.uint8)
    drawn = annotate.draw(bgr, reading, [line for line in lines if line])
    done, data = cv2.imencode(".jpg", drawn, [cv2.IMWRITE_JPEG_QUALITY, 88])
    return bytes(data.tobytes()) if done else None


def _numbers(reading: Reading) -> str:
    place = reading.placement
    if place is None:
        return ""
    parts = [
        f"{name} {value * scale:.1f} +- {1.96 * place.sigma(key) * scale:.1f} {unit}"
        for name, key, value, scale, unit in (
            ("offset", "offset_m", place.offset_m, 100.0, "cm"),
            ("turn", "yaw_rad", place.yaw_rad, 57.29578, "deg"),
            ("roll", "roll_rad", place.roll_rad, 57.29578, "deg"),
            ("height", "height_m", place.height_m, 100.0, "cm"),
            ("distance", "distance_m", place.distance_m, 100.0, "cm"),
        )
    ]
    return ", ".join(parts)
