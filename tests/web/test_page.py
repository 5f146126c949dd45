"""The phone page in a real browser, against a scripted server."""

from __future__ import annotations

import asyncio
import copy
import re
import time

import pytest

from server.wire_lens import camera_from_json
from tests.web.fake_server import HOLD, NOT_FOUND, OFF, SQUARE
from tests.web.page_driver import CAMERA, LANDSCAPE, phone

pytestmark = pytest.mark.browser


async def test_one_tap_starts_everything_and_shows_the_one_instruction() -> None:
    async with phone(whole=True) as p:
        await p.start()
        await p.until_kind("off")
        assert await p.text("#word") == "Slide left"
        assert await p.text("#number") == "20"
        assert await p.text("#unit") == "cm"
        assert await p.text("#say") == OFF["say"]
        assert await p.page.get_attribute("#sign svg", "data-sign") == "left"
        assert await p.text("#effect") == OFF["effect_text"]
        assert await p.text("#framing") == "Leaves the picture: club head at the top."
        await p.until("document.getElementById('overlay').dataset.rods === '2'")
        await p.until("document.getElementById('video').videoWidth >= 1280")
        sideways = await p.text('[data-quantity="offset"]')
        # 1 sigma of 1 cm: 1.96 cm either way holds 19 times out of 20.
        assert sideways.split() == ["Sideways", "20cm", "±", "2", "off", "right"]
        assert "\nunproven" in await p.text('[data-quantity="layout"]')
        assert await p.text("#announce") == OFF["say"]
        # The offer: video to the server only, and a data section for the server's channel.
        (offer,) = p.server.offers
        assert offer.count("m=video") == 1
        assert offer.count("m=application") == 1
        assert "a=sendonly" in offer
        assert "m=audio" not in offer
        await p.until("teesquare.state().tilt === 'absent'")
        assert p.errors == []
        assert p.requests
        assert all(url.startswith(p.url + "/") for url in p.requests)
        # The token has left the address bar and survives a reload.
        assert "#" not in p.page.url
        await p.page.reload()
        await p.until("document.body.dataset.screen === 'start'")


async def test_pings_and_setup_flow_until_echoed_and_stop_ends_the_session() -> None:
    async with phone() as p:
        p.server.echo_setup = False
        await p.start()
        await p.until_kind("off")
        while len(p.server.setups) < 3:
            await asyncio.sleep(0.05)
        first = p.server.setups[0]
        assert first["seq"] == p.server.setups[2]["seq"] == 1
        assert first["setup"]["rod_lengths_m"] == {"target": 1.22, "stem": 1.22}
        # The lens in the browser's own words, as the server's profiles are keyed.
        camera = first["setup"]["camera"]
        assert camera["device"] and "fake_device" in camera["lens"]
        assert min(camera["size"]) >= 240
        assert camera_from_json(camera).long_px == max(camera["size"])
        who = first["setup"]["who"]
        assert re.fullmatch("[0-9a-f]{24}", who["phone"])
        assert (who["player"], who["bay"]) == ("", "")
        p.server.echo_setup = True
        await p.until("teesquare.state().guidance?.setup_seq === 1")
        await asyncio.sleep(0.1)
        count, pings, began = len(p.server.setups), p.server.pings, time.monotonic()
        await asyncio.sleep(2)
        assert len(p.server.setups) == count
        rate = (p.server.pings - pings) / (time.monotonic() - began)
        assert 1.4 <= rate <= 2.6  # one every 500 ms
        await p.page.click("#stop")
        await p.until("document.body.dataset.screen === 'start'")
        while not p.server.deleted:
            await asyncio.sleep(0.05)


async def test_square_is_shown_only_while_the_newest_message_says_so_and_is_fresh() -> None:
    async with phone() as p:
        await p.start()
        await p.until_kind("off")
        p.server.guidance = copy.deepcopy(SQUARE)
        await p.until_kind("square")
        assert (await p.text("#word")).casefold() == "square"
        assert await p.page.get_attribute("#sign svg", "data-sign") == "ready"
        assert (await p.state())["verdict"] == "square"
        assert (await p.state())["sound"]["kind"] == "square"
        p.server.guidance = copy.deepcopy(OFF)
        await p.until_kind("off", 1)
        p.server.guidance = copy.deepcopy(SQUARE)
        await p.until_kind("square")
        p.server.guidance = None
        ages = []
        for _ in range(100):
            state = await p.state()
            if state["shown"]["kind"] == "stale":
                break
            ages.append(state["guidance_age_ms"])
            await asyncio.sleep(0.02)
        assert ages
        assert max(ages) < 1000 + 150  # the page looks every 100 ms
        assert state["verdict"] is None
        assert await p.text("#word") == "No fresh guidance"
        assert await p.page.get_attribute("#overlay", "data-rods") == "0"
        assert "unknown" in await p.text('[data-quantity="offset"]')


