"""One phone from end to end, over real WebRTC on this machine, with a fake analysis."""

import asyncio
import json
import time
from dataclasses import replace

import numpy as np
import pytest

from server.app import SESSIONS
from tests.server.live_phone import far_away, later_guidance, nothing_found, serving, until
from vision.errors import FrameError
from vision.live import LiveState
from vision.rods import Reason
from vision.setup import View


async def test_guidance_arrives_on_a_channel_that_the_server_opens(phone):
    await phone.connect()
    first = await phone.of_type("guidance")
    assert phone.channel.label == "guidance"
    assert phone.channel.ordered is False
    assert phone.channel.maxRetransmits == 0
    assert first["size"] == [320, 180]
    assert first["verdict"] == "not-found"
    assert first["setup_seq"] is None
    assert first["elapsed_ms"]["total"] > 0
    assert first["elapsed_ms"]["find"] is first["elapsed_ms"]["pose"] is None  # not timed apart


async def test_guidance_is_numbered_and_carries_the_frames_own_time(phone):
    await phone.connect()
    await phone.wait_for(lambda m: m.get("seq") == 20)
    guidance = [m for m in phone.messages if m["type"] == "guidance"]
    seqs = [m["seq"] for m in guidance]
    assert seqs == sorted(set(seqs))
    times_s = np.array([m["capture_s"] for m in guidance])
    assert np.all(np.diff(times_s) > 0)
    # The camera runs at 30 a second; pictures may be skipped, never squeezed together.
    assert np.all(np.diff(times_s) > 0.03)
    assert 0 <= guidance[-1]["age_ms"] < 1000


async def test_a_ping_is_answered_with_its_own_time(phone):
    await phone.connect()
    phone.pinging = False
    await phone.of_type("guidance")
    phone.send({"type": "ping", "t_ms": 12345.6})
    before_s = time.monotonic()
    pong = await phone.wait_for(lambda m: m["type"] == "pong" and m["t_ms"] == 12345.6)
    # The server's own times of receiving and sending (RFC 5905), on its monotonic clock.
    assert before_s - 1.0 < pong["received_s"] <= pong["sent_s"] <= time.monotonic()


async def test_a_setup_reaches_the_analysis_and_its_number_comes_back():
    seen = []

    def analyse(state, frame, setup, time_s):
        seen.append(setup)
        return state, nothing_found(setup)

    async with serving(analyse) as (_, phone):
        await phone.of_type("guidance")
        assert seen[-1].view is View.FACE_ON
        phone.send({"type": "setup", "seq": 3, "setup": {"view": "down-the-line"}})
        message = await phone.wait_for(lambda m: m.get("setup_seq") == 3)
        assert message["view"] == "down-the-line"
        assert seen[-1].view is View.DOWN_THE_LINE


async def test_an_unusable_setup_is_refused_in_words_and_changes_nothing(phone):
    await phone.connect()
    await phone.of_type("guidance")
    phone.send({"type": "setup", "seq": 1, "setup": {"view": "down-the-line"}})
    await phone.wait_for(lambda m: m.get("setup_seq") == 1)
    phone.send({"type": "setup", "seq": 2, "setup": {"view": "from above"}})
    problem = await phone.of_type("problem")
    assert problem["seq"] == 2
    assert "view" in problem["text"]
    last = await later_guidance(phone)
    assert (last["setup_seq"], last["view"]) == (1, "down-the-line")


async def test_a_changed_setup_starts_the_state_afresh_and_a_repeated_one_does_not():
    states = []

    def analyse(state, frame, setup, time_s):
        states.append(state.square_since_s)
        return replace(state, square_since_s=time_s), nothing_found(setup)

    async with serving(analyse) as (_, phone):
        for seq, view in ((1, "face-on"), (1, "face-on"), (2, "face-on"), (3, "down-the-line")):
            phone.send({"type": "setup", "seq": seq, "setup": {"view": view}})
            await phone.wait_for(lambda m, seq=seq: m.get("setup_seq") == seq)
            await later_guidance(phone)
    # One fresh start at the beginning and one for the only setup that differed.
    assert states.count(None) == 2


