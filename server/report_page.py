"""The report of films as one HTML page that needs nothing else: stills, numbers, plots, words.

One page for the command and for the coach's route. It asks nobody for anything: its policy allows
the pictures inside it and its one style, known by its hash (W3C Content Security Policy Level 3).
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import cache

from server import plot_svg, words
from server.markup import Markup, join, tag, text
from server.record import FilmRecord, NotKept, RecordError, person
from server.records import day_of
from server.report_film import film_article
from server.report_numbers import numbers, shift_of
from server.report_words import Say
from server.static import web_root
from server.words import Z95
from vision.reading import Verdict

MOST_FILMS = 60  # in one report, whose pictures lie in the page


class TooMany(RecordError):
    """More films than a report takes."""


Stills = Callable[[str], tuple[bytes, str] | None]


@cache
def style() -> str:
    """The report's style."""
    return web_root().joinpath("report.css").read_text(encoding="utf-8")


@cache
def style_source() -> str:
    """The style as a source expression of a content policy: its SHA-256."""
    digest = hashlib.sha256(style().encode("utf-8")).digest()
    return f"'sha256-{base64.b64encode(digest).decode('ascii')}'"


@cache
def policy() -> str:
    """All that the report may do: show what lies in it."""
    return "; ".join(
        (
            "default-src 'none'",
            "img-src data:",
            f"style-src {style_source()}",
            "base-uri 'none'",
            "form-action 'none'",
        )
    )


def report_html(
    records: Sequence[FilmRecord],
    stills: Stills,
    made_s: float,
    speech: words.Speech = words.PLAIN,
) -> str:
    """The report of these films (with their drift samples), as one HTML page.

    `stills` gives a film's picture and its type. `made_s`: Unix time. Films of one day, player and
    bay stand together. Raises NotKept for none, TooMany for more than MOST_FILMS.
    """
    if not records:
        raise NotKept("no film was chosen: a report needs one at least")
    if len(records) > MOST_FILMS:
        raise TooMany(
            f"{len(records)} films are too many for one report: choose {MOST_FILMS} at most, by "
            "day or by player"
        )
    groups = sessions(records)
    alone = len(groups) == 1
    say = Say(speech, 2 if alone else 3)
    who, day = who_and_day(groups[0][0], say)
    title = say.named("report.title", who=who, day=day) if alone else say("report.title.many")
    made = datetime.fromtimestamp(made_s).astimezone()
    zone = made.strftime("UTC%z")
    head = tag(
        "header",
        tag("h1", _titled(groups[0][0], say) if alone else title),
        tag("p", _counted(records, say)),
        tag("p", say("report.made", when=made.strftime("%Y-%m-%d %H:%M"), zone=zone)),
        tag("p", say("report.private"), class_="care"),
    )
    body = [_session(group, stills, say, headed=not alone) for group in groups]
    page = tag(
        "html",
        tag(
            "head",
            tag("meta", charset="utf-8"),
            tag("meta", http_equiv="Content-Security-Policy", content=policy()),
            tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
            tag("meta", name="referrer", content="no-referrer"),
            tag("meta", name="robots", content="noindex"),
            tag("title", f"teesquare: {title}"),
            tag("style", Markup(style())),
        ),
        tag("body", head, tag("main", body), _foot(say)),
        lang=say.language,
    )
    return f"<!doctype html>\n{page}\n"


def sessions(records: Sequence[FilmRecord]) -> list[list[FilmRecord]]:
    """Films of one day, player and bay together, each by time; the earliest session first."""
    groups: dict[tuple[str, str, str], list[FilmRecord]] = {}
    for record in sorted(records, key=lambda r: (r.begun_s, r.film)):
        key = (day_of(record), person(record.player), person(record.bay))
        groups.setdefault(key, []).append(record)
    return list(groups.values())


def who_and_day(record: FilmRecord, say: Say) -> tuple[str, str]:
    """Whose films these are, in words, and the day."""
    who = record.player.strip() or say("report.nobody")
    if record.bay.strip():
        who = f"{who}, {say.named(_bay_key(record), bay=record.bay.strip())}"
    return who, day_of(record)


