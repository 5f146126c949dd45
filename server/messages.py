"""The envelopes on the guidance channel. What a setup or a guidance holds is `server.wire`'s."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from typing import Any, TypeGuard

from server.clock import Exchange
from vision.errors import TeesquareError

MAX_CHARS = 16_384
MAX_PLACE = 40  # letters of a name
MAX_BAY = 80
MAX_SHORT = 64  # letters of a word between programs
MAX_FILM_S = 24 * 3600.0
_FILM = re.compile(r"[A-Za-z0-9_-]{1,64}")
MAX_TAPS = 2  # one for each rod
MAX_SIDE_PX = 100_000
MIN_FAR_M, MAX_FAR_M = 1.0, 1000.0  # how far a target may be


class MessageError(TeesquareError):
    """A message that cannot be read; the text is shown to the person. `seq` as in the message."""

    def __init__(self, text: str, seq: int | None = None) -> None:
        super().__init__(text)
        self.seq = seq


@dataclass(frozen=True, slots=True)
class Ping:
    """The phone is there; `t_ms` is its own clock and goes back unchanged.

    `exchange`: the four times of an earlier ping and its answer. `knows_control`: the page does
    what `control` messages ask, and has seen that of `control_epoch` and `control_seq`.
    `pictures`: the coach's board may show pictures of this phone.
    """

    t_ms: float
    exchange: Exchange | None = None
    knows_control: bool = False
    control_epoch: str | None = None
    control_seq: int | None = None
    pictures: bool = False


@dataclass(frozen=True, slots=True)
class SetupSent:
    """A setup as sent, not yet judged."""

    seq: int
    setup: dict[str, Any]


@dataclass(frozen=True, slots=True)
class TiltSent:
    """`gravity`: accelerationIncludingGravity (x, y, z) in m/s², or None without a sensor."""

    gravity: tuple[float, float, float] | None
    screen_deg: float


@dataclass(frozen=True, slots=True)
class HintSent:
    """All taps in force, in pixels of a picture of `size` (width, height); none takes them back."""

    seq: int
    xy_px: tuple[tuple[float, float], ...]
    size: tuple[int, int]


@dataclass(frozen=True, slots=True)
class AimSent:
    """The tapped target in pixels of a picture of `size`; `xy_px` None takes it back."""

    seq: int
    xy_px: tuple[float, float] | None
    size: tuple[int, int]
    distance_m: float | None


@dataclass(frozen=True, slots=True)
class PlaceSent:
    """`do`: "remember" where the camera stands, "watch" a place remembered before, or "stop"."""

    seq: int
    do: str
    name: str
    move_m: float
    turn_rad: float


@dataclass(frozen=True, slots=True)
class AgainSent:
    """`do`: "lead" to where `film` was made, or the newest of a `bay` or `player`, or "stop" it.

    `same_rods`: the person says that the rods have lain untouched since.
    """

    seq: int
    do: str
    film: str | None = None
    bay: str | None = None
    player: str | None = None
    same_rods: bool = False


@dataclass(frozen=True, slots=True)
class LookSent:
    """`do`: "begin" a first look (anew), or "skip" the one that is going on."""

    seq: int
    do: str


@dataclass(frozen=True, slots=True)
class AboutSent:
    """What the browser tells of the phone; None or "" for what it does not tell."""

    battery: float | None = None  # 0 to 1
    charging: bool | None = None
    signal: str = ""
    filming: bool = False


@dataclass(frozen=True, slots=True)
class FilmBegan:
    """A film that was asked for has begun, at `at_s` of the phone's own clock."""

    film: str
    at_s: float


@dataclass(frozen=True, slots=True)
class FilmSent:
    """`do`: "idle" before any film, "begin", "end", "lost" (a page left it unfinished).

    `since_s` from the film's start to this message ("begin") or to its end, which was `ago_s`
    ago. `size`, `fps`, `measured_fps`, `exposure_s`: what the camera gives, None where the browser
    does not tell.
    """

    seq: int
    do: str
    film: str | None
    since_s: float
    size: tuple[int, int] | None
    fps: float | None
    measured_fps: float | None
    exposure_s: float | None
    ago_s: float = 0.0


Message = (
    Ping
    | SetupSent
    | TiltSent
    | HintSent
    | AimSent
    | PlaceSent
    | LookSent
    | AgainSent
    | AboutSent
    | FilmBegan
    | FilmSent
)


def read_message(text: str | bytes) -> Message:
    """Read one message from the page. Raises MessageError with a plain sentence."""
    if len(text) > MAX_CHARS:
        raise MessageError(
            f"A message of {len(text)} characters is too long (limit {MAX_CHARS}). Reload the page."
        )
    try:
        message = json.loads(text)
    except (ValueError, RecursionError) as problem:
        raise MessageError("A message was not JSON. Reload the page.") from problem
    kind = message.get("type") if isinstance(message, dict) else None
    if kind == "ping":
        return _ping(message)
    if kind == "setup":
        return _setup(message)
    if kind == "tilt":
        return _tilt(message)
    if kind == "hint":
        return _hint(message)
    if kind == "aim":
        return _aim(message)
    if kind == "place":
        return _place(message)
    if kind == "look":
        return _look(message)
    if kind == "again":
        return _again(message)
    if kind == "about":
        return _about(message)
    if kind == "film-began":
        return FilmBegan(_short(message, "film"), _number(message, "at_ms") / 1e3)
    if kind == "film":
        return _film(message)
    raise MessageError("A message was of an unknown kind. Reload the page.")