async def test_gravity_becomes_the_setups_tilt_and_a_refused_sensor_clears_it():
    seen = []

    def analyse(state, frame, setup, time_s):
        seen.append(setup.tilt)
        return state, nothing_found(setup)

    async with serving(analyse) as (_, phone):
        assert seen[-1] is None
        # W3C DeviceMotion: an upright phone at rest reads +g along its y axis.
        phone.send({"type": "tilt", "t_ms": 1, "gravity": [0, 9.80665, 0], "screen_deg": 0})
        await until(lambda: seen[-1] is not None)
        assert seen[-1].pitch_rad == pytest.approx(0, abs=1e-9)
        assert seen[-1].roll_rad == pytest.approx(0, abs=1e-9)
        phone.send({"type": "tilt", "gravity": None})
        await until(lambda: seen[-1] is None)


async def test_guidance_waits_for_the_first_setup_and_tilt():
    """The first message must not speak of another view, or of a roll that nobody knows."""
    seen = []

    def analyse(state, frame, setup, time_s):
        seen.append(setup)
        return state, nothing_found(setup)

    setup = {"type": "setup", "seq": 7, "setup": {"view": "down-the-line"}}
    tilt = {"type": "tilt", "t_ms": 1, "gravity": [0, 9.80665, 0], "screen_deg": 0}
    async with serving(analyse, greeting=(setup, tilt), settle_s=30.0) as (_, phone):
        first = await phone.of_type("guidance")
    assert (first["seq"], first["setup_seq"], first["view"]) == (1, 7, "down-the-line")
    assert seen[0].view is View.DOWN_THE_LINE
    assert seen[0].tilt is not None


async def test_guidance_comes_without_setup_or_tilt_after_a_while():
    async with serving(far_away, settle_s=0.5) as (_, phone):
        first = await phone.of_type("guidance")
    assert first["setup_seq"] is None
    assert first["capture_s"] >= 0.45  # counted from the first picture, not the first looked at


async def test_a_stream_that_turns_upright_midway_goes_on(phone):
    await phone.connect()
    await phone.wait_for(lambda m: m.get("size") == [320, 180])
    phone.camera.size = (180, 320)
    await phone.wait_for(lambda m: m.get("size") == [180, 320])
    phone.camera.size = (640, 360)
    turned = await phone.wait_for(lambda m: m.get("size") == [640, 360])
    assert turned["seq"] > 1


@pytest.mark.parametrize(
    "text",
    [
        "{bad",
        "",
        "[]",
        "null",
        '"ping"',
        "{}",
        '{"type": "dance"}',
        '{"type": "ping"}',
        '{"type": "ping", "t_ms": "now"}',
        '{"type": "ping", "t_ms": NaN}',
        '{"type": "ping", "t_ms": 1' + "0" * 400 + "}",
        '{"type": "setup", "seq": true, "setup": {}}',
        '{"type": "setup", "seq": 1, "setup": 5}',
        '{"type": "tilt", "gravity": [1, 2]}',
        '{"type": "tilt", "gravity": [1, 2, "3"]}',
        '{"type": "tilt", "gravity": 9.8}',
        "[" * 5000,
        "x" * 20_000,
    ],
)
async def test_a_bad_message_is_answered_in_words_and_nothing_breaks(phone, text):
    await phone.connect()
    await phone.of_type("guidance")
    phone.send(text)
    problem = await phone.of_type("problem")
    assert problem["text"].endswith(".")
    assert "Traceback" not in problem["text"]
    await later_guidance(phone)


async def test_a_vanished_phone_is_told_in_two_seconds(server, phone, told):
    await phone.connect()
    await phone.of_type("pong")
    assert "The phone is connected." in told
    phone.pinging = False
    start_s = time.perf_counter()
    await until(lambda: any("gone" in sentence for sentence in told))
    assert 1.5 <= time.perf_counter() - start_s <= 2.5  # 1.7 s, a ping's and the watch's step
    phone.pinging = True
    await until(lambda: told.count("The phone is connected.") == 2)
    assert len(server.app[SESSIONS]) == 1


