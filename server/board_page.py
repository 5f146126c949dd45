"""The board's routes: its page, its events, a picture on request, the coach's wishes."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from typing import TYPE_CHECKING

from aiohttp import web

from server import annotate
from server.access import public, require
from server.board import Board
from server.planes import bgr_from_video
from server.problems import Problem
from server.sentence import Sentence
from server.static import web_file
from server.tokens import Role
from server.wire_board import state_to_json, wish_from_json
from vision.errors import SetupError

if TYPE_CHECKING:
    from server.analysis import Latest

EVERY_S = 0.2  # at most five states a second of one phone
KEEPALIVE_S = 2.0  # the board calls the server gone after three of these
MAX_BOARDS = 16
STILL_OLD_S = 5.0


class BoardPage:
    """`/board` shows, `/board/events` streams, `/board/still` draws, `/board/control` asks."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._open: set[asyncio.Task[object]] = set()

    def add_routes(self, app: web.Application) -> None:
        """Add the four routes."""
        app.add_routes(
            [
                web.get("/board", self.page),
                web.get("/board/events", self.events, allow_head=False),
                web.get("/board/still", self.still, allow_head=False),
                web.post("/board/control", self.control),
            ]
        )
        app.on_shutdown.append(self._shut_down)

    @public("the page itself: it holds nothing")
    async def page(self, request: web.Request) -> web.Response:
        """The page of the board; its address carries the coach's key in the fragment."""
        return web_file("board.html")

    @require(Role.COACH)
    async def events(self, request: web.Request) -> web.StreamResponse:
        """Server-sent events: all phones first, then whatever changes, at most 5 Hz a phone."""
        if len(self._open) >= MAX_BOARDS:
            raise Problem(503, "Service Unavailable", Sentence("http.boards", n=MAX_BOARDS))
        response = web.StreamResponse(
            headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store"}
        )
        listener = self._board.listen()
        task = asyncio.current_task()
        assert task is not None
        self._open.add(task)
        try:
            await response.prepare(request)
            first = True
            while True:
                if not first and not await listener.wait(KEEPALIVE_S):
                    self._board.states()  # forgets who left long ago
                changed, gone = listener.take()
                event = {
                    "server_s": round(time.monotonic(), 2),
                    "all": first,
                    "lock_all": self._board.lock_all,
                    "phones": [state_to_json(state) for state in changed],
                    "gone": gone,
                }
                await response.write(f"data: {json.dumps(event, allow_nan=False)}\n\n".encode())
                first = False
                await asyncio.sleep(EVERY_S)
        except ConnectionError:
            return response  # the board was closed or left
        except asyncio.CancelledError:
            with contextlib.suppress(Exception):
                response.force_close()
            raise
        finally:
            self._open.discard(task)
            self._board.unlisten(listener)

    @require(Role.COACH)
    async def still(self, request: web.Request) -> web.Response:
        """`?phone=ID`: the last analysed picture with its rods, drawn only now (JPEG)."""
        phone = self._board.find(request.query.get("phone", ""))
        if phone is None or phone.session is None:
            raise Problem(404, "Not Found", Sentence("http.phone-away"))
        if not phone.pictures:
            raise Problem(
                403,
                "Forbidden",
                Sentence("http.hidden"),
            )
        latest = phone.session.latest
        if latest is None or time.perf_counter() - latest.arrived.at_s > STILL_OLD_S:
            raise Problem(404, "Not Found", Sentence("http.no-picture"))
        jpeg = await asyncio.to_thread(_drawn, latest)
        return web.Response(
            body=jpeg, content_type="image/jpeg", headers={"Cache-Control": "no-store"}
        )

    @require(Role.COACH)
    async def control(self, request: web.Request) -> web.Response:
        """The coach's wish as JSON (`server.wire_board.wish_from_json`)."""
        if request.content_type != "application/json":
            raise Problem(415, "Unsupported Media Type", Sentence("http.json-type"))
        try:
            wish = wish_from_json(json.loads(await request.text()))
        except (ValueError, RecursionError) as wrong:
            raise Problem(400, "Bad Request", Sentence("http.json")) from wrong
        except SetupError as wrong:
            raise Problem(400, "Bad Request", str(wrong)) from wrong
        count, film = self._board.wish(wish)
        return web.json_response({"phones": count, "film": film})

    async def _shut_down(self, app: web.Application) -> None:
        for task in self._open:
            task.cancel()


def _drawn(latest: Latest) -> bytes:
    bgr = bgr_from_video(latest.arrived.picture)
    return annotate.encode(annotate.draw(bgr, latest.reading, [latest.say]))
