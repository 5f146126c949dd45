"""Many phones for a long time, one of them leaving and coming back again and again: memory's slope.

Memory is the server process's own (RSS), sampled every few seconds. The slope is Theil's and Sen's
(the median of all pairs' slopes; Sen, JASA 63, 1968), which one late allocation does not tilt, of
the samples after the first third: before that caches and the allocator's arenas fill up.
"""

import asyncio
import itertools
import os

import aiohttp
import numpy as np

from tests.bench.scenes import LAID, gather
from tests.bench.serving import _process
from tests.bench.streams import Camera, StreamPhone, clips

EVERY_S = 5.0
COMES_BACK_S = 15.0
SETTLE = 1 / 3


def row(phones: int, seconds: float, codec: str = "vp8", fps: int = 15) -> dict:
    """One object: slope and spread of the memory, threads, guidance, over all that time."""
    laid = [s for s in gather([]) if s.layout in LAID and s.size[0] > s.size[1]]
    made = clips(laid[:phones], codec, fps)
    return asyncio.run(_row(made, phones, seconds, codec, fps))


async def _row(made, phones: int, seconds: float, codec: str, fps: int) -> dict:
    samples: list[tuple[float, float, int]] = []
    heard = connections = 0
    async with _process("real") as (ask, address):
        headers = {"Authorization": f"Bearer {address['token']}"}
        async with aiohttp.ClientSession(address["url"], headers=headers) as http:

            async def join(k: int) -> StreamPhone:
                nonlocal connections
                connections += 1
                phone = StreamPhone(k, Camera(made[k % len(made)], fps, k / phones / fps))
                await phone.begin(http, codec)
                return phone

            sending = [await join(k) for k in range(phones)]
            begin = await ask()
            back_s = COMES_BACK_S
            while True:
                await asyncio.sleep(EVERY_S)
                now = await ask()
                lasted_s = now["at_s"] - begin["at_s"]
                samples.append((lasted_s, now["memory_mb"], now["threads"]))
                if lasted_s >= seconds:
                    break
                if lasted_s >= back_s:
                    back_s += COMES_BACK_S
                    k = connections % phones
                    heard += len(sending[k].heard)
                    await sending[k].end()
                    sending[k] = await join(k)
            heard += sum(len(phone.heard) for phone in sending)
            await asyncio.gather(*(phone.end() for phone in sending))
    at_s, memory_mb, threads = (np.array(column) for column in zip(*samples, strict=True))
    late = at_s > SETTLE * seconds
    return {
        "bench": "soak",
        "phones": phones,
        "codec": codec,
        "fps": fps,
        "seconds": round(float(at_s[-1])),
        "connections": connections,
        "guidance_hz": round(heard / phones / float(at_s[-1]), 2),
        "memory_mb": round(float(memory_mb[-1]), 1),
        "memory_mb_at_third": round(float(memory_mb[late][0]), 1),
        "slope_mb_per_minute": round(60 * slope(at_s[late], memory_mb[late]), 3),
        "threads_most": int(threads.max()),
        "threads": int(threads[-1]),
        "load": os.getloadavg()[0],
    }


def slope(x: np.ndarray, y: np.ndarray) -> float:
    """Theil's and Sen's slope of y over x."""
    pairs = itertools.combinations(range(len(x)), 2)
    return float(np.median([(y[b] - y[a]) / (x[b] - x[a]) for a, b in pairs]))