async def test_square_for_an_older_setup_is_not_shown() -> None:
    async with phone() as p:
        await p.start()
        await p.until_kind("off")
        p.server.guidance = copy.deepcopy(SQUARE)
        await p.until_kind("square")
        p.server.echo_setup = False
        await p.page.click("#live-settings")
        await p.page.click("label[for='set-handed-left']")
        assert (await p.state())["shown"]["kind"] == "applying"
        p.server.echo_setup = True
        await p.until_kind("square")


async def test_not_found_and_hold_have_their_own_words_and_signs() -> None:
    async with phone() as p:
        p.server.guidance = copy.deepcopy(NOT_FOUND)
        await p.start()
        await p.until_kind("not-found")
        assert await p.text("#say") == NOT_FOUND["say"]
        assert await p.page.get_attribute("#sign svg", "data-sign") == "find"
        assert await p.page.is_hidden("#figure")
        p.server.guidance = copy.deepcopy(HOLD)
        await p.until_kind("hold")
        assert await p.text("#hold-text") == "Held 0.4 of 1.0 s"
        assert (await p.state())["verdict"] == "off"
        p.server.guidance = copy.deepcopy(OFF) | {"notes": ["First.", "Second."]}
        await p.until_kind("off")
        await p.page.click("#notes-open")
        assert "Second." in await p.text("#notes")
        assert p.errors == []


@pytest.mark.parametrize(
    ("args", "script", "sentence"),
    [
        # Headless Chromium answers a permission prompt with no.
        (CAMERA[:1], "", "The camera is not allowed."),
        (CAMERA[1:], "", "No camera was found."),
        (
            CAMERA,
            "navigator.mediaDevices.getUserMedia = () =>"
            " Promise.reject(new DOMException('', 'NotReadableError'))",
            "Another app holds the camera.",
        ),
    ],
    ids=["denied", "absent", "busy"],
)
async def test_a_camera_that_does_not_come_is_said_plainly(
    args: tuple[str, ...], script: str, sentence: str
) -> None:
    async with phone(args=args, script=script, whole=True) as p:
        await p.start()
        await p.until("document.body.dataset.screen === 'problem'")
        said = await p.text("#problem-text")
        assert said.startswith(sentence)
        assert "Try again" in said
        assert p.server.offers == []
        assert p.errors == []
        await p.page.click("#again")
        await p.until("teesquare.state().problem !== null")
        assert await p.text("#problem-text") == said


async def test_a_missing_a_wrong_and_an_expired_token_each_get_their_sentence() -> None:
    async with phone() as p:
        await p.open(token=None)
        assert (await p.text("#problem-text")).startswith("This address lacks its key.")
        # A freshly scanned code changes only the fragment: the page goes on without a reload.
        await p.page.evaluate("location.hash = '#t=some-key'")
        await p.until("document.body.dataset.screen === 'start'")
        p.server.refuse = (401, {"WWW-Authenticate": "Bearer"}, "No key came along.")
        await p.page.click("#go")
        await p.until("teesquare.state().problem === 'problem.bad-token'")
        assert "Scan the QR code" in await p.text("#problem-text")
        assert await p.text("#problem-detail") == "No key came along."
        expired = {"WWW-Authenticate": 'Bearer error="invalid_token"'}
        p.server.refuse = (401, expired, "This key has run out.")
        await p.page.click("#again")
        await p.until("teesquare.state().problem === 'problem.expired-token'")
        assert "has run out" in await p.text("#problem-text")


async def test_an_insecure_address_is_said_before_anything_is_asked() -> None:
    rule = "--host-resolver-rules=MAP range.test 127.0.0.1"
    async with phone(args=(*CAMERA, rule), host="range.test") as p:
        await p.open()
        assert "https" in await p.text("#problem-text")


async def test_a_server_that_vanishes_is_said_and_found_again_without_a_tap() -> None:
    async with phone() as p:
        await p.start()
        await p.until_kind("off")
        port = p.server.port
        await p.server.vanish()
        await p.until_kind("reconnecting")
        assert await p.text("#word") == "No connection"
        assert (await p.state())["verdict"] is None
        await p.server.start(port)
        await p.until_kind("off", 25)


async def test_a_busy_server_is_asked_again_by_itself() -> None:
    async with phone() as p:
        p.server.refuse = (503, {}, "All places are taken. Close another phone's page.")
        await p.start()
        await p.until_kind("reconnecting")
        assert await p.text("#say") == "All places are taken. Close another phone's page."
        p.server.refuse = None
        await p.until_kind("off")


