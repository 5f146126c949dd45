"""A phone on the bad network, run in its namespace: URL TOKEN SECONDS. Does what the page does.

When nothing has come for SILENT_S (web/channel.js), or a connection does not open in OPEN_S, it
connects anew with the page's own pauses (web/link.js). Tells when each guidance message came.
"""

from __future__ import annotations

import asyncio
import json
import sys
import time

import aiohttp
import av
import numpy as np

from tests.server.live_phone import Camera, LivePhone

SILENT_S, OPEN_S = 2.0, 10.0
PAUSES_S = (0.5, 0.75, 1.0, 1.5)


class Meadow(Camera):
    """A picture with enough in it that it takes several packets, and changes all the time."""

    def __init__(self) -> None:
        super().__init__()
        rng = np.random.default_rng(1)
        self._grass = rng.integers(60, 120, (360, 960), np.uint8)
        self._number = 0

    async def recv(self) -> av.VideoFrame:
        pts, time_base = await self.next_timestamp()
        self._number += 1
        aside = 2 * self._number % 320
        grey = np.ascontiguousarray(self._grass[:, aside : aside + 640])
        picture = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
        picture.pts, picture.time_base = pts, time_base
        return picture


async def main(url: str, token: str, seconds: float) -> None:
    end_s = time.monotonic() + seconds
    heard_s: list[float] = []
    connects: list[list[float]] = []  # begun, and when the first guidance came
    problems: list[str] = []
    tries = 0
    while time.monotonic() < end_s:
        connects.append([time.time()])
        count = len(heard_s)
        try:
            await connection(url, token, end_s, heard_s)
        except (OSError, aiohttp.ClientError, TimeoutError, AssertionError) as wrong:
            problems.append(repr(wrong))
        connects[-1] += heard_s[count : count + 1]
        tries = 0 if len(heard_s) > count else tries + 1
        await asyncio.sleep(PAUSES_S[min(tries, len(PAUSES_S) - 1)])
    print(json.dumps({"heard_s": heard_s, "connects": connects, "problems": problems}), flush=True)


async def connection(url: str, token: str, end_s: float, heard_s: list[float]) -> None:
    """One connection until it falls silent; browsers, too, open new sockets on a new address."""
    headers = {"Authorization": f"Bearer {token}"}
    setup = {"type": "setup", "seq": 1, "setup": {}}
    async with (
        aiohttp.ClientSession(url, headers=headers) as http,
        LivePhone(http, [setup]) as phone,
    ):
        phone.camera = Meadow()
        phone.ping_s = 0.5
        seen, last_s = 0, time.monotonic()
        async with asyncio.timeout(OPEN_S):
            await phone.connect()
        while (now_s := time.monotonic()) < end_s:
            for message in phone.messages[seen:]:
                if message["type"] == "guidance":
                    heard_s.append(time.time())
            if len(phone.messages) > seen:
                seen, last_s = len(phone.messages), now_s
            elif now_s - last_s > (SILENT_S if seen else OPEN_S):
                raise TimeoutError(f"nothing heard for {now_s - last_s:.1f} s")
            await asyncio.sleep(0.02)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], sys.argv[2], float(sys.argv[3])))
