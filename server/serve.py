"""Starting and stopping the server: for tests and the demo, and as the `serve` command."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import logging
import os
import signal
import ssl
import sys
import textwrap
import threading
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, replace
from pathlib import Path

from aiohttp import web

from server import event_loop, logs, qr
from server.addresses import is_loopback, lan_addresses, url_host
from server.app import KEYS, TOKENS, make_app
from server.certs import CertFiles, data_dir, ensure_certificate, ssl_context
from server.config import ServerConfig
from server.language import add_option, speech_of
from server.profiles import Profiles
from server.records import records_file
from server.sentence import said
from server.tokens import Role
from server.window import Window
from server.words import PLAIN, Speech, named
from vision.errors import TeesquareError

DEFAULT_PORT = 8443
SHUTDOWN_S = 0.5
LEAVE_S = 0.2
WIDE = 88  # columns of the window's sentences
BOARD = "/board"  # the coach's page


class ServeError(TeesquareError):
    """The server cannot be started as asked."""


@dataclass(frozen=True, slots=True)
class RunningServer:
    """A server that is listening. `url` ends without a slash; `token` opens `/whip`.

    `coach_token` opens everything; it is for the server's own window alone.
    """

    url: str
    port: int
    token: str
    app: web.Application
    stop: Callable[[], Awaitable[None]]  # earlier than the context's end; safe to call again
    coach_token: str = ""

    @property
    def page_url(self) -> str:
        """The page's address with its key, as a browser on this machine opens it."""
        return f"{self.url}/#t={self.token}"


@contextlib.asynccontextmanager
async def running(
    config: ServerConfig | None = None,
    extend: Callable[[web.Application], None] | None = None,
) -> AsyncIterator[RunningServer]:
    """Listen while the context lasts; `extend` may add routes before the start.

    By default plain HTTP on 127.0.0.1 and a free port. Raises ServeError when the address cannot
    be listened on, CertificateError when the certificate cannot be used.
    """
    config = config or ServerConfig()
    context: ssl.SSLContext | None = None if config.tls is None else ssl_context(config.tls)
    app = make_app(config)
    if extend is not None:
        extend(app)
    runner = web.AppRunner(app, access_log=None, shutdown_timeout=SHUTDOWN_S)
    await runner.setup()
    try:
        try:
            site = web.TCPSite(runner, config.host or None, config.port, ssl_context=context)
            await site.start()
        except (OSError, OverflowError) as problem:
            raise ServeError(
                f"{config.host or 'this machine'} cannot be listened on at port {config.port} "
                f"({problem}): is another server running? Choose another with --port"
            ) from problem
        port = int(runner.addresses[0][1])
        scheme = "http" if context is None else "https"
        host = config.host if config.host not in ("", "0.0.0.0", "::") else "127.0.0.1"
        yield RunningServer(
            url=f"{scheme}://{url_host(host)}:{port}",
            port=port,
            token=app[TOKENS].issue(),
            app=app,
            stop=runner.cleanup,
            coach_token=app[TOKENS].issue(Role.COACH),
        )
    finally:
        await runner.cleanup()


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `teesquare serve`."""
    parser.add_argument("--host", default="0.0.0.0", help="address to listen on (all by default)")
    parser.add_argument("--port", type=int, default=DEFAULT_PORT, help="port (default %(default)s)")
    parser.add_argument("--cert", type=Path, help="a PEM certificate of your own, with --key")
    parser.add_argument("--key", type=Path, help="its unencrypted PEM key")
    parser.add_argument(
        "--token-hours",
        type=float,
        default=12.0,
        help="how long the QR code's key stays good (default %(default)s)",
    )
    parser.add_argument(
        "--http",
        action="store_true",
        help="plain HTTP for a browser on this machine only (no phone can use its camera over it)",
    )
    parser.add_argument(
        "--allow-host",
        action="append",
        default=[],
        metavar="NAME",
        help="answer to this host name too (beside this machine's own; may be repeated)",
    )
    parser.add_argument(
        "--allow-origin",
        action="append",
        default=[],
        metavar="https://NAME:PORT",
        help="let pages of this origin use the signalling, with a key (may be repeated)",
    )
    add_option(parser)
    parser.add_argument("--log-json", action="store_true", help="log JSON lines")
    parser.add_argument("--verbose", action="store_true", help="show the libraries' own messages")


def run(args: argparse.Namespace) -> int:
    """Serve until Ctrl-C. Returns the exit code."""
    level = logging.INFO if args.verbose else logging.ERROR
    logs.set_up(level, args.log_json)
    try:
        config, addresses = configure(args)
        event_loop.run(serve_until_stopped(config, addresses, speech_of(args)))
    except TeesquareError as problem:
        print(f"teesquare: {problem}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        pass  # before the handler stood, or a second time
    _leave_threads()
    return 0


def _leave_threads() -> None:
    """Do not wait for a thread of vision: on a machine's first start it may compile for long.

    Everything of the server's is closed by now; Python itself would join such threads.
    """
    busy = [thread for thread in threading.enumerate() if thread.name.startswith("vision")]
    for thread in busy:
        thread.join(LEAVE_S)
    if any(thread.is_alive() for thread in busy):
        sys.stdout.flush()
        logging.shutdown()
        os._exit(0)


def configure(args: argparse.Namespace) -> tuple[ServerConfig, list[str]]:
    """The server's configuration, and the addresses at which a phone may find it.

    Raises ServeError for options that contradict each other or lie outside what is possible.
    """
    if not 0 <= args.port <= 65535:
        raise ServeError(f"port {args.port} does not exist: choose one from 1024 to 65535")
    if not 0 < args.token_hours <= 24 * 366:
        raise ServeError(f"--token-hours {args.token_hours:g} cannot be used: give 0.1 to 8784")
    if (args.cert is None) != (args.key is None):
        raise ServeError("a certificate needs its key: give both --cert and --key, or neither")
    host, files, addresses = args.host, None, ["localhost"]
    if args.http:
        host = "127.0.0.1" if args.host == "0.0.0.0" else args.host
        if args.cert is not None or not is_loopback(host):
            raise ServeError(
                "--http is for a browser on this machine: leave out --host and --cert, or leave "
                "out --http so that a phone may use its camera"
            )
    else:
        addresses = lan_addresses() if host in ("", "0.0.0.0", "::") else [host]
        if args.cert is not None:
            files = CertFiles(args.cert, args.key)
        else:
            files = ensure_certificate(data_dir(), addresses)
    tell = teller(speech_of(args))
    profiles = Profiles(tell=tell)
    config = ServerConfig(
        host,
        args.port,
        files,
        args.token_hours * 3600.0,
        tell=tell,
        lenses=profiles.find,
        keep_look=profiles.add_first_look,
        places=places_file(),
        records=records_file(),
        allow_hosts=tuple(args.allow_host),
        allow_origins=tuple(args.allow_origin),
    )
    return config, addresses


def places_file() -> Path:
    """Where remembered places and their drift are kept: in the user's data folder."""
    return data_dir().parent / "places.sqlite"


