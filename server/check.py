"""`teesquare check`: photos and clips, told as a report or as the contract's JSON lines."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from server import report, sweep, table, wire
from server.batch import ERROR, Options, Result, Work, results, works
from server.cluster import Cluster
from server.engines import Engine, Here
from server.fields import printable
from server.language import add_option, chosen
from server.manifest import Job, choose, jobs_from_files, jobs_from_manifest
from server.profiles import Profiles
from server.solve import Solver, VisionSolver
from server.wire_aim import target_from_json
from server.words import Plain
from vision.errors import SetupError, TeesquareError
from vision.setup import CLUB_LENGTH_M, AimPoint, Handed, Line, Role, Setup, View

EVERY = 10  # a phone on a tripod hardly moves within a third of a second
BAR_AFTER_S = 1.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `check`."""
    # argparse takes "-12,0.5" for an option unless told that such a thing is a number.
    parser._negative_number_matcher = re.compile(r"-[\d.][\d.,eE+-]*")
    parser.add_argument("files", nargs="*", metavar="FILE", help="photos and clips")
    parser.add_argument(
        "--manifest",
        type=Path,
        metavar="M.jsonl",
        help="what is known of each picture, one JSON object a line; files relative to its folder",
    )
    out = parser.add_argument_group("what comes out")
    out.add_argument("--json", action="store_true", help="one JSON line for each picture")
    out.add_argument(
        "--explain",
        action="store_true",
        help="say what each uncertainty is made of, and what to improve first",
    )
    out.add_argument("--annotate", type=Path, metavar="DIR", help="write drawn pictures there")
    out.add_argument("--units", choices=("cm", "inches"), default="cm", help="default: cm")
    add_option(out, "--json")
    out.add_argument(
        "--every",
        type=_at_least_one,
        default=EVERY,
        metavar="N",
        help=f"every Nth picture of a clip (default: {EVERY})",
    )
    whole = out.add_mutually_exclusive_group()
    whole.add_argument(
        "--whole",
        action="store_true",
        default=None,
        help="one answer a clip, of a camera that stands still (the default in words)",
    )
    whole.add_argument(
        "--pictures",
        dest="whole",
        action="store_false",
        help="an answer for each picture of a clip (the default with --json)",
    )
    many = parser.add_argument_group("many files (docs/clips.md)")
    many.add_argument(
        "--results",
        type=Path,
        metavar="TABLE",
        help="a row for each file into TABLE.csv or TABLE.parquet; FILE may then be a folder. "
        "Run the same command again to go on after an end of any kind",
    )
    many.add_argument(
        "--scheduler", metavar="ADDRESS", help="let the workers of this Dask cluster read them"
    )
    many.add_argument("--retry", action="store_true", help="try those again that could not be read")
    out.add_argument(
        "--jobs",
        type=_at_least_one,
        metavar="N",
        help="files at a time, each in a process (default: 1; with --results, one a core)",
    )
    known = parser.add_argument_group("what is known (a manifest's line goes before these)")
    known.add_argument(
        "--view",
        choices=[view.value for view in View],
        help="default: whichever of the two fits the rods better",
    )
    known.add_argument(
        "--hand", choices=[hand.value for hand in Handed], help="the golfer's (default: right)"
    )
    known.add_argument(
        "--line", choices=[line.value for line in Line], help="down the line: where the lens goes"
    )
    known.add_argument(
        "--focal-px", type=float, metavar="PX", help="focal length in pixels of the picture"
    )
    known.add_argument(
        "--focal-sigma", type=float, metavar="PX", help="its standard deviation (default: 1 %%)"
    )
    known.add_argument(
        "--profile",
        metavar="NAME",
        help="the lens's profile (`calibrate --list`), where no focal length is stated",
    )
    known.add_argument(
        "--tilt",
        metavar="PITCH,ROLL[,SIGMA]",
        help="the tilt sensor's degrees: pitch + up, roll + clockwise (default sigma: 1)",
    )
    known.add_argument(
        "--rod-length",
        action="append",
        default=[],
        metavar="[ROLE=]M",
        help="metres; ROLE is target, stem, toe or ball, no ROLE means every rod",
    )
    known.add_argument(
        "--rod-length-sigma",
        type=float,
        metavar="SHARE",
        help="spread of the stated lengths, as a share of them (default: 0.01)",
    )
    known.add_argument(
        "--aim",
        metavar="X,Y[,M]",
        help="the target's place in the picture, and its distance from the rods in metres if "
        "known: says where the rods point",
    )
    known.add_argument("--player-height", type=float, metavar="M", help="metres (default: 1.78)")
    known.add_argument("--club", choices=list(CLUB_LENGTH_M), help="default: 7-iron")


