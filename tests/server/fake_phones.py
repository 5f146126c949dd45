"""Phones at the session's level, for the board: what a session reports, without its connection."""

from __future__ import annotations

import copy
import time
from typing import Any

import av
import numpy as np

from server.analysis import Arrived, Latest
from server.board import Board
from server.messages import AboutSent, Ping
from server.who import Who
from tests.server.live_phone import nothing_found
from tests.web.fake_server import HOLD, NOT_FOUND, OFF, SQUARE
from vision.setup import Setup


class FakeSession:
    """Says what it is told to say, and keeps what the board tells its page."""

    def __init__(self, board: Board, phone: str, bay: str, player: str) -> None:
        self.id = f"session-{phone}"
        self.who = Who(phone, player, bay)
        self.introduced = True
        self.present = True
        self.latest: Latest | None = None
        self.told: list[dict[str, Any]] = []
        self.board: Any = board
        board.joined(self)  # type: ignore[arg-type]

    def tell_page(self, message: dict[str, Any]) -> None:
        self.told.append(message)

    def guide(self, guidance: dict[str, Any], **more: Any) -> None:
        self.board.told(self, {"type": "guidance"} | copy.deepcopy(guidance) | more)

    def about(self, battery: float | None = None, **more: Any) -> None:
        self.board.heard(self, AboutSent(battery, **more), time.monotonic())

    def ping(self, pictures: bool = True) -> None:
        seen = self.told[-1] if self.told else {"epoch": None, "seq": None}
        ping = Ping(0.0, None, True, seen["epoch"], seen["seq"], pictures)
        self.board.heard(self, ping, time.monotonic())

    def show(self, bgr: np.ndarray) -> None:
        picture = av.VideoFrame.from_ndarray(bgr, format="bgr24")
        reading = nothing_found(Setup()).reading
        arrived = Arrived(picture, time.perf_counter() + 60)  # fresh, however slow the machine
        self.latest = Latest(arrived, reading, "No rods are seen.")

    def vanish(self) -> None:
        self.present = False
        self.board.presence(self)


def instruction(arrow: str, number: str, unit: str, word: str, say: str) -> dict[str, Any]:
    big = {"arrow": arrow, "number": number, "unit": unit, "word": word}
    return copy.deepcopy(OFF) | {"say": say, "big": big}


def clinic(board: Board) -> list[FakeSession]:
    """Twelve phones of a clinic, in every need that there is."""
    names = ["Ada", "Bo", "Chidi", "Dana", "Eiichi", "Fatima", "Grzegorz", "Hana", "Ines", "Jo"]
    names += ["Kwame Alexander-Montgomery", ""]
    phones = [FakeSession(board, f"{k:08x}", str(k + 1), name) for k, name in enumerate(names)]
    moved = {
        "name": "bay",
        "text": "The camera has moved: 2.1 cm to the right.",
        "big": {"arrow": "left", "number": "2.1", "unit": "cm", "word": "Moved"},
    }
    turn = instruction("turn-right", "4", "deg", "Turn right", "Turn the phone 4 degrees right.")
    level = instruction("clockwise", "3", "deg", "Level", "Turn the phone 3 degrees clockwise.")
    down = {"view": "down-the-line"}
    phones[0].guide(SQUARE)
    phones[1].guide(OFF)
    phones[2].guide(NOT_FOUND)
    phones[3].guide(turn, **down)
    phones[4].guide(SQUARE, **down)
    phones[5].guide(SQUARE, drift=moved)
    phones[6].guide(HOLD)
    phones[7].guide(level, handed="left")
    phones[8].guide(SQUARE)
    phones[9].guide(OFF, **down)
    phones[11].guide(SQUARE, **down)
    for k, phone in enumerate(phones):
        phone.about(0.08 + 0.08 * k, charging=k == 3, signal="wifi", filming=k in (0, 5))
        phone.ping(pictures=k != 8)
    phones[9].vanish()
    return phones
