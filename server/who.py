"""Who films and where: the setup message's `who`, said by the page and vouched for by nobody."""

from __future__ import annotations

from dataclasses import dataclass

from server.fields import Fields, shown
from vision.errors import SetupError

MAX_PHONE = 64  # letters
MAX_NAME = 80


@dataclass(frozen=True, slots=True)
class Who:
    """`phone`: a random id that one browser keeps; `player`, `bay`: as typed, "" where nothing was.

    An id tells phones apart, it proves nothing: whoever holds a token may send any.
    """

    phone: str = ""
    player: str = ""
    bay: str = ""


def who_from_json(obj: object) -> Who:
    """The setup message's `who` {phone, player, bay}, each optional. Raises SetupError.

    Names keep every letter they were typed with; control characters, which no name holds and a
    terminal could trip over, are refused, and blanks around a name are taken off.
    """
    fields = Fields(obj, "who", ("phone", "player", "bay"))
    phone = _text(fields, "phone", MAX_PHONE)
    if not all(char.isascii() and (char.isalnum() or char == "-") for char in phone):
        raise SetupError(f"who.phone is {shown(phone)}: give an id of letters, digits and hyphens")
    return Who(phone, _text(fields, "player", MAX_NAME), _text(fields, "bay", MAX_NAME))


def _text(fields: Fields, key: str, most: int) -> str:
    value = fields.get(key, "")
    if not isinstance(value, str) or len(value) > most or not _is_name(value):
        raise SetupError(f"who.{key} is {shown(value)}: give at most {most} letters on one line")
    return value.strip()


def _is_name(text: str) -> bool:
    # Joiners (U+200D and such) belong to names and emoji; lone surrogates to no text at all.
    return all(
        ord(c) >= 32 and not 127 <= ord(c) < 160 and not "\ud800" <= c <= "\udfff" for c in text
    )
