"""Vision in a process of its own says what it says here, and its end harms nobody."""

import asyncio
import dataclasses
import os
import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import AsyncExitStack

import aiohttp
import cv2
import numpy as np
import psutil
import pytest

from server import apart
from server.apart import ANSWER_S, LANES, Apart, Aparts
from server.app import SESSIONS
from server.config import ServerConfig
from server.registry import CROWD
from server.serve import running
from tests.scenes import scenes
from tests.server.live_phone import LivePhone, later_guidance
from vision.errors import SetupError, TeesquareError
from vision.frame import Frame
from vision.hint import Hint
from vision.live import LiveState, step
from vision.setup import Setup


def up(one: Apart, but: int | None = None) -> Apart:
    one.begin()
    end_s = time.monotonic() + 60
    while not one.ready or one.pid == but:
        assert time.monotonic() < end_s, "the process did not begin"
        time.sleep(0.05)
    return one


@pytest.fixture
def one():
    one = up(Apart())
    yield one
    one.close()


def pictures(scene, count=6):
    rng = np.random.default_rng(5)
    for k in range(count):
        moved = cv2.warpAffine(scene.bgr(), np.array([[1.0, 0, 1.5 * k], [0, 1, 0]]), scene.size)
        yield Frame.from_bgr(
            np.clip(moved + rng.normal(0, 2, moved.shape), 0, 255).astype(np.uint8)
        )


def test_it_says_what_it_says_here(one):
    for scene in [s for s in scenes() if s.layout in ("t", "pair")][:3]:
        there, here = LiveState(), LiveState()
        before = one.steps
        for k, frame in enumerate(pictures(scene)):
            there, told = one.step(there, frame, scene.setup(), k / 15)
            here, wanted = step(here, frame, scene.setup(), k / 15)
            assert told.tracked == wanted.tracked == (k > 0)
            assert told.reading.belief == pytest.approx(wanted.reading.belief, abs=1e-6)
            got, due = told.reading.placement, wanted.reading.placement
            for name in (field.name for field in dataclasses.fields(due)):
                np.testing.assert_allclose(getattr(got, name), getattr(due, name), rtol=1e-6)
            assert told.reading.advice == wanted.reading.advice
        assert one.steps == before + 6


def test_taps_and_errors_cross(one):
    scene = scenes()[0]
    taps = (Hint((320.0, 600.0), scene.size),)
    state, _ = one.step(LiveState(), scene.frame(), scene.setup(), 0.0, taps)
    assert state.given == taps
    wrong = Frame(
        np.zeros((2, 2), np.uint8), np.zeros((1, 1), np.uint8), np.zeros((1, 1), np.uint8)
    )
    with pytest.raises(Exception) as here:
        step(LiveState(), wrong, "no setup", 0.0)  # type: ignore[arg-type]
    with pytest.raises(RuntimeError, match=type(here.value).__name__):
        one.step(LiveState(), wrong, "no setup", 0.0)  # type: ignore[arg-type]
    assert one.ready, "an error is no reason to begin anew"


def test_a_killed_process_is_replaced_and_no_picture_is_lost(one, monkeypatch):
    monkeypatch.setattr(apart, "AGAIN_S", 0.0)
    scene, first = scenes()[0], one.pid
    os.kill(first, signal.SIGKILL)
    state, told = one.step(LiveState(), scene.frame(), scene.setup(), 0.0)
    assert told.reading.placement is not None
    up(one, but=first)
    steps = one.steps
    one.step(state, scene.frame(), scene.setup(), 0.1)
    assert one.steps == steps + 1
    assert not psutil.pid_exists(first)


def test_one_that_hangs_is_given_up(one, monkeypatch):
    monkeypatch.setattr(apart, "ANSWER_S", 0.3)
    scene, first = scenes()[0], one.pid
    os.kill(first, signal.SIGSTOP)
    begun_s = time.monotonic()
    _, told = one.step(LiveState(), scene.frame(), scene.setup(), 0.0)
    assert told.reading.placement is not None
    assert time.monotonic() - begun_s < 5.0
    assert not psutil.pid_exists(first)


