"""Records in a line, and what a deletion did: for the command and the coach's page."""

from __future__ import annotations

import math
from datetime import datetime

from server import words
from server.fields import printable
from server.record import FilmRecord
from server.records import Deleted
from vision.drift import Watch


def line(record: FilmRecord, speech: words.Speech) -> str:
    """One film for a terminal: when, what, where it stood, who; the name last."""
    begun = datetime.fromtimestamp(record.begun_s).astimezone().strftime("%Y-%m-%d %H:%M")
    length = "?" if record.ended_s is None else f"{record.ended_s - record.begun_s:.0f}"
    parts = [
        begun,
        f"{length:>3} s",
        f"{words.fill(speech, f'command.view.{record.setup.view.value}'):13}",
        f"{words.fill(speech, f'command.verdict.{record.verdict}'):9}",
        words.pointed(_stands(record), speech),
        record.film,
        printable(record.player) or words.fill(speech, "records.noname"),
    ]
    if record.bay:
        parts.append(printable(record.bay))
    if any(row.watch == Watch.MOVED.value for row in record.drift):
        parts.append(words.fill(speech, "command.moved").upper())
    if record.unfinished:
        parts.append(words.fill(speech, "command.unfinished").upper())
    return "  ".join(parts)


def _stands(record: FilmRecord) -> str:
    place = record.placement
    if place is None:
        return f"{'':35}"
    cm, cm_spread = place.offset_m * 100, words.Z95 * place.sigma("offset_m") * 100
    deg, deg_spread = (
        math.degrees(place.yaw_rad),
        words.Z95 * math.degrees(place.sigma("yaw_rad")),
    )
    return f"{cm:+6.1f} ±{cm_spread:5.1f} cm  {deg:+5.1f} ±{deg_spread:4.1f}°  "


def deleted_text(done: Deleted, speech: words.Speech) -> list[str]:
    """What is gone, and what could not be reached, a sentence or two each."""
    key = "deleted.films.one" if done.films == 1 else "deleted.films"
    out = [
        words.fill(
            speech,
            key,
            films=str(done.films),
            stills=str(done.stills),
            samples=str(done.samples),
        ),
        words.fill(speech, "deleted.beyond"),
    ]
    if done.kept_aside:
        files = ", ".join(str(path) for path in done.kept_aside)
        out.append(words.named(speech, "deleted.aside", files=files))
    return out
