"""Who may ask for what: every route says which key it needs, and one guard sees to it.

    @require(Role.COACH)
    async def renew(self, request): ...

    @public("the page itself: it holds nothing")
    async def page(self, request): ...

A route that says neither is refused to everyone, so that a forgotten line opens nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from aiohttp import web
from aiohttp.typedefs import Middleware

from server.problems import Handler, Problem
from server.sentence import Sentence
from server.tokens import Role, Tokens, TokenState

_NEEDS = "teesquare_needs"

_Handler = TypeVar("_Handler", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Public:
    """Open to everyone, and why that gives nothing away."""

    why: str


Needs = Role | Public


def require(role: Role) -> Callable[[_Handler], _Handler]:
    """Declare that a handler needs a valid token of this role."""
    return _declare(role)


def public(why: str) -> Callable[[_Handler], _Handler]:
    """Declare that a handler needs no token. `why`: the reason, for whoever reviews the list."""
    return _declare(Public(why))


def needs_of(handler: object) -> Needs | None:
    """What a handler (function or bound method) declares; None if nothing."""
    needs = getattr(handler, _NEEDS, None)
    return needs if isinstance(needs, Role | Public) else None


def bearer(request: web.Request) -> str:
    """The request's token as sent (RFC 6750, section 2.1), unchecked; "" without one."""
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    return token.strip() if scheme.lower() == "bearer" else ""


class Guard:
    """Checks the key of each request before its handler runs, and before its body is read."""

    def __init__(self, tokens: Tokens) -> None:
        self._tokens = tokens

    @property
    def middleware(self) -> Middleware:
        """For `web.Application(middlewares=[problems, guard.middleware])`."""

        @web.middleware
        async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
            info = request.match_info
            if info.http_exception is None:  # otherwise no route fits: 404 or 405 as ever
                self.admit(request, needs_of(info.handler))
            return await handler(request)

        return guard

    def admit(self, request: web.Request, needs: Needs | None) -> None:
        """Return if the request may go on. Raises Problem 401 or 403."""
        if isinstance(needs, Public):
            return
        if needs is None:
            raise Problem(403, "Forbidden", Sentence("http.nobody"))
        self.authorize(request, needs)

    def authorize(self, request: web.Request, role: Role = Role.PHONE) -> str:
        """The request's token, valid and good for `role` (RFC 6750, sections 2.1 and 3).

        Raises Problem 401 without a token or with a wrong or expired one, 403 where it is a
        phone's and a coach's is needed.
        """
        token = bearer(request)
        if not token:
            raise Problem(
                401,
                "Unauthorized",
                Sentence("http.keyless"),
                {"WWW-Authenticate": 'Bearer realm="teesquare"'},
            )
        state = self._tokens.check(token)
        if state is not TokenState.VALID:
            raise _invalid(state is TokenState.EXPIRED)
        held = self._tokens.role(token)
        if held is None or not held.may(role):
            raise Problem(
                403,
                "Forbidden",
                Sentence("http.coach"),
                {
                    "WWW-Authenticate": 'Bearer realm="teesquare", error="insufficient_scope", '
                    f'error_description="a token of the role {role} is needed"'
                },
            )
        return token


def _declare(needs: Needs) -> Callable[[_Handler], _Handler]:
    def mark(handler: _Handler) -> _Handler:
        setattr(handler, _NEEDS, needs)
        return handler

    return mark


def _invalid(expired: bool) -> Problem:
    return Problem(
        401,
        "Unauthorized",
        Sentence("http.expired" if expired else "http.unknown-key"),
        {
            "WWW-Authenticate": 'Bearer realm="teesquare", error="invalid_token", '
            f'error_description="the token {"has expired" if expired else "is unknown"}"'
        },
    )
