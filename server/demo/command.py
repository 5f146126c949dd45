"""The command `teesquare demo`: everything but the phone is real."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import math
import signal
import webbrowser

from server import event_loop
from server.addresses import lan_addresses
from server.config import ServerConfig
from server.demo import ground
from server.demo.geometry import Laid
from server.demo.routes import DEFAULT_SEED, add_routes
from server.demo.scene import Scene
from server.demo.walk import summary, walk
from server.language import add_option, speech_of
from server.loopback import allow_loopback
from server.sentence import Sentence
from server.serve import RunningServer, running, teller
from vision.errors import TeesquareError
from vision.setup import Handed, View


class DemoError(TeesquareError):
    """The demo cannot be run as asked."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `teesquare demo`."""
    parser.add_argument(
        "--headless",
        action="store_true",
        help="no window: a scripted hand obeys the guidance; ends with 0 when square",
    )
    parser.add_argument(
        "--view",
        choices=[v.value for v in View],
        default=View.FACE_ON.value,
        help="where the camera films from, with --headless (default %(default)s)",
    )
    parser.add_argument(
        "--hand",
        choices=[h.value for h in Handed],
        default=Handed.RIGHT.value,
        help="the golfer's hand, with --headless (default %(default)s)",
    )
    parser.add_argument("--seed", type=int, default=1, help="another grass and another hand")
    parser.add_argument("--port", type=int, default=0, help="port (default: any free one)")
    parser.add_argument(
        "--seconds", type=float, default=60.0, help="time limit of --headless (default %(default)s)"
    )
    parser.add_argument(
        "--no-browser", action="store_true", help="print the address, open no browser"
    )
    add_option(parser)


def run(args: argparse.Namespace) -> int:
    """Run the demo. Returns 0 when it ended well, 1 when the headless walk was not square."""
    if not 0 <= args.port <= 65535:
        raise DemoError(f"port {args.port} does not exist: choose one from 1024 to 65535")
    if args.seed < 0:
        raise DemoError(f"a seed of {args.seed} cannot be used: give 0 or more")
    if not (math.isfinite(args.seconds) and args.seconds > 0):
        raise DemoError(f"a time limit of {args.seconds:g} s cannot be used: give 10 or more")
    allow_loopback()
    return event_loop.run(_headless(args) if args.headless else _with_page(args))


async def _headless(args: argparse.Namespace) -> int:
    speech = speech_of(args)
    tell = teller(speech)
    scene = Scene(laid=Laid(View(args.view), Handed(args.hand)), seed=args.seed)
    tell(Sentence("demo.told.drawing"))
    await asyncio.to_thread(ground.textures, scene.seed)
    async with running(ServerConfig(port=args.port, tell=tell), add_routes) as server:
        outcome = await walk(
            server.url,
            server.token,
            scene=scene,
            seconds=args.seconds,
            seed=args.seed,
            language=speech.language,
            tell=tell,
        )
    tell(summary(outcome))
    return 0 if outcome.square else 1


async def _with_page(args: argparse.Namespace) -> int:
    tell = teller(speech_of(args))
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError):  # Windows: KeyboardInterrupt instead
            loop.add_signal_handler(number, stop.set)
    async with running(ServerConfig(port=args.port, tell=tell), add_routes) as server:
        address = page_address(server)
        tell(Sentence("demo.told.window"))
        print(f"\n  {address}\n", flush=True)
        tell(Sentence("serve.ends"))
        if not lan_addresses():
            tell(Sentence("demo.told.alone"))
        drawing = asyncio.create_task(asyncio.to_thread(ground.textures, DEFAULT_SEED))
        if not args.no_browser and not await asyncio.to_thread(webbrowser.open, address):
            tell(Sentence("demo.told.browserless"))
        await stop.wait()
        await drawing
        print(flush=True)
        tell(Sentence("serve.closing"))
    return 0


def page_address(server: RunningServer) -> str:
    """The page in demo mode; by the name localhost, where browsers allow plain HTTP."""
    return f"http://localhost:{server.port}/?demo=1#t={server.token}"
