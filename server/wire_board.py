"""The part of `server.wire` that knows the JSON of the coach's board."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from server import wire
from server.control import MAX_CALL
from server.fields import Fields, shown
from server.who import who_from_json
from vision.errors import SetupError
from vision.setup import Setup

SETUP_KEYS = ("view", "handed", "tolerance", "player", "bay")
MAX_PHONES = 200
MIN_START_S, MAX_START_S = 0.5, 60.0


@dataclass(frozen=True, slots=True)
class Wish:
    """What the coach asks of phones: `phones` None means all of them; each part None if unsaid."""

    phones: tuple[str, ...] | None
    setup: dict[str, Any] | None
    locked: bool | None
    call: str | None
    film: str | None
    in_s: float


def wish_from_json(obj: object) -> Wish:
    """The body of `POST /board/control`. Raises SetupError with a plain sentence."""
    fields = Fields(obj, "the request", ("phones", "setup", "locked", "call", "film", "in_s"))
    phones = fields.get("phones", None)
    if phones == "all":
        named = None
    elif (
        isinstance(phones, list)
        and 0 < len(phones) <= MAX_PHONES
        and all(isinstance(name, str) for name in phones)
    ):
        named = tuple(phones)
    else:
        raise SetupError(f'phones is {shown(phones)}: give "all" or a list of the board\'s names.')
    call = fields.get("call", None)
    if call is not None and not (isinstance(call, str) and 0 < len(call.strip()) <= MAX_CALL):
        raise SetupError(f"call is {shown(call)}: give a sentence of 1 to {MAX_CALL} letters.")
    setup = fields.get("setup", None)
    film = fields.text("film", "", ("", "start", "stop"))
    return Wish(
        named,
        None if setup is None else _setup(setup),
        fields.flag("locked", False) if fields.has("locked") else None,
        None if call is None else " ".join(str(call).split()),
        film or None,
        fields.number("in_s", MIN_START_S, MAX_START_S, "seconds", 3.0),
    )


def _setup(obj: object) -> dict[str, Any]:
    """Checked as the phone's own setup would be, so that no phone is sent what it must refuse."""
    fields = Fields(obj, "setup", SETUP_KEYS)
    values = {key: fields.get(key, None) for key in SETUP_KEYS if fields.has(key)}
    names = {key: values[key] for key in ("player", "bay") if key in values}
    who = who_from_json(names)
    rest = {key: value for key, value in values.items() if key not in names}
    wire.setup_from_json(rest, Setup())
    return rest | {key: getattr(who, key) for key in names}


@dataclass(frozen=True, slots=True)
class PhoneState:
    """One phone as the board shows it. Times are the server's monotonic seconds."""

    id: str
    bay: str
    player: str
    need: str
    rank: int
    need_since_s: float
    view: str | None = None
    handed: str | None = None
    verdict: str | None = None
    say: str = ""
    arrow: str = ""
    number: str = ""
    unit: str = ""
    word: str = ""
    since_s: float = 0.0  # for how long that verdict and kind of instruction
    drift: str = ""  # the watch's sentence, "" where nothing is watched
    filming: bool = False
    battery: float | None = None
    charging: bool | None = None
    signal: str = ""
    rtt_ms: float | None = None
    pictures: bool = False
    locked: bool = False
    pending: bool = False
    clock_bound_ms: float | None = None


def state_to_json(state: PhoneState) -> dict[str, Any]:
    """One phone of the board's events."""
    return {
        "id": state.id,
        "bay": state.bay,
        "player": state.player,
        "need": state.need,
        "rank": state.rank,
        "need_since_s": round(state.need_since_s, 2),
        "view": state.view,
        "handed": state.handed,
        "verdict": state.verdict,
        "say": state.say,
        "big": {
            "arrow": state.arrow,
            "number": state.number,
            "unit": state.unit,
            "word": state.word,
        },
        "since_s": round(state.since_s, 2),
        "drift": state.drift,
        "filming": state.filming,
        "battery": state.battery,
        "charging": state.charging,
        "signal": state.signal,
        "rtt_ms": state.rtt_ms,
        "pictures": state.pictures,
        "locked": state.locked,
        "pending": state.pending,
        "clock_bound_ms": state.clock_bound_ms,
    }
