"""`teesquare records`: list, search, show, export, report and delete the records of films."""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import sys
import time
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

from server.compare_command import compare
from server.fields import printable
from server.language import add_option, speech_of
from server.record import NotKept, RecordError, clean
from server.records import Deleted, Found, Records, day_from_text, days_s, records_file
from server.records_words import deleted_text, line
from server.report_page import report_html
from server.wire_record import record_to_json, records_to_csv, records_to_json
from server.words import named

LISTED = 50
_VIEWS = ("face-on", "down-the-line")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The actions of `records` and their options."""
    actions = parser.add_subparsers(dest="action", required=True, metavar="ACTION")

    def action(name: str, summary: str) -> argparse.ArgumentParser:
        made = actions.add_parser(name, help=summary, description=summary.capitalize() + ".")
        add_option(made)
        return made

    listing = action("list", "the films, the newest first")
    _narrow(listing)
    _listed(listing)
    search = action("search", "films that hold all these words in name, bay, view, day or film")
    search.add_argument("words", nargs="*", metavar="WORD")
    _narrow(search)
    _listed(search)
    show = action("show", "everything about a film, as JSON")
    show.add_argument("film", metavar="FILM")
    both = action("compare", "how comparable two films are, the second against the first")
    both.add_argument("films", nargs=2, metavar="FILM")
    both.add_argument("--json", action="store_true", help="one JSON object instead of words")
    both.add_argument("--units", choices=("cm", "inches"), default="cm", help="of lengths")
    export = action("export", "whole records, for a sheet or for another program")
    export.add_argument("words", nargs="*", metavar="WORD")
    _narrow(export)
    export.add_argument(
        "--format", choices=("csv", "json"), help="default: by the file's ending, else json"
    )
    _output(export, "default: standard output")
    report = action("report", "one HTML page about films: pictures, numbers, plots")
    report.add_argument("films", nargs="*", metavar="FILM")
    _narrow(report)
    report.add_argument("--units", choices=("cm", "inches"), default="cm", help="of lengths")
    _output(report, "default: standard output")
    delete = action("delete", "forget films for good")
    delete.add_argument("films", nargs="+", metavar="FILM")
    forget = action("forget", "forget a player for good: all films of that name")
    forget.add_argument("name", metavar="NAME")
    for sure in (delete, forget):
        sure.add_argument("--yes", action="store_true", help="do not ask")
    action("scrub", "write the file anew, without traces of what was deleted")


def _narrow(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--player", metavar="NAME", help="of this player (whole name)")
    parser.add_argument("--bay", metavar="NAME", help="made in this bay")
    parser.add_argument("--view", choices=_VIEWS, help="filmed from there")
    parser.add_argument("--day", metavar="DAY", help="made on this day (2026-11-25, or today)")
    parser.add_argument("--from", metavar="DAY", dest="first", help="made on this day or later")
    parser.add_argument("--to", metavar="DAY", dest="last", help="made on this day or earlier")


def _listed(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--limit", type=int, default=LISTED, metavar="N", help="at most so many (%(default)s)"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


def _output(parser: argparse.ArgumentParser, otherwise: str) -> None:
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help=otherwise)


def run(args: argparse.Namespace, store: Records | None = None) -> int:
    """Do what was asked. Returns 0, or 1 where nothing fits; raises RecordError."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a name in letters that this terminal lacks
    store = store or Records(records_file(), _warn)
    actions: dict[str, Callable[[argparse.Namespace, Records], int]] = {
        "list": _list,
        "search": _list,
        "show": _show,
        "compare": _compare,
        "export": _export,
        "report": _report,
        "delete": _delete,
        "forget": _forget,
        "scrub": _scrub,
    }
    return actions[args.action](args, store)


def _list(args: argparse.Namespace, store: Records) -> int:
    if args.limit < 1:
        raise RecordError(f"--limit {args.limit} cannot be: give a whole number from 1 up")
    asked = _found(args, store)
    found = asked.films
    for record in found[: args.limit]:
        if args.json:
            print(json.dumps(record_to_json(record), allow_nan=False))
        else:
            print(line(record, speech_of(args)))
    if not found:
        _warn(_say(args, "command.none"))
    elif len(found) > args.limit and not args.json:
        print(_say(args, "command.more", n=str(len(found) - args.limit)))
    _tell_unread(args, asked)
    return 0 if found else 1


