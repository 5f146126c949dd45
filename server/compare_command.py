"""`teesquare compare A B`: how comparable two films are, by their records or by themselves."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from server import wire
from server.again_words import label
from server.compare_words import compare_lines, reason_text, verdict_exit
from server.compared import Filmed, held_against, of_file, of_record, record_named
from server.language import add_option, speech_of
from server.manifest import jobs_from_files
from server.records import Records, records_file
from server.solve import Solver, VisionSolver
from server.wire_compare import comparison_to_json
from server.words import PLAIN, Speech
from vision.errors import TeesquareError
from vision.same_place import Other
from vision.setup import Handed, Role, Setup, View

EVERY = 10


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `compare`."""
    parser.add_argument("first", metavar="A", help="a film of the records, or a photo or clip")
    parser.add_argument("second", metavar="B", help="another one: it is told against the first")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of words")
    parser.add_argument("--units", choices=("cm", "inches"), default="cm", help="default: cm")
    add_option(parser, "--json")
    files = parser.add_argument_group("what is known of photos and clips")
    files.add_argument("--view", choices=[v.value for v in View], help="default: as the rods say")
    files.add_argument("--hand", choices=[h.value for h in Handed], help="default: right")
    files.add_argument("--focal-px", type=float, metavar="PX", help="focal length in pixels")
    files.add_argument("--rod-length", type=float, metavar="M", help="of both rods, in metres")
    files.add_argument(
        "--same-phone",
        action="store_true",
        default=None,
        help="both were made by one phone, lens and zoom with the same rods: what these err by "
        "cancels",
    )
    parser.add_argument(
        "--same-rods",
        action="store_true",
        help="the rods lay untouched between the two: what their own angle can cost cancels",
    )
    files.add_argument("--every", type=int, default=EVERY, metavar="N", help="every Nth picture")


def run(args: argparse.Namespace, solver: Solver | None = None) -> int:
    """Returns 0 where nothing that is seen differs, 1 where it does or may, 2 on misuse."""
    speech = speech_of(args, for_machine=args.json)
    try:
        first, second = _both(args, solver or VisionSolver())
    except TeesquareError as wrong:
        print(f"teesquare compare: {wrong}", file=sys.stderr)
        return 2
    text, code = told(
        first, second, speech, json=args.json, same_kit=args.same_phone, same_rods=args.same_rods
    )
    print(text)
    return code


def compare(records: Records, a: str, b: str, speech: Speech = PLAIN, *, json: bool = False) -> str:
    """Two films of the records, in words or as JSON. Raises RecordError for an unknown one."""
    first, second = (_named(records, film, speech) for film in (a, b))
    return told(first, second, speech, json=json)[0]


def told(
    first: Filmed,
    second: Filmed,
    speech: Speech,
    *,
    json: bool = False,
    same_kit: bool | None = None,
    same_rods: bool = False,
) -> tuple[str, int]:
    """The answer, and the command's exit code for it."""
    names = (first.name, second.name)
    moved = first.moved or second.moved
    found = held_against(first, second, same_kit, same_rods)
    code = 2 if isinstance(found, Other) else verdict_exit(found)
    if json:
        return wire.line_text(comparison_to_json(found, names, moved, speech)), code
    if isinstance(found, Other):
        return reason_text(found, speech), code
    return compare_lines(found, names, moved, speech), code


def _both(args: argparse.Namespace, solver: Solver) -> tuple[Filmed, Filmed]:
    names = (args.first, args.second)
    files = [Path(name).is_file() for name in names]
    speech = speech_of(args, for_machine=args.json)
    records = None if all(files) else Records(records_file())
    out = []
    for name, is_file in zip(names, files, strict=True):
        if is_file or records is None:
            stated = wire.setup_from_json(_facts(args), Setup())
            (job,) = jobs_from_files([name], stated, args.view is not None)
            out.append(of_file(job, max(1, args.every), solver, lambda setup, size: setup))
        else:
            out.append(_named(records, name, speech))
    return out[0], out[1]


def _named(records: Records, film: str, speech: Speech) -> Filmed:
    record = record_named(records, film)
    return of_record(record, f"{label(record, speech)} ({record.film})")


def _facts(args: argparse.Namespace) -> dict[str, Any]:
    facts: dict[str, Any] = {"view": args.view, "handed": args.hand}
    if args.focal_px is not None:
        facts["focal_px"] = args.focal_px
    if args.rod_length is not None:
        facts["rod_lengths_m"] = {role.value: args.rod_length for role in Role}
    return facts
