"""The report: one page that asks nobody, says what the record says, and runs nothing typed."""

import base64
import html.parser
import math
import re
from dataclasses import replace

import numpy as np
import pytest

from server import words
from server.markup import Markup, tag, text
from server.plot_svg import Band, Point, Row, nice, rows_plot, time_plot
from server.record import RecordError, StartOffset
from server.report_numbers import effect_series, numbers, series, told
from server.report_page import MOST_FILMS, policy, report_html, sessions
from tests.server.made_records import BEGUN_S, full_record, made_record
from tests.server.made_session import MOVED_AT_S, session, square_place, still, watched
from vision.drift import Watch
from vision.effect import film_effect
from vision.setup import View

NASTY = [
    '<script>alert("x")</script>',
    '"><img src=x onerror=alert(1)>',
    "' onmouseover='alert(1)",
    "</style><svg onload=alert(1)>",
    "&lt;b&gt; & &amp;",
    "\u202eright to left override",
    "שלום עולם",
    "🏌️‍♀️",
    "lone \ud83d surrogate",
    "nul \0 bell \a",
    "{braces} %s",
]


class Elements(html.parser.HTMLParser):
    """Every element with its attributes, and the text outside of the style."""

    def __init__(self, page):
        super().__init__()
        self.found, self.text, self._in = [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        if tag not in ("meta", "img", "br", "link"):
            self._in.append(tag)

    def handle_endtag(self, tag):
        assert self._in.pop() == tag, "the elements do not nest"

    def handle_data(self, data):
        if "style" not in self._in:
            self.text.append(data)

    @property
    def said(self):
        return " ".join(" ".join(self.text).split())


def page_of(records, still_of=lambda film: (still(), "image/jpeg"), speech=words.PLAIN):
    return report_html(records, still_of, BEGUN_S + 4000, speech)


def test_the_page_holds_what_the_record_holds():
    said = Elements(page_of(session())).said
    for part in (
        "Films of Ada , bay 4 , 2026",
        "3 films",
        "Square at the lock: 1 of 3",
        "Square at the lock: surely inside every tolerance",
        "That held for 10.2 s; then the camera moved",
        "0.4 cm right of its line 1.6 cm ± 5.0 cm ✓ surely inside",  # Z95 * 8 mm = 1.57 cm
        "3.40 m 5.9 cm",
        "10.0° down",
        "taken for granted, not measured",
        "Pictures a second 58.9",
        "picture to picture 57.7 cm",
        "Exposure 1/500 s",
        "against the light; background 3.4 stops brighter",
        "0.041° ± 0.008°, 0.2 cm at the ball",
        "1065 ± 196 px, assumed from the picture's size",
        "teesquare 0.1.0",
        "Android phone , camera2 0, facing back , 1280 x 720",
        "Unfinished: the server ended",
        "The camera stood where it stood for the whole film",
        "The place was not watched while this film was made",
        "Led to the place of film film-0",
        "after film film-2",
        "shank side",
        "Show it only to those",
    ):
        assert part in said, part


def test_the_page_asks_nobody_and_its_policy_is_strict():
    page = page_of(session())
    elements = Elements(page)
    names = {name for name, _ in elements.found}
    assert not names & {"script", "link", "iframe", "object", "embed", "form", "base", "a", "input"}
    for name, attributes in elements.found:
        assert not any(key.startswith("on") for key in attributes), (name, attributes)
        assert "style" not in attributes, "the policy forbids it"
        for key in ("src", "href", "srcset", "action", "poster", "background"):
            if key in attributes:
                assert attributes[key].startswith("data:image/"), (name, attributes)
    assert not re.search(r"url\(|@import|https?://", page)
    (meta,) = [a for n, a in elements.found if a.get("http-equiv") == "Content-Security-Policy"]
    assert meta["content"] == policy()
    assert policy().startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert "unsafe" not in policy()
    # The pictures are the kept ones, byte for byte.
    images = [a["src"] for n, a in elements.found if n == "img"]
    assert len(images) == 3
    assert base64.b64decode(images[0].split(",", 1)[1]) == still()
    assert all(a["alt"] for n, a in elements.found if n == "img")
    assert all(a["aria-label"] for n, a in elements.found if n == "svg")


@pytest.mark.parametrize("name", NASTY, ids=ascii)
def test_what_people_typed_stays_text(name):
    # Put in after the record was made, so that nothing has been cleaned before.
    record = replace(
        session()[0],
        player=name,
        bay=name[:60],
        phone=name[:60],
        versions={name: name},
        again=name,
        offset=StartOffset(name, 0.1, 0.01),
        worth={"size": [name], "fps": name, "against_light": name, "shake_deg": math.nan},
        verdict=name,
    )
    plain = Elements(page_of([replace(record, player="x", bay="y", phone="z", versions={})]))
    found = Elements(page_of([record]))
    kinds = lambda e: sorted({(n, *sorted(a)) for n, a in e.found})  # noqa: E731
    assert kinds(found) == kinds(plain)
    page = page_of([record])
    page.encode("utf-8")
    assert "\0" not in page and "\a" not in page
    for forbidden in ("<script", "onerror=alert(1)>", "<img src=x", "</style><svg"):
        assert forbidden not in page
    visible = name.replace("\ud83d", "\ufffd").replace("\0", "\ufffd").replace("\a", "\ufffd")
    assert " ".join(visible.split()) in found.said
    assert ("bdi", {}) in found.found


def test_films_of_one_day_player_and_bay_stand_together():
    films = [
        made_record("a", "Ada", begun_s=BEGUN_S),
        made_record("b", " ADA ", begun_s=BEGUN_S + 60),
        made_record("c", "Ada", bay="bay 5", begun_s=BEGUN_S + 70),
        made_record("d", "Ada", begun_s=BEGUN_S + 3 * 86_400),
        made_record("e", "Bo", begun_s=BEGUN_S + 80),
    ]
    groups = [[r.film for r in group] for group in sessions(films[::-1])]
    assert groups == [["a", "b"], ["c"], ["e"], ["d"]]
    assert Elements(page_of(films)).said.count("All films of this session") == 1


def test_none_and_too_many_are_said():
    with pytest.raises(RecordError, match="no film was chosen"):
        page_of([])
    with pytest.raises(RecordError, match=f"{MOST_FILMS} at most"):
        page_of([made_record()] * (MOST_FILMS + 1))


def test_a_record_that_knows_little_makes_a_report():
    little = made_record(
        placement=None, layout=None, effect=None, lens=None, camera=None, verdict="not-found"
    )
    said = Elements(page_of([little], lambda film: None)).said
    for part in (
        "rods were not found",
        "No picture was kept",
        "Not known.",
        "Nothing was measured",
    ):
        assert part in said
    # A spread that is no number, samples of an unknown watch, a film that ended before it began.
    wild = watched(session()[0])
    wild = replace(
        wild,
        placement=replace(square_place(), cov=np.full((6, 6), np.nan)),
        drift=(*wild.drift[:3], replace(wild.drift[3], watch="of tomorrow", six=None)),
        ended_s=wild.begun_s - 5,
    )
    assert "not known" in Elements(page_of([wild])).said


def test_lengths_in_inches():
    said = Elements(page_of(session(), speech=words.Plain(units="inches"))).said
    assert "0.2 in right of its line 0.6 in ± 2.0 in" in said
    assert "76 mph" in said  # 34 m/s over 0.44704


@pytest.mark.parametrize("mark", ["in", "out", "unsure"])
def test_inside_is_said_only_when_it_is_sure(mark):
    """By the normal distribution: at 8 mm sigma 50 mm are safe at 30 mm, not at 45 mm."""
    offset_m = {"in": 0.030, "unsure": 0.045, "out": 0.06}[mark]
    record = replace(session()[0], placement=square_place(offset_m))
    assert next(n.mark for n in numbers(record) if n.quantity == "offset_m") == mark


def test_the_series_is_lock_plus_drift_and_its_spread_is_what_sampling_shows():
    """Lock and drift drawn from their own spreads, 20 000 times: 95 % of the sums are inside."""
    rng = np.random.default_rng(5)
    record = watched(replace(session()[0], placement=square_place()), 0.05)
    row = record.drift[-1]
    for quantity, k, sign in (
        ("offset_m", 0, 1),
        ("distance_m", 1, -1),
        ("height_m", 2, 1),
        ("yaw_rad", 3, 1),
    ):
        point = series(record, quantity)[-1]
        name = {"distance_m": "distance_m"}.get(quantity, quantity)
        lock = getattr(record.placement, name)
        assert point.value == pytest.approx(lock + sign * row.six[k])
        drift_sigma = row.sigma_rad if quantity.endswith("rad") else row.sigma_m
        sums = lock + rng.normal(0, record.placement.sigma(name), 20_000)
        sums = sums + sign * (row.six[k] + rng.normal(0, drift_sigma, 20_000))
        inside = np.mean(np.abs(sums - point.value) <= point.spread)
        assert inside == pytest.approx(0.95, abs=0.01)
    before, after = series(record, "offset_m")[0].value, series(record, "offset_m")[-1].value
    assert after - before == pytest.approx(0.05, abs=0.006)


@pytest.mark.parametrize("view", list(View), ids=lambda v: v.value)
def test_the_effect_over_time_is_the_pinholes(view):
    """By similar triangles: 5 cm to the right of the line shift what is b nearer by -e b/(D-b)."""
    place = square_place(0.0)
    record = made_record(view=view)
    record = replace(
        record, placement=place, effect=film_effect(place, record.layout, record.setup)
    )
    record = watched(record, 0.05)
    shifts, tilts = effect_series(record)
    player = record.setup.player
    near = player.ball_m if view is View.FACE_ON else player.club_m
    moved = np.mean([p.value for p in shifts if p.at > 11])
    still_ = np.mean([p.value for p in shifts if p.at < 9])
    assert moved - still_ == pytest.approx(-0.05 * near / (place.distance_m - near), abs=0.001)
    assert len(tilts) == len(shifts) == 40


def test_marks_are_the_moments_at_which_something_else_was_told():
    found = told(watched(made_record()))
    assert [(t.watch, round(t.at_s, 1)) for t in found] == [(Watch.MOVED, MOVED_AT_S + 0.2)]
    assert [t.watch for t in told(full_record())] == [Watch.MOVED, Watch.BLIND]
    page = page_of([session()[0]])
    # A flag in each plot over time: ball, tilt, and five of the place.
    assert page.count(">moved</text>") == 7
    assert page.count(">tolerance</text>") == 3  # offset, turn, level: no other was governed


def test_a_move_that_was_told_at_its_beginning_is_written_down_whole():
    record = watched(made_record(), 0.05)
    at = next(k for k, row in enumerate(record.drift) if row.watch == "moved")
    early = replace(record.drift[at], six=(0.006, *record.drift[at].six[1:]))
    record = replace(record, drift=(*record.drift[:at], early, *record.drift[at + 1 :]))
    (mark,) = told(record)
    assert mark.at_s == pytest.approx(MOVED_AT_S + 0.2)
    assert mark.row.six[0] == pytest.approx(0.05, abs=0.005)


def coordinates(svg):
    return [float(v) for v in re.findall(r'\s(?:x1|y1|x2|y2|cx|cy|x|y)="([^"]+)"', svg)] + [
        float(v) for pair in re.findall(r'points="([^"]+)"', svg) for v in re.split("[ ,]", pair)
    ]


def test_plots_stay_in_their_frame_whatever_they_are_given():
    rng = np.random.default_rng(2)
    for scale in (1e-9, 1e-3, 1.0, 1e6):
        points = [Point(float(k), float(v), float(abs(v)) / 3) for k, v in
                  enumerate(rng.normal(0, scale, 30))]  # fmt: skip
        points[4] = Point(4.0, math.nan, 1.0)
        points[5] = Point(5.0, 0.0, math.inf)
        svg = time_plot("t", points, lasts=20.0, seconds="s", band=Band(-scale, scale, "b"))
        wide, tall = map(float, re.search(r'viewBox="0 0 (\d+) (\d+)"', svg).groups())
        values = coordinates(svg)
        assert all(math.isfinite(v) and -2 <= v <= max(wide, tall) + 2 for v in values)
    svg = rows_plot("r", [Row("a", 1.0, math.inf), Row("b", math.nan, 1.0)], Band(-2, 2, "b"))
    assert all(map(math.isfinite, coordinates(svg)))
    assert "nan" not in time_plot("t", [], lasts=0.0, seconds="s")


def test_a_line_is_broken_where_nothing_was_sampled():
    points = [Point(float(k), 1.0) for k in (0, 1, 2, 20, 21, 22)]
    assert time_plot("t", points, lasts=22, seconds="s").count("<polyline") == 2


def test_ticks_are_one_two_or_five():
    assert [nice(v) for v in (0.013, 0.2, 3, 7, 10)] == pytest.approx([0.02, 0.2, 5, 10, 10])


def test_markup_escapes_all_but_markup():
    assert tag("p", "<b>", Markup("<i></i>"), None, ["&", "'"], class_='a"b', x=1.50) == (
        '<p class="a&quot;b" x="1.5">&lt;b&gt;<i></i>&amp;&#x27;</p>'
    )
    assert text("\ud800\x07\ufffe") == "\ufffd" * 3
    with pytest.raises(ValueError, match="no name"):
        tag("p onload=x")
