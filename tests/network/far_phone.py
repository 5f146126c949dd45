"""A phone on the bad network, run in its namespace: URL TOKEN MOST_SECONDS.

Does what the page does. When nothing has come for SILENT_S (web/channel.js), or a connection does
not open in OPEN_S, it connects anew with the page's own pauses (web/link.js). Tells of the first
guidance message, and at its end when each came.
"""

from __future__ import annotations

import asyncio
import json
import math
import sys
import time

import aiohttp
import av
import cv2
import numpy as np

from tests.server.live_phone import Camera, LivePhone

SILENT_S, OPEN_S = 2.0, 10.0
AFTER_S = 4.0  # seen of the second connection
PAUSES_S = (0.5, 0.75, 1.0, 1.5)


class Meadow(Camera):
    """A picture with enough in it that it takes several packets, and changes all the time."""

    def __init__(self) -> None:
        super().__init__()
        rng = np.random.default_rng(1)
        grass = rng.integers(0, 255, (360, 960), np.uint8)
        self._grass = cv2.GaussianBlur(grass, (0, 0), 3.0)
        self._number = 0

    async def recv(self) -> av.VideoFrame:
        pts, time_base = await self.next_timestamp()
        self._number += 1
        aside = 2 * self._number % 320
        grey = np.ascontiguousarray(self._grass[:, aside : aside + 640])
        picture = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
        picture.pts, picture.time_base = pts, time_base
        return picture


async def main(url: str, token: str, most_s: float) -> None:
    heard_s: list[float] = []
    connects: list[list[float]] = []  # begun, and when the first guidance came
    problems: list[str] = []
    tries, good = 0, 0
    end_s = time.monotonic() + most_s
    while time.monotonic() < end_s:
        connects.append([time.time()])
        count = len(heard_s)
        try:
            # The second connection that works is the last: it is enough to see it work.
            await connection(url, token, end_s, heard_s, AFTER_S if good else most_s)
        except (OSError, aiohttp.ClientError, TimeoutError, AssertionError) as wrong:
            problems.append(repr(wrong))
        connects[-1] += heard_s[count : count + 1]
        good += len(heard_s) > count
        if good == 2:
            break
        tries = 0 if len(heard_s) > count else tries + 1
        await asyncio.sleep(PAUSES_S[min(tries, len(PAUSES_S) - 1)])
    print(json.dumps({"heard_s": heard_s, "connects": connects, "problems": problems}), flush=True)


async def connection(
    url: str, token: str, end_s: float, heard_s: list[float], most_s: float
) -> None:
    """One connection until it falls silent, or has been guided for `most_s`.

    Browsers, too, open new sockets on a new address.
    """
    headers = {"Authorization": f"Bearer {token}"}
    setup = {"type": "setup", "seq": 1, "setup": {}}
    async with (
        aiohttp.ClientSession(url, headers=headers) as http,
        LivePhone(http, [setup]) as phone,
    ):
        phone.camera = Meadow()
        phone.ping_s = 0.5
        seen, last_s, since_s = 0, time.monotonic(), math.inf
        async with asyncio.timeout(OPEN_S):
            await phone.connect()
        while (now_s := time.monotonic()) < min(end_s, since_s + most_s):
            for message in phone.messages[seen:]:
                if message["type"] == "guidance":
                    if not heard_s:
                        print(json.dumps("guided"), flush=True)
                    heard_s.append(time.time())
                    since_s = min(since_s, now_s)
            if len(phone.messages) > seen:
                seen, last_s = len(phone.messages), now_s
            elif now_s - last_s > (SILENT_S if seen else OPEN_S):
                raise TimeoutError(f"nothing heard for {now_s - last_s:.1f} s")
            await asyncio.sleep(0.02)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], sys.argv[2], float(sys.argv[3])))