def _show(args: argparse.Namespace, store: Records) -> int:
    record = store.get(args.film)
    obj = record_to_json(record) | {"still": store.still_file(args.film)}
    print(json.dumps(obj, indent=1, allow_nan=False))
    return 0


def _compare(args: argparse.Namespace, store: Records) -> int:
    speech = speech_of(args, for_machine=args.json)
    first, second = args.films
    print(compare(store, first, second, speech, json=args.json))
    return 0


def _export(args: argparse.Namespace, store: Records) -> int:
    asked = _found(args, store)
    found = asked.films
    ending = args.output.suffix.lower() if args.output else ""
    kind = args.format or ("csv" if ending == ".csv" else "json")
    text = records_to_csv(found) if kind == "csv" else records_to_json(found)
    _put(args.output, text)
    if args.output is not None:
        print(_say(args, "command.exported", n=str(len(found)), file=printable(str(args.output))))
    _tell_unread(args, asked)
    return 0


def _report(args: argparse.Namespace, store: Records) -> int:
    narrowed = (args.player, args.bay, args.view, args.day, args.first, args.last)
    if not args.films and all(value is None for value in narrowed):
        raise RecordError(
            "a report needs films: name some, or narrow by --player, --bay, --view or --day"
        )
    for film in args.films:
        store.get(film)  # says which one is unknown or spoilt
    found = _found(args, store).films
    html = report_html(found, store.still, time.time(), speech_of(args))
    _put(args.output, html)
    if args.output is not None:
        print(_say(args, "command.reported", n=str(len(found)), file=printable(str(args.output))))
    return 0


def _delete(args: argparse.Namespace, store: Records) -> int:
    films = list(dict.fromkeys(args.films))
    for film in films:
        if not store.knows(film):
            raise NotKept(f"no film {printable(film)[:80]} is kept: nothing was deleted")
    if not _sure(args, _say(args, "command.sure.film", n=str(len(films)))):
        return 1
    return _deleted(args, store.delete_films(films))


def _forget(args: argparse.Namespace, store: Records) -> int:
    name = clean(args.name)
    shown = printable(name)
    if not _sure(args, _say(args, "command.sure.person", name=f"“{shown}”")):
        return 1
    return _deleted(args, store.delete_person(name))


def _scrub(args: argparse.Namespace, store: Records) -> int:
    store.scrub()
    print(_say(args, "command.scrubbed"))
    return 0


def _deleted(args: argparse.Namespace, done: Deleted) -> int:
    for sentence in deleted_text(done, speech_of(args)):
        print(printable(sentence))
    return 0


def _sure(args: argparse.Namespace, question: str) -> bool:
    if args.yes:
        return True
    if not sys.stdin.isatty():
        raise RecordError("nobody can be asked whether this is meant: add --yes to delete for good")
    if input(question).strip().casefold() == "yes":
        return True
    print(_say(args, "command.kept"))
    return False


def _found(args: argparse.Namespace, store: Records) -> Found:
    """What the options narrow to, with drift samples."""
    first, last = args.first, args.last
    if args.day is not None:
        if first is not None or last is not None:
            raise RecordError("--day goes without --from and --to: give one day, or a range")
        first = last = args.day
    since_s, until_s = days_s(_day(first), _day(last))
    films = getattr(args, "films", None)
    return store.find(
        text=" ".join(getattr(args, "words", ())),
        films=films or None,
        player=args.player,
        bay=args.bay,
        view=args.view,
        since_s=since_s,
        until_s=until_s,
        limit=None,
        drift=True,
    )


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    if text.strip().casefold() == "today":
        return datetime.now().astimezone().date()
    return day_from_text(text)


def _put(path: Path | None, text: str) -> None:
    """To standard output, or into a file that is whole or not there; for its owner alone."""
    data = text.encode("utf-8", "replace")
    if path is None:
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
        return
    part = path.with_name(path.name + ".part")
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        part.replace(path)
    except OSError as wrong:
        with contextlib.suppress(OSError):
            part.unlink()
        raise RecordError(
            f"{path} cannot be written ({wrong.strerror or wrong}): make room or name another "
            "file; the records are unharmed, and so is what the file held before"
        ) from wrong


def _tell_unread(args: argparse.Namespace, found: Found) -> None:
    for film, why in found.unread:
        _warn(_say(args, "command.unread", film=printable(film), why=why))


def _warn(sentence: str) -> None:
    print(f"teesquare: {printable(sentence)}", file=sys.stderr)


def _say(args: argparse.Namespace, key: str, **values: str) -> str:
    return named(speech_of(args), key, **values)
