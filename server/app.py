"""The web application: routes, the page's files, security headers."""

from __future__ import annotations

from collections.abc import AsyncIterator

from aiohttp import web

from server.access import Guard, public
from server.again_places import AgainPlaces
from server.board_page import BoardPage
from server.certs import ca_der, names_of
from server.config import ServerConfig
from server.drift_page import DriftPage
from server.hosts import Hosts
from server.keys import Keys
from server.metrics import MetricsPages
from server.problems import problems
from server.records_page import RecordsPage
from server.registry import Sessions
from server.static import web_file
from server.tokens import Tokens
from server.whip import Whip

MAX_BODY = 256 * 1024  # an offer with every candidate is about 10 KB

# Nothing from elsewhere, nothing inline, no frames: the page is all its own files.
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob: data:",
        "media-src 'self' blob: mediastream:",
        "font-src 'self'",
        "connect-src 'self'",
        "worker-src 'self' blob:",
        "manifest-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
    )
)

# No Strict-Transport-Security: it would forbid opening the page before its authority is trusted.
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": (
        "camera=(self), accelerometer=(self), gyroscope=(self), magnetometer=(self), "
        "screen-wake-lock=(self), fullscreen=(self), autoplay=(self), microphone=(), "
        "geolocation=(), payment=(), usb=()"
    ),
}

CONFIG = web.AppKey("config", ServerConfig)
TOKENS = web.AppKey("tokens", Tokens)
SESSIONS = web.AppKey("sessions", Sessions)
HOSTS = web.AppKey("hosts", Hosts)
KEYS = web.AppKey("keys", Keys)


def make_app(config: ServerConfig) -> web.Application:
    """The application; routes may be added to it until it is started.

    Each route declares the key it needs (server.access); `app[TOKENS]` issues keys,
    `app[KEYS]` takes the phones' back, and `app[SESSIONS]` holds the sessions (once started).
    """
    tokens = Tokens(config.token_life_s)
    guard = Guard(tokens)
    hosts = Hosts(names_answered(config), config.allow_origins)
    app = web.Application(
        client_max_size=MAX_BODY, middlewares=[problems, hosts.middleware, guard.middleware]
    )
    app[HOSTS] = hosts
    app[CONFIG] = config
    app[TOKENS] = tokens
    app[SESSIONS] = Sessions(config)
    app[KEYS] = Keys(tokens, app[SESSIONS])
    app.on_response_prepare.append(_secure)
    app.on_shutdown.append(_shut_down)
    app.cleanup_ctx.append(_threads)
    app.add_routes(
        [
            web.get("/", _index),
            web.get("/web/{path:.+}", _web),
            web.get("/ca.crt", _authority),
        ]
    )
    Whip(app[SESSIONS], guard).add_routes(app)
    DriftPage(app[SESSIONS].places).add_routes(app)
    AgainPlaces(app[SESSIONS].records).add_routes(app)
    app[KEYS].add_routes(app)
    metrics = app[SESSIONS].metrics
    app.cleanup_ctx.append(metrics.watch)
    MetricsPages(metrics, app[SESSIONS].tally).add_routes(app)
    BoardPage(app[SESSIONS].board).add_routes(app)
    RecordsPage(app[SESSIONS].records, POLICY).add_routes(app)
    return app


@public("the join page")
async def _index(request: web.Request) -> web.Response:
    return web_file("index.html")


@public("the join page's own files")
async def _web(request: web.Request) -> web.Response:
    return web_file(request.match_info["path"])


@public("every TLS handshake shows this certificate, and phones install it without a page")
async def _authority(request: web.Request) -> web.Response:
    """The authority's certificate, in the form that phones offer to install."""
    config = request.app[CONFIG]
    der = None if config.tls is None else ca_der(config.tls)
    if der is None:
        raise web.HTTPNotFound
    return web.Response(
        body=der,
        content_type="application/x-x509-ca-cert",
        headers={
            "Content-Disposition": 'attachment; filename="teesquare-ca.crt"',
            "Cache-Control": "no-store",
        },
    )


def names_answered(config: ServerConfig) -> list[str]:
    """Host names beyond this machine's own: those asked for, and those of its certificate."""
    return [config.host, *config.allow_hosts, *(names_of(config.tls) if config.tls else ())]


async def _secure(request: web.Request, response: web.StreamResponse) -> None:
    for name, value in (request.app[HOSTS].cors(request)).items():
        response.headers.setdefault(name, value)
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    response.headers.setdefault("Cache-Control", "no-store")
    response.headers.pop("Server", None)


async def _shut_down(app: web.Application) -> None:
    # Before the connections are closed: event streams end by themselves with their sessions.
    await app[SESSIONS].close()


async def _threads(app: web.Application) -> AsyncIterator[None]:
    yield
    await app[SESSIONS].close()  # for an application that never got as far as its shutdown
