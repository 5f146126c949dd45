"""Caps: what anyone may send, and that too much of it hurts nobody else."""

import asyncio
import io
import json
import logging
import re
import time

import aiohttp
import pytest

from server.certs import CertFiles, CertificateError, check_private, ensure_certificate, ssl_context
from server.config import ServerConfig
from server.logs import Json, Plain, scrubbed
from server.problems import Problem
from server.rates import FLOOD, Bucket, Verdict, Words
from server.sdp import MAX_FRAGMENT, MAX_OFFER, MAX_OFFERED, check_offer, read_fragment
from server.serve import running
from server.session import MAX_LISTENERS
from server.whip import POSTS_BURST
from tests.server.live_phone import LivePhone, far_away, later_guidance

SDP = {"Content-Type": "application/sdp"}


def test_a_bucket_gives_its_burst_and_then_its_rate():
    bucket = Bucket(10, 5)
    assert [bucket.take(0.0) for _ in range(7)] == [True] * 5 + [False] * 2
    assert bucket.take(0.1)
    assert not bucket.take(0.15)
    # One token in 0.1 s, whatever was refused meanwhile.
    assert sum(bucket.take(0.15 + i / 1000) for i in range(1000)) == pytest.approx(10, abs=1)


def test_a_pages_words_are_all_taken():
    words = Words()
    # 20 tilts and 2 x 12 others a second, for a minute.
    assert all(words.judge(i / 44) is Verdict.TAKE for i in range(44 * 60))


def test_a_flood_is_dropped_and_then_ended():
    words = Words()
    verdicts = [words.judge(i / 1e6) for i in range(FLOOD + 1000)]
    assert verdicts[0] is Verdict.TAKE
    assert Verdict.DROP in verdicts
    assert verdicts[-1] is Verdict.END


async def test_a_flood_on_one_channel_does_not_starve_the_other_phones():
    async with running(ServerConfig(analyse=far_away, settle_s=0.0)) as server:
        headers = {"Authorization": f"Bearer {server.token}"}
        async with (
            aiohttp.ClientSession(server.url, headers=headers) as http,
            LivePhone(http) as quiet,
            LivePhone(http) as loud,
        ):
            await quiet.connect()
            await loud.connect()
            await quiet.of_type("guidance")
            await loud.of_type("guidance")
            loud.pinging = False
            text = json.dumps({"type": "tilt", "t_ms": 1, "gravity": [0, 9.8, 0], "screen_deg": 0})
            start_s = time.monotonic()

            async def flood() -> None:
                # Until the server hangs up, which it says on the same channel.
                while not any(m["type"] == "bye" for m in loud.messages):
                    if loud.channel.readyState != "open":
                        return
                    for _ in range(100):
                        loud.send(text)
                    await asyncio.sleep(0.02)

            seen = len(quiet.messages)
            await asyncio.wait_for(flood(), 20)
            took_s = time.monotonic() - start_s
            guided = sum(m["type"] == "guidance" for m in quiet.messages[seen:])
            # The sender floods from this very loop, so the quiet phone's own rate suffers too.
            assert guided / took_s > 5, (guided, took_s)
            bye = await loud.of_type("bye")
            assert "too many messages" in bye["text"]
            await later_guidance(quiet)


async def test_offers_in_quick_succession_are_429(http):
    statuses = [
        (await http.post("/whip", data="v=0", headers=SDP)).status
        for _ in range(int(POSTS_BURST) + 40)
    ]
    assert statuses[0] == 406
    assert 429 in statuses


async def test_a_stranger_cannot_use_up_the_offers_of_others(server, http):
    async with aiohttp.ClientSession(server.url) as stranger:
        for _ in range(int(POSTS_BURST) + 20):
            await stranger.post("/whip", data="v=0", headers=SDP)
    assert (await http.post("/whip", data="v=0", headers=SDP)).status == 406