async def test_a_phone_that_stays_away_is_forgotten(told):
    async with serving(far_away, gone_s=0.3, forget_s=0.6, tell=told.append) as (server, phone):
        phone.pinging = False
        phone.camera.stop()
        await until(lambda: len(server.app[SESSIONS]) == 0)
        assert any("stayed away" in sentence for sentence in told)


async def test_a_phone_that_leaves_ends_its_session(server, phone):
    await phone.connect()
    await phone.of_type("guidance")
    await phone.pc.close()
    await until(lambda: len(server.app[SESSIONS]) == 0)


async def test_slow_vision_gets_the_newest_picture_and_the_rest_are_counted():
    greys = []

    def slow(state, frame, setup, time_s):
        time.sleep(0.2)  # in a thread: the loop goes on
        greys.append(int(frame.y[90, 160]))
        return state, nothing_found(setup)

    async with serving(slow) as (server, phone):
        await phone.wait_for(lambda m: m.get("seq") == 3)
        (session,) = server.app[SESSIONS]
        assert session.dropped >= 5
        phone.camera.grey = 200
        count = len(greys)
        await until(lambda: len(greys) >= count + 3)
        # One analysis may be under way and one picture waiting; the next is the new scene.
        assert greys[-1] == pytest.approx(200, abs=4)
        pongs = sum(m["type"] == "pong" for m in phone.messages)
        assert pongs >= 5  # while vision slept


async def test_limited_range_video_is_expanded_to_full_range():
    seen = []

    def analyse(state, frame, setup, time_s):
        seen.append(int(np.median(frame.y)))
        return state, nothing_found(setup)

    async with serving(analyse) as (_, phone):
        for grey in (0, 128, 255):
            phone.camera.grey = grey
            await until(lambda grey=grey: abs(seen[-1] - grey) <= 3)


async def test_a_picture_that_breaks_the_analysis_does_not_end_the_session():
    calls = []

    def fragile(state, frame, setup, time_s):
        calls.append(state.square_since_s)
        if len(calls) == 3:
            raise ZeroDivisionError("a bug")
        if len(calls) == 6:
            raise FrameError("the picture is 3 x 3, too small: move closer")
        return LiveState(square_since_s=time_s), nothing_found(setup, Reason.BLANK)

    async with serving(fragile) as (_, phone):
        plain = await phone.of_type("problem")
        assert "bug" not in plain["text"]
        assert await phone.wait_for(lambda m: m.get("text", "").startswith("the picture is 3 x 3"))
        await later_guidance(phone)
    assert calls[3] is None  # the state that broke was thrown away


async def test_an_offer_without_data_gets_guidance_as_server_sent_events(phone, http):
    await phone.connect(channel=False)
    async with http.get(phone.location + "/guidance") as stream:
        assert stream.status == 200
        assert stream.content_type == "text/event-stream"
        events = []
        async for line in stream.content:
            if line.startswith(b"data: "):
                events.append(json.loads(line[6:]))
            if len(events) == 5:
                break
    assert [event["type"] for event in events] == ["guidance"] * 5
    assert "m=application" not in phone.answer


async def test_deleting_says_good_bye_last(phone, http):
    await phone.connect()
    await phone.of_type("guidance")
    async with http.get(phone.location + "/guidance") as stream:
        await stream.content.readline()
        assert (await http.delete(phone.location)).status == 200
        events = (await stream.read()).decode().strip().split("\n\n")
    assert json.loads(events[-1].removeprefix("data: "))["type"] == "bye"
    await phone.of_type("bye")
    await asyncio.sleep(0.1)
    assert phone.messages[-1]["type"] == "bye"
    assert (await http.get(phone.location + "/guidance")).status == 404


async def test_the_server_shuts_down_within_two_seconds_with_a_phone_and_a_listener():
    async with (
        serving(far_away) as (server, phone),
        phone.http.get(phone.location + "/guidance") as stream,
    ):
        await stream.content.readline()
        start_s = time.perf_counter()
        stopping = asyncio.ensure_future(server.stop())
        assert "shutting down" in (await phone.of_type("bye"))["text"]
        await stopping
        assert time.perf_counter() - start_s < 2
