"""Wall clocks that are set by an hour, the server's and the phone's: nothing ages, nothing is lost.

An operating system steps it after the machine woke, or by hand. Only `time.monotonic` and
`time.perf_counter` are promised never to step (PEP 418).
"""

import asyncio
import datetime
import time
from fractions import Fraction

import numpy as np
import pytest
from aiortc import clock as rtc_clock

from server.app import CONFIG, SESSIONS
from tests.server.live_phone import Camera

HOUR_S = 3600.0


class WallClock:
    """The process's wall clock, `ahead_s` of the true one: for `time.time` and for the library."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.ahead_s = 0.0
        real, now = time.time, rtc_clock.current_datetime
        patch.setattr(time, "time", lambda: real() + self.ahead_s)
        patch.setattr(
            rtc_clock,
            "current_datetime",
            lambda: now() + datetime.timedelta(seconds=self.ahead_s),
        )


class SteadyCamera(Camera):
    """The library's own camera paces itself by the wall clock; a phone's does not."""

    async def next_timestamp(self):
        if not hasattr(self, "_number"):
            self._number, self._begin_s = 0, time.monotonic()
        self._number += 1
        due_s = self._begin_s + self._number / 30
        await asyncio.sleep(max(0.0, due_s - time.monotonic()))
        return 3000 * self._number, Fraction(1, 90000)


@pytest.mark.parametrize("step_s", [HOUR_S, -HOUR_S])
async def test_a_step_of_the_wall_clock_is_not_noticed(server, phone, told, monkeypatch, step_s):
    """Phone and server of this process share the clock, so that both step."""
    wall = WallClock(monkeypatch)
    phone.camera = SteadyCamera()
    await phone.connect()
    await phone.wait_for(lambda m: m.get("seq", 0) >= 20)
    (session,) = server.app[SESSIONS]
    count = len(phone.messages)
    wall.ahead_s = step_s
    await asyncio.sleep(4.0)
    after = [m for m in phone.messages[count:] if m["type"] == "guidance"]
    ages_ms = np.array([m["age_ms"] for m in after])
    arrivals_s = np.array(phone.times_s[count:])
    steps_s = np.diff([m["capture_s"] for m in after])
    assert len(after) >= 10  # of 120 pictures: as many as a crowded machine can
    # A crowded machine may pause for seconds, not for an hour.
    assert np.diff(arrivals_s).max() < 5.0
    assert ages_ms.max() < 5000
    assert steps_s.min() > 0 and steps_s.max() < 5.0  # the pictures' own time does not step
    # Of a phone that a crowded machine keeps silent it may be said, of one that is heard never.
    heard = np.diff(arrivals_s).max() < server.app[CONFIG].gone_s - 0.5
    assert not heard or not any("gone" in sentence for sentence in told)
    assert next(iter(server.app[SESSIONS])) is session
    assert session.present


async def test_a_phone_whose_clock_is_set_by_an_hour_keeps_its_guidance_and_its_comparison(
    server, phone
):
    await phone.connect()
    await phone.of_type("guidance")
    board = server.app[SESSIONS].board
    phone.pinging = False
    ahead_ms, last = 0.0, None

    async def ping():
        """As the page does, on a clock that may be set."""
        nonlocal last
        sent_ms = 1e3 * time.perf_counter() + ahead_ms
        phone.send({"type": "ping", "t_ms": sent_ms, "clock": last, "control": {}})
        pong = await phone.wait_for(lambda m: m["type"] == "pong" and m["t_ms"] == sent_ms)
        back_ms = 1e3 * time.perf_counter() + ahead_ms
        last = [sent_ms, pong["received_s"], pong["sent_s"], back_ms]

    def apart_s():
        (known,) = board._of.values()
        offset = board.clock_of(known)
        true_s = time.monotonic() - time.perf_counter() - ahead_ms / 1e3
        return offset.offset_s - true_s, offset.bound_s

    phone.send({"type": "setup", "seq": 1, "setup": {}})
    await phone.wait_for(lambda m: m.get("setup_seq") == 1)
    for _ in range(6):
        await ping()
    error_s, bound_s = apart_s()
    assert abs(error_s) <= bound_s
    ahead_ms, last = 1e3 * HOUR_S, None
    seq = max(m.get("seq", 0) or 0 for m in phone.messages if m["type"] == "guidance")
    for _ in range(4):
        await ping()
    error_s, bound_s = apart_s()
    assert abs(error_s) <= bound_s
    await phone.wait_for(lambda m: m["type"] == "guidance" and m["seq"] > seq + 5)
