"""The page's files, read from the installed package."""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import PurePosixPath

from aiohttp import web

from server.problems import Problem
from server.sentence import Sentence

# Spelled out, because the operating system's own table differs from machine to machine.
_TYPES = {
    ".html": "text/html",
    ".js": "text/javascript",
    ".mjs": "text/javascript",
    ".css": "text/css",
    ".json": "application/json",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".ico": "image/x-icon",
    ".webmanifest": "application/manifest+json",
    ".mp3": "audio/mpeg",
    ".wav": "audio/wav",
    ".woff2": "font/woff2",
    ".txt": "text/plain",
}
_TEXT = ("text/html", "text/javascript", "text/css", "text/plain")


def web_root() -> Traversable:
    """The folder `web` of the wheel or the checkout."""
    return resources.files("web")


def web_file(path: str, root: Traversable | None = None) -> web.Response:
    """One file as a response. Raises Problem 404 for anything that is not a page's file."""
    parts = PurePosixPath(path).parts
    kind = _TYPES.get(PurePosixPath(path).suffix)
    # No way up, no hidden files, no Python: only what a page may load.
    if not parts or kind is None or any(part.startswith((".", "/")) for part in parts):
        raise _missing(path)
    file = (web_root() if root is None else root).joinpath(*parts)
    if "\\" in path or "\0" in path or not file.is_file():
        raise _missing(path)
    return web.Response(
        body=file.read_bytes(),
        content_type=kind,
        charset="utf-8" if kind in _TEXT else None,
        # Always asked for anew: a page from an older server must not meet a newer one.
        headers={"Cache-Control": "no-cache"},
    )


def _missing(path: str) -> Problem:
    return Problem(404, "Not Found", Sentence("http.file", name=repr(path[:80])))
