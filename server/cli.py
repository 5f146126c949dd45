"""The command `teesquare`."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from importlib import metadata
from typing import Protocol, cast

from vision.errors import TeesquareError

# Loaded only when asked for: `check` must not wait for the network's libraries, nor `serve`
# for the demo's.
_COMMANDS = {
    "serve": ("server.serve", "guide phones on this network"),
    "check": ("server.check", "read photos and clips"),
    "compare": ("server.compare_command", "say how comparable two films are"),
    "calibrate": ("server.calibrate", "measure a lens, and keep its profile"),
    "records": ("server.records_command", "list, report, export and delete the records of films"),
    "doctor": ("server.doctor", "say why a phone cannot reach this machine"),
    "demo": ("server.demo.command", "try it without a phone"),
}


class _Command(Protocol):
    def add_arguments(self, parser: argparse.ArgumentParser) -> None: ...

    def run(self, args: argparse.Namespace) -> int: ...


def one_thread_each() -> None:
    """No threads of linear algebra, unless the environment asks for them; before numpy is loaded.

    One picture is one thread's work, and there are always several: they would wait for each other.
    """
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 well, 2 misuse, 130 interrupted."""
    one_thread_each()
    argv = list(sys.argv[1:] if argv is None else argv)
    chosen = next((word for word in argv if not word.startswith("-")), None)
    parser = argparse.ArgumentParser(
        prog="teesquare",
        description="Puts a phone camera square to a golfer's alignment rods.",
    )
    parser.add_argument("--version", action="version", version=f"teesquare {version()}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    loaded: dict[str, _Command] = {}
    for name, (module, summary) in _COMMANDS.items():
        sub = commands.add_parser(name, help=summary, description=summary.capitalize() + ".")
        if name == chosen:
            loaded[name] = cast("_Command", importlib.import_module(module))
            loaded[name].add_arguments(sub)
    commands.add_parser("version", help="say which version this is")
    if not argv:
        parser.print_help(sys.stderr)
        return 2
    args = parser.parse_args(argv)
    if args.command == "version":
        print(f"teesquare {version()}")
        return 0
    try:
        return loaded[args.command].run(args)
    except TeesquareError as problem:
        print(f"teesquare: {problem}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


def version() -> str:
    """The installed version, or "unknown" when run from files that were never installed."""
    try:
        return metadata.version("teesquare")
    except metadata.PackageNotFoundError:
        return "unknown"


if __name__ == "__main__":
    sys.exit(main())
