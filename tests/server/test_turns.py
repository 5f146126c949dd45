"""Phones that share one thread of vision: each gets its turn, and each turn the newest picture."""

import asyncio
import time
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction

import av
import numpy as np

from server.analysis import Analyst, Arrived
from server.mailbox import Mailbox
from tests.server.live_phone import nothing_found

PHONES = 5
WORK_S = 0.01
EVERY_S = 0.004  # pictures come faster than the phones' turns
LAST_S = 1.2


def picture(number: int) -> av.VideoFrame:
    frame = av.VideoFrame.from_ndarray(np.full((180, 160), 90, np.uint8), format="gray")
    frame = frame.reformat(format="yuv420p")
    frame.pts, frame.time_base = number, Fraction(1, 1000)
    return frame


async def test_a_crowded_pool_serves_every_phone_alike_and_no_stale_picture():
    heard: list[list[dict]] = [[] for _ in range(PHONES)]
    newest = [0] * PHONES
    behind: list[list[int]] = [[] for _ in range(PHONES)]

    def slow(phone):
        def analyse(state, frame, setup, time_s):
            behind[phone].append(newest[phone] - round(1000 * time_s))
            time.sleep(WORK_S)
            return state, nothing_found(setup)

        return analyse

    turns = asyncio.Semaphore(1)
    boxes: list[Mailbox[Arrived]] = [Mailbox() for _ in range(PHONES)]
    with ThreadPoolExecutor(1) as pool:
        jobs = [
            asyncio.create_task(Analyst(box, pool, slow(k), heard[k].append, turns=turns).run())
            for k, box in enumerate(boxes)
        ]
        begin_s = time.perf_counter()
        number = 0
        while time.perf_counter() - begin_s < LAST_S:
            number += 1
            for k, box in enumerate(boxes):
                newest[k] = number
                box.put(Arrived(picture(number), time.perf_counter()))
            await asyncio.sleep(EVERY_S)
        for box in boxes:
            box.close()
        await asyncio.gather(*jobs)
    counts = [len(messages) for messages in heard]
    assert min(counts) >= 5
    assert max(counts) - min(counts) <= 2
    # Nothing waits in the pool's queue: a picture is at most a moment behind the newest. Times
    # count from each phone's first picture, hence against the least of each.
    late = np.concatenate([np.array(b) - min(b) for b in behind])
    assert np.percentile(late, 95) <= 3
