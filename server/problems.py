"""Errors over HTTP as application/problem+json (RFC 9457), each with a sentence on what to do."""

from __future__ import annotations

import json
import logging
from collections.abc import Awaitable, Callable, Mapping

from aiohttp import web

from server.language import speech_for
from server.sentence import Sentence, said
from server.words import Speech
from vision.errors import TeesquareError

logger = logging.getLogger(__name__)

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

_FOUND = (404, 405, 413)  # errors that the web framework itself finds


class Problem(TeesquareError):
    """An error that is answered over HTTP: status, short title, plain detail, extra headers.

    A detail that is a Sentence is told in the language of whoever asked.
    """

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

    def response(self, speech: Speech) -> web.Response:
        """The answer; `type` is left out and so means about:blank (RFC 9457, section 3.1.1).

        Its detail is in the language of `speech` where it is a Sentence.
        """
        detail = said(self.detail, speech)
        body = {"title": self.title, "status": self.status, "detail": detail}
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
        return problem.response(speech_for(request))
    except web.HTTPException as problem:
        if problem.status < 400:
            raise
        kept = {k: v for k, v in problem.headers.items() if k == "Allow"}
        known = problem.status in _FOUND
        detail = Sentence(f"http.{problem.status}") if known else problem.reason
        return Problem(problem.status, problem.reason, detail, kept).response(speech_for(request))
    except Exception:
        logger.exception("%s %s failed", request.method, request.path)
        failed = Problem(500, "Internal Server Error", Sentence("http.500"))
        return failed.response(speech_for(request))
