"""Signalling, rule by rule: each MUST of RFC 9725 that binds a server, named by its section.

Sections are those of RFC 9725 unless another RFC is named. Rules for clients alone are left out.
Sections 4.4 to 4.9, but for 4.7: test_rfc9725_media.py; 4.7 and 5: test_rfc9725_access.py.
HTTPS (section 5) is test_serve.py's `test_https_is_the_default_and_makes_its_certificate`, and
`test_plain_http_listens_on_this_machine_only` holds for the one exception.
"""

import asyncio
import re
import time

import aiohttp
import aioice.ice
import pytest
from aiortc import RTCSessionDescription

from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from tests.server.is_problem import is_problem
from tests.server.live_phone import LivePhone, far_away, until

SDP = {"Content-Type": "application/sdp"}
FRAGMENT = {"Content-Type": "application/trickle-ice-sdpfrag"}


# Section 4.2: setting a session up


async def test_4_2_an_offer_is_answered_201_with_location_and_etag(phone):
    response = await phone.post(await phone.offer())
    assert response.status == 201
    assert response.headers["Content-Type"] == "application/sdp"
    assert re.fullmatch(r"/whip/[\w-]{32}", response.headers["Location"])
    # RFC 9110, section 8.8.3: a strong tag is quoted and has no W/ before it.
    assert re.fullmatch(r'"[0-9a-f]+"', response.headers["ETag"])


async def test_4_2_the_answer_only_receives(phone):
    await phone.post(await phone.offer())
    assert "a=recvonly" in phone.answer
    assert "a=sendonly" not in phone.answer
    assert "a=sendrecv" not in phone.answer


async def test_4_2_sendrecv_may_be_offered_and_is_answered_recvonly(phone):
    offer = (await phone.offer()).replace("a=sendonly", "a=sendrecv")
    assert (await phone.post(offer)).status == 201
    assert "a=recvonly" in phone.answer
    assert "a=sendrecv" not in phone.answer


@pytest.mark.parametrize("direction", ["recvonly", "inactive"])
async def test_4_2_recvonly_and_inactive_must_not_be_offered(phone, direction):
    offer = (await phone.offer()).replace("a=sendonly", f"a={direction}")
    assert direction in await is_problem(await phone.post(offer), 400)


async def test_4_2_another_content_type_is_415(phone, http):
    offer = await phone.offer()
    response = await http.post("/whip", data=offer, headers={"Content-Type": "text/plain"})
    await is_problem(response, 415)
    # RFC 5789 and LDP 1.0, section 7.1: what would have been taken.
    assert response.headers["Accept-Post"] == "application/sdp"


@pytest.mark.parametrize(
    "offer",
    [
        "",
        "hello",
        "v=0",
        "v=0\r\nm=video",
        "v=0\r\nm=video x UDP/TLS/RTP/SAVPF 97\r\n",
        "v=0\r\nm=video 9 UDP/TLS/RTP/SAVPF 97\r\na=rtpmap:oops\r\n",
        "v=0\r\no=- 1 1 IN IP4 0.0.0.0\r\ns=-\r\nt=0 0\r\na=group:BUNDLE 0\r\n"
        "m=video 9 UDP/TLS/RTP/SAVPF 97\r\na=mid:0\r\na=sendonly\r\na=rtpmap:97 VP8/90000\r\n",
        "\x00\x01\x02",
    ],
)
async def test_4_2_a_malformed_offer_is_refused_in_words(http, server, offer):
    response = await http.post("/whip", data=offer, headers=SDP)
    assert response.status in (400, 406)
    await is_problem(response, response.status)
    assert len(server.app[SESSIONS]) == 0


async def test_4_2_an_offer_that_is_not_utf_8_is_400(http):
    await is_problem(await http.post("/whip", data=b"v=0\xff\xfe", headers=SDP), 400)


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "PATCH", "DELETE"])
async def test_4_2_other_methods_on_the_endpoint_are_405(http, method):
    response = await http.request(method, "/whip")
    assert response.status == 405
    assert set(response.headers["Allow"].split(",")) == {"OPTIONS", "POST"}


@pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT"])
async def test_4_2_other_methods_on_a_session_are_405(phone, http, method):
    await phone.post(await phone.offer())
    assert (await http.request(method, phone.location)).status == 405


async def test_4_2_options_says_what_may_be_posted_and_needs_no_token(server):
    async with aiohttp.ClientSession(server.url) as stranger:
        response = await stranger.options("/whip")
    assert response.status == 204
    assert response.headers["Accept-Post"] == "application/sdp"
    # No page from elsewhere is let in: the Fetch standard's headers are absent.
    assert "Access-Control-Allow-Origin" not in response.headers


