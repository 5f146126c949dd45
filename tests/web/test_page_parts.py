"""The page's parts: pure functions, texts, reading at a distance."""

from __future__ import annotations

import json
import math
import re
from typing import Any

import pytest

from tests.web.fake_server import OFF, SQUARE, WEB
from tests.web.page_driver import LANDSCAPE, PORTRAIT, phone
from vision.setup import CLUB_LENGTH_M, ROLES, STICK_LENGTH_M, Tolerance

FILES = re.findall(
    r'"(\w+)"', (WEB / "texts.js").read_text(encoding="utf-8").split("FILES = ")[1].split(";")[0]
)
TEXTS: dict[str, str] = {}
for _name in FILES:
    TEXTS |= json.loads((WEB / f"texts/en/{_name}.json").read_text(encoding="utf-8"))
STYLE = (WEB / "style.css").read_text(encoding="utf-8")


def _luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 definition."""
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


@pytest.mark.parametrize(
    ("text", "ground"),
    [
        ("ink", "paper"),
        ("ink", "soft"),
        ("ink", "off"),
        ("paper", "ink"),
        ("off-ink", "paper"),
        ("square-ink", "square"),
        ("square-ink", "paper"),
    ],
)
def test_contrast_is_enhanced_for_sunlight(text: str, ground: str) -> None:
    colours = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", STYLE))
    light, dark = sorted((_luminance(colours[text]), _luminance(colours[ground])), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 7  # WCAG 2.2, 1.4.6 (AAA)


def test_every_string_that_is_asked_for_exists_and_none_stands_in_the_page_itself() -> None:
    html = "".join(
        (WEB / f"{n}.html").read_text(encoding="utf-8") for n in ("index", "board", "records")
    )
    code = "\n".join(path.read_text(encoding="utf-8") for path in WEB.glob("*.js"))
    asked = set(re.findall(r'data-(?:text|label)="([^"]+)"', html))
    asked |= set(re.findall(r'\bt\("([^"]+)"', code))
    asked |= set(re.findall(r'"(problem\.[a-z-]+)"', code))
    assert asked
    assert asked <= TEXTS.keys()
    bare = re.sub(r"<!--.*?-->|<noscript>.*?</noscript>|<title>.*?</title>", "", html, flags=re.S)
    assert re.sub(r"<[^>]*>", "", bare).strip() == ""


def test_nothing_in_the_page_is_inline_or_from_elsewhere() -> None:
    for path in (*WEB.glob("*.js"), *WEB.glob("*.html"), *WEB.glob("*.css")):
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text, path.name
        assert "https:" not in text, path.name
    assert STYLE.count("{") == STYLE.count("}")  # an open brace swallows every rule after it
    html = (WEB / "index.html").read_text(encoding="utf-8")
    assert not re.search(r"\sstyle=|\son[a-z]+=|<style|<script(?![^>]*\ssrc=)", html)


async def _call(expression: str, **values: Any) -> Any:
    async with phone() as p:
        await p.open()
        return await p.page.evaluate(f"async (v) => {{ {expression} }}", values)


@pytest.mark.browser
async def test_the_normal_distribution_agrees_with_the_library() -> None:
    points = [z / 4 for z in range(-20, 21)]
    got = await _call(
        "const {normal} = await import('/web/decide.js'); return v.z.map(normal)", z=points
    )
    want = [0.5 * (1 + math.erf(z / math.sqrt(2))) for z in points]
    assert got == pytest.approx(want, abs=2e-7)


@pytest.mark.browser
async def test_marks_need_the_confidence_and_not_just_the_value() -> None:
    cases = [
        [0.2, 0.2, 0.01, 0.05, "off"],
        [0.01, 0.01, 0.01, 0.05, "in"],
        [0.04, 0.04, 0.02, 0.05, "unsure"],
        [0.0, 0.0, 0.04, 0.05, "unsure"],  # at zero, yet not sure: 79 %
        [0.0, 0.0, None, 0.05, "unsure"],
        [0.9, None, 0.01, 0.1, "free"],
        [None, None, None, 0.05, "unknown"],
    ]
    got = await _call(
        "const {mark} = await import('/web/decide.js');"
        "return v.cases.map(([a, b, c, d]) => mark(a, b, c, d))",
        cases=cases,
    )
    assert got == [case[-1] for case in cases]


@pytest.mark.browser
async def test_only_a_fresh_square_for_this_setup_is_ever_square() -> None:
    cases = []
    for verdict in ("square", "off", "not-found"):
        for age in (0, 900, 981, 1000, 1400, 1499, 5000):
            for seq in (1, 2, None):
                for connection in ("live", "reconnecting", "connecting"):
                    cases.append([verdict, age, seq, connection])
    got = await _call(
        "const {decide} = await import('/web/decide.js');"
        "return v.cases.map(([verdict, age, setup_seq, connection]) => decide({connection,"
        " guidance: {verdict, setup_seq, age_ms: 20, big: {arrow: 'ready'}}, arrivedMs: 1000,"
        " nowMs: 1000 + age, setupSeq: 2}).kind)",
        cases=cases,
    )
    for (verdict, age, seq, connection), kind in zip(cases, got, strict=True):
        square = verdict == "square" and age + 20 < 1000 and seq == 2 and connection == "live"
        assert (kind == "square") == square, (verdict, age, seq, connection)
        if connection == "live" and age + 20 >= 1500:
            assert kind == "stale"
    assert "square" in got


@pytest.mark.browser
async def test_the_tone_quickens_and_rises_all_the_way_to_square() -> None:
    settings = {
        "view": "face-on",
        "goal": {"height_m": None, "distance_m": None},
        "tolerance": {"offset_m": 0.05, "yaw_deg": 2, "roll_deg": 2, "layout_deg": 1},
    }
    offsets = [3.0, 1.0, 0.5, 0.2, 0.1, 0.06, 0.05]
    guidance = [
        SQUARE | {"placement": SQUARE["placement"] | {"offset_m": offset}} for offset in offsets
    ]
    got = await _call(
        "const {closeness} = await import('/web/decide.js');"
        "const {beat} = await import('/web/sound.js');"
        "return v.guidance.map((g) => beat(closeness(g, v.settings)))",
        guidance=guidance,
        settings=settings,
    )
    every = [b["everyS"] for b in got]
    pitch = [b["pitchHz"] for b in got]
    assert every == sorted(every, reverse=True)
    assert pitch == sorted(pitch)
    assert every[0] > 1
    assert every[-1] == pytest.approx(0.16)
    assert len(set(pitch[1:])) == len(pitch) - 1


@pytest.mark.browser
async def test_lengths_and_defaults_are_those_of_the_core() -> None:
    got = await _call(
        "const s = await import('/web/settings.js');"
        "return {clubs: s.CLUB_LENGTH_M, stick: s.STICK_LENGTH_M, roles: s.ROLES, d: s.DEFAULTS}"
    )
    assert got["clubs"] == CLUB_LENGTH_M
    assert got["stick"] == STICK_LENGTH_M
    assert got["roles"] == {view.value: [r.value for r in roles] for view, roles in ROLES.items()}
    core = Tolerance()
    page = got["d"]["tolerance"]
    assert page["offset_m"] == core.offset_m
    assert page["height_m"] == core.height_m
    assert page["distance_m"] == core.distance_m
    for name in ("yaw", "roll", "layout"):
        assert page[f"{name}_deg"] == pytest.approx(math.degrees(getattr(core, f"{name}_rad")))


@pytest.mark.browser
@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE, (320, 568)])
async def test_nothing_is_cut_off_at_twice_the_text_size(size: tuple[int, int]) -> None:
    # WCAG 2.2, 1.4.4: 200 % without loss of content; sideways scrolling would lose it here.
    async with phone(size=size) as p:
        await p.open()
        wide = "Math.max(document.documentElement.scrollWidth, document.body.scrollWidth)"
        for percent in (100, 200):
            await p.page.evaluate(f"document.documentElement.style.fontSize = '{percent}%'")
            assert await p.page.evaluate(wide) <= size[0]
        await p.page.click("#go")
        for verdict, message in (("off", OFF), ("square", SQUARE)):
            p.server.guidance = message
            await p.until_kind(verdict)
            for percent in (100, 200):
                await p.page.evaluate(f"document.documentElement.style.fontSize = '{percent}%'")
                assert await p.page.evaluate(wide) <= size[0], (verdict, percent)
                order = await p.page.evaluate(
                    "(() => {const o = document.getElementById('order');"
                    "return o.scrollWidth <= o.clientWidth + 1})()"
                )
                assert order, (verdict, percent)


@pytest.mark.browser
async def test_nothing_moves_where_motion_is_not_wanted() -> None:
    for wish, name in (("reduce", "none"), ("no-preference", "land")):
        async with phone(reduced_motion=wish) as p:
            p.server.guidance = SQUARE
            await p.start()
            await p.until_kind("square")
            style = "getComputedStyle(document.querySelector('#sign svg')).animationName"
            assert await p.page.evaluate(style) == name
