"""Who films: what a setup may say of phone, player and bay."""

from __future__ import annotations

import pytest

from server import wire
from server.who import Who
from vision.errors import SetupError
from vision.setup import Setup


def test_names_keep_every_letter_and_nothing_is_said_by_default() -> None:
    names = ["Ada B.", "Łucja O'Neil-Żak", "小林 花", "👩‍🦱", 'a"b<c>&;--', "🏌️‍♀️ 7"]
    for name in names:
        who = {"phone": "3f9a0c51d2e8", "player": f"  {name} ", "bay": "bay 4"}
        assert wire.setup_from_json({"who": who}, Setup()).who == Who("3f9a0c51d2e8", name, "bay 4")
    assert wire.setup_from_json({}, Setup()).who == Who()
    assert wire.setup_from_json({"who": {"bay": "2"}}, Setup()).who == Who(bay="2")


@pytest.mark.parametrize(
    ("who", "said"),
    [
        ({"player": "x" * 81}, "80 letters"),
        ({"player": "a\nb"}, "one line"),
        ({"player": "\x1b[2J"}, "one line"),
        ({"player": "\ud800"}, "one line"),
        ({"bay": 4}, "who.bay"),
        ({"phone": "../x"}, "letters, digits"),
        ({"phone": "x" * 65}, "64 letters"),
        ({"seat": "4"}, "seat"),
        ("Ada", "named values"),
    ],
)
def test_what_is_no_name_is_refused_with_a_sentence(who: object, said: str) -> None:
    with pytest.raises(SetupError, match=said):
        wire.setup_from_json({"who": who}, Setup())
