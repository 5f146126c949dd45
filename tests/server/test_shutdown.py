"""Ctrl-C while phones are connected: each is told, and all is over within two seconds."""

import asyncio
import re
import signal
import time

import aiohttp
import pytest

from tests.server.live_phone import LivePhone
from tests.server.test_serve import start, until_line

PHONES = 3


@pytest.mark.parametrize("number", [signal.SIGINT])
async def test_connected_phones_are_told_and_the_process_ends_in_two_seconds(number):
    process = start("serve", "--http", "--port", "0")
    try:
        shown = await asyncio.to_thread(until_line, process, "Ctrl-C ends")
        port, token = re.search(r"localhost:(\d+)/#t=([\w-]{43})", shown).groups()
        coach = re.search(r"coach alone.*\n\s+\S+#t=([\w-]{43})", shown)[1]
        assert coach != token
        headers = {"Authorization": f"Bearer {token}"}
        async with aiohttp.ClientSession(f"http://localhost:{port}", headers=headers) as http:
            phones = [LivePhone(http) for _ in range(PHONES)]
            for phone in phones:
                await phone.connect()
            # The search compiles on a machine's first start; the channel is there before.
            await asyncio.gather(*(phone.of_type("pong", 60) for phone in phones))
            start_s = time.perf_counter()
            process.send_signal(number)
            await asyncio.to_thread(process.wait, 10)
            took_s = time.perf_counter() - start_s
            byes = [await phone.of_type("bye", 2) for phone in phones]
            _, errors = process.communicate()
            await asyncio.gather(*(phone.__aexit__() for phone in phones))
        assert took_s <= 2, took_s
        assert process.returncode == 0
        assert all("shutting down" in bye["text"] for bye in byes)
        assert "Traceback" not in errors, errors
    finally:
        process.kill()
        process.communicate()