def test_one_that_hangs_holds_up_neither_the_end_nor_the_other_lane(one):
    scene = scenes()[0]
    os.kill(one.pid, signal.SIGSTOP)
    asked = [
        threading.Thread(target=one.step, args=(LiveState(), scene.frame(), scene.setup(), 0.0))
        for _ in range(LANES)
    ]
    for thread in asked:
        thread.start()
    time.sleep(0.3)
    begun_s = time.monotonic()
    one.close()
    assert time.monotonic() - begun_s < 2.0
    for thread in asked:
        thread.join(ANSWER_S - 1.0)
        assert not thread.is_alive(), "it waits for an answer that cannot come"


def test_two_threads_have_a_lane_each_and_their_own_answers(one):
    laid = [s for s in scenes() if s.layout in ("t", "pair")][:LANES]
    wanted = [step(LiveState(), s.frame(), s.setup(), 0.0)[1].reading for s in laid]
    with ThreadPoolExecutor(LANES) as threads:
        for _ in range(5):
            asked = [threads.submit(one.step, LiveState(), s.frame(), s.setup(), 0.0) for s in laid]
            for future, due in zip(asked, wanted, strict=True):
                got = future.result()[1].reading
                assert got.placement.offset_m == pytest.approx(due.placement.offset_m, rel=1e-6)
    assert one.steps == 5 * LANES


def test_a_picture_too_large_is_analysed_here(one, monkeypatch):
    monkeypatch.setattr(apart, "SPACE", 1000)
    scene = scenes()[0]
    _, told = one.step(LiveState(), scene.frame(), scene.setup(), 0.0)
    assert told.reading.placement is not None
    assert one.steps == 0


def test_before_it_is_up_and_after_its_end_it_works_here():
    scene, one = scenes()[0], Aparts(2)
    _, told = one.step(LiveState(), scene.frame(), scene.setup(), 0.0)
    assert told.reading.placement is not None
    one.close()
    one.begin()
    time.sleep(0.2)
    _, told = one.step(LiveState(), scene.frame(), scene.setup(), 0.0)
    assert told.reading.placement is not None
    assert one.steps == 0


def test_nothing_is_left_running():
    one = up(Apart())
    pid = one.pid
    one.close()
    one.close()
    assert not psutil.pid_exists(pid)
    assert not one.ready


class Elsewhere:
    """What a first look has measured, for a picture of another shape."""

    view, handed = Setup().view, Setup().handed

    def at(self, size):
        raise SetupError(f"a picture of {size} is of another shape")


def test_an_error_of_the_tree_stays_one(one):
    scene = next(s for s in scenes() if s.layout == "t")
    setup = dataclasses.replace(scene.setup(), known=Elsewhere())
    with pytest.raises(TeesquareError, match="another shape"):
        one.step(LiveState(), scene.frame(), setup, 0.0)
    assert one.steps == 1


async def test_a_crowd_is_served_by_the_other_process_which_ends_with_the_server():
    async with running(ServerConfig(workers_apart=True, settle_s=0.0)) as server:
        headers = {"Authorization": f"Bearer {server.token}"}
        apart = server.app[SESSIONS]._apart
        async with (
            aiohttp.ClientSession(server.url, headers=headers) as http,
            AsyncExitStack() as stack,
        ):
            phones = [LivePhone(http) for _ in range(CROWD)]
            for phone in phones:
                assert apart.steps == 0
                await stack.enter_async_context(phone)
                await phone.connect()
            async with asyncio.timeout(60):
                while apart.steps < 10:
                    await asyncio.sleep(0.05)
            for phone in phones:
                await later_guidance(phone)
        mine = psutil.Process().children()
        assert any("spawn_main" in " ".join(child.cmdline()) for child in mine)
    _, left = psutil.wait_procs(mine, timeout=3)
    assert not [child for child in left if "spawn_main" in " ".join(child.cmdline())]
