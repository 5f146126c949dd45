"""The board: who is listed first, what the coach's wishes become, what a stranger may not do."""

import asyncio
import contextlib
import itertools
import json
import time

import aiohttp
import cv2
import numpy as np
import pytest

from server.app import SESSIONS
from server.control import CALL_S, Control
from server.needs import SETTLE_S, Need, Settled
from server.wire_board import wish_from_json
from tests.server.live_phone import LivePhone, until
from vision.errors import SetupError


def setup(phone, bay="", player="", **more):
    who = {"phone": phone, "player": player, "bay": bay}
    return {"type": "setup", "seq": 1, "setup": {"who": who} | more}


@contextlib.asynccontextmanager
async def phones(server, *greetings):
    """Connected phones, each of which has sent its setup."""
    headers = {"Authorization": f"Bearer {server.token}"}
    async with contextlib.AsyncExitStack() as stack:
        out = []
        for greeting in greetings:
            http = await stack.enter_async_context(
                aiohttp.ClientSession(server.url, headers=headers)
            )
            phone = await stack.enter_async_context(LivePhone(http, [greeting]))
            await phone.connect()
            await phone.wait_for(lambda m: m.get("setup_seq") == 1)
            out.append(phone)
        yield out


@pytest.fixture
async def coach(server):
    headers = {"Authorization": f"Bearer {server.coach_token}"}
    async with aiohttp.ClientSession(server.url, headers=headers) as http:
        yield http


async def events(http):
    """The board's events, as they come."""
    async with http.get("/board/events") as answer:
        assert answer.status == 200
        assert answer.content_type == "text/event-stream"
        async for line in answer.content:
            if line.startswith(b"data: "):
                yield json.loads(line[6:])


async def ask(http, **wish):
    async with http.post("/board/control", json=wish) as answer:
        return answer.status, await answer.json()


def ack(phone, control, **more):
    seen = {"epoch": control["epoch"], "seq": control["seq"]}
    phone.send({"type": "ping", "t_ms": 1.0, "control": seen} | more)


# ---- the order


