"""Three phones film, the server is killed and comes back: films intact, phones back again."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import socket
import sys
import time

import cv2
import numpy as np
import pytest

from server.records import Records
from tests.chromium import chromium
from tests.live.crowding import Crowding

pytestmark = pytest.mark.browser

KEY = "k" * 43
PLAY = """async () => {
  document.querySelector("#film-open").click();
  while (!document.querySelector(".film-play")) await new Promise((d) => setTimeout(d, 50));
  document.querySelector(".film-play").click();
  for (let i = 0; i < 200; i++) {
    const v = document.querySelector("#film-player");
    const plays = v?.readyState >= 2 && v.currentTime > 0.2;
    if (plays) return { lasts: v.duration, width: v.videoWidth };
    await new Promise((d) => setTimeout(d, 50));
  }
  return null;
}"""


def write_small_clip(path):
    """Half a second of a patch that wanders, 640 x 360."""
    with path.open("wb") as file:
        for k in range(15):
            picture = np.full((360, 640, 3), 90, np.uint8)
            cv2.rectangle(picture, (20 * k, 100), (20 * k + 120, 220), (40, 160, 220), -1)
            file.write(cv2.imencode(".jpg", picture)[1].tobytes())


@contextlib.asynccontextmanager
async def killable(port, records):
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "tests.live.film_server", str(port), KEY, str(records)),
        stdout=asyncio.subprocess.PIPE,
    )
    assert process.stdout is not None
    address = (await process.stdout.readline()).decode().strip()
    try:
        yield process, address
    finally:
        if process.returncode is None:
            process.kill()
        await process.communicate()


def copy_of(records, folder):
    """The records as they lie on the disk now, log and all, read from a copy."""
    folder.mkdir()
    for file in records.parent.glob(f"{records.name}*"):
        if file.is_file():
            shutil.copy(file, folder)
    return {record.film: record for record in Records(folder / records.name).whole()}


async def wait_all(pages, expression, seconds=20):
    deadline = time.monotonic() + seconds
    for page in pages:
        while not await page.evaluate(expression):
            said = await page.evaluate("JSON.stringify(teesquare.state())")
            assert time.monotonic() < deadline, (expression, said)
            await asyncio.sleep(0.02)


@pytest.mark.timeout(120)
async def test_films_outlive_a_killed_server_and_phones_come_back(tmp_path, capsys):
    clip = tmp_path / "small.mjpeg"
    write_small_clip(clip)
    records = tmp_path / "records.sqlite"
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    camera = (
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        "--allow-loopback-in-peer-connection",
        f"--use-file-for-fake-video-capture={clip}",
    )
    async with chromium(*camera) as browser:
        pages = []
        async with killable(port, records) as (process, address):
            for _ in range(3):
                context = await browser.new_context(viewport={"width": 390, "height": 844})
                page = await context.new_page()
                await page.add_init_script(
                    'localStorage.setItem("teesquare.settings", \'{"film_delay_s": 0}\')'
                )
                await page.goto(address)
                await page.click("#go")
                pages.append(page)
            await wait_all(pages, "teesquare.state().guidance?.film?.locked === true", 40)
            for page in pages:
                await page.click("#film-open")
                await page.click("#film-start")
            await wait_all(pages, "!!teesquare.state().guidance?.film?.film")
            began = time.monotonic()
            await asyncio.sleep(3)
            process.kill()
            await process.wait()
            killed = copy_of(records, tmp_path / "killed")
            await wait_all(pages, "teesquare.state().connection === 'reconnecting'")
            assert await pages[0].evaluate("teesquare.state().shown.kind") == "filming"
        crowded = Crowding()
        async with killable(port, records):
            up = time.monotonic()
            recovered = copy_of(records, tmp_path / "recovered")
            await wait_all(pages, "teesquare.state().connection === 'live'")
            back_s = time.monotonic() - up
            # The new server has heard of the running films, by their names.
            await wait_all(
                pages,
                "teesquare.state().guidance?.film?.film === teesquare.state().film.current?.id",
            )
            # It learns anew where the phones stand, and watches.
            await wait_all(pages, "teesquare.state().guidance?.film?.locked === true", 30)
            await asyncio.sleep(1.5)
            for page in pages:
                await page.click("#film-go")
            await wait_all(pages, "teesquare.state().film.phase === 'idle'")
            await wait_all(pages, "teesquare.state().guidance?.film?.film === null")
            filmed_s = time.monotonic() - began
            played = [await page.evaluate(PLAY) for page in pages]
            names = [await page.evaluate("teesquare.state().film.last.id") for page in pages]
            lasts = [await page.evaluate("teesquare.state().film.last.lasts_s") for page in pages]
    kept = {record.film: record for record in Records(records).whole()}
    before = {name: len(record.drift) for name, record in killed.items()}
    with capsys.disabled():
        print(
            f"\nback {back_s:.2f} s after the server; films {lasts} s, played {played}; samples "
            f"{sorted(before.values())} when it was killed, "
            f"{sorted(len(r.drift) for r in kept.values())} at the end"
        )
    assert back_s <= 3.0 * crowded.factor()
    # What the killed server left behind: every film, begun and sampled, not ended.
    assert sorted(killed) == sorted(names)
    for record in killed.values():
        assert record.ended_s is None and not record.unfinished
        assert record.verdict == "square" and record.placement is not None
        assert len(record.drift) >= 3 and {row.watch for row in record.drift} == {"still"}
    # The next one has marked them as soon as it listens, and lost no sample.
    for name, record in recovered.items():
        assert record.unfinished
        assert record.drift[: before[name]] == killed[name].drift
    assert sorted(recovered) == sorted(names)
    assert sorted(kept) == sorted(names)
    for name, took in zip(names, lasts, strict=True):
        record = kept[name]
        assert record.drift[: before[name]] == killed[name].drift
        # Of the film's own place the next server knows nothing, and says so.
        later = record.drift[before[name] :]
        assert later and {row.watch for row in later} == {"blind"}
        assert Records(records).still(name) is not None
        assert not record.unfinished and record.ended_s is not None
        assert record.ended_s - record.begun_s == pytest.approx(took, abs=0.5)
    for took, film in zip(lasts, played, strict=True):
        assert took == pytest.approx(filmed_s, abs=4)
        assert film["lasts"] == pytest.approx(took, abs=0.6)
        assert film["width"] == 640