def _bay_key(record: FilmRecord) -> str:
    """A bay that is called "7" is bay 7; one that is called "bay 7" or "putting green" is that."""
    return "report.bay" if len(record.bay.split()) == 1 else "report.bay.named"


def _titled(record: FilmRecord, say: Say, key: str = "report.title") -> Markup:
    """The heading; a name written from right to left turns nothing else around."""
    who = "\0who\0"
    before, _, after = say(key, who=who, day=day_of(record)).partition(who)
    name = record.player.strip()
    shown: list[Markup | str] = [tag("bdi", name) if name else text(say("report.nobody"))]
    if record.bay.strip():
        bay_before, _, bay_after = say(_bay_key(record), bay=who).partition(who)
        shown += [", ", bay_before, tag("bdi", record.bay.strip()), bay_after]
    return join([before, *shown, after])


def _counted(records: Sequence[FilmRecord], say: Say) -> str:
    times = sorted(record.begun_s for record in records)
    first, last = (
        datetime.fromtimestamp(at).astimezone().strftime("%H:%M") for at in (times[0], times[-1])
    )
    if len(records) == 1:
        return say("report.films.one", **{"from": first})
    return say("report.films", n=str(len(records)), **{"from": first, "to": last})


def _session(group: Sequence[FilmRecord], stills: Stills, say: Say, *, headed: bool) -> Markup:
    head = (
        tag("h2", _titled(group[0], say, "report.session"), class_="session-title")
        if headed
        else None
    )
    together = _together(group, say) if len(group) > 1 else None
    films = [
        film_article(record, stills(record.film), number, say)
        for number, record in enumerate(group, 1)
    ]
    return tag("section", head, together, films, class_="session")


def _together(group: Sequence[FilmRecord], say: Say) -> Markup:
    """All films of a session side by side: sideways, turn, level, and the effect."""
    plots = []
    for quantity in ("offset_m", "yaw_rad", "roll_rad"):
        scale, unit = say.scale(quantity)
        rows, band = [], None
        for index, record in enumerate(group, 1):
            name = say("plot.film", n=str(index))
            found = next((n for n in numbers(record) if n.quantity == quantity), None)
            if found is None:
                rows.append(plot_svg.Row(name, math.nan, 0.0))
                continue
            rows.append(plot_svg.Row(name, found.value * scale, Z95 * found.sigma * scale))
            if found.low is not None and found.high is not None:
                band = plot_svg.Band(found.low * scale, found.high * scale, say("plot.band"))
        what = say(f"plot.{quantity}", unit=unit)
        plots.append(_films_plot(what, rows, band, say))
    for view in sorted({record.setup.view for record in group}):
        scale, unit = say.scale("offset_m")
        rows = []
        for index, record in enumerate(group, 1):
            if record.setup.view is view and record.effect is not None:
                value, sigma = shift_of(record.effect, view)
                if value is not None and sigma is not None:
                    name = say("plot.film", n=str(index))
                    rows.append(plot_svg.Row(name, value * scale, Z95 * sigma * scale))
        if rows:
            what = say(f"plot.{'ball' if view.value == 'face-on' else 'club'}", unit=unit)
            plots.append(_films_plot(what, rows, None, say))
    square = sum(record.verdict == Verdict.SQUARE.value for record in group)
    said = say("report.square.of", n=str(square), all=str(len(group)))
    shown = tag("div", plots, class_="plots")
    return tag("section", say.title(say("report.all")), tag("p", said), shown, class_="together")


def _films_plot(
    what: str,
    rows: Sequence[plot_svg.Row],
    band: plot_svg.Band | None,
    say: Say,
) -> Markup:
    title = say("plot.films", what=what)
    told = "; ".join(
        f"{row.name}: {say.plain(row.value)} ± {say.plain(row.spread)}"
        if math.isfinite(row.value)
        else f"{row.name}: {say('report.unknown')}"
        for row in rows
    )
    svg = plot_svg.rows_plot(f"{title}. {told}", rows, band, say.pointed)
    return tag("figure", tag("figcaption", title), svg)


def _foot(say: Say) -> Markup:
    return tag(
        "footer",
        tag("h2", say("report.reading")),
        *(tag("p", say(f"report.reading.{key}")) for key in ("spread", "signs", "square")),
        tag("p", say("report.caution"), class_="care"),
    )
