"""The way back to an earlier place, in words: fills the `again.` templates, nothing else."""

from __future__ import annotations

from datetime import datetime

from server.record import FilmRecord
from server.words import Speech, advice_big, advice_text, fill, named
from vision.advice import Move
from vision.same_place import Led, Sameness


def label(record: FilmRecord, speech: Speech) -> str:
    """An earlier film in a few words: bay, and when it was made."""
    made = datetime.fromtimestamp(record.begun_s).astimezone()
    month = fill(speech, f"again.month.{made.month}")
    at = f"{made.day}\u00a0{month} {made.year}, {made:%H:%M}"
    if record.bay:
        # "4" is told as "bay 4"; "studio" and "bay 4" speak for themselves.
        bay = named(speech, "again.bay", bay=record.bay) if record.bay.isdigit() else record.bay
        return named(speech, "again.name.bay", bay=bay, at=at)
    return fill(speech, "again.name", at=at)


def reason_text(reason: str, speech: Speech) -> str:
    """Why nobody can be led there."""
    return fill(speech, f"again.other.{reason}")


def again_say(led: Led, name: str, speech: Speech) -> str:
    """The one instruction of this moment as a sentence."""
    if led.verdict is Sameness.SAME:
        return named(speech, "again.say.same", name=name)
    if led.advice.move is Move.HOLD:
        return fill(speech, f"again.doubt.{led.doubt.value}" if led.doubt else "again.say.hold")
    return advice_text(led.advice, speech)


def again_big(led: Led, speech: Speech) -> dict[str, str]:
    """The same in huge type: arrow, number, unit, word (docs/protocol.md)."""
    if led.verdict is Sameness.SAME:
        word = fill(speech, "again.word.same")
        return {"arrow": "ready", "number": "", "unit": "", "word": word}
    if led.advice.move is Move.HOLD:
        word = fill(speech, "again.word.doubt" if led.doubt else "again.word.hold")
        return {"arrow": "hold", "number": "", "unit": "", "word": word}
    return advice_big(led.advice, speech)