def write_message(message: dict[str, Any]) -> str:
    """One message as compact JSON. Raises ValueError for NaN, which JSON cannot hold."""
    return json.dumps(message, separators=(",", ":"), allow_nan=False, ensure_ascii=False)


def pong(ping: Ping, received_s: float, sent_s: float, fps: int) -> dict[str, Any]:
    """The answer to a ping, with the server's own times of both (RFC 5905: T2 and T3).

    `fps`: how many pictures a second the phone shall send.
    """
    times = {"received_s": round(received_s, 6), "sent_s": round(sent_s, 6)}
    return {"type": "pong", "t_ms": ping.t_ms, "fps": fps} | times


def problem(text: str, seq: int | None = None) -> dict[str, Any]:
    """A sentence for the person about something that could not be done."""
    return {"type": "problem", "seq": seq, "text": text}


def bye(text: str) -> dict[str, Any]:
    """The last message before an orderly close."""
    return {"type": "bye", "text": text}


def _ping(message: dict[str, Any]) -> Ping:
    times, control = message.get("clock"), message.get("control")
    exchange = None
    if isinstance(times, list) and len(times) == 4 and all(map(_is_number, times)):
        t1_ms, t2_s, t3_s, t4_ms = times
        exchange = Exchange(t1_ms / 1e3, float(t2_s), float(t3_s), t4_ms / 1e3)
    knows = isinstance(control, dict)
    seen = control if isinstance(control, dict) else {}
    epoch, seq = seen.get("epoch"), seen.get("seq")
    return Ping(
        _number(message, "t_ms"),
        exchange,
        knows,
        epoch if isinstance(epoch, str) else None,
        seq if isinstance(seq, int) and not isinstance(seq, bool) else None,
        message.get("pictures") is True,
    )


def _about(message: dict[str, Any]) -> AboutSent:
    battery, charging = message.get("battery"), message.get("charging")
    return AboutSent(
        round(float(battery), 2) if _is_number(battery) and 0 <= battery <= 1 else None,
        charging if isinstance(charging, bool) else None,
        _short(message, "signal", ""),
        message.get("filming") is True,
    )


def _short(message: dict[str, Any], key: str, default: str | None = None) -> str:
    text = message.get(key, default)
    if not isinstance(text, str) or len(text) > MAX_SHORT or not text.isascii():
        raise MessageError(f"A message lacked the word {key}. Reload the page.")
    return text


def _setup(message: dict[str, Any]) -> SetupSent:
    seq = message.get("seq")
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise MessageError("A setup came without its number. Reload the page.")
    setup = message.get("setup")
    if not isinstance(setup, dict):
        raise MessageError("A setup was empty. Choose the settings again.", seq)
    return SetupSent(seq, setup)


def _tilt(message: dict[str, Any]) -> TiltSent:
    gravity = message.get("gravity")
    if gravity is None:
        return TiltSent(None, 0.0)
    if not isinstance(gravity, list) or len(gravity) != 3 or not all(map(_is_number, gravity)):
        raise MessageError("The tilt sensor sent something else than three numbers.")
    x, y, z = (float(value) for value in gravity)
    return TiltSent((x, y, z), _number(message, "screen_deg", 0.0))


def _hint(message: dict[str, Any]) -> HintSent:
    seq, taps, size = (message.get(key) for key in ("seq", "xy_px", "size"))
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise MessageError("A mark on the picture came without its number. Reload the page.")
    if (
        not isinstance(taps, list)
        or len(taps) > MAX_TAPS
        or not all(_is_pair(tap) for tap in taps)
        or not _is_pair(size)
        or not all(1 <= side <= MAX_SIDE_PX for side in size)
    ):
        raise MessageError("A mark on the picture could not be read. Tap on the rod again.")
    width, height = size
    return HintSent(seq, tuple((float(x), float(y)) for x, y in taps), (int(width), int(height)))


def _aim(message: dict[str, Any]) -> AimSent:
    seq, at, size, far = (message.get(key) for key in ("seq", "xy_px", "size", "distance_m"))
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise MessageError("A target came without its number. Reload the page.")
    if at is None:
        return AimSent(seq, None, (0, 0), None)
    if (
        not _is_pair(at)
        or not _is_pair(size)
        or not all(1 <= side <= MAX_SIDE_PX for side in size)
        or not all(abs(v) <= MAX_SIDE_PX for v in at)
    ):
        raise MessageError("The target could not be read. Tap on it again.")
    if far is not None and not (_is_number(far) and MIN_FAR_M <= far <= MAX_FAR_M):
        raise MessageError(
            f"The target's distance could not be read. Give {MIN_FAR_M:g} to {MAX_FAR_M:g} m."
        )
    (x, y), (width, height) = at, size
    distance_m = None if far is None else float(far)
    return AimSent(seq, (float(x), float(y)), (int(width), int(height)), distance_m)


