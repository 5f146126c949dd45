"""`teesquare calibrate`: the board to print, a lens's profile from its views, the store."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np

from server import lens_words, wire_lens
from server.fields import printable
from server.language import add_option, speech_of
from server.media import MediaError, pictures
from server.profiles import Profiles
from server.sheet import PAPERS_MM, RULER_MM, save_sheet
from server.words import Speech, named
from vision.board import Board, Charuco, Chessboard, find_board, is_new, spread_out
from vision.calibrate import BoardView, Refusal, calibrate
from vision.errors import SetupError
from vision.profile import from_calibration

EVERY = 5
MAX_SCALE = 1.25  # a ruler that measures this much more or less was misread


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `calibrate`."""
    parser.add_argument("files", nargs="*", metavar="PICTURE", help="photos or clips of the board")
    what = parser.add_argument_group(
        "what to do, unless pictures are named"
    ).add_mutually_exclusive_group()
    what.add_argument("--board", type=Path, metavar="FILE", help="write the board (.pdf or .png)")
    what.add_argument(
        "--live", action="store_true", help="measure the lens of a phone that opens the page"
    )
    what.add_argument("--list", action="store_true", help="say which profiles there are")
    what.add_argument("--export", type=Path, metavar="FILE", help="write profiles as JSON")
    what.add_argument("--import", type=Path, metavar="FILE", dest="bring", help="read an export")
    what.add_argument("--delete", metavar="NAME", help="forget a profile")
    parser.add_argument(
        "--paper", choices=tuple(PAPERS_MM), default="a4", help="for --board (default: a4)"
    )
    parser.add_argument(
        "--name", help="the new profile's name; with --export, the only one to be written"
    )
    known = parser.add_argument_group("what the pictures show")
    known.add_argument(
        "--device", default="", metavar="TEXT", help="the device as `serve` tells it on connecting"
    )
    known.add_argument("--lens", default="", metavar="TEXT", help="its lens, likewise")
    known.add_argument(
        "--ruler-mm",
        metavar="MM[,MM]",
        help=f"length of the printed rulers, across and along the sheet (default: {RULER_MM})",
    )
    known.add_argument(
        "--chessboard",
        metavar="COLUMNSxROWS",
        help="a plain chessboard with so many inner corners, such as 9x6, instead of the board",
    )
    known.add_argument(
        "--square-mm", type=float, default=25.0, metavar="MM", help="its squares (default: 25)"
    )
    known.add_argument(
        "--every",
        type=int,
        default=EVERY,
        metavar="N",
        help=f"every Nth of a clip (default: {EVERY})",
    )
    live = parser.add_argument_group("with --live")
    live.add_argument("--host", default="0.0.0.0", help="address to listen on (default: all)")
    live.add_argument("--port", type=int, default=8443, help="port (default: 8443)")
    live.add_argument("--http", action="store_true", help="a browser on this machine only")
    known.add_argument("--json", action="store_true", help="the result as one JSON line")
    add_option(parser, "--json")


def run(args: argparse.Namespace, store: Profiles | None = None) -> int:
    """Do what was asked. Returns 0 when done, 1 when the views were refused; raises on misuse."""
    store = store or Profiles(tell=_say)
    speech = speech_of(args)
    if args.board is not None:
        save_sheet(args.board, args.paper)
        written = {"file": str(args.board), "paper": args.paper.upper(), "mm": str(RULER_MM)}
        print(named(speech, "calibrate.sheet", **written))
        return 0
    if args.list:
        for profile in store.all():
            print(printable(lens_words.profile_text(profile, speech)))
        return 0
    if args.export is not None:
        return _export(args, store)
    if args.bring is not None:
        return _import(args, store)
    if args.delete is not None:
        store.delete(args.delete)
        return 0
    if args.live:
        from server.calibrate_live import run_live  # the network's libraries only where needed

        return run_live(args, store, _board(args))
    if not args.files:
        raise SetupError(
            "no picture was named: give photos or a clip of the board, or write the board with "
            "--board FILE.pdf"
        )
    return _calibrate(args, store)


