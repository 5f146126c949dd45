"""The coach's page of films in Chromium: search, pictures, reports, exports, deleting."""

from __future__ import annotations

import asyncio
import csv
import io
import json
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from playwright.async_api import Page

from server.app import SESSIONS
from server.config import ServerConfig
from server.records import Records
from server.serve import RunningServer, running
from tests.chromium import chromium
from tests.server.live_phone import far_away
from tests.server.made_records import BEGUN_S, made_record
from tests.server.made_session import keep, session

pytestmark = pytest.mark.browser

TABLET, PHONE = (1180, 820), (390, 844)
CARDS = "document.querySelectorAll('.film').length"


@asynccontextmanager
async def films_page(
    folder: Path, size: tuple[int, int] = TABLET, path: str = "/records"
) -> AsyncIterator[tuple[RunningServer, Page, list[str], Records]]:
    config = ServerConfig(analyse=far_away, records=folder / "records.sqlite")
    async with running(config) as server, chromium() as browser:
        store = server.app[SESSIONS].records
        keep(store, session())
        store.begin(made_record("film-d", "<i>Bo</i>", bay="7", begun_s=BEGUN_S - 90_000))
        context = await browser.new_context(viewport={"width": size[0], "height": size[1]})
        page = await context.new_page()
        errors: list[str] = []
        page.on("pageerror", lambda e: errors.append(str(e)))
        page.on("console", lambda m: m.type == "error" and errors.append(m.text))
        await page.goto(f"{server.url}{path}#t={server.coach_token}")
        yield server, page, errors, store


async def see(page: Page, condition: str, seconds: float = 10) -> None:
    deadline = time.monotonic() + seconds
    while not await page.evaluate(condition):
        said = await page.evaluate("document.body.innerText.slice(0, 400)")
        assert time.monotonic() < deadline, f"not within {seconds} s: {condition}; shown: {said}"
        await asyncio.sleep(0.05)


@pytest.mark.parametrize("size", [TABLET, PHONE], ids=["tablet", "phone"])
async def test_films_are_found_listed_and_shown(size: tuple[int, int], tmp_path: Path) -> None:
    async with films_page(tmp_path, size, "/board") as (_, page, errors, _store):
        await page.click("#board-films")  # the key goes along, out of sight
        await see(page, f"{CARDS} === 4")
        assert "t=" not in page.url
        told = await page.inner_text(".film[data-film=film-a]")
        assert "Square" in told and "Moved while filming" in told and "0.4 ± 1.6 cm right" in told
        assert "Unfinished" in await page.inner_text(".film[data-film=film-c]")
        assert "<i>Bo</i>" in await page.inner_text(".film[data-film=film-d]")
        # Pictures are asked for only when their film comes into sight.
        for film in ("film-b", "film-a"):
            await page.locator(f".film[data-film={film}]").scroll_into_view_if_needed()
        await see(page, "document.querySelectorAll('.film-shot img').length === 2")
        wide = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
        assert await page.evaluate(wide), "the page scrolls sideways"
        small = await page.evaluate(
            """[...document.querySelectorAll('button, select, input, a')].filter((n) =>
              n.offsetHeight > 0 && n.offsetHeight < 44 && n.type !== 'checkbox').length"""
        )
        assert small == 0, "a target is under 44 px"
        await page.screenshot(path=tmp_path / "films.png", full_page=True)
        await page.fill("#find-text", "bo")
        await page.keyboard.press("Enter")
        await see(page, f"{CARDS} === 1")
        await page.fill("#find-text", "nobody")
        await page.click("#find-go")
        await see(page, "!document.getElementById('records-none').hidden")
        await page.click("#find-clear")
        await see(page, f"{CARDS} === 4")
        await page.select_option("#find-view", "down-the-line")
        await page.click("#find-go")
        await see(page, f"{CARDS} === 1")
        await page.click(".film-shot")
        await see(page, "document.querySelector('#ask img')?.naturalWidth === 640")
        await page.keyboard.press("Escape")
        assert not await page.evaluate("document.getElementById('ask').open")
        assert not errors