def test_needs_are_listed_by_urgency_and_length_and_never_swap_by_themselves():
    assert [need.rank for need in Need] == list(range(len(Need)))
    rng = np.random.default_rng(1)
    settled = {k: Settled(Need.WAITING, 0.0) for k in range(6)}
    order, moved_at_s = sorted(settled), 0.0
    for step in range(3000):
        now_s = step / 10
        changed = False
        for k in settled:
            need = Need.OFF if (now_s // (7 + k)) % 2 else Need.SQUARE
            if rng.random() < 0.1:
                need = Need.LOST  # a frame without rods now and then
            after = settled[k].seen(need, now_s)
            changed |= (after.need, after.since_s) != (settled[k].need, settled[k].since_s)
            settled[k] = after
        now_order = sorted(settled, key=lambda k: (settled[k].need.rank, settled[k].since_s, k))
        if now_order != order:
            assert changed, "places were swapped although nobody's need has changed"
            order, moved_at_s = now_order, now_s
    assert moved_at_s > 100.0
    assert all(s.need is not Need.LOST for s in settled.values())


def test_a_need_counts_once_it_has_lasted_and_an_alarm_at_once():
    settled = Settled(Need.SQUARE, 0.0)
    settled = settled.seen(Need.OFF, 10.0)
    assert settled.need is Need.SQUARE
    assert settled.seen(Need.SQUARE, 11.0).next is None  # it flickered: begin anew
    settled = settled.seen(Need.OFF, 10.0 + SETTLE_S)
    assert (settled.need, settled.since_s) == (Need.OFF, 10.0)
    assert settled.seen(Need.ALARM, 14.0) == Settled(Need.ALARM, 14.0)
    assert settled.seen(Need.GONE, 14.0).need is Need.GONE


# ---- control


def test_what_is_wished_is_kept_until_it_is_seen_and_a_late_call_is_dropped():
    control = Control("e1")
    control.seen("e1", 1)
    assert not control.pending
    control.set_up({"view": "down-the-line", "tolerance": {"offset_m": 0.03}})
    control.set_up({"tolerance": {"yaw_deg": 1}})
    control.call("20 cm left", 100.0)
    control.lock(True)
    control.seen("e1", 3)  # an older one
    control.seen("other", control.seq)  # of another run of the server
    assert control.pending
    message = control.message(101.0)
    tolerance = {"offset_m": 0.03, "yaw_deg": 1}
    assert message["setup"]["values"] == {"view": "down-the-line", "tolerance": tolerance}
    assert message["call"]["text"] == "20 cm left"
    assert message["locked"] is True
    assert control.message(100.1 + CALL_S)["call"] is None
    control.seen("e1", control.seq)
    assert not control.pending
    again = control.message(102.0)
    assert again["setup"] is None and again["call"] is None and again["locked"] is True


@pytest.mark.parametrize(
    ("wish", "said"),
    [
        ([], "named values"),
        ({"phones": "some", "call": "x"}, "phones"),
        ({"phones": []}, "phones"),
        ({"phones": "all", "call": ""}, "call"),
        ({"phones": "all", "call": "x" * 201}, "200"),
        ({"phones": "all", "setup": {"focal_px": 3}}, "focal_px"),
        ({"phones": "all", "setup": {"view": "above"}}, "view"),
        ({"phones": "all", "setup": {"player": "a\nb"}}, "player"),
        ({"phones": "all", "setup": {"tolerance": {"offset_m": 9}}}, "offset_m"),
        ({"phones": "all", "film": "pause"}, "film"),
        ({"phones": "all", "film": "start", "in_s": 0}, "in_s"),
        ({"phones": "all", "locked": "yes"}, "locked"),
    ],
)
def test_a_wish_that_cannot_be_is_refused_in_words(wish, said):
    with pytest.raises(SetupError, match=said):
        wish_from_json(wish)


# ---- over the wire


async def test_the_board_lists_phones_and_a_phone_that_comes_back_is_the_same_bay(server, coach):
    stream = events(coach)
    first = await anext(stream)
    assert first["all"] is True and first["phones"] == []
    async with phones(server, setup("aaaaaaaa"), setup("bbbbbbbb", "9", "Ada")):
        seen = {}
        async for event in stream:
            assert event["all"] is False
            seen |= {p["id"]: p for p in event["phones"]}
            if len(seen) == 2 and all(p["verdict"] for p in seen.values()):
                break
        by_bay = {p["bay"]: p for p in seen.values()}
        assert set(by_bay) == {"1", "9"}
        assert by_bay["9"]["player"] == "Ada"
        assert by_bay["1"]["need"] == "lost" and by_bay["1"]["say"]
        assert by_bay["1"]["view"] == "face-on"
    async for event in stream:
        seen |= {p["id"]: p for p in event["phones"]}
        if all(p["need"] in ("gone", "left") for p in seen.values()):
            break
    await stream.aclose()
    async with phones(server, setup("cccccccc"), setup("aaaaaaaa")):
        second = events(coach)  # another board, later
        listed = {p["bay"]: p for p in (await anext(second))["phones"]}
        await second.aclose()
    assert set(listed) == {"1", "2", "9"}
    assert listed["1"]["id"] == by_bay["1"]["id"], "the phone came back to another bay"


async def test_events_come_on_change_and_at_most_five_a_second(server, coach):
    async with phones(server, setup("aaaaaaaa", "1")) as (phone,):
        stream = events(coach)
        await anext(stream)
        await asyncio.sleep(0.5)
        at_s, count, end_s = [], 0, time.monotonic() + 2.0
        battery = itertools.cycle([0.5, 0.6, 0.7])
        while time.monotonic() < end_s:
            phone.send({"type": "about", "battery": next(battery), "signal": "4g"})
            await asyncio.sleep(0.01)
        async for event in stream:
            if not event["phones"]:
                break  # the keepalive: nothing changes any more
            count += 1
            at_s.append(event["server_s"])
            assert event["phones"][0]["signal"] == "4g"
        assert 5 <= count <= 13
        assert np.diff(at_s).min() > 0.15
        await stream.aclose()


async def test_wishes_reach_the_phone_again_and_again_until_it_has_seen_them(server, coach):
    async with phones(server, setup("aaaaaaaa"), setup("bbbbbbbb", "7")) as (one, two):
        board = server.app[SESSIONS].board
        state = next(s for s in board.states() if s.bay == "1")
        status, answer = await ask(
            coach, phones=[state.id], setup={"view": "down-the-line", "player": "Łucja"}, call="Hi"
        )
        assert (status, answer) == (200, {"phones": 1, "film": None})
        control = await one.of_type("control")
        while control["call"] is None:
            control = await one.wait_for(lambda m: m["type"] == "control" and m["call"])
        assert control["setup"]["values"] == {
            "bay": "1",
            "view": "down-the-line",
            "player": "Łucja",
        }
        assert control["call"]["text"] == "Hi"
        assert not any(m["type"] == "control" and m["call"] for m in two.messages)
        # A page that knows of control, and has not seen it, is told with every ping.
        one.messages.clear()
        one.send({"type": "ping", "t_ms": 1.0, "control": {}})
        again = await one.of_type("control")
        assert again["seq"] == control["seq"]
        ack(one, control)
        await until(lambda: not board.find(state.id).control.pending)
        one.messages.clear()
        ack(one, control)
        one.send({"type": "ping", "t_ms": 77.0})
        await one.wait_for(lambda m: m.get("t_ms") == 77.0)
        assert not any(m["type"] == "control" for m in one.messages)
        # Locked for all: also for the one that joins later.
        await ask(coach, phones="all", locked=True)
        await two.wait_for(lambda m: m["type"] == "control" and m["locked"])
        async with phones(server, setup("cccccccc")) as (three,):
            three.send({"type": "ping", "t_ms": 1.0, "control": {}})
            assert (await three.of_type("control"))["locked"] is True


async def test_a_still_is_drawn_on_request_and_the_phone_may_refuse(server, coach):
    async with phones(server, setup("aaaaaaaa", "1")) as (phone,):
        (state,) = server.app[SESSIONS].board.states()
        path = f"/board/still?phone={state.id}"
        async with coach.get(path) as answer:  # not before the phone has allowed it
            assert answer.status == 403
            assert "switched off" in (await answer.json())["detail"]
        phone.send({"type": "ping", "t_ms": 1.0, "pictures": True})
        board = server.app[SESSIONS].board
        await until(lambda: board.find(state.id).pictures)
        phone.pinging = False  # its pings say nothing of pictures, which is a no
        phone.send({"type": "ping", "t_ms": 2.0, "pictures": True})
        await asyncio.sleep(0.2)
        async with coach.get(path) as answer:
            assert answer.status == 200
            assert answer.headers["Cache-Control"] == "no-store"
            data = np.frombuffer(await answer.read(), np.uint8)
        picture = cv2.imdecode(data, cv2.IMREAD_COLOR)
        assert picture.shape[1] == 320 and picture.shape[0] > 180  # the strip of words below
        assert abs(float(picture[90, 160].mean()) - 60) < 12
        phone.send({"type": "ping", "t_ms": 3.0, "pictures": False})
        await until(lambda: not board.find(state.id).pictures)
        async with coach.get(path) as answer:
            assert answer.status == 403
        async with coach.get("/board/still?phone=nobody") as answer:
            assert answer.status == 404


async def test_a_phones_key_opens_nothing_of_the_board_but_its_page(server, http, coach):
    async with http.get("/board") as answer:
        assert answer.status == 200 and "board.js" in await answer.text()
    for path in ("/board/events", "/board/still?phone=x"):
        async with http.get(path) as answer:
            assert answer.status == 403
    status, _ = await ask(http, phones="all", locked=True)
    assert status == 403
    async with coach.post("/board/control", data=b"{}") as answer:
        assert answer.status == 415
    for wrong in (b"{", b"\xff", b'{"phones": "all", "spell": 1}'):
        headers = {"Content-Type": "application/json"}
        async with coach.post("/board/control", data=wrong, headers=headers) as answer:
            assert answer.status == 400, wrong
