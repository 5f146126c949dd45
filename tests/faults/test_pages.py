"""The real page and two boards: a reload, a restarted server. Nobody touches a board."""

from __future__ import annotations

import asyncio
import socket
import time

import pytest

from server import tokens
from server.config import ServerConfig
from server.serve import running
from tests.chromium import chromium
from tests.live.crowding import Crowding
from tests.live.test_film_restart import write_small_clip
from tests.server.live_phone import far_away

pytestmark = pytest.mark.browser

BACK_S = 3.0  # after the server listens again
CARDS = "[...document.querySelectorAll('.phone')].map((card) => card.dataset.need)"


async def shows(board, wanted, seconds=15.0):
    """Wait until a board's cards have these needs. Returns when."""
    end_s = time.monotonic() + seconds
    while (now := await board.evaluate(CARDS)) != wanted:
        assert time.monotonic() < end_s, f"{now} instead of {wanted}"
        await asyncio.sleep(0.02)
    return time.monotonic()


async def guided(page, seconds=20.0):
    """Wait until the page has guidance of a live connection."""
    end_s = time.monotonic() + seconds
    live = "teesquare.state().connection === 'live' && teesquare.state().guidance !== null"
    while not await page.evaluate(live):
        assert time.monotonic() < end_s, await page.evaluate("JSON.stringify(teesquare.state())")
        await asyncio.sleep(0.02)


@pytest.mark.timeout(120)
async def test_a_reload_is_the_same_card_and_a_restarted_server_is_found_again(
    tmp_path, monkeypatch, capsys
):
    clip = tmp_path / "small.mjpeg"
    write_small_clip(clip)
    keys = iter(["p" * 43, "c" * 43] * 2)  # a server that is begun anew makes the same keys
    real = tokens.secrets.token_urlsafe
    monkeypatch.setattr(
        tokens.secrets, "token_urlsafe", lambda size: next(keys) if size == 32 else real(size)
    )
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    config = ServerConfig(port=port, analyse=far_away)
    camera = (
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        "--allow-loopback-in-peer-connection",
        f"--use-file-for-fake-video-capture={clip}",
    )
    async with chromium(*camera) as browser:
        phone = await (await browser.new_context()).new_page()
        boards = [await (await browser.new_context()).new_page() for _ in range(2)]
        async with running(config) as server:
            for board in boards:
                await board.goto(f"{server.url}/board#t={server.coach_token}")
            await phone.goto(server.page_url)
            await phone.click("#go")
            await guided(phone)
            for board in boards:
                await shows(board, ["lost"])
            await phone.reload()
            await phone.click("#go")
            await guided(phone)
            for board in boards:
                await shows(board, ["lost"])  # one card: the reloaded page is the same phone
            crowded = Crowding()
            await phone.context.set_offline(True)
        # The server is gone: the phone says so by itself.
        end_s = time.monotonic() + 10
        while await phone.evaluate("teesquare.state().connection") != "reconnecting":
            assert time.monotonic() < end_s
            await asyncio.sleep(0.02)
        await phone.context.set_offline(False)
        async with running(config):
            up_s = time.monotonic()
            await guided(phone)
            back_s = time.monotonic() - up_s
            boards_s = [await shows(board, ["lost"], 20.0) - up_s for board in boards]
            factor = crowded.factor()
    with capsys.disabled():
        print(f"\nthe phone is back after {back_s:.2f} s, the boards after {max(boards_s):.2f} s")
    assert back_s <= BACK_S * factor
