"""The page in another language: chosen by the browser or by the person, shown, asked, spoken."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page, expect

import web
from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from server.words import languages
from tests.chromium import chromium, until
from tests.demo.demo_page import demo_page, put_phone
from tests.server.fake_phones import clinic
from tests.server.live_phone import far_away
from tests.web.page_driver import LANDSCAPE, PORTRAIT, phone

pytestmark = pytest.mark.browser

TEXTS = Path(web.__file__).parent / "texts"
# Two voices that live on the phone, and a record of what is said with which.
VOICES = """
window.spoken = [];
const voice = (lang) => ({ lang, localService: true, default: true, name: lang });
Object.defineProperty(window, "speechSynthesis", { value: {
  getVoices: () => [voice("en-GB"), voice("de-DE")], cancel() {},
  speak: (said) => window.spoken.push({ lang: said.lang, text: said.text }),
} });
window.SpeechSynthesisUtterance = class { constructor(text) { this.text = text; } };
"""
OFF = {"offset_m": 0.22, "yaw_deg": -3.0, "roll_deg": 0.5}


def texts(language: str, *names: str) -> dict[str, str]:
    merged: dict[str, str] = {}
    for name in names:
        merged |= json.loads((TEXTS / language / f"{name}.json").read_text(encoding="utf-8"))
    return merged


def as_pattern(template: str) -> re.Pattern[str]:
    return re.compile(re.sub(r"\\\{\w+\\\}", ".+", re.escape(template)))


async def state(page: Page) -> dict[str, Any]:
    found: dict[str, Any] = await page.evaluate("teesquare.state()")
    return found


async def test_a_german_phone_is_guided_in_german() -> None:
    """The real server: its sentence and huge words, the page's own, numbers, and the voice."""
    said = texts("de", "guidance")
    async with demo_page(390, 844, locale="de-AT", script=VOICES) as page:
        assert await page.evaluate("document.documentElement.lang") == "de"
        await put_phone(page, **OFF)
        await until(page, f"s.shown?.word === {said['word.slide.left']!r}")
        shown = (await state(page))["shown"]
        assert as_pattern(said["say.slide.left"]).fullmatch(shown["say"])
        assert await page.inner_text("#word") == shown["word"]
        guidance = (await state(page))["guidance"]
        assert guidance["effect_text"].startswith("Der Ball")
        # The strip's turn is 3 degrees with one decimal, or its spread has one.
        strip = await page.inner_text("#strip")
        assert "Drehung" in strip
        assert re.search(r"\d,\d", strip) and not re.search(r"\d\.\d", strip)
        demo = texts("de", "demo")
        assert demo["demo.title"].upper() in (await page.inner_text("#demo-controls")).upper()
        spoken = await page.evaluate("spoken")
        slide = as_pattern(said["say.slide.left"])
        assert any(slide.fullmatch(one["text"]) for one in spoken), spoken
        assert {one["lang"] for one in spoken} == {"de-DE"}


async def test_a_phone_without_a_voice_of_that_language_says_so() -> None:
    """An English voice would read German wrongly, a voice from afar would send the words away."""
    english_only = VOICES.replace(', voice("de-DE")', ', { lang: "de-DE", localService: false }')
    async with phone(locale="de-DE", script=english_only) as seen:
        await seen.start()
        await seen.until_kind("off")
        await seen.page.click("#notes-open")
        await expect(seen.page.locator("#notes")).to_contain_text(
            texts("de", "page")["live.voiceless"]
        )
        assert await seen.page.evaluate("spoken") == []


async def test_the_setting_goes_before_the_browser_and_back() -> None:
    async with demo_page(390, 844, locale="de-DE") as page:
        await put_phone(page, **OFF)
        await until(page, "s.shown?.word === 'Nach links'")
        await page.click("#live-settings")
        await page.select_option("#set-language", "en")
        await until(page, "s.shown?.word === 'Slide left'")
        assert await page.evaluate("document.documentElement.lang") == "en"
        await expect(page.locator("#settings h2")).to_have_text(
            texts("en", "page")["settings.title"]
        )
        assert await page.inner_text("#stop") == texts("en", "page")["live.stop"]
        assert "The simulated phone" in await page.inner_text("#demo-controls")
        assert "Turn" in await page.inner_text("#strip")
        await page.reload()
        assert (
            await page.inner_text("h1[data-text='start.title']")
            == (texts("en", "page")["start.title"])
        )
        await page.click("#start-settings")
        await page.select_option("#set-language", "")
        await until(page, "document.documentElement.lang === 'de'")
        title = page.locator("#settings h2")
        await expect(title).to_have_text(texts("de", "page")["settings.title"])


@pytest.mark.parametrize(
    ("locale", "want"), [("de-CH", "de"), ("en-US", "en"), ("fr-FR", "en"), ("zh-CN", "en")]
)
async def test_the_browsers_language_is_taken_where_there_is_one(locale: str, want: str) -> None:
    async with phone(locale=locale) as seen:
        await seen.open()
        assert await seen.page.evaluate("document.documentElement.lang") == want
        assert await seen.text("#go") == texts(want, "page")["start.go"]
        assert not seen.errors


async def test_german_fields_take_and_show_a_comma() -> None:
    async with phone(locale="de-DE") as seen:
        await seen.open()
        await seen.page.click("#start-settings")
        field = "[id='set-tolerance.yaw_deg']"
        await seen.page.fill(field, "2,5")
        await seen.page.press(field, "Enter")
        assert (await seen.state())["settings"]["tolerance"]["yaw_deg"] == 2.5
        if not await seen.page.is_visible(field):  # Enter may have closed the dialog
            await seen.page.click("#start-settings")
        assert await seen.page.input_value(field) == "2,5"


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE, (320, 568)])
async def test_every_word_in_huge_type_fits_the_panel(language: str, size: tuple[int, int]) -> None:
    names = [path.stem for path in (TEXTS / language).glob("*.json")]
    said = {k: v for k, v in texts(language, *names).items() if re.search(r"(^|\.)word(\.|$)", k)}
    kinds = {"word.ready": "square", "state.square.word": "square", "film.ready.word": "ready"}
    async with phone(locale=language, size=size) as seen:
        await seen.start()
        await seen.until_kind("off")
        seen.server.guidance = None
        wide = await seen.page.evaluate(
            """([words, kinds]) => {
              const [word, order] = ["word", "order"].map((id) => document.getElementById(id));
              const wide = [];
              for (const [key, text] of Object.entries(words)) {
                order.dataset.kind = kinds[key] ?? "off";
                document.body.dataset.kind = order.dataset.kind;
                word.textContent = text;
                word.dataset.long = String(text.length > 12);
                const range = document.createRange();
                range.selectNodeContents(word);
                const { left, right } = range.getBoundingClientRect();
                const panel = order.getBoundingClientRect();
                if (left < panel.left || right > panel.right) wide.push(`${key}: ${text}`);
              }
              return wide;
            }""",
            [said, kinds],
        )
        assert not wide


async def test_the_coachs_board_speaks_german_too() -> None:
    async with running(ServerConfig(analyse=far_away)) as server, chromium() as browser:
        page = await browser.new_page(locale="de-DE")
        clinic(server.app[SESSIONS].board)
        await page.goto(f"{server.url}/board#t={server.coach_token}")
        said = texts("de", "board")
        await expect(page.locator("h1")).to_have_text(said["board.title"])
        for need in ("alarm", "gone", "lost"):
            await expect(page.locator(f".phone[data-need={need}]").first).to_contain_text(
                said[f"need.{need}"]
            )