async def test_settings_reach_the_server_and_are_kept() -> None:
    async with phone() as p:
        await p.open()
        await p.page.click("label[for='view-down-the-line']")
        await p.page.click("#go")
        await p.until_kind("off")
        await p.page.click("#live-settings")
        await p.page.click("label[for='set-handed-left']")
        await p.page.click("label[for='set-units-in']")
        await p.page.click("label[for='set-line-hands']")
        await p.page.select_option("[id='set-rods.toe.kind']", "driver")
        await p.page.fill("[id='set-player_height_m']", "70")
        await p.page.select_option("#set-club", "wedge")
        await p.page.fill("[id='set-goal.height_m']", "36")
        await p.page.check("[id='set-goal.framing']")
        await p.page.fill("[id='set-tolerance.yaw_deg']", "1,5")
        await p.page.fill("#set-focal", "1100")
        await p.page.click("#settings-done")
        await p.until("teesquare.state().guidance?.setup_seq === teesquare.state().setup_seq")
        setup = p.server.setups[-1]["setup"]
        assert setup["view"] == "down-the-line"
        assert setup["handed"] == "left"
        assert setup["units"] == "in"
        assert setup["line"] == "hands"
        assert setup["club"] == "wedge"
        assert setup["rod_lengths_m"] == {"toe": 1.14, "ball": 1.22}
        assert setup["player_height_m"] == pytest.approx(70 * 0.0254)
        assert setup["goal"]["height_m"] == pytest.approx(36 * 0.0254)
        assert setup["goal"]["framing"] is True
        assert setup["goal"]["distance_m"] is None
        assert setup["tolerance"]["yaw_deg"] == 1.5
        assert setup["focal_px"] == pytest.approx(1100)
        assert "7.9in" in await p.text('[data-quantity="offset"]')
        await p.page.reload()
        kept = (await p.state())["settings"]
        assert (kept["view"], kept["handed"], kept["club"]) == ("down-the-line", "left", "wedge")
        assert p.errors == []


async def test_a_number_out_of_range_is_refused_with_the_range() -> None:
    async with phone() as p:
        await p.open()
        await p.page.click("#start-settings")
        for wrong in ("900", "tall", ""):
            await p.page.fill("[id='set-player_height_m']", wrong)
            await p.page.press("[id='set-player_height_m']", "Tab")
            note = await p.text("[id='set-player_height_m-problem']")
            assert note == "Give a number from 100 to 230 cm."
        assert (await p.state())["settings"]["player_height_m"] == 1.78


async def test_a_setup_that_the_server_refuses_is_told() -> None:
    async with phone() as p:
        p.server.problem = "the toe rod's length of 9 m is outside 0.3 to 3.0 m"
        await p.start()
        await p.until("!document.getElementById('setup-problem').hidden")
        assert p.server.problem in await p.text("#setup-problem")
        count = len(p.server.setups)
        await asyncio.sleep(1.2)
        assert len(p.server.setups) <= count + 1  # not sent again and again


async def test_tilt_is_thinned_to_twenty_a_second_in_the_standards_sign() -> None:
    # W3C DeviceMotion: upright portrait reads y = +9.8; iOS reports the opposite.
    iphone = "Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1.15"
    script = """setInterval(() => dispatchEvent(Object.assign(new Event('devicemotion'),
        {accelerationIncludingGravity: {x: -0.5, y: -9.7, z: 1.25}})), 5)"""
    async with phone(script=script, user_agent=iphone, whole=True) as p:
        await p.start()
        await p.until_kind("off")
        p.server.tilts.clear()
        began = time.monotonic()
        await asyncio.sleep(1.5)
        count, took = len(p.server.tilts), time.monotonic() - began
        assert 5 < count <= 20 * took + 2
        assert p.server.tilts[-1]["gravity"] == [0.5, 9.7, -1.25]
        assert p.server.tilts[-1]["screen_deg"] in (0, 90)


async def test_a_refused_tilt_sensor_is_told_and_stops_nothing() -> None:
    script = "DeviceMotionEvent.requestPermission = () => Promise.resolve('denied')"
    async with phone(script=script) as p:
        await p.start()
        await p.until_kind("off")
        await p.page.click("#notes-open")
        assert "The tilt sensor was refused" in await p.text("#notes")
        while not p.server.tilts:
            await asyncio.sleep(0.05)
        assert p.server.tilts[0]["gravity"] is None


async def test_demo_takes_the_simulated_phone_instead_of_the_camera() -> None:
    async with phone(args=()) as p:  # no camera at all
        p.server.demo_script = """
            export async function source() {
              const canvas = Object.assign(document.createElement('canvas'),
                {width: 1280, height: 720});
              setInterval(() => canvas.getContext('2d').fillRect(0, 0, 9, 9), 50);
              const controls = Object.assign(document.createElement('p'),
                {textContent: 'sliders'});
              const onTilt = (cb) => setInterval(
                () => cb({gravity: [0, 9.8, 0], screen_deg: 0}), 60);
              return {stream: canvas.captureStream(15), onTilt, controls};
            }"""
        await p.open("/?demo=1")
        await p.page.click("#go")
        await p.until_kind("off")
        assert await p.text("#demo-controls") == "sliders"
        while not p.server.tilts:
            await asyncio.sleep(0.05)
        assert p.server.tilts[0]["gravity"] == [0, 9.8, 0]
        assert p.errors == []


async def test_lying_phone_shows_picture_and_instruction_side_by_side() -> None:
    async with phone(size=LANDSCAPE) as p:
        await p.start()
        await p.until_kind("off")
        await p.until("document.getElementById('video').videoWidth >= 1280")
        picture = await p.page.locator("#frame").bounding_box()
        order = await p.page.locator("#order").bounding_box()
        assert picture and order
        assert picture["x"] + picture["width"] <= order["x"]
        assert order["y"] + order["height"] <= LANDSCAPE[1]