def _calibrate(args: argparse.Namespace, store: Profiles) -> int:
    if args.every < 1:
        raise SetupError(f"--every {args.every} cannot be: give a whole number from 1 up")
    speech = speech_of(args, for_machine=args.json)
    views = list(_views(args.files, _board(args), args.every, speech))
    found = calibrate(spread_out(views))
    refused = isinstance(found, Refusal)
    if not isinstance(found, Refusal) and args.name:
        store.save(from_calibration(args.name, args.device, args.lens, found))
    if args.json:
        print(wire_lens.calibration_to_json(found, None if refused else args.name))
    elif isinstance(found, Refusal):
        why = lens_words.refusal_text(found, speech)
        print(named(speech, "calibrate.refused", why=why))
    else:
        print(printable_lines(lens_words.calibration_text(found, speech)))
        key = "calibrate.kept" if args.name else "calibrate.unkept"
        print(named(speech, key, name=printable(args.name or "")))
    return 1 if refused else 0


def _views(files: Sequence[str], board: Board, every: int, speech: Speech) -> Iterator[BoardView]:
    """The board's views in all files; a file that cannot be read is told and passed over."""
    for file in files:
        path, seen, kept = Path(file), 0, None
        try:
            for picture in pictures(path, every):
                name = path.name
                if picture.of_clip:
                    name = named(speech, "calibrate.picture", file=name, n=str(picture.frame))
                gray = cv2.cvtColor(picture.bgr, cv2.COLOR_BGR2GRAY).astype(np.uint8, copy=False)
                view = find_board(gray, board, name)
                if view is None or (picture.of_clip and not is_new(view, kept)):
                    continue
                kept, seen = view, seen + 1
                yield view
        except MediaError as wrong:
            _say(f"{printable(file)}: {wrong}")
            continue
        if seen == 0:
            _say(named(speech, "calibrate.unseen", file=printable(file)))


def _board(args: argparse.Namespace) -> Board:
    if args.chessboard is None:
        across, along = _ruler(args.ruler_mm)
        usual = Charuco()
        square = (
            usual.square_m[0] * across / RULER_MM,
            usual.square_m[1] * along / RULER_MM,
        )
        return Charuco(square_m=square)
    columns, _, rows = args.chessboard.lower().partition("x")
    if not (columns.isdecimal() and rows.isdecimal() and 3 <= int(columns) <= 50 >= int(rows) >= 3):
        raise SetupError(
            f"--chessboard {args.chessboard} cannot be used: give the inner corners, such as 9x6"
        )
    if not 1.0 <= args.square_mm <= 1000.0:
        raise SetupError(f"--square-mm {args.square_mm:g} cannot be: give 1 to 1000")
    side_m = args.square_mm * 1e-3
    return Chessboard(int(columns), int(rows), (side_m, side_m))


def _ruler(text: str | None) -> tuple[float, float]:
    if text is None:
        return float(RULER_MM), float(RULER_MM)
    try:
        lengths = [float(part) for part in text.split(",")]
    except ValueError:
        lengths = []
    low, high = RULER_MM / MAX_SCALE, RULER_MM * MAX_SCALE
    if len(lengths) not in (1, 2) or not all(low <= length <= high for length in lengths):
        raise SetupError(
            f"--ruler-mm {text} cannot be used: give what the printed rulers of {RULER_MM} mm "
            f"measure, {low:.0f} to {high:.0f} mm, such as 148.5 or 148.5,149"
        )
    return lengths[0], lengths[-1]


def _export(args: argparse.Namespace, store: Profiles) -> int:
    chosen = [store.named(args.name)] if args.name else store.all()
    try:
        args.export.write_text(wire_lens.profiles_to_json(chosen), encoding="utf-8")
    except OSError as wrong:
        raise SetupError(f"{args.export} cannot be written ({wrong.strerror})") from wrong
    done = {"n": str(len(chosen)), "file": str(args.export)}
    print(named(speech_of(args), "calibrate.exported", **done))
    return 0


def _import(args: argparse.Namespace, store: Profiles) -> int:
    try:
        text = args.bring.read_text(encoding="utf-8-sig")
    except OSError as wrong:
        raise SetupError(f"{args.bring} cannot be read ({wrong.strerror})") from wrong
    except UnicodeDecodeError as wrong:
        raise SetupError(f"{args.bring} is no text: give a file that --export wrote") from wrong
    profiles = wire_lens.profiles_from_json(text)
    for profile in profiles:
        store.save(profile)
    done = {"n": str(len(profiles)), "file": str(args.bring)}
    print(named(speech_of(args), "calibrate.imported", **done))
    return 0


def printable_lines(text: str) -> str:
    """The same lines without what a terminal could trip over."""
    return "\n".join(printable(line) for line in text.split("\n"))


def _say(text: str) -> None:
    print(f"teesquare calibrate: {text}", file=sys.stderr)