async def test_4_2_delete_ends_the_session(phone, http, server):
    await phone.connect()
    await phone.of_type("guidance")
    assert (await http.delete(phone.location)).status == 200
    assert len(server.app[SESSIONS]) == 0
    await is_problem(await http.delete(phone.location), 404)


async def test_4_2_delete_revokes_consent_and_media_at_once(phone, http):
    # RFC 7675, section 5.2: nothing more is sent; RFC 8446, section 6.1: DTLS says it has ended.
    await phone.connect()
    await phone.of_type("guidance")
    (transceiver,) = phone.pc.getTransceivers()
    await http.delete(phone.location)
    await until(lambda: transceiver.sender.transport.state == "closed", 2)
    count = len(phone.messages)
    await asyncio.sleep(0.3)
    assert all(m["type"] == "bye" for m in phone.messages[count:])


async def test_4_2_a_phone_without_consent_loses_its_session(monkeypatch):
    # RFC 7675, section 5.1, made shorter: as standardised it takes 30 seconds.
    monkeypatch.setattr(aioice.ice, "CONSENT_INTERVAL", 0.1)
    monkeypatch.setattr(aioice.ice, "CONSENT_FAILURES", 3)
    config = ServerConfig(analyse=far_away, settle_s=0.0, forget_s=600.0, gone_s=600.0)
    async with running(config) as server:
        headers = {"Authorization": f"Bearer {server.token}"}
        async with (
            aiohttp.ClientSession(server.url, headers=headers) as http,
            LivePhone(http) as phone,
        ):
            await phone.connect()
            await phone.of_type("guidance")
            (transceiver,) = phone.pc.getTransceivers()
            # The phone's sockets go away without a word.
            await transceiver.sender.transport.transport.stop()
            await until(lambda: len(server.app[SESSIONS]) == 0, 5)


async def test_4_2_a_preflight_is_answered_and_lets_no_other_page_in(server):
    # The Fetch standard, section 3.3: a preflight without these headers is a refusal.
    headers = {
        "Origin": "https://elsewhere.example",
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "authorization, content-type",
    }
    async with aiohttp.ClientSession(server.url) as stranger:
        response = await stranger.options("/whip", headers=headers)
    assert response.status in (200, 204, 403)
    assert "Access-Control-Allow-Origin" not in response.headers
    assert "Link" not in response.headers  # section 4.6: no ICE servers to a preflight


# Section 4.3: ICE


async def test_4_3_1_overlapping_patches_are_each_taken(phone, http):
    await phone.post(await phone.offer())
    headers = {"If-Match": phone.etag, **FRAGMENT}
    sent = [http.patch(phone.location, data=candidate(), headers=headers) for _ in range(4)]
    assert [response.status for response in await asyncio.gather(*sent)] == [204] * 4


async def test_4_3_1_each_session_has_an_entity_tag_of_its_own(http):
    tags = set()
    for _ in range(2):
        async with LivePhone(http) as phone:
            await phone.post(await phone.offer())
            tags.add(phone.etag)
    assert len(tags) == 2


async def test_4_3_1_entity_tags_do_not_matter_to_delete(phone, http):
    await phone.post(await phone.offer())
    response = await http.delete(phone.location, headers={"If-Match": '"other"'})
    assert response.status == 200


async def test_4_3_1_another_content_type_is_415(phone, http):
    await phone.post(await phone.offer())
    headers = {"If-Match": phone.etag, **SDP}
    await is_problem(await http.patch(phone.location, data="x", headers=headers), 415)


@pytest.mark.parametrize(
    "body",
    [
        "",
        "nonsense",
        "a=candidate:oops",
        "a=mid:nowhere\r\na=candidate:1 1 udp 1 192.0.2.1 9 typ host",
        "a=candidate:1 one udp x 192.0.2.1 y typ host",
    ],
)
async def test_4_3_1_a_malformed_fragment_is_400(phone, http, body):
    await phone.post(await phone.offer())
    headers = {"If-Match": phone.etag, **FRAGMENT}
    await is_problem(await http.patch(phone.location, data=body, headers=headers), 400)


async def test_4_3_2_without_if_match_428(phone, http):
    await phone.post(await phone.offer())
    response = await http.patch(phone.location, data=candidate(), headers=FRAGMENT)
    await is_problem(response, 428)


@pytest.mark.parametrize("weak", [False, True])
async def test_4_3_2_another_entity_tag_is_412(phone, http, weak):
    await phone.post(await phone.offer())
    tag = f"W/{phone.etag}" if weak else '"other"'
    headers = {"If-Match": tag, **FRAGMENT}
    await is_problem(await http.patch(phone.location, data=candidate(), headers=headers), 412)


async def test_4_3_2_candidates_are_taken_with_204_without_body_or_etag(phone, http):
    await phone.post(await phone.offer())
    headers = {"If-Match": phone.etag, **FRAGMENT}
    response = await http.patch(phone.location, data=candidate(), headers=headers)
    assert response.status == 204
    assert await response.read() == b""
    assert "ETag" not in response.headers


