"""What is kept of one film: who, when, where the lens stood and how surely, and what came after."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.drift_row import Row
from vision.effect import Effect
from vision.errors import TeesquareError
from vision.placement import Layout, Placement
from vision.profile import LensKey
from vision.reading import Reading
from vision.rods import Rods
from vision.setup import Lens, LensSource, Setup
from vision.standing import Standing, shared_errors
from vision.steady import Steady

MAX_NAME = 200  # letters of a player's or a bay's name
_FILM = re.compile(r"[A-Za-z0-9_-]{1,64}")


class RecordError(TeesquareError):
    """A record that cannot be; the message says what to do."""


class NotKept(RecordError):
    """There is no such film or person in the records."""


class SpoiltRecord(RecordError):
    """A record that is there and cannot be read: of a newer program, or broken."""


@dataclass(frozen=True, slots=True)
class StartOffset:
    """Another film of the same swing: this one began `offset_s` later than that (1 sigma)."""

    film: str
    offset_s: float
    sigma_s: float


@dataclass(frozen=True, slots=True, eq=False)
class FilmRecord:
    """One film. Times are Unix seconds; what is not known is None.

    `film`: 1 to 64 letters, digits, `-` and `_`. `player` and `bay` as typed, `phone` the number
    that the phone's page keeps. `verdict`, `placement`, `layout`, `effect`, `lens`, `rods_px`
    (in a picture of `size`) are the reading at the lock; `shared` (6, n) as in `vision.standing`.
    `profile`: name of the lens's profile. `drift`: samples while filming. `worth`: what the film
    is worth. `again`: the earlier film whose place this one was led to. `steady`: how the rods were
    seen over the seconds before the lock. `unfinished`: the server ended before it heard of the
    film's end.
    """

    film: str
    begun_s: float
    setup: Setup = field(default_factory=Setup)
    ended_s: float | None = None
    player: str = ""
    bay: str = ""
    phone: str = ""
    camera: LensKey | None = None
    lens: Lens | None = None
    profile: str | None = None
    size: tuple[int, int] | None = None
    rods_px: tuple[tuple[tuple[float, float], tuple[float, float]], ...] = ()
    verdict: str = "not-found"
    placement: Placement | None = None
    shared: NDArray[np.float64] | None = None
    layout: Layout | None = None
    effect: Effect | None = None
    drift: tuple[Row, ...] = ()
    worth: Mapping[str, Any] | None = None
    again: str | None = None
    steady: Steady | None = None
    offset: StartOffset | None = None
    versions: Mapping[str, str] = field(default_factory=dict)
    unfinished: bool = False

    def __post_init__(self) -> None:
        if not _FILM.fullmatch(self.film):
            raise RecordError(
                f"a film cannot be called {self.film[:80]!r}: take 1 to 64 letters, digits, - or _"
            )
        for what in (self.player, self.bay, self.phone):
            if len(what) > MAX_NAME:
                raise RecordError(
                    f"a name of {len(what)} letters is too long: take at most {MAX_NAME}"
                )

    @property
    def kit(self) -> str:
        """Phone, lens and rods in one word."""
        return kit_of(self.phone, self.camera, self.setup)

    @property
    def standing(self) -> Standing | None:
        """Where the lens stood, for comparisons; None where it was not found."""
        if self.placement is None:
            return None
        shared = np.zeros((6, 0)) if self.shared is None else self.shared
        return Standing(self.placement, shared, self.kit)


def kit_of(phone: str, camera: LensKey | None, setup: Setup) -> str:
    """Phone, lens and rods in one word, the same for the same kit; "" where one is not known.

    Rods whose length was not stated are like others of which nobody stated any, and like none else.
    """
    if not phone or camera is None:
        return ""
    stated = (setup.rod_lengths_m.get(role) for role in setup.roles)
    rods = ",".join("" if length is None else f"{length:.4f}" for length in stated)
    return "|".join((phone, camera.device, camera.lens, rods))


def person(name: str) -> str:
    """A name as it is compared: letter case, spaces and ways of writing an accent do not matter."""
    # Lone surrogates, which no file can hold, become question marks.
    plain = unicodedata.normalize("NFKC", clean(name)).casefold()
    return " ".join(plain.split())


def clean(name: str) -> str:
    """A name as typed, but for letters that no UTF-8 text can hold, and for NUL."""
    return name.encode("utf-8", "replace").decode("utf-8").replace("\0", "?")


def record_of(
    reading: Reading,
    size: tuple[int, int],
    *,
    film: str,
    begun_s: float,
    player: str = "",
    bay: str = "",
    phone: str = "",
    camera: LensKey | None = None,
    profile: str | None = None,
    again: str | None = None,
    steady: Steady | None = None,
    versions: Mapping[str, str] | None = None,
) -> FilmRecord:
    """The record of a film that begins under this reading, in a picture of `size`.

    Raises RecordError for a film's name or a person's that cannot be kept.
    """
    rods = reading.rods.both if isinstance(reading.rods, Rods) else ()
    shared = None if reading.pose is None else shared_errors(reading.pose, reading.setup)
    return FilmRecord(
        film=film,
        begun_s=begun_s,
        # What was measured goes into placement and layout; taps and targets are the moment's.
        setup=replace(reading.setup, known=None, aim=None),
        player=clean(player),
        bay=clean(bay),
        phone=clean(phone),
        camera=camera,
        lens=reading.lens,
        profile=profile if reading.lens and reading.lens.source is LensSource.PROFILE else None,
        size=size,
        rods_px=tuple(
            ((float(a[0]), float(a[1])), (float(b[0]), float(b[1])))
            for a, b in (rod.ends_px for rod in rods)
        ),
        verdict=reading.verdict.value,
        placement=reading.placement,
        shared=shared,
        layout=reading.layout,
        effect=reading.effect,
        again=again,
        steady=steady,
        versions=dict(versions or {}),
    )
