"""A phone that vanishes (no good-bye, no packet more) is told on every board within two seconds."""

import asyncio
import json
import time

import aiohttp

from server.app import SESSIONS
from tests.server.live_phone import LivePhone

TOLD_S = 2.0
ROOM_S = 0.25  # the board's own pace (five states a second) and the test's


class Watcher:
    """One open board: every phone's need, and since when it has been shown."""

    def __init__(self) -> None:
        self.needs: list[tuple[float, str]] = []
        self.cards: set[str] = set()

    async def watch(self, coach: aiohttp.ClientSession) -> None:
        async with coach.get("/board/events") as answer:
            async for line in answer.content:
                if line.startswith(b"data: "):
                    for state in json.loads(line[6:])["phones"]:
                        self.cards.add(state["id"])
                        self.needs.append((time.perf_counter(), state["need"]))

    async def first(self, need: str, after_s: float) -> float:
        while True:
            for at_s, seen in self.needs:
                if seen == need and at_s >= after_s:
                    return at_s
            await asyncio.sleep(0.01)


async def test_both_boards_say_gone_within_two_seconds_and_a_phone_that_comes_back_is_the_same(
    server, capsys
):
    setup = {"type": "setup", "seq": 1, "setup": {"who": {"phone": "p1", "bay": "4", "player": ""}}}
    headers = {"Authorization": f"Bearer {server.token}"}
    coach_headers = {"Authorization": f"Bearer {server.coach_token}"}
    boards = [Watcher(), Watcher()]
    async with (
        aiohttp.ClientSession(server.url, headers=headers) as http,
        aiohttp.ClientSession(server.url, headers=coach_headers) as coach,
        LivePhone(http, [setup]) as phone,
        LivePhone(http, [setup]) as again,
    ):
        watching = [asyncio.create_task(board.watch(coach)) for board in boards]
        await phone.connect()
        await phone.wait_for(lambda m: m.get("setup_seq") == 1)
        async with asyncio.timeout(5):
            await asyncio.gather(*(board.first("lost", 0.0) for board in boards))
        # Not a word more, as when the battery is taken out: neither pings nor pictures.
        phone.pinging = False
        phone.camera.stop()
        (session,) = server.app[SESSIONS]
        silent_s = time.perf_counter()
        async with asyncio.timeout(5):
            gone_s = await asyncio.gather(*(board.first("gone", silent_s) for board in boards))
        took_s = max(gone_s) - silent_s
        await again.connect()
        await again.wait_for(lambda m: m.get("setup_seq") == 1)
        async with asyncio.timeout(8):
            await asyncio.gather(*(board.first("lost", max(gone_s)) for board in boards))
        for task in watching:
            task.cancel()
        await asyncio.gather(*watching, return_exceptions=True)
        await session.close()
    with capsys.disabled():
        print(f"\ntold gone after {took_s:.2f} s on both boards")
    assert 1.5 <= took_s <= TOLD_S + ROOM_S
    assert boards[0].cards == boards[1].cards
    assert len(boards[0].cards) == 1  # the same card after the reload
