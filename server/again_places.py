"""Which earlier places a phone may be led to, and their list for the page.

A phone's key opens no other person's records: a phone sees films that it made itself, and films
made in the bay that it stands in. Of the latter the player's name is told only to who knows it.
"""

from __future__ import annotations

import asyncio
import json
from typing import Any

from aiohttp import web

from server.access import require
from server.problems import Problem
from server.record import FilmRecord, RecordError, person
from server.records import Records
from server.sentence import Sentence
from server.tokens import Role
from server.who import Who, who_from_json
from server.wire_again import places_to_json
from vision.errors import SetupError
from vision.setup import Setup

MOST = 12
LOOKED_AT = 400  # records looked through of a phone and of a bay, the newest


def may_see(record: FilmRecord, who: Who) -> bool:
    """Whether a phone that says it is `who` may be led to this film's place."""
    own = bool(who.phone) and record.phone == who.phone
    bay = bool(person(who.bay)) and person(record.bay) == person(who.bay)
    return own or bay


def earlier(records: Records, who: Who) -> list[FilmRecord]:
    """Films with a place that a phone may see, the newest first. Raises RecordError."""
    return [r for r in _seen(records, who) if r.standing is not None][:MOST]


def earlier_at(
    records: Records, setup: Setup, who: Who, *, bay: str | None = None, player: str | None = None
) -> FilmRecord | None:
    """The newest of a bay or player, of this view and hand: what "bay 4, face-on" means."""
    wanted = person(bay if bay is not None else player or "")
    for record in _seen(records, who):
        alike = (record.setup.view, record.setup.handed) == (setup.view, setup.handed)
        named = person(record.bay if bay is not None else record.player)
        there = alike and bool(wanted) and named == wanted and record.standing is not None
        if there:
            return record
    return None


def _seen(records: Records, who: Who) -> list[FilmRecord]:
    """What a phone may see, newest first. Raises RecordError."""
    own = records.search(phone=who.phone, limit=LOOKED_AT) if who.phone else []
    bay = records.search(bay=who.bay, limit=LOOKED_AT) if person(who.bay) else []
    found = {record.film: record for record in (*own, *bay) if may_see(record, who)}
    return sorted(found.values(), key=lambda record: -record.begun_s)


class AgainPlaces:
    """`POST /again/places`: whose page it is comes in the body, so that no log holds a name."""

    def __init__(self, records: Records) -> None:
        self._records = records

    def add_routes(self, app: web.Application) -> None:
        """Add the one route."""
        app.add_routes([web.post("/again/places", self.places)])

    @require(Role.PHONE)
    async def places(self, request: web.Request) -> web.Response:
        """`{"phone", "player", "bay"}` as in the setup's `who`: earlier places, newest first."""
        try:
            who = who_from_json(json.loads(await request.text()))
        except (ValueError, RecursionError, SetupError) as wrong:
            raise Problem(400, "Bad Request", Sentence("http.who")) from wrong
        try:
            found = await asyncio.to_thread(earlier, self._records, who)
        except RecordError as wrong:
            raise Problem(503, "Service Unavailable", str(wrong)) from wrong
        answer: dict[str, Any] = {"places": places_to_json(found, who)}
        return web.json_response(answer)