def _place(message: dict[str, Any]) -> PlaceSent:
    seq, do, name = (message.get(key) for key in ("seq", "do", "name"))
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise MessageError("A place came without its number. Reload the page.")
    if not isinstance(do, str) or do not in ("remember", "watch", "stop"):
        raise MessageError("A place came without what to do with it. Reload the page.")
    if not isinstance(name, str) or not 0 < len(name.strip()) <= MAX_PLACE:
        raise MessageError(f"Give the place a name of 1 to {MAX_PLACE} letters.")
    move_m, turn_deg = _number(message, "move_m", 0.01), _number(message, "turn_deg", 0.3)
    if not 0.001 <= move_m <= 1.0 or not 0.05 <= turn_deg <= 20.0:
        raise MessageError("Watch for moves of 0.1 to 100 cm and turns of 0.05 to 20 degrees.")
    return PlaceSent(seq, do, name.strip(), move_m, math.radians(turn_deg))


def _look(message: dict[str, Any]) -> LookSent:
    seq, do = message.get("seq"), message.get("do")
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise MessageError("A first look came without its number. Reload the page.")
    if not isinstance(do, str) or do not in ("begin", "skip"):
        raise MessageError("A first look came without what to do. Reload the page.")
    return LookSent(seq, do)


def _again(message: dict[str, Any]) -> AgainSent:
    seq, do, film = (message.get(key) for key in ("seq", "do", "film"))
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise MessageError("An earlier place came without its number. Reload the page.")
    if do == "stop":
        return AgainSent(seq, "stop")
    if do != "lead":
        raise MessageError("An earlier place came without what to do with it. Reload the page.")
    if film is not None and not (isinstance(film, str) and _FILM.fullmatch(film)):
        raise MessageError("A film's name must be 1 to 64 letters, digits, - or _.")
    lain = message.get("same_rods") is True
    if film is not None:
        return AgainSent(seq, "lead", film, same_rods=lain)
    for key in ("bay", "player"):
        name = message.get(key)
        if isinstance(name, str) and 0 < len(name.strip()) <= MAX_BAY:
            return AgainSent(seq, "lead", **{key: name.strip()}, same_rods=lain)
    raise MessageError(f"Name an earlier film, or a bay or player of 1 to {MAX_BAY} letters.")


def _film(message: dict[str, Any]) -> FilmSent:
    seq, do, film = (message.get(key) for key in ("seq", "do", "film"))
    if not isinstance(seq, int) or isinstance(seq, bool):
        raise MessageError("Word of a film came without its number. Reload the page.")
    if not isinstance(do, str) or do not in ("idle", "begin", "end", "lost"):
        raise MessageError("Word of a film came without what became of it. Reload the page.")
    if do == "idle":
        film = None
    elif not isinstance(film, str) or not _FILM.fullmatch(film):
        raise MessageError("A film's name must be 1 to 64 letters, digits, - or _.")
    since_s = _number(message, "since_s", 0.0)
    if not 0 <= since_s <= MAX_FILM_S:
        raise MessageError(f"A film of {since_s:g} s cannot be: reload the page.")
    camera = message.get("camera")
    camera = camera if isinstance(camera, dict) else {}
    size = camera.get("size")
    told = _is_pair(size) and all(1 <= side <= MAX_SIDE_PX for side in size)
    return FilmSent(
        seq,
        do,
        film,
        since_s,
        (int(size[0]), int(size[1])) if told and size is not None else None,
        _within(camera, "fps", 0.1, 2000.0),
        _within(camera, "measured_fps", 0.1, 2000.0),
        _within(camera, "exposure_s", 1e-6, 10.0),
        _within(message, "ago_s", 0.0, 30 * MAX_FILM_S) or 0.0,
    )


def _within(camera: dict[str, Any], key: str, low: float, high: float) -> float | None:
    """A number that a browser may tell or not; nonsense counts as not told."""
    value = camera.get(key)
    return float(value) if _is_number(value) and low <= value <= high else None


def _is_pair(value: object) -> TypeGuard[list[int | float]]:
    return isinstance(value, list) and len(value) == 2 and all(map(_is_number, value))


def _number(message: dict[str, Any], key: str, default: float | None = None) -> float:
    value = message.get(key, default)
    if not _is_number(value):
        raise MessageError(f"A message lacked the number {key}. Reload the page.")
    return float(value)


def _is_number(value: object) -> TypeGuard[int | float]:
    # Bounded, so that an integer of a thousand digits cannot overflow a float.
    return (
        isinstance(value, int | float)
        and not isinstance(value, bool)
        and abs(value) < 1e18
        and math.isfinite(value)
    )