def run(
    args: argparse.Namespace, solver: Solver | None = None, engine: Engine | None = None
) -> int:
    """Check the files; `engine` reads those of --results, where not the options say who.

    Returns 0 when every file could be read, 1 when not, 2 on misuse.
    """
    whole = args.whole if args.whole is not None else not args.json
    try:
        if args.results is not None:
            return _sweep(args, solver, engine)
        if args.scheduler is not None or args.retry:
            raise SetupError("--scheduler and --retry belong to --results TABLE")
        work = works(_jobs(args))
        profile = Profiles(tell=_say).named(args.profile) if args.profile else None
        if args.annotate is not None:
            _make_folder(args.annotate)
    except TeesquareError as wrong:
        _say(str(wrong))
        return 2
    options = Options(args.json, args.every, args.annotate, args.explain, profile, whole)
    verdicts: list[str] = []
    try:
        found = results(work, options, solver or VisionSolver(), args.jobs or 1)
        for result in _with_bar(found, work):
            if verdicts and not options.json:
                print()
            _print(result.text)
            verdicts.append(result.verdict)
        if len(verdicts) > 1 and not options.json:
            _print("\n" + report.summary(verdicts, Plain(language=_language(args))))
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read the lines has enough (`| head`). Python would complain once more on exit.
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    return 1 if ERROR in verdicts else 0


def _sweep(args: argparse.Namespace, solver: Solver | None, engine: Engine | None) -> int:
    """Many files into a table."""
    if args.json or args.explain or args.annotate is not None or args.whole is False:
        raise SetupError(
            "--results gives one row a file: leave out --json, --explain, --annotate and --pictures"
        )
    if args.scheduler is not None and args.jobs is not None:
        raise SetupError("--jobs is for this machine: leave it out with --scheduler")
    table.kind_of(args.results)
    profile = Profiles(tell=_say).named(args.profile) if args.profile else None
    options = Options(True, args.every, None, profile=profile, whole=True)
    work = works(sweep.prepared(_jobs(args, _unfolded(args.files))))
    if args.scheduler is None:
        engine = engine or Here(args.jobs or os.cpu_count() or 1, solver or VisionSolver())
        return sweep.run(work, options, engine, args.results, args.retry)
    cluster = Cluster(args.scheduler)
    try:
        return sweep.run(work, options, cluster, args.results, args.retry)
    finally:
        cluster.close()


def _unfolded(named: list[str]) -> list[str]:
    """The files, folders by what is in them."""
    out: list[str] = []
    for name in named:
        if "\0" in name or not Path(name).is_dir():
            out.append(name)
            continue
        found, others = sweep.files_in(Path(name))
        out += map(str, found)
        if others:
            _say(f"{others} other files in {printable(name)} are left out (neither photo nor clip)")
    return out


def _jobs(args: argparse.Namespace, named: list[str] | None = None) -> list[Job]:
    stated = wire.setup_from_json(_facts(args), Setup(aim=_target(args.aim)))
    named = args.files if named is None else named
    files = jobs_from_files(named, stated, args.view is not None)
    if args.manifest is None:
        if not files:
            raise SetupError("no picture was named: give photos or clips, or --manifest M.jsonl")
        return files
    jobs, warnings = jobs_from_manifest(args.manifest, stated, args.view is not None)
    for warning in warnings:
        _say(warning)
    if not jobs and not files:
        raise SetupError("the manifest is empty: write one JSON object a line, with the key file")
    return choose(jobs, files) if files else jobs