@pytest.mark.parametrize(
    "line",
    [
        "a=candidate:1 1 tcp 1518280447 192.0.2.1 9 typ host tcptype active",
        "a=candidate:1 1 udp 2130706431 no-such-name.local 5000 typ host",
    ],
)
async def test_4_3_2_unusable_candidates_are_dropped_in_silence(phone, http, line):
    await phone.post(await phone.offer())
    headers = {"If-Match": phone.etag, **FRAGMENT}
    body = f"a=mid:0\r\n{line}\r\n"
    assert (await http.patch(phone.location, data=body, headers=headers)).status == 204


async def test_4_3_2_beside_an_unusable_candidate_the_rest_is_processed(phone, http):
    offer = await phone.offer()
    good = re.findall(r"a=candidate:[^\r\n]+ typ host", offer)
    await phone.post(re.sub(r"a=(candidate:[^\r\n]+|end-of-candidates)\r\n", "", offer))
    await phone.pc.setRemoteDescription(RTCSessionDescription(phone.answer, "answer"))
    bad = "a=candidate:1 1 tcp 1518280447 192.0.2.1 9 typ host tcptype active"
    unknown = "a=candidate:1 1 udp 2130706431 no-such-name.local 5000 typ host"
    body = "\r\n".join(["a=mid:0", bad, unknown, *dict.fromkeys(good), ""])
    headers = {"If-Match": phone.etag, **FRAGMENT}
    assert (await http.patch(phone.location, data=body, headers=headers)).status == 204
    await phone.of_type("guidance")


@pytest.mark.parametrize("names", ["no-such-name.local", None])
async def test_4_3_2_a_phone_whose_addresses_stay_unknown_connects_by_its_own_checks(phone, names):
    # Names that nothing resolves, or no candidate at all, and the word that these are all.
    offer = await phone.offer()
    line = f"a=candidate:1 1 udp 2130706431 {names} 5000 typ host\r\n" if names else ""
    bare = re.sub(r"(a=candidate:[^\r\n]+\r\n)+", line, offer)
    assert "a=end-of-candidates" in bare
    start_s = time.perf_counter()
    assert (await phone.post(bare)).status == 201
    assert time.perf_counter() - start_s < 1  # the names are not waited for
    assert "typ host" in phone.answer
    await phone.pc.setRemoteDescription(RTCSessionDescription(phone.answer, "answer"))
    await phone.of_type("guidance")


async def test_4_3_2_a_client_that_sends_its_candidates_later_connects(phone, http):
    offer = await phone.offer()
    late = re.findall(r"a=candidate:[^\r\n]+", offer)
    bare = re.sub(r"a=(candidate:[^\r\n]+|end-of-candidates)\r\n", "", offer)
    assert late
    assert "candidate" not in bare
    assert (await phone.post(bare)).status == 201
    await phone.pc.setRemoteDescription(RTCSessionDescription(phone.answer, "answer"))
    ufrag = re.search(r"a=ice-ufrag:([^\r\n]+)", offer)
    pwd = re.search(r"a=ice-pwd:([^\r\n]+)", offer)
    assert ufrag
    assert pwd
    lines = [ufrag[0], pwd[0], "m=video 9 UDP/TLS/RTP/SAVPF 0", "a=mid:0", *dict.fromkeys(late)]
    body = "\r\n".join([*lines, "a=end-of-candidates", ""])
    headers = {"If-Match": phone.etag, **FRAGMENT}
    assert (await http.patch(phone.location, data=body, headers=headers)).status == 204
    await phone.of_type("guidance")


async def test_4_3_2_the_answer_holds_every_candidate(phone):
    await phone.post(await phone.offer())
    assert "typ host" in phone.answer
    assert "a=end-of-candidates" in phone.answer
    assert "typ srflx" not in phone.answer  # no server elsewhere was asked
    assert "typ relay" not in phone.answer


@pytest.mark.parametrize("match", ["*", None])
async def test_4_3_3_an_ice_restart_is_422_and_the_session_goes_on(phone, http, match):
    await phone.connect()
    await phone.of_type("guidance")
    headers = {"If-Match": match or phone.etag, **FRAGMENT}
    body = "a=ice-ufrag:ysXw\r\na=ice-pwd:vw5LmwG4y/e6dPP/zAP9Gp5k\r\n"
    await is_problem(await http.patch(phone.location, data=body, headers=headers), 422)
    seq = phone.messages[-1].get("seq", 0)
    await phone.wait_for(lambda m: m["type"] == "guidance" and m["seq"] > seq)


def candidate() -> str:
    return "a=mid:0\r\na=candidate:1 1 udp 2130706431 192.0.2.1 61764 typ host\r\n"
