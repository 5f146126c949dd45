"""A crowd's standing phone is measured now and then, looked at always, and told of at once."""

import asyncio
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from fractions import Fraction

import av
import numpy as np
import pytest

from server.analysis import Analyst, Arrived
from server.config import ServerConfig
from server.mailbox import Mailbox
from server.messages import AgainSent, AimSent, FilmSent, LookSent, PlaceSent, SetupSent, TiltSent
from server.pace import CROWD
from server.registry import Sessions
from server.rest import CALM_S, REST_S
from tests.scenes import scenes
from tests.server.live_phone import far_away
from vision import live
from vision.reading import Verdict
from vision.warm import warm_up

FPS = 10
SCENE = next(scene for scene in scenes() if scene.layout == "t")
LUMA = SCENE.frame()


@pytest.fixture(autouse=True)
def _compiled() -> None:
    warm_up()


def picture(number: int, right_px: int = 0) -> av.VideoFrame:
    """The scene with a little noise, slid by whole pixels; full range, as it is drawn."""
    rng = np.random.default_rng(number)
    luma = np.roll(LUMA.y, right_px, axis=1) + 2 * rng.standard_normal(LUMA.y.shape, np.float32)
    planes = [
        np.clip(luma, 0, 255).round().astype(np.uint8),
        np.roll(LUMA.u, right_px // 2, axis=1),
        np.roll(LUMA.v, right_px // 2, axis=1),
    ]
    flat = np.concatenate([plane.reshape(-1) for plane in planes])
    frame = av.VideoFrame.from_ndarray(
        flat.reshape(LUMA.height * 3 // 2, LUMA.width), format="yuvj420p"
    )
    frame.pts, frame.time_base = number, Fraction(1, FPS)
    return frame


def waited_ms(number: int) -> float:
    """How old a picture is when it is looked at, so that ages can be told apart."""
    return 1000.0 * (number % 5)


@dataclass
class Phone:
    """An analyst of its own and what it said; `at_s` are the times of pictures measured."""

    rest_s: float = REST_S
    said: list[dict] = field(default_factory=list)
    at_s: list[float] = field(default_factory=list)
    number: int = 0

    def __post_init__(self) -> None:
        self.box: Mailbox[Arrived] = Mailbox()
        self.pool = ThreadPoolExecutor(1)
        self.analyst = Analyst(
            self.box, self.pool, self.analyse, self.said.append, rest_s=lambda: self.rest_s
        )
        stated = {"view": "face-on", "focal_px": float(SCENE.matrix[0, 0])}
        self.analyst.set_up(SetupSent(1, stated))
        self.analyst.tilt(TiltSent(None, 0.0))
        self.task = asyncio.create_task(self.analyst.run())

    def analyse(self, state, frame, setup, time_s):
        self.at_s.append(round(time_s, 3))
        return live.step(state, frame, setup, time_s)

    async def film(self, seconds: float, right_px: Callable[[int], int] = lambda number: 0) -> None:
        """So many seconds of pictures, one after the other."""
        for _ in range(round(seconds * FPS)):
            said = len(self.said)
            came_s = time.perf_counter() - waited_ms(self.number) / 1000
            self.box.put(Arrived(picture(self.number, right_px(self.number)), came_s))
            self.number += 1
            async with asyncio.timeout(20):
                while len(self.said) == said:
                    await asyncio.sleep(0.002)

    async def end(self) -> None:
        self.box.close()
        await self.task
        self.pool.shutdown()


async def test_what_stands_is_measured_once_a_second_and_told_of_with_every_picture():
    phone = Phone()
    await phone.film(CALM_S + 4 * REST_S)
    measured = np.array(phone.at_s)
    assert (np.diff(measured[measured <= CALM_S]) < 1.5 / FPS).all()  # at first all of them
    later = measured[measured > CALM_S + 0.05]
    assert 3 <= len(later) <= 4
    assert (np.diff(later) >= REST_S - 0.01).all()
    # Told of with each picture, in order, with that picture's own time, and a fresh age.
    assert [m["seq"] for m in phone.said] == list(range(1, phone.number + 1))
    np.testing.assert_allclose([m["capture_s"] for m in phone.said], np.arange(phone.number) / FPS)
    rested = [m for m in phone.said if m["capture_s"] not in phone.at_s]
    assert all(m["elapsed_ms"] is None for m in rested)
    for message in rested:  # each of its own age, not the measured picture's
        waited = waited_ms(round(message["capture_s"] * FPS))
        assert waited <= message["age_ms"] < waited + 900
    assert all(m["verdict"] == "off" and m["rods"] and m["say"] for m in rested)
    latest = phone.analyst.latest
    assert latest is not None
    assert latest.arrived.picture.pts == phone.number - 1  # the board shows the newest
    await phone.end()


async def test_a_step_aside_is_measured_in_the_picture_that_shows_it_and_for_a_second_after():
    phone = Phone()
    await phone.film(CALM_S + 0.5)
    before = len(phone.at_s)
    await phone.film(CALM_S, right_px=lambda number: 2)
    assert len(phone.at_s) - before >= CALM_S * FPS
    await phone.film(0.5, right_px=lambda number: 2)
    assert len(phone.at_s) - before <= CALM_S * FPS + 1
    # Where the rods are said to be follows in the same picture.
    lines = [np.mean([x for rod in m["rods"] for x, _ in rod["ends_px"]]) for m in phone.said]
    first = round((CALM_S + 0.5) * FPS)
    assert lines[first] - lines[first - 1] == pytest.approx(2.0, abs=0.7)
    await phone.end()


async def test_a_phone_that_is_slid_never_rests():
    phone = Phone()
    await phone.film(2.5, right_px=lambda number: 2 * (number % 6))
    assert len(phone.at_s) == phone.number
    await phone.end()


WORDS = {
    "setup": lambda a: a.set_up(SetupSent(2, {"view": "face-on", "player_height_m": 1.6})),
    "aim": lambda a: a.aim(AimSent(1, (300.0, 100.0), (LUMA.width, LUMA.height), None)),
    "look": lambda a: a.look(LookSent(1, "begin")),
    "place": lambda a: a.place(PlaceSent(1, "remember", "bay", 0.01, 0.005)),
    "again": lambda a: a.again(AgainSent(1, "lead", player="somebody")),
    "film": lambda a: a.film(FilmSent(1, "begin", "a-film", 0.0, None, None, None, None)),
}


@pytest.mark.parametrize("word", WORDS)
async def test_a_word_from_the_page_is_answered_with_the_next_picture(word):
    phone = Phone()
    await phone.film(CALM_S + 0.5)
    before = len(phone.at_s)
    WORDS[word](phone.analyst)
    await phone.film(0.2)
    assert len(phone.at_s) > before
    if word in ("look", "place", "film"):  # and each one after it, while that lasts
        await phone.film(0.8)
        assert len(phone.at_s) - before == 1.0 * FPS
    await phone.end()


async def test_before_square_every_picture_is_measured(monkeypatch):
    def square(state, frame, setup, time_s):
        state, told = live.step(state, frame, setup, time_s)
        reading = replace(told.reading, verdict=Verdict.SQUARE)
        state, reading, held_s = live.settle(state, reading, time_s)
        return state, replace(told, reading=reading, square_for_s=held_s)

    phone = Phone()
    monkeypatch.setattr(phone.analyst, "_analyse", square)
    await phone.film(CALM_S + 1.5)
    elapsed = [m["elapsed_ms"] for m in phone.said]
    assert None not in elapsed
    await phone.end()


async def test_a_few_phones_and_an_analysis_of_another_kind_have_no_rest():
    few, other = Sessions(ServerConfig()), Sessions(ServerConfig(analyse=far_away))
    assert few._rest_s() == 0
    for sessions in (few, other):
        sessions._sessions.update(dict.fromkeys(map(str, range(CROWD))))
    assert few._rest_s() == REST_S
    assert other._rest_s() == 0
    for sessions in (few, other):
        sessions._sessions.clear()
        await sessions.close()
    phone = Phone(rest_s=0.0)
    await phone.film(2.0)
    assert len(phone.at_s) == phone.number
    await phone.end()
