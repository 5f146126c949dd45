"""The coach's page of films, and its routes: search, one record, its still, export, report, delete.

A browser opens a report as a document of the page's own (a blob), which is bound by the page's
policy too (W3C Content Security Policy Level 3, 4.2.1); that policy therefore names the report's
one style by its hash.
"""

from __future__ import annotations

import asyncio
import functools
import json
import time
from collections.abc import Callable
from typing import Any, TypeVar

from aiohttp import web

from server.access import public, require
from server.language import speech_for
from server.problems import Problem
from server.record import FilmRecord, NotKept, RecordError, SpoiltRecord
from server.records import Deleted, Records, day_from_text, day_of, days_s
from server.records_words import deleted_text
from server.report_numbers import farthest, lasts_s, told
from server.report_page import TooMany, policy, report_html, style_source
from server.sentence import Sentence
from server.static import web_file
from server.tokens import Role
from server.wire_record import record_to_json, records_to_csv, records_to_json
from vision.drift import Watch

LISTED = 200
_VIEWS = ("face-on", "down-the-line")
_Result = TypeVar("_Result")


class RecordsPage:
    """`/records` shows; the addresses below it answer the coach's key alone."""

    def __init__(self, records: Records, page_policy: str) -> None:
        self._records = records
        self._policy = page_policy.replace("style-src 'self'", f"style-src 'self' {style_source()}")

    def add_routes(self, app: web.Application) -> None:
        """Add the eight routes."""
        app.add_routes(
            [
                web.get("/records", self.page),
                web.get("/records/list", self.list, allow_head=False),
                web.get("/records/one", self.one, allow_head=False),
                web.get("/records/still", self.still, allow_head=False),
                web.get("/records/export", self.export, allow_head=False),
                web.get("/records/report", self.report, allow_head=False),
                web.post("/records/delete", self.delete),
                web.post("/records/forget", self.forget),
            ]
        )

    @public("the page itself: it holds nothing, and asks for the rest with the coach's key")
    async def page(self, request: web.Request) -> web.Response:
        """The page; the coach's key is in the tab's session, or in the address's fragment."""
        response = web_file("records.html")
        response.headers["Content-Security-Policy"] = self._policy
        return response

    @require(Role.COACH)
    async def list(self, request: web.Request) -> web.Response:
        """`?text=&player=&bay=&view=&from=DAY&to=DAY`: the newest films, in short."""
        return web.json_response(await _in_thread(_listed, self._records, _asked(request)))

    @require(Role.COACH)
    async def one(self, request: web.Request) -> web.Response:
        """`?film=FILM`: the whole record (web/schema/record.schema.json)."""
        record = await _in_thread(self._records.get, request.query.get("film", ""))
        return web.json_response(record_to_json(record))

    @require(Role.COACH)
    async def still(self, request: web.Request) -> web.Response:
        """`?film=FILM`: the picture at the lock with rods and numbers."""
        film = request.query.get("film", "")
        if not await _in_thread(self._records.knows, film):
            raise Problem(404, "Not Found", Sentence("http.no-film", film=film[:80]))
        found = await _in_thread(self._records.still, film)
        if found is None:
            raise Problem(404, "Not Found", Sentence("http.no-still"))
        return web.Response(body=found[0], content_type=found[1])

    @require(Role.COACH)
    async def export(self, request: web.Request) -> web.Response:
        """`?format=csv` or `json`, narrowed as the list: whole records as a file."""
        kind = request.query.get("format", "json")
        if kind not in ("csv", "json"):
            raise Problem(400, "Bad Request", Sentence("http.format"))
        found = await _in_thread(self._records.whole, **_asked(request), limit=None)
        write = records_to_csv if kind == "csv" else records_to_json
        text = await _in_thread(write, found)
        return web.Response(
            body=text.encode("utf-8"),
            content_type="text/csv" if kind == "csv" else "application/json",
            charset="utf-8",
            headers={"Content-Disposition": f'attachment; filename="teesquare-films.{kind}"'},
        )

    @require(Role.COACH)
    async def report(self, request: web.Request) -> web.Response:
        """`?film=FILM` (repeated), or narrowed as the list; `units=inches`: one HTML page."""
        asked = _asked(request)
        if all(value is None for key, value in asked.items() if key != "text"):
            raise Problem(400, "Bad Request", Sentence("http.choose"))
        units = "inches" if request.query.get("units") == "inches" else "cm"
        found = await _in_thread(self._records.whole, **asked, limit=None)
        speech = speech_for(request, units)
        html = await _in_thread(report_html, found, self._records.still, time.time(), speech)
        return web.Response(
            text=html,
            content_type="text/html",
            headers={
                "Content-Security-Policy": f"{policy()}; frame-ancestors 'none'",
                "Content-Disposition": 'inline; filename="teesquare-report.html"',
            },
        )

    @require(Role.COACH)
    async def delete(self, request: web.Request) -> web.Response:
        """`{"film": FILM}`: forgets one film; answers what is gone and what is not reached."""
        film = await _sent(request, "film")
        return _deleted(request, await _in_thread(self._records.delete, film))

    @require(Role.COACH)
    async def forget(self, request: web.Request) -> web.Response:
        """`{"player": NAME}`: forgets a player."""
        name = await _sent(request, "player")
        return _deleted(request, await _in_thread(self._records.delete_person, name))