def _facts(args: argparse.Namespace) -> dict[str, Any]:
    """The options as the wire's setup object, so that one place judges both."""
    facts: dict[str, Any] = {
        "view": args.view,
        "handed": args.hand,
        "line": args.line,
        "units": args.units,
        "language": _language(args),
        "focal_sigma": args.focal_sigma,
        "player_height_m": args.player_height,
        "club": args.club,
        "rod_lengths_m": _rod_lengths(args.rod_length),
        "rod_length_sigma": args.rod_length_sigma,
    }
    # Left out rather than null: null would say "unknown", not "unsaid".
    if args.focal_px is not None:
        facts["focal_px"] = args.focal_px
    if args.tilt is not None:
        facts["tilt"] = _tilt(args.tilt)
    return facts


def _language(args: argparse.Namespace) -> str:
    """What was asked for; else the environment's, but for what programs read."""
    return chosen(args, for_machine=args.json or args.results is not None)


def _rod_lengths(given: list[str]) -> dict[str, float]:
    lengths: dict[str, float] = {}
    for text in given:
        role, equals, number = text.rpartition("=")
        try:
            metres = float(number)
        except ValueError:
            raise SetupError(
                f"--rod-length {text}: give metres such as 1.22, or a rod such as stem=0.94"
            ) from None
        for name in [role] if equals else [role.value for role in Role]:
            lengths[name] = metres
    return lengths


def _tilt(text: str) -> dict[str, float]:
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in (2, 3):
        raise SetupError(f"--tilt {text}: give PITCH,ROLL or PITCH,ROLL,SIGMA, such as -12,0.5")
    return dict(zip(("pitch_deg", "roll_deg", "sigma_deg"), numbers, strict=False))


def _target(text: str | None) -> AimPoint | None:
    if text is None:
        return None
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if len(numbers) not in (2, 3):
        raise SetupError(f"--aim {text}: give X,Y or X,Y,METRES, such as 640,212,150")
    return target_from_json(numbers[:2], numbers[2] if len(numbers) == 3 else None)


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise SetupError(f"--annotate {folder}: cannot be made ({wrong.strerror})") from wrong


def _at_least_one(text: str) -> int:
    try:
        number = int(text)
    except ValueError:
        number = 0
    if number < 1:
        raise argparse.ArgumentTypeError(f"{text} is no whole number from 1 up")
    return number


def _say(text: str) -> None:
    print(f"teesquare check: {text}", file=sys.stderr)


def _print(text: str) -> None:
    """Print even where the terminal's encoding has no sign for a degree."""
    encoding = sys.stdout.encoding or "utf-8"
    print(text.encode(encoding, "replace").decode(encoding), flush=True)


def _with_bar(found: Iterator[tuple[int, Result]], work: list[Work]) -> Iterator[Result]:
    """The results; a bar on standard error once they take long and a person is there to see it."""
    console = Console(stderr=True)
    if not console.is_terminal:
        for _, result in found:
            yield result
        return
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        console=console,
        transient=True,
        redirect_stdout=False,  # the lines belong on standard output, whatever the bar does
        redirect_stderr=False,
    )
    task = bar.add_task("checking", total=len(work))
    start_s = time.monotonic()
    pictures = 0
    try:
        for index, result in found:
            bar.stop()  # the line about to be printed must not land inside the bar
            yield result
            pictures += 1
            named = f"checking ({pictures} pictures)" if pictures > len(work) else "checking"
            bar.update(task, completed=index + 1, description=named)
            if time.monotonic() - start_s > BAR_AFTER_S and index + 1 <= len(work):
                bar.start()
    finally:
        bar.stop()
