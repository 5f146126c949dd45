"""The command `teesquare doctor`: why a phone cannot reach this machine, and what to do."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import datetime as dt
import signal
import sys
import textwrap
from collections.abc import Iterable
from pathlib import Path

from aiohttp import web

from server import qr
from server.access import public
from server.addresses import is_loopback, lan_addresses, url_host
from server.app import HEADERS
from server.certs import CertFiles, data_dir
from server.doctor_checks import (
    Finding,
    State,
    check_certificate,
    check_firewalls,
    check_network,
    check_port,
)
from server.firewall import firewalls
from server.language import add_option, speech_for, speech_of
from server.sentence import Sentence, said
from server.words import PLAIN, Speech, named
from vision.errors import TeesquareError

WIDE = 88  # columns
PROBE_TEXT = Sentence("doctor.probe")


class DoctorError(TeesquareError):
    """The check cannot be run as asked."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `teesquare doctor`."""
    parser.add_argument("--port", type=int, default=8443, help="the server's port (%(default)s)")
    parser.add_argument("--host", default="0.0.0.0", help="the server's --host, if one is given")
    parser.add_argument("--cert", type=Path, help="the server's --cert, if one is given")
    parser.add_argument("--key", type=Path, help="its --key")
    add_option(parser)
    parser.add_argument(
        "--phone",
        action="store_true",
        help="show a code to be opened with the phone, and wait whether it gets through",
    )
    parser.add_argument(
        "--seconds", type=float, default=60.0, help="how long --phone waits (%(default)s)"
    )


def run(args: argparse.Namespace) -> int:
    """Look at everything. Returns 0 if nothing stands in the way, 1 if something does."""
    if not 0 < args.port <= 65535:
        raise DoctorError(f"port {args.port} does not exist: give 1 to 65535")
    if (args.cert is None) != (args.key is None):
        raise DoctorError("a certificate needs its key: give both --cert and --key, or neither")
    if not 0 < args.seconds <= 3600:
        raise DoctorError(f"--seconds {args.seconds:g} cannot be used: give 1 to 3600")
    addresses = lan_addresses() if args.host in ("", "0.0.0.0", "::") else [args.host]
    speech = speech_of(args)
    findings = examine(args, addresses)
    if args.phone and addresses:
        _show(findings, speech)
        findings = [asyncio.run(ask_phone(addresses[0], args.host, args.seconds, speech))]
        _show(findings, speech)
    else:
        _show(findings, speech)
        print(f"\n{_wrapped(named(speech, 'doctor.elsewhere'))}", flush=True)
    return 1 if any(finding.state is State.BAD for finding in findings) else 0


def examine(args: argparse.Namespace, addresses: list[str]) -> list[Finding]:
    """All that can be seen from this machine alone."""
    found = check_network(addresses)
    if any(is_loopback(address) for address in addresses):
        found = [Finding(State.BAD, Sentence("doctor.host.local"), Sentence("doctor.host.leave"))]
    found.append(check_port(args.port, args.host or "0.0.0.0"))
    if args.cert is not None:
        files = CertFiles(args.cert, args.key)
    else:
        folder = data_dir()
        files = CertFiles(folder / "server.pem", folder / "server.key", folder / "ca.pem")
    found += check_certificate(files, addresses, dt.datetime.now(dt.UTC))
    return found + check_firewalls(firewalls(args.port), args.port)


async def ask_phone(address: str, host: str, seconds: float, speech: Speech = PLAIN) -> Finding:
    """Serve one plain page for a while and see whether anybody but this machine opens it."""
    came: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    runner = web.AppRunner(probe_app(came, address), access_log=None, shutdown_timeout=0.5)
    await runner.setup()
    try:
        site = web.TCPSite(runner, host or None, 0)
        try:
            await site.start()
        except OSError as wrong:
            unheard = Sentence("doctor.host.unheard", host=host, why=wrong.strerror or "")
            return Finding(State.BAD, unheard, Sentence("doctor.host.own"))
        url = f"http://{url_host(address)}:{runner.addresses[0][1]}/"
        print(f"{qr.terminal(url)}\n\n  {url}\n", flush=True)
        print(Sentence("doctor.open", seconds=float(seconds)).said(speech), flush=True)
        with contextlib.suppress(NotImplementedError):
            loop = asyncio.get_running_loop()
            loop.add_signal_handler(signal.SIGINT, came.cancel)
        try:
            who = await asyncio.wait_for(asyncio.shield(came), seconds)
        except (TimeoutError, asyncio.CancelledError):
            return Finding(State.BAD, Sentence("doctor.nobody"), Sentence("doctor.isolated"))
        return Finding(State.GOOD, Sentence("doctor.came", who=who), Sentence("doctor.through"))
    finally:
        await runner.cleanup()


def probe_app(came: asyncio.Future[str], own: str) -> web.Application:
    """One page that says that it was reached; `came` gets the address that opened it first."""

    @public("it holds one sentence, while the doctor waits")
    async def page(request: web.Request) -> web.Response:
        who = request.remote or ""
        if who != own and not is_loopback(who) and not came.done():
            came.set_result(who)
        text = PROBE_TEXT.said(speech_for(request))
        return web.Response(text=text, headers=HEADERS)

    app = web.Application(client_max_size=1024)
    app.add_routes([web.get("/", page)])
    return app


def _show(findings: Iterable[Finding], speech: Speech) -> None:
    marks = {state: named(speech, f"doctor.mark.{state}") for state in State}
    wide = max(map(len, marks.values())) + 2
    for finding in findings:
        print(f"{marks[finding.state]:<{wide}}{said(finding.what, speech)}")
        if finding.todo:
            print(_wrapped(said(finding.todo, speech), " " * (wide + 2)))
    sys.stdout.flush()


def _wrapped(text: str, indent: str = "") -> str:
    return textwrap.fill(
        text,
        WIDE,
        initial_indent=indent,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