@pytest.mark.parametrize(
    ("read", "text"),
    [
        (check_offer, "v=0" + "a" * MAX_OFFER),
        (lambda text: read_fragment(text, ["0"]), "a=mid:0\r\n" * (MAX_FRAGMENT // 8)),
    ],
)
def test_a_long_description_is_413(read, text):
    with pytest.raises(Problem) as caught:
        read(text)
    assert caught.value.status == 413


async def test_too_many_candidates_are_refused_or_dropped(phone, http):
    line = "a=candidate:1 1 udp 1 192.0.2.1 9 typ host\r\n"
    with pytest.raises(Problem):
        check_offer("v=0\r\n" + line * (MAX_OFFERED + 1))
    await phone.post(await phone.offer())
    headers = {"If-Match": phone.etag, "Content-Type": "application/trickle-ice-sdpfrag"}
    for _ in range(4):
        body = "a=mid:0\r\n" + line * 40
        assert (await http.patch(phone.location, data=body, headers=headers)).status == 204


async def test_listeners_of_one_session_are_counted(phone, http):
    await phone.post(await phone.offer())
    path = phone.location + "/guidance"
    streams = [await http.get(path) for _ in range(MAX_LISTENERS)]
    assert (await http.get(path)).status == 429
    for stream in streams:
        stream.close()


def test_a_key_that_others_can_read_is_refused_at_the_start(tmp_path):
    files = ensure_certificate(tmp_path, ["127.0.0.1"])
    files.key.chmod(0o640)
    with pytest.raises(CertificateError, match="chmod 600"):
        ssl_context(CertFiles(files.cert, files.key))
    files.key.chmod(0o600)
    check_private(files.key)


def test_the_own_keys_are_made_private_again(tmp_path):
    files = ensure_certificate(tmp_path, ["127.0.0.1"])
    for key in (files.key, tmp_path / "ca.key"):
        key.chmod(0o644)
    ensure_certificate(tmp_path, ["127.0.0.1"])
    assert [key.stat().st_mode & 0o777 for key in (files.key, tmp_path / "ca.key")] == [0o600] * 2


# Logs


def record(message: str, error: Exception | None = None) -> logging.LogRecord:
    info = (type(error), error, None) if error else None
    return logging.LogRecord("server.x", logging.ERROR, "f", 1, message, None, info)


TOKEN = "aB-_" * 10 + "xyz"


@pytest.mark.parametrize(
    "text",
    [
        f"Authorization: Bearer {TOKEN}",
        f"https://192.0.2.1:8443/#t={TOKEN}",
        f"token {TOKEN}!",
        f"{{'Authorization': 'bearer {TOKEN}'}}",
        f"PATCH /whip/{TOKEN[:32]} failed",
        f"a=ice-pwd:{TOKEN[:24]}",
    ],
)
def test_no_secret_gets_into_a_log(text):
    for formatter in (Plain(), Json()):
        for line in (
            formatter.format(record(text)),
            formatter.format(record("x", ValueError(text))),
        ):
            assert TOKEN[:24] not in line


def test_json_lines_can_be_read():
    line = json.loads(Json().format(record("it\nbroke", ValueError("why"))))
    assert line["message"] == "it\nbroke"
    assert line["level"] == "error"
    assert "ValueError: why" in line["error"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", line["at"])


def test_ordinary_words_stay():
    for text in ("POST /whip failed", "RTCPeerConnection state", "/web/texts/en/page.json"):
        assert scrubbed(text) == text


async def test_a_whole_session_leaves_no_key_and_no_name_in_the_log(caplog, told):
    """Everything at its most talkative, the libraries' debugging lines too."""
    caplog.set_level(logging.DEBUG)
    name = "Quillon Harrowgate"  # made up
    handler = logging.StreamHandler(stream := io.StringIO())
    handler.setFormatter(Plain())
    logging.getLogger().addHandler(handler)

    def broken(*args, **kwargs):
        raise RuntimeError("the analysis broke")

    try:
        async with running(ServerConfig(analyse=broken, settle_s=0, tell=told.append)) as server:
            headers = {"Authorization": f"Bearer {server.token}"}
            async with (
                aiohttp.ClientSession(server.url, headers=headers) as http,
                LivePhone(http) as phone,
            ):
                await phone.connect()
                await phone.of_type("problem")
                place = {"type": "place", "seq": 1, "do": "remember", "name": name}
                phone.send(place)
                phone.send({"type": "setup", "seq": 1, "setup": {"view": name}})
                phone.send({"type": name})
                await phone.wait_for(lambda m: m["type"] == "problem" and m["seq"] == 1)
                await http.patch(phone.location, data="x")
                await http.get("/drift/log?place=" + name)
                secrets = [server.token, server.coach_token, phone.location.rsplit("/", 1)[1]]
                await http.delete(phone.location)
    finally:
        logging.getLogger().removeHandler(handler)
    written = stream.getvalue()
    assert "the analysis broke" in written
    for secret in [*secrets, name, "Quillon"]:
        assert secret not in written
        assert all(secret not in sentence for sentence in told)
