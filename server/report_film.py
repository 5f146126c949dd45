"""One film in a report: its picture, its numbers, what came while filming, what it is worth."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Sequence
from datetime import datetime

from server import words
from server.markup import Markup, join, tag
from server.plot_svg import Band, Mark, Point, time_plot
from server.record import FilmRecord
from server.report_numbers import (
    Told,
    blanks,
    effect_series,
    farthest,
    lasts_s,
    numbers,
    series,
    told,
    worth_number,
)
from server.report_words import Say
from server.words import Z95
from vision.drift import Watch
from vision.reading import Verdict
from vision.setup import View

PLOTTED = ("offset_m", "yaw_rad", "distance_m", "height_m", "roll_rad")


def film_article(
    record: FilmRecord, still: tuple[bytes, str] | None, number: int, say: Say
) -> Markup:
    """The film's part of the report. `still`: its picture and the picture's type."""
    begun = datetime.fromtimestamp(record.begun_s).astimezone()
    length = lasts_s(record)
    how = say(
        "report.film.how",
        view=say(f"report.view.{record.setup.view.value}"),
        hand=say(f"report.hand.{record.setup.handed.value}"),
        lasts=say("report.unknown") if length is None else say("report.lasts", s=f"{length:.1f}"),
    )
    open_end = None
    if record.unfinished:
        open_end = say("report.unfinished")
    elif record.ended_s is None:
        open_end = say("report.running")
    return tag(
        "article",
        say.title(say("report.film", n=str(number), time=begun.strftime("%H:%M:%S"))),
        tag("p", how),
        tag("p", open_end, class_="warn") if open_end else None,
        _verdict(record, say),
        _picture(still, say),
        _numbers(record, say),
        _effect(record, say),
        _drift(record, say),
        _worth(record, say),
        _facts(record, say),
        class_="film",
        id=f"film-{record.film}",
    )


def _verdict(record: FilmRecord, say: Say) -> Markup:
    known = {verdict.value for verdict in Verdict}
    verdict = record.verdict if record.verdict in known else Verdict.NOT_FOUND.value
    out = [tag("p", say(f"report.verdict.{verdict}"), class_="verdict")]
    if verdict == Verdict.SQUARE.value:
        wrong = next((t for t in told(record) if t.watch in (Watch.MOVED, Watch.RODS)), None)
        if wrong is not None:
            key = "report.verdict.until" if wrong.watch is Watch.MOVED else "report.verdict.rods"
            out.append(tag("p", say(key, at=f"{wrong.at_s:.1f}"), class_="warn"))
    return join(out)


def _picture(still: tuple[bytes, str] | None, say: Say) -> Markup:
    if still is None:
        return tag("p", say("report.still.none"))
    data, kind = still
    source = f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
    image = tag("img", src=source, alt=say("report.still.alt"))
    return tag("figure", image, tag("figcaption", say("report.still")))


def _numbers(record: FilmRecord, say: Say) -> Markup:
    head = say.part("report.numbers")
    rows = numbers(record)
    if not rows:
        return join([head, tag("p", say("report.numbers.none"))])
    columns = ("what", "value", "spread", "limit", "mark")
    body = []
    for row in rows:
        value = say.amount(row.quantity, row.value)
        spread = say.spread(row.quantity, row.sigma)
        mark = say(f"report.mark.{row.mark}")
        if row.quantity == "layout_rad" and record.layout and not record.layout.measured:
            mark = say("report.unmeasured")
        cells = (value, spread, say.limit(row), mark)
        name = tag("th", say(f"quantity.{row.quantity}"), scope="row")
        body.append(tag("tr", name, *(tag("td", cell) for cell in cells)))
    names = [tag("th", say(f"report.col.{key}"), scope="col") for key in columns]
    return join([head, tag("table", tag("thead", tag("tr", names)), tag("tbody", body))])


def _effect(record: FilmRecord, say: Say) -> Markup | None:
    if record.effect is None:
        return None
    view = record.setup.view
    shifts, tilts = effect_series(record)
    metres, unit = say.scale("offset_m")
    key = "plot.ball" if view is View.FACE_ON else "plot.club"
    plots = []
    if shifts:
        plots.append(_plot(record, say(key, unit=unit), _scaled(shifts, metres), None, say))
    if tilts:
        plots.append(_plot(record, say("plot.tilt"), tilts, None, say))
    return join(
        [
            say.part("report.effect"),
            tag("p", words.describe_effect(record.effect, view, say.speech)),
            tag("div", plots, class_="plots"),
        ]
    )


def _drift(record: FilmRecord, say: Say) -> Markup:
    head = say.part("report.drift")
    if not record.drift:
        return join([head, tag("p", say("report.drift.none"))])
    marks = told(record)
    lines = [_told_text(mark, say) for mark in marks]
    summary = tag("ul", *(tag("li", line) for line in lines))
    if not lines:
        summary = tag("p", say("report.drift.still"))
    far = farthest(record)
    most = None
    if far is not None:
        row, far_m, turned_rad = far
        sigma = say("report.unknown") if row.sigma_m is None else say.length(row.sigma_m)
        turned = f"{math.degrees(turned_rad):.2f}°"
        most = tag(
            "p",
            say("report.drift.most", far=say.length(far_m), far_sigma=sigma, turned=turned),
        )
    plots = []
    if record.placement is not None:
        limits = {row.quantity: row for row in numbers(record)}
        for quantity in PLOTTED:
            scale, unit = say.scale(quantity)
            limit = limits[quantity]
            band = None
            if limit.low is not None and limit.high is not None:
                band = Band(limit.low * scale, limit.high * scale, say("plot.band"))
            points = _scaled(series(record, quantity), scale)
            plots.append(_plot(record, say(f"plot.{quantity}", unit=unit), points, band, say))
    return join([head, summary, most, tag("div", plots, class_="plots")])


def _told_text(mark: Told, say: Say) -> str:
    row = mark.row
    if mark.watch is not Watch.MOVED or row.six is None:
        blind = ".blind" if mark.watch is Watch.MOVED else ""
        what = say(f"report.mark.{mark.watch.value}{blind}")
    else:
        right, forward, up = (
            say(f"way.{sides[0] if value >= 0 else sides[1]}", n=say.length(abs(value)))
            for value, sides in zip(
                row.six[:3], (("right", "left"), ("forward", "back"), ("up", "down")), strict=True
            )
        )
        turned = f"{math.degrees(math.hypot(*row.six[3:])):.2f}°"
        what = say("report.mark.moved", right=right, forward=forward, up=up, turned=turned)
    return say("report.at", at=f"{mark.at_s:.1f}", text=what)


def _plot(
    record: FilmRecord, what: str, points: Sequence[Point], band: Band | None, say: Say
) -> Markup:
    title = say("plot.over", what=what)
    values = [p.value for p in points]
    heard = say(
        "plot.from",
        title=title,
        first=say.plain(values[0]),
        last=say.plain(values[-1]),
        least=say.plain(min(values)),
        most=say.plain(max(values)),
    )
    flags = [Mark(max(0.0, t.at_s), say(f"flag.{t.watch.value}")) for t in told(record)]
    svg = time_plot(
        heard,
        points,
        lasts=lasts_s(record) or 0.0,
        seconds=say("plot.seconds"),
        pointed=say.pointed,
        band=band,
        marks=flags,
        blanks=blanks(record),
    )
    return tag("figure", tag("figcaption", title), svg)


def _scaled(points: Sequence[Point], scale: float) -> list[Point]:
    return [Point(p.at, p.value * scale, p.spread * scale) for p in points]


def _worth(record: FilmRecord, say: Say) -> Markup:
    head = say.part("report.worth")
    worth = record.worth
    if not worth:
        return join([head, tag("p", say("report.worth.none"))])

    def number(key: str) -> float | None:
        return worth_number(worth, key)

    size = worth.get("size")
    exposure, light = number("exposure_s"), worth.get("against_light")
    shaken, stops = number("shake_deg"), number("light_stops")
    rows: list[tuple[str, str | None]] = [
        ("fps", _or_none(number("fps"), lambda v: say.pointed(f"{v:.1f}"))),
        ("promised_fps", _or_none(number("promised_fps"), lambda v: f"{v:.0f}")),
        ("size", " x ".join(map(str, size)) if isinstance(size, list | tuple) else None),
        ("speed", _or_none(number("speed_mps"), say.speed)),
        ("travel", _or_none(number("travel_m"), say.length)),
        (
            "exposure",
            say("worth.exposure.value", n=f"{1 / exposure:.0f}")
            if exposure is not None and exposure > 0
            else None,
        ),
        ("blur", _or_none(number("blur_m"), say.length)),
    ]
    told_light = None
    if isinstance(light, bool):
        told_light = say("worth.light.against" if light else "worth.light.fine")
        if stops is not None:
            told_light = say("worth.light.stops", how=told_light, stops=f"{stops:.1f}")
    rows.append(("light", told_light))
    told_shake = None
    if shaken is not None:
        spread, ball = number("shake_sigma_deg"), number("shake_ball_m")
        told_shake = say(
            "worth.shake.value",
            angle=f"{shaken:.3f}",
            spread=say("report.unknown") if spread is None else f"{Z95 * spread:.3f}",
            ball=say("report.unknown") if ball is None else say.length(ball),
        )
    rows.append(("shake", told_shake))
    listed = [
        (tag("dt", say(f"worth.row.{key}")), tag("dd", value or say("report.unknown")))
        for key, value in rows
    ]
    return join([head, tag("dl", *(join(pair) for pair in listed))])


def _or_none(value: float | None, show: Callable[[float], str]) -> str | None:
    return None if value is None else show(value)


def _facts(record: FilmRecord, say: Say) -> Markup:
    rows: list[tuple[str, Markup | str]] = [("film", record.film)]
    camera, lens, setup = record.camera, record.lens, record.setup
    if camera is not None:
        size = f"{camera.long_px} x {camera.short_px}"
        rows.append(
            (
                "camera",
                join([tag("bdi", camera.device), ", ", tag("bdi", camera.lens), f", {size}"]),
            )
        )
    if lens is not None:
        told_lens = say(
            "facts.focal",
            focal=f"{lens.focal_px:.0f}",
            spread=f"{Z95 * lens.sigma_px:.0f}",
            source=say(f"lens.{lens.source.value}"),
        )
        if record.profile:
            told_lens = f"{told_lens}: {say.named('facts.profile', name=record.profile)}"
        rows.append(("lens", told_lens))
    rods = ", ".join(
        f"{say(f'report.role.{role.value}')} {say.length(setup.length_m(role))}"
        for role in setup.roles
    )
    rows.append(("rods", rods))
    body = say("facts.body", height=say.length(setup.player.height_m), club=setup.player.club)
    rows.append(("player", tag("bdi", body)))
    if record.phone:
        rows.append(("phone", tag("bdi", record.phone)))
    if record.again:
        rows.append(("again", record.again))
    if record.offset is not None:
        late = record.offset.offset_s
        key = "facts.offset.later" if late >= 0 else "facts.offset.earlier"
        spread = f"{Z95 * record.offset.sigma_s:.3f}"
        rows.append(
            ("offset", say(key, s=f"{abs(late):.3f}", spread=spread, film=record.offset.film))
        )
    if record.versions:
        rows.append(("versions", ", ".join(f"{k} {v}" for k, v in record.versions.items())))
    listed = [(tag("dt", say(f"facts.{key}")), tag("dd", value)) for key, value in rows]
    return join([say.part("report.made-with"), tag("dl", *(join(p) for p in listed))])
