"""New keys for the phones: by the coach's page, or by a word typed into the server's window."""

from __future__ import annotations

import asyncio

from aiohttp import web

from server.access import require
from server.registry import Sessions
from server.tokens import Role, Tokens

RENEWED = "The server has a new key. Scan its QR code again."
REVOKED = "The coach has ended the session for all phones."


class Keys:
    """Takes the phones' keys back. Whoever still holds an old one is disconnected at once."""

    def __init__(self, tokens: Tokens, sessions: Sessions) -> None:
        self._tokens = tokens
        self._sessions = sessions

    def add_routes(self, app: web.Application) -> None:
        """`POST /keys/renew` and `POST /keys/revoke`, both for the coach."""
        app.add_routes([web.post("/keys/renew", self._renew), web.post("/keys/revoke", self._off)])

    async def renew(self) -> str:
        """A new key for the phones in place of all earlier ones."""
        await self.revoke(RENEWED)
        return self._tokens.issue(Role.PHONE)

    async def revoke(self, text: str = REVOKED) -> None:
        """No phone may do anything any more; `text` is the last word to those connected."""
        owners = self._tokens.revoke_all(Role.PHONE)
        ends = [session.close(text) for session in self._sessions if session.owner in owners]
        await asyncio.gather(*ends)

    @require(Role.COACH)
    async def _renew(self, request: web.Request) -> web.Response:
        return web.json_response({"token": await self.renew()})

    @require(Role.COACH)
    async def _off(self, request: web.Request) -> web.Response:
        await self.revoke()
        return web.Response(status=204)