async def serve_until_stopped(
    config: ServerConfig, addresses: list[str], speech: Speech = PLAIN
) -> None:
    """Serve, with the welcome in the terminal, until Ctrl-C or SIGTERM."""
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows: KeyboardInterrupt instead
            loop.add_signal_handler(number, stop.set)
    async with running(config) as server:
        print(welcome(server, config, addresses, speech), flush=True)

        async def renew() -> None:
            again = replace(server, token=await server.app[KEYS].renew())
            print(welcome(again, config, addresses, speech), flush=True)

        with Window({"new": renew}, speech=speech):
            await stop.wait()
        print(f"\n{named(speech, 'serve.closing')}", flush=True)


def welcome(
    server: RunningServer,
    config: ServerConfig,
    addresses: list[str],
    speech: Speech = PLAIN,
) -> str:
    """What the terminal shows: the QR code, how to use it, cautions."""
    scheme = "http" if config.tls is None else "https"
    hosts = addresses or ["127.0.0.1"]
    urls = [f"{scheme}://{url_host(host)}:{server.port}/#t={server.token}" for host in hosts]
    lines = [qr.terminal(urls[0]), "", f"  {urls[0]}", ""]

    def say(key: str, **values: str) -> None:
        lines.append(_wrapped(named(speech, key, **values)))

    if config.tls is None:
        say("serve.local")
    elif not addresses:
        say("serve.alone")
    else:
        say("serve.scan")
        if len(urls) > 1:
            lines.append(named(speech, "serve.else", addresses="  ".join(urls[1:4])))
        if config.tls.ca is not None:
            authority = f"{scheme}://{url_host(hosts[0])}:{server.port}/ca.crt"
            say("serve.certificate", address=authority)
    if server.coach_token:
        coach = f"{scheme}://{url_host(hosts[0])}:{server.port}{BOARD}#t={server.coach_token}"
        lines.append("")
        say("serve.coach")
        lines += [f"  {coach}"]
    lines.append("")
    say("serve.key")
    say("serve.private")
    lines.append("")
    say("serve.caution")
    lines.append("")
    say("serve.ends")
    return "\n".join(lines)


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDE, break_long_words=False, break_on_hyphens=False)


def teller(speech: Speech) -> Callable[[str], None]:
    """What prints the sentences of a server in its window, in the language of `speech`."""

    def tell(sentence: str) -> None:
        print(said(sentence, speech), flush=True)

    return tell