def _listed(records: Records, asked: dict[str, Any]) -> dict[str, Any]:
    found = records.find(**asked, drift=True, limit=LISTED + 1)
    return {
        "films": [_short(record, records) for record in found.films[:LISTED]],
        "more": len(found.films) > LISTED,
        "unread": [{"film": film, "why": why} for film, why in found.unread],
    }


def _short(record: FilmRecord, records: Records) -> dict[str, Any]:
    """What the list shows of a film."""
    obj = record_to_json(record, drift=False)
    far = farthest(record)
    return {
        **{key: obj[key] for key in ("film", "begun_s", "player", "bay", "verdict", "unfinished")},
        "view": record.setup.view.value,
        "handed": record.setup.handed.value,
        "day": day_of(record),
        "lasts_s": lasts_s(record),
        "placement": obj["placement"],
        "sigma": obj["sigma"],
        "moved_s": next((t.at_s for t in told(record) if t.watch is Watch.MOVED), None),
        "far_m": None if far is None else far[1],
        "still": records.still_file(record.film) is not None,
    }


def _deleted(request: web.Request, done: Deleted) -> web.Response:
    text = deleted_text(done, speech_for(request))
    return web.json_response({"films": done.films, "stills": done.stills, "text": text})


def _asked(request: web.Request) -> dict[str, Any]:
    """What the address narrows to. Raises Problem 400."""
    query = request.query
    try:
        days = [day_from_text(query[key]) if query.get(key) else None for key in ("from", "to")]
        since_s, until_s = days_s(*days)
    except RecordError as wrong:
        raise Problem(400, "Bad Request", f"{wrong}.") from wrong
    view = query.get("view") or None
    if view is not None and view not in _VIEWS:
        raise Problem(400, "Bad Request", Sentence("http.view"))
    return {
        "text": query.get("text", ""),
        "player": query.get("player"),
        "bay": query.get("bay"),
        "view": view,
        "since_s": since_s,
        "until_s": until_s,
        "films": query.getall("film", None),
    }


async def _sent(request: web.Request, key: str) -> str:
    """One text of a JSON body. Raises Problem 400 or 415."""
    if request.content_type != "application/json":
        raise Problem(415, "Unsupported Media Type", Sentence("http.json-type"))
    try:
        body = json.loads(await request.text())
    except (ValueError, RecursionError) as wrong:
        raise Problem(400, "Bad Request", Sentence("http.json")) from wrong
    value = body.get(key) if isinstance(body, dict) else None
    if not isinstance(value, str):
        raise Problem(400, "Bad Request", Sentence("http.text", key=key))
    return value


async def _in_thread(call: Callable[..., _Result], *args: Any, **values: Any) -> _Result:
    """Files are read and written beside the loop; what the records complain of is answered."""
    try:
        return await asyncio.to_thread(functools.partial(call, *args, **values))
    except NotKept as wrong:
        raise Problem(404, "Not Found", _sentence(wrong)) from wrong
    except SpoiltRecord as wrong:
        raise Problem(409, "Conflict", _sentence(wrong)) from wrong
    except TooMany as wrong:
        raise Problem(400, "Bad Request", _sentence(wrong)) from wrong
    except RecordError as wrong:
        raise Problem(503, "Service Unavailable", _sentence(wrong)) from wrong


def _sentence(wrong: RecordError) -> str:
    said = str(wrong)
    return f"{said[:1].upper()}{said[1:]}."
