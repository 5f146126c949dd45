"""Errors over HTTP as application/problem+json (RFC 9457), each with a sentence on what to do."""

from __future__ import annotations

import json
import logging
from collections.abc import Awaitable, Callable, Mapping

from aiohttp import web

from vision.errors import TeesquareError

logger = logging.getLogger(__name__)

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

# What to do about errors that the web framework itself finds.
_SENTENCES = {
    404: "There is nothing at this address. Open the address shown by the QR code again.",
    405: "This address does not take that kind of request.",
    413: "The request is too large for this server. Send less.",
}


class Problem(TeesquareError):
    """An error that is answered over HTTP: status, short title, plain detail, extra headers."""

    def __init__(
        self,
        status: int,
        title: str,
        detail: str,
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.title = title
        self.detail = detail
        self.headers = dict(headers or {})

    def response(self) -> web.Response:
        """The answer; `type` is left out and so means about:blank (RFC 9457, section 3.1.1)."""
        body = {"title": self.title, "status": self.status, "detail": self.detail}
        return web.Response(
            status=self.status,
            text=json.dumps(body),
            content_type="application/problem+json",
            headers=self.headers,
        )


@web.middleware
async def problems(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Turn every error into a problem document; the unexpected ones are logged, never shown."""
    try:
        return await handler(request)
    except Problem as problem:
        return problem.response()
    except web.HTTPException as problem:
        if problem.status < 400:
            raise
        kept = {k: v for k, v in problem.headers.items() if k == "Allow"}
        detail = _SENTENCES.get(problem.status, problem.reason)
        return Problem(problem.status, problem.reason, detail, kept).response()
    except Exception:
        logger.exception("%s %s failed", request.method, request.path)
        return Problem(
            500,
            "Internal Server Error",
            "The server failed on this request; its own window says why. Try once more, then "
            "start `teesquare serve` again.",
        ).response()
