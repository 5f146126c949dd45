"""Signalling by WHIP (RFC 9725), and guidance as server-sent events."""

from __future__ import annotations

import asyncio
import contextlib
import time

from aiohttp import web

from server.access import Guard, bearer, public, require
from server.problems import Problem
from server.rates import Bucket
from server.registry import Sessions
from server.sentence import Sentence
from server.session import Session
from server.tokens import Role, fingerprint

SDP = "application/sdp"
FRAGMENT = "application/trickle-ice-sdpfrag"
KEEPALIVE_S = 5.0
RETRY_MS = 1000
# An offer costs the loop some 20 ms (a key and a certificate are made for it).
POSTS_PER_S, POSTS_BURST = 20.0, 60.0


class Whip:
    """The endpoint `/whip`, its sessions `/whip/SESSION` and `/whip/SESSION/guidance`."""

    def __init__(self, sessions: Sessions, guard: Guard) -> None:
        self._sessions = sessions
        self._posts = Bucket(POSTS_PER_S, POSTS_BURST)
        self.authorize = guard.authorize

    def add_routes(self, app: web.Application) -> None:
        """Add the routes; other methods are answered 405 (RFC 9725, section 4.2)."""
        app.add_routes(
            [
                web.post("/whip", self.post),
                web.options("/whip", self.options),
                web.patch("/whip/{session}", self.patch),
                web.delete("/whip/{session}", self.delete),
                web.options("/whip/{session}", self.session_options),
                web.get("/whip/{session}/guidance", self.guidance, allow_head=False),
            ]
        )

    @require(Role.PHONE)
    async def post(self, request: web.Request) -> web.Response:
        """An offer: 201 with the answer, its session's address and entity-tag (section 4.2)."""
        _need_type(request, SDP)
        if not self._posts.take(time.monotonic()):
            raise Problem(
                429,
                "Too Many Requests",
                Sentence("http.rush"),
                {"Retry-After": "2"},
            )
        offer = await _text(request)
        session, answer = await self._sessions.create(offer, fingerprint(bearer(request)))
        return web.Response(
            status=201,
            body=answer.encode(),  # not as text: its type has no charset parameter (RFC 8866)
            content_type=SDP,
            headers={
                "Location": f"/whip/{session.id}",
                "ETag": f'"{session.etag}"',
                # How a client without a data channel learns where guidance is (section 4.9).
                "Link": f'</whip/{session.id}/guidance>; rel="monitor"; type="text/event-stream"',
            },
        )

    @public("browsers ask without a key what may be sent (RFC 9725, section 4.2)")
    async def options(self, request: web.Request) -> web.Response:
        """What may be posted (section 4.2). No token, so that browsers may ask beforehand."""
        return web.Response(status=204, headers={"Accept-Post": SDP, "Allow": "OPTIONS, POST"})

    @public("browsers ask without a key what may be sent (RFC 9725, section 4.2)")
    async def session_options(self, request: web.Request) -> web.Response:
        """What a session's address takes; says nothing about whether the session exists."""
        headers = {"Accept-Patch": FRAGMENT, "Allow": "DELETE, OPTIONS, PATCH"}
        return web.Response(status=204, headers=headers)

    @require(Role.PHONE)
    async def patch(self, request: web.Request) -> web.Response:
        """More candidates (sections 4.3.1 and 4.3.2); 422 for an ICE restart (section 4.3.3)."""
        session = self._own_session(request)
        _need_type(request, FRAGMENT)
        _need_match(request, session)
        await session.trickle(await _text(request))
        return web.Response(status=204)

    @require(Role.PHONE)
    async def delete(self, request: web.Request) -> web.Response:
        """The end of a session; entity-tags do not matter here (section 4.3.1)."""
        session = self._own_session(request)
        await session.close()
        return web.Response(status=200)

    @require(Role.PHONE)
    async def guidance(self, request: web.Request) -> web.StreamResponse:
        """All messages of the channel as server-sent events, for clients without a channel."""
        session = self._own_session(request)
        queue = session.listen()
        response = web.StreamResponse(
            headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store"}
        )
        try:
            await response.prepare(request)
            await response.write(f"retry: {RETRY_MS}\n\n".encode())
            while True:
                try:
                    text = await asyncio.wait_for(queue.get(), KEEPALIVE_S)
                except TimeoutError:
                    await response.write(b": still here\n\n")
                    continue
                if text is None:
                    break
                # Compact JSON holds no line break, so one data line is one message.
                await response.write(f"data: {text}\n\n".encode())
            await response.write_eof()
        except (ConnectionError, asyncio.CancelledError):
            with contextlib.suppress(Exception):
                response.force_close()
            raise
        finally:
            session.unlisten(queue)
        return response

    def _own_session(self, request: web.Request) -> Session:
        session = self._sessions.find(request.match_info["session"])
        if session is None:
            raise Problem(404, "Not Found", Sentence("http.ended"))
        if session.owner != fingerprint(bearer(request)):
            raise Problem(
                403,
                "Forbidden",
                Sentence("http.other-key"),
            )
        return session


def _need_type(request: web.Request, wanted: str) -> None:
    if request.content_type != wanted:
        raise Problem(
            415,
            "Unsupported Media Type",
            Sentence("http.type", type=request.content_type[:80], wanted=wanted),
            {"Accept-Post" if wanted == SDP else "Accept-Patch": wanted},
        )


def _need_match(request: web.Request, session: Session) -> None:
    """The entity-tag of the ICE session (section 4.3.2; RFC 9110, section 13.1.1)."""
    header = request.headers.get("If-Match")
    if header is None:
        raise Problem(
            428,
            "Precondition Required",
            Sentence("http.if-match"),
        )
    tags = [tag.strip() for tag in header.split(",")]
    # Strong comparison: a weak tag never matches.
    if "*" not in tags and f'"{session.etag}"' not in tags:
        raise Problem(
            412,
            "Precondition Failed",
            Sentence("http.etag"),
        )


async def _text(request: web.Request) -> str:
    try:
        return (await request.read()).decode("utf-8")
    except UnicodeDecodeError as problem:
        raise Problem(400, "Bad Request", Sentence("http.utf8")) from problem
