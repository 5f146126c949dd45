"""Every page against axe-core's rules (WCAG 2.2 A and AA, and its best practices).

`PAGES` names each page or state of a phone's page once, `COACHS` those of the coach, which a real
server serves: a new page adds its line.
"""

from __future__ import annotations

import copy
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from playwright.async_api import Page

from server.app import SESSIONS
from server.serve import RunningServer
from tests.server.fake_phones import clinic
from tests.setup_node import modules
from tests.web.fake_server import NOT_FOUND, OFF, SQUARE
from tests.web.page_driver import LANDSCAPE, PORTRAIT, Phone, phone
from tests.web.test_again import EARLIER, FAR
from tests.web.test_records import films_page, see

pytestmark = pytest.mark.browser


async def _join(p: Phone) -> None:
    await p.open()


async def _off(p: Phone) -> None:
    await p.start()
    await p.until_kind("off")


async def _square(p: Phone) -> None:
    p.server.guidance = copy.deepcopy(SQUARE)
    await p.start()
    await p.until_kind("square")


async def _not_found(p: Phone) -> None:
    p.server.guidance = copy.deepcopy(NOT_FOUND)
    await p.start()
    await p.until("teesquare.state().guidance?.verdict === 'not-found'")


async def _settings(p: Phone) -> None:
    await p.open()
    await p.page.click("#start-settings")
    await p.until("document.getElementById('settings').open")


async def _notes(p: Phone) -> None:
    await _off(p)
    await p.page.click("#notes-open")
    await p.until("document.getElementById('notes').open")


async def _place(p: Phone) -> None:
    await _off(p)
    await p.page.click("#place-open")
    await p.until("document.getElementById('place').open")


async def _earlier(p: Phone) -> None:
    await _off(p)
    p.server.earlier = EARLIER
    await p.page.click("#place-open")
    await p.page.click("#again-open")
    await p.until("document.querySelectorAll('.again-entry').length > 0")


async def _led(p: Phone) -> None:
    await _earlier(p)
    await p.page.click(".again-entry:not([disabled])")
    p.server.guidance = copy.deepcopy(OFF) | {"again": FAR}
    await p.until_kind("again")


async def _problem(p: Phone) -> None:
    p.server.refuse = (400, {}, "The offer holds no camera.")
    await p.start()
    await p.until("document.body.dataset.screen === 'problem'")
    p.server.refuse = None


async def _drift(p: Phone) -> None:
    p.server.names = ["bay 3"]
    p.server.log = [
        {
            "at_s": 1e9 + 60.0 * i,
            "watch": "still",
            "move_m": [0.001 * i, 0.0, 0.0],
            "turn_deg": [0.0, 0.01 * i, 0.0],
            "sigma_m": [0.002] * 3,
            "sigma_deg": [0.05] * 3,
        }
        for i in range(20)
    ]
    await p.page.goto(p.url + "/drift#t=right-key")
    await p.until("document.querySelectorAll('#log-plots svg').length > 0")


PAGES: dict[str, Callable[[Phone], Awaitable[None]]] = {
    "join": _join,
    "off": _off,
    "square": _square,
    "not found": _not_found,
    "settings": _settings,
    "notes": _notes,
    "place": _place,
    "earlier places": _earlier,
    "led to an earlier place": _led,
    "problem": _problem,
    "drift": _drift,
}


async def _board(server: RunningServer, page: Page) -> Page:
    clinic(server.app[SESSIONS].board)
    await page.goto(f"{server.url}/board#t={server.coach_token}")
    await see(page, "document.querySelectorAll('.phone').length === 12")
    return page


async def _films(server: RunningServer, page: Page) -> Page:
    await page.goto(f"{server.url}/records#t={server.coach_token}")
    await see(page, "document.querySelectorAll('.film').length === 4")
    return page


async def _films_sure(server: RunningServer, page: Page) -> Page:
    await _films(server, page)
    await page.click(".film-forget")
    await see(page, "document.getElementById('ask').open")
    return page


async def _films_picture(server: RunningServer, page: Page) -> Page:
    await _films(server, page)
    await page.click(".film[data-film=film-a] .film-shot")
    await see(page, "document.querySelector('#ask img')?.naturalWidth > 0")
    return page


async def _report(server: RunningServer, page: Page) -> Page:
    await _films(server, page)
    async with page.context.expect_page() as opening:
        await page.click(".film[data-film=film-a] .film-session")
    report = await opening.value
    await report.wait_for_url("blob:**")
    await see(report, "document.querySelectorAll('article.film').length === 3")
    return report


COACHS: dict[str, Callable[[RunningServer, Page], Awaitable[Page]]] = {
    "board": _board,
    "films": _films,
    "films, sure": _films_sure,
    "films, picture": _films_picture,
    "report": _report,
}


def told(violations: list[dict[str, object]]) -> str:
    """The violations in a form that says where to look."""
    return "\n".join(
        f"{v['id']} ({v['impact']}): {v['help']}: {[n['html'] for n in v['nodes']]}"  # type: ignore[attr-defined]
        for v in violations
    )


@pytest.mark.parametrize("size", [PORTRAIT, LANDSCAPE], ids=["upright", "sideways"])
async def test_axe_finds_no_violation_on_any_page(size: tuple[int, int]) -> None:
    axe = (modules() / "axe-core" / "axe.min.js").read_text("utf-8")
    wrong = {}
    async with phone(size=size) as p:
        for name, reach in PAGES.items():
            p.server.guidance = copy.deepcopy(OFF)
            await p.page.goto("about:blank")
            await reach(p)
            # By the driver, which the page's policy does not bind.
            await p.page.evaluate(axe + ";0")
            result = await p.page.evaluate("axe.run({ resultTypes: ['violations'] })")
            assert len(result["passes"]) > 5, name
            if result["violations"]:
                wrong[name] = told(result["violations"])
    assert not wrong, "\n".join(f"{name}:\n{text}" for name, text in wrong.items())


@pytest.mark.parametrize("size", [PORTRAIT, (1180, 820)], ids=["upright", "tablet"])
async def test_axe_finds_no_violation_on_the_coachs_pages(
    size: tuple[int, int], tmp_path: Path
) -> None:
    axe = (modules() / "axe-core" / "axe.min.js").read_text("utf-8")
    wrong = {}
    async with films_page(tmp_path, size) as (server, page, _, _store):
        for name, reach in COACHS.items():
            await page.goto("about:blank")
            reached = await reach(server, page)
            await reached.evaluate(axe + ";0")
            result = await reached.evaluate("axe.run({ resultTypes: ['violations'] })")
            assert len(result["passes"]) > 5, name
            if result["violations"]:
                wrong[name] = told(result["violations"])
    assert not wrong, "\n".join(f"{name}:\n{text}" for name, text in wrong.items())
