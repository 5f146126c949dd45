"""Many connects and closes of real sessions: no thread, task, socket, file or memory stays."""

from __future__ import annotations

import asyncio
import gc
import threading
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from server.app import SESSIONS
from server.session import Session
from tests.server.live_phone import LivePhone

WARM = 5  # the first few fill caches and start the pools' threads
COUNT, NIGHTLY = 50, 1000
# The allocator's own; then what the board remembers of a phone for an hour. A session that stayed
# would hold some 300 KB with its keys.
GROWTH_MB, GROWTH_EACH_MB = 12.0, 0.01
FDS = Path("/proc/self/fd")


@dataclass(frozen=True)
class Held:
    """What a process holds at a moment."""

    threads: int
    tasks: int
    files: int
    sockets: int
    sessions: int  # objects, whether in the book or forgotten
    memory_mb: float

    @classmethod
    async def now(cls) -> Held:
        for _ in range(3):
            await asyncio.sleep(0.05)
            gc.collect()
        targets = [_target(file) for file in FDS.iterdir()] if FDS.is_dir() else []
        return cls(
            threading.active_count(),
            len(asyncio.all_tasks()),
            len(targets),
            sum(target.startswith("socket:") for target in targets),
            sum(isinstance(thing, Session) for thing in gc.get_objects()),
            psutil.Process().memory_info().rss / 1e6,
        )


def _target(file: Path) -> str:
    try:
        return str(file.readlink())
    except OSError:
        return ""  # the listing's own


async def come_and_go(server, http, number: int) -> None:
    """One session; every third phone vanishes first, every third offers no channel."""
    async with LivePhone(http) as phone:
        await phone.connect(channel=number % 3 != 1)
        if number % 3 == 1:
            (session,) = server.app[SESSIONS]
            async with asyncio.timeout(10):
                while session.received == 0:
                    await asyncio.sleep(0.005)
        else:
            await phone.of_type("guidance")
        if number % 3 == 2:
            await phone.pc.close()  # without a word
        else:
            async with http.delete(phone.location) as answer:
                assert answer.status == 200
    async with asyncio.timeout(10):
        while len(server.app[SESSIONS]):
            await asyncio.sleep(0.005)


async def repeat(server, http, count: int) -> None:
    for number in range(WARM):
        await come_and_go(server, http, number)
    before = await Held.now()
    for number in range(count):
        await come_and_go(server, http, number)
    after = await Held.now()
    print(f"\nafter {count} sessions: {before} -> {after}")
    assert after.threads <= before.threads + 1  # the pool may still have been growing
    assert after.tasks <= before.tasks
    assert after.files <= before.files
    assert after.sockets <= before.sockets
    assert after.sessions <= before.sessions
    assert after.memory_mb - before.memory_mb <= GROWTH_MB + GROWTH_EACH_MB * count


async def test_fifty_sessions_leave_nothing(server, http):
    await repeat(server, http, COUNT)


@pytest.mark.nightly
@pytest.mark.timeout(900)
async def test_a_thousand_sessions_leave_nothing(server, http):
    await repeat(server, http, NIGHTLY)
