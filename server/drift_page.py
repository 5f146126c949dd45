"""The log of drift over days: a page of its own, and its numbers for whoever has the key."""

from __future__ import annotations

import asyncio
import time

from aiohttp import web

from server.access import public, require
from server.places import Places
from server.problems import Problem
from server.sentence import Sentence
from server.static import web_file
from server.tokens import Role
from server.wire_drift import log_to_json

DAY_S = 86_400.0


class DriftPage:
    """`/drift` shows, `/drift/places` and `/drift/log` answer with JSON."""

    def __init__(self, places: Places) -> None:
        self._places = places

    def add_routes(self, app: web.Application) -> None:
        """Add the three routes."""
        app.add_routes(
            [
                web.get("/drift", self.page),
                web.get("/drift/places", self.names),
                web.get("/drift/log", self.log),
            ]
        )

    @public("one of the page's own files: it holds nothing, and asks for the rest with a key")
    async def page(self, request: web.Request) -> web.Response:
        """The page itself holds nothing and needs no key."""
        return web_file("drift.html")

    @require(Role.PHONE)
    async def names(self, request: web.Request) -> web.Response:
        """The names of all places, the newest first."""
        return web.json_response({"places": await asyncio.to_thread(self._places.names)})

    @require(Role.PHONE)
    async def log(self, request: web.Request) -> web.Response:
        """`?place=NAME&days=N` (1 to 366, by default 7): that place's log."""
        name = request.query.get("place", "")
        try:
            days = float(request.query.get("days", "7"))
        except ValueError:
            days = 0.0
        if not name or not 1 <= days <= 366:
            raise Problem(400, "Bad Request", Sentence("http.drift"))
        since_s = time.time() - days * DAY_S
        rows = await asyncio.to_thread(self._places.rows, name, since_s)
        return web.json_response({"place": name, "rows": log_to_json(rows)})
