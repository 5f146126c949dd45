"""Which names this server answers to, and which pages may talk to it.

A page elsewhere can make its own name resolve to this machine (DNS rebinding) and then counts as
the same origin to the browser: the name in `Host` gives it away. A page that keeps its own name is
another origin, and the browser says so in `Origin` or `Sec-Fetch-Site`.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Iterable

from aiohttp import web
from aiohttp.typedefs import Middleware

from server.problems import Handler, Problem
from server.sentence import Sentence


class Hosts:
    """Checks `Host` and `Origin` of each request.

    `names`: host names beyond this machine's own; `origins`: further pages, as
    `https://name:port`, that may use the signalling (with a key, as all).
    """

    def __init__(self, names: Iterable[str] = (), origins: Iterable[str] = ()) -> None:
        own = socket.gethostname().lower()
        first = own.split(".")[0]
        self._names = {"localhost", own, first, f"{first}.local", *(n.lower() for n in names)}
        self._origins = {origin.lower().rstrip("/") for origin in origins}

    @property
    def middleware(self) -> Middleware:
        """For `web.Application(middlewares=[problems, hosts.middleware, …])`."""

        @web.middleware
        async def hosts(request: web.Request, handler: Handler) -> web.StreamResponse:
            self.check(request)
            return await handler(request)

        return hosts

    def check(self, request: web.Request) -> None:
        """Return if name and origin are in order. Raises Problem 421 or 403."""
        host = request.headers.getall("Host", [])
        if len(host) != 1 or not self._is_own(host[0], request):
            raise Problem(
                421,
                "Misdirected Request",  # RFC 9110, section 15.5.20
                Sentence("http.host"),
            )
        if not self._may_ask(request, host[0]):
            raise Problem(
                403,
                "Forbidden",
                Sentence("http.origin"),
            )

    def cors(self, request: web.Request) -> dict[str, str]:
        """Headers that let an allowed origin read the answer (Fetch standard, CORS protocol)."""
        origin = request.headers.get("Origin", "")
        if origin.lower() not in self._origins:
            return {}
        headers = {
            "Access-Control-Allow-Origin": origin,
            "Access-Control-Expose-Headers": "ETag, Link, Location, Retry-After",
            "Cross-Origin-Resource-Policy": "cross-origin",
            "Vary": "Origin",
        }
        if request.method == "OPTIONS":
            headers["Access-Control-Allow-Methods"] = "DELETE, GET, OPTIONS, PATCH, POST"
            headers["Access-Control-Allow-Headers"] = "Authorization, Content-Type, If-Match"
        return headers

    def _is_own(self, host: str, request: web.Request) -> bool:
        name = host_name(host)
        if name in self._names:
            return True
        ip = _address(name)
        # An address cannot be rebound: what counts is that the request really came to it.
        return ip is not None and ip == _address(_local(request))

    def _may_ask(self, request: web.Request, host: str) -> bool:
        origin = request.headers.get("Origin")
        if origin is not None:
            own = f"{'https' if request.secure else 'http'}://{host}"
            return origin.lower() in self._origins or origin.lower() == own.lower()
        site = request.headers.get("Sec-Fetch-Site", "none")
        if site in ("none", "same-origin"):
            return True
        # A link on another page may lead here; nothing else may come from there.
        return (
            request.method == "GET"
            and request.headers.get("Sec-Fetch-Mode") == "navigate"
            and request.headers.get("Sec-Fetch-Dest") == "document"
        )


def host_name(host: str) -> str:
    """The name in a Host header without its port, in lower case; "" for what is none."""
    if host.startswith("["):
        name, closed, port = host[1:].partition("]")
        if not closed or (port and not _is_port(port)):
            return ""
    else:
        name, colon, port = host.partition(":")
        if colon and not _is_port(f":{port}"):
            return ""
    return name.lower().removesuffix(".")


def _is_port(text: str) -> bool:
    digits = text[1:]
    return text.startswith(":") and digits.isascii() and digits.isdigit()


def _local(request: web.Request) -> str:
    """The address of this machine at which the connection arrived."""
    name = None if request.transport is None else request.transport.get_extra_info("sockname")
    return str(name[0]) if isinstance(name, tuple) and name else ""


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        ip = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return None
    mapped = ip.ipv4_mapped if isinstance(ip, ipaddress.IPv6Address) else None
    return mapped or ip
