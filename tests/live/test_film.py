"""From square to film, for real: Chromium films a clip whose tripod is moved while it films."""

from __future__ import annotations

import asyncio
import json
import time
from dataclasses import replace

import pytest

from server.app import SESSIONS
from server.demo.geometry import Laid, Pose
from server.demo.scene import Scene
from tests.clips import FPS, READ_CODE_JS, ClipFrame, write_clip
from tests.live.browser import begin, page_on_clip
from vision.drift import Watch
from vision.setup import View

pytestmark = pytest.mark.browser

SQUARE = Pose(offset_m=0.004, distance_m=3.4, height_m=1.0)
MOVED_M = 0.05

# The page's own clock: when the moved picture is first shown, and when the alarm first sounds.
SPY = f"""
window.spy = {{ moved: null, alarm: null, film: null }};
setInterval(() => {{
  const video = document.querySelector("#video"), now = performance.now();
  if (!video?.videoWidth || !window.teesquare) return;
  const n = ({READ_CODE_JS})(video), s = teesquare.state();
  spy.n = n;
  if (s.film?.phase === "filming") spy.film ??= now;
  if (spy.film === null) return;
  if (n !== null && n >= __MOVED__) spy.moved ??= now;
  if (s.sound.kind === "alarm" && s.shown.kind === "drift") spy.alarm ??= now;
}}, 20);
localStorage.setItem("teesquare.settings", JSON.stringify({{ film_delay_s: 2, player: "Ada B." }}));
"""


class Kept:
    """Remembers what it was told, and passes it on to the records."""

    def __init__(self, records):
        self.records = records
        self.begun, self.rows, self.ended = [], [], []

    def begin(self, film, begun_s, lock, worth, stated):
        self.begun.append((film, begun_s, lock, worth, stated))
        self.records.begin(film, begun_s, lock, worth, stated)

    def sample(self, film, row):
        self.rows.append((film, row))
        self.records.sample(film, row)

    def finish(self, film, ended_s, still, worth):
        self.ended.append((film, ended_s, still, worth))
        self.records.finish(film, ended_s, still, worth)


async def job(tmp_path, *, still_s, moved_s, film_s, move_at_s, capsys):
    scene = Scene(laid=Laid(view=View.FACE_ON))
    moved = replace(SQUARE, offset_m=SQUARE.offset_m + MOVED_M)
    at = round(still_s * FPS)
    frames = [
        ClipFrame(n, "still" if n < at else "moved", SQUARE if n < at else moved)
        for n in range(at + round(moved_s * FPS))
    ]
    clip = tmp_path / "film.mjpeg"
    write_clip(clip, frames, scene)
    async with page_on_clip(clip, frames, scene.laid) as (server, page):
        book = server.app[SESSIONS].films
        kept = book.keeper = Kept(book.keeper)
        await page.add_init_script(SPY.replace("__MOVED__", str(at)))
        await begin(page, server, View.FACE_ON)

        async def until(expression, seconds=40):
            deadline = time.monotonic() + seconds
            while not await page.evaluate(expression):
                assert time.monotonic() < deadline, (
                    expression,
                    await page.evaluate("JSON.stringify(teesquare.state())"),
                )
                await asyncio.sleep(0.03)

        await until("teesquare.state().shown?.kind === 'ready'")
        assert await page.inner_text("#word") == "READY"
        until_move = (
            f"spy.n !== null && spy.n < {at} && spy.n >= {at - round((2 + move_at_s) * FPS)}"
        )
        await until(until_move, 90)
        await page.click("#film-go")
        await until("teesquare.state().shown?.kind === 'count'")
        await until("teesquare.state().shown?.kind === 'filming'")
        await asyncio.sleep(film_s)
        await page.click("#film-go")
        await until("teesquare.state().film.phase === 'idle'")
        await until("teesquare.state().guidance?.film?.film === null")
        [record] = server.app[SESSIONS].records.whole()
        kept.record, kept.still = record, server.app[SESSIONS].records.still(record.film)
        spy, state = await page.evaluate("spy"), await page.evaluate("teesquare.state()")
        await page.click("#film-open")
        await page.click(".film-play")
        await until("document.querySelector('#film-player')?.readyState >= 2")
        played = await page.evaluate(
            """async () => {
              const v = document.querySelector("#film-player");
              await new Promise((done) => setTimeout(done, 700));
              return { lasts: v.duration, at: v.currentTime, width: v.videoWidth };
            }"""
        )
    film = state["film"]["last"]
    late_s = (spy["alarm"] - spy["moved"]) / 1000
    with capsys.disabled():
        print(
            f"\nalarm {late_s:.2f} s after the move; film {film['lasts_s']:.1f} s, "
            f"{film['mime']}, plays {json.dumps(played)}, marks {film['marks'][:2]}"
        )
    return film, spy, played, kept, late_s


def check(film, spy, played, kept, late_s, film_s):
    assert 0 <= late_s <= 1.0
    assert played["lasts"] == pytest.approx(film["lasts_s"], abs=0.5)
    assert film["lasts_s"] == pytest.approx(film_s, abs=1.5)
    assert played["at"] > 0.2 and played["width"] == 1280
    began_after = (spy["moved"] - spy["film"]) / 1000
    assert film["marks"][0]["at_s"] == pytest.approx(began_after, abs=1.2)
    [(name, begun_s, lock, worth, stated)] = kept.begun
    assert name == film["id"] and stated.who.player == "Ada B."
    place = lock.reading.placement
    for key in ("offset_m", "yaw_rad", "roll_rad", "height_m", "distance_m"):
        assert abs(getattr(place, key) - getattr(SQUARE, key)) <= 3 * place.sigma(key), key
    assert worth["travel_m"] == pytest.approx(34 / worth["fps"], abs=0.01)
    record = kept.record
    assert (record.film, record.player, record.verdict) == (name, "Ada B.", "square")
    assert record.placement.offset_m == pytest.approx(place.offset_m, abs=1e-6)
    assert Watch.MOVED.value in {row.watch for row in record.drift}
    assert kept.still is not None and kept.still[1] == "image/jpeg"
    [(_, ended_s, still, _)] = kept.ended
    assert ended_s - begun_s == pytest.approx(film["lasts_s"], abs=0.3)
    assert still[:3] == b"\xff\xd8\xff"
    told = [row for _, row in kept.rows if row.watch == Watch.MOVED.value]
    assert told and told[0].at_s - begun_s == pytest.approx(began_after, abs=1.2)
    last = told[-1]
    assert abs(last.six[0] - MOVED_M) <= max(3 * last.sigma_m, 0.005)


@pytest.mark.timeout(200)
async def test_a_tripod_moved_while_filming_is_told_and_marked(tmp_path, capsys):
    got = await job(tmp_path, still_s=22, moved_s=8, film_s=6, move_at_s=3, capsys=capsys)
    check(*got, 6)


@pytest.mark.nightly
@pytest.mark.timeout(300)
async def test_the_whole_job_with_a_film_of_twenty_seconds(tmp_path, capsys):
    got = await job(tmp_path, still_s=35, moved_s=14, film_s=20, move_at_s=10, capsys=capsys)
    check(*got, 20)