async def test_a_report_opens_is_styled_prints_and_is_saved(tmp_path: Path) -> None:
    async with films_page(tmp_path) as (server, page, errors, _):
        await see(page, f"{CARDS} === 4")
        await page.check(".film[data-film=film-a] .film-chosen")
        await page.check(".film[data-film=film-b] .film-chosen")
        assert "2 chosen" in await page.inner_text("#report-chosen")
        asked: list[str] = []
        page.context.on("request", lambda r: asked.append(r.url))
        async with page.context.expect_page() as opening:
            await page.click("#report-chosen")
        report = await opening.value
        await report.wait_for_url("blob:**")
        refused: list[str] = []
        report.on("console", lambda m: m.type == "error" and refused.append(m.text))
        await see(report, "document.querySelectorAll('article.film').length === 2")
        assert "Films of Ada, bay 4" in await report.inner_text("h1")
        # Its style holds under the opener's policy, its pictures show, nothing else was asked for.
        look = "getComputedStyle(document.querySelector('table')).borderCollapse"
        await see(report, f"{look} === 'collapse'")
        await see(report, "[...document.images].every((i) => i.naturalWidth === 640)")
        assert await report.evaluate("document.images.length") == 2
        assert [url for url in asked if not url.startswith(("blob:", "data:"))] == [
            f"{server.url}/records/report?film=film-a&film=film-b"
        ]
        ink = "((s) => [s.color, s.backgroundColor])(getComputedStyle(document.body))"
        await report.emulate_media(media="print")
        assert await report.evaluate(ink) == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
        assert refused == []
        async with page.expect_download() as saving:
            await page.click("#report-save")
        saved = await saving.value
        assert saved.suggested_filename == "teesquare-report.html"
        await saved.save_as(tmp_path / "saved.html")
        await report.close()
        # The saved file stands alone: opened from the disk it looks the same.
        alone = await page.context.new_page()
        alone.on("console", lambda m: m.type == "error" and refused.append(m.text))
        await alone.goto((tmp_path / "saved.html").as_uri())
        await see(alone, f"{look} === 'collapse'")
        assert await alone.evaluate("[...document.images].every((i) => i.naturalWidth === 640)")
        assert refused == [] and not errors


async def test_exports_are_what_was_found(tmp_path: Path) -> None:
    async with films_page(tmp_path) as (_, page, errors, _store):
        await see(page, f"{CARDS} === 4")
        await page.fill("#find-player", "ada")
        await page.click("#find-go")
        await see(page, f"{CARDS} === 3")
        async with page.expect_download() as saving:
            await page.click("#export-csv")
        await (await saving.value).save_as(tmp_path / "x.csv")
        text = (tmp_path / "x.csv").read_text("utf-8")
        rows = list(csv.DictReader(io.StringIO(text, newline="")))
        assert {row["player"] for row in rows} == {"Ada"} and len(rows) == 3
        async with page.expect_download() as saving:
            await page.click("#export-json")
        await (await saving.value).save_as(tmp_path / "x.json")
        assert len(json.loads((tmp_path / "x.json").read_text("utf-8"))["records"]) == 3
        assert not errors


async def test_deleting_asks_is_done_by_keyboard_and_says_what_is_gone(tmp_path: Path) -> None:
    async with films_page(tmp_path) as (_, page, errors, store):
        await see(page, f"{CARDS} === 4")
        await page.focus(".film[data-film=film-a] .film-delete")
        await page.keyboard.press("Enter")
        # What keeps is focused, so that a second press deletes nothing.
        assert await page.evaluate("document.activeElement.id") == "ask-keep"
        assert "lies on the phone" in await page.inner_text("#ask")
        await page.keyboard.press("Enter")
        assert len(store.search()) == 4
        await page.keyboard.press("Enter")
        await page.keyboard.press("Tab")
        assert await page.evaluate("document.activeElement.id") == "ask-sure"
        await page.keyboard.press("Enter")
        await see(page, f"{CARDS} === 3")
        said = await page.inner_text("#records-said")
        assert "1 film (pictures: 1, samples of the drift: 40)" in said and "Not reached" in said
        assert [r.film for r in store.search()] == ["film-c", "film-b", "film-d"]
        await page.click(".film[data-film=film-d] .film-forget")
        assert "Forget <i>Bo</i>?" in await page.inner_text("#ask-title")
        await page.click("#ask-sure")
        await see(page, f"{CARDS} === 2")
        # Deleted by another coach meanwhile: said, and the list is anew.
        store.delete("film-b")
        await page.click(".film[data-film=film-b] .film-delete")
        await page.click("#ask-sure")
        await see(page, f"{CARDS} === 1")
        said = await page.inner_text("#records-said")
        assert "Not done" in said and "no film film-b" in said.replace("No film", "no film")
        assert len(errors) == 1 and "404" in errors[0]


async def test_without_the_coachs_key_nothing_is_shown(tmp_path: Path) -> None:
    async with films_page(tmp_path) as (server, page, _, _store):
        await see(page, f"{CARDS} === 4")
        await page.goto("about:blank")
        await page.goto(f"{server.url}/records#t={server.token}")  # a phone's
        await see(page, "document.getElementById('records-said').dataset.wrong === 'true'")
        assert "for the coach" in await page.inner_text("#records-said")
        assert await page.evaluate(CARDS) == 0
        await page.evaluate("sessionStorage.clear()")
        await page.reload()
        await see(page, "document.getElementById('records-said').textContent.includes('key')")


async def test_a_server_that_is_gone_is_said(tmp_path: Path) -> None:
    async with films_page(tmp_path) as (server, page, _, _store):
        await see(page, f"{CARDS} === 4")
        await server.stop()
        await page.click("#find-go")
        await see(page, "document.getElementById('records-said').dataset.wrong === 'true'")
        assert "does not answer" in await page.inner_text("#records-said")
        assert await page.evaluate(CARDS) == 4
