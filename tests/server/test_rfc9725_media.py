"""RFC 9725 rule by rule, as in test_rfc9725.py: what an offer may hold, and what is answered."""

import re

import aiohttp
import pytest

from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from tests.server.is_problem import is_problem
from tests.server.live_phone import LivePhone, far_away

SDP = {"Content-Type": "application/sdp"}
FRAGMENT = {"Content-Type": "application/trickle-ice-sdpfrag"}


# Section 4.4: constraints on WebRTC


async def test_4_4_1_everything_is_bundled_and_rtcp_is_multiplexed(phone):
    await phone.post(await phone.offer())
    assert "a=group:BUNDLE 0 1" in phone.answer
    video = phone.answer.split("m=application")[0].split("m=video")[1]
    assert "a=rtcp-mux\r\na=rtcp-mux-only\r\n" in video


async def test_4_4_1_an_unbundled_offer_is_406(phone):
    offer = (await phone.offer()).replace("a=group:BUNDLE 0 1\r\n", "")
    await is_problem(await phone.post(offer), 406)


async def test_4_4_1_two_bundle_groups_are_406(phone):
    offer = await phone.offer()
    split = offer.replace("a=group:BUNDLE 0 1\r\n", "a=group:BUNDLE 0\r\na=group:BUNDLE 1\r\n")
    await is_problem(await phone.post(split), 406)


async def test_4_4_1_bundle_only_sections_are_taken(phone):
    from aiortc import AudioStreamTrack

    phone.pc.addTransceiver(AudioStreamTrack(), direction="sendonly")
    offer = await phone.offer()
    # RFC 9143, section 7.2.1: a bundle-only section has port 0, which does not mean refused.
    first, *others = re.split(r"(?=m=)", offer)[1:]
    bundled = [re.sub(r"^(m=\w+) \d+", r"\1 0", other) + "a=bundle-only\r\n" for other in others]
    assert (await phone.post(offer.split("m=")[0] + first + "".join(bundled))).status == 201
    group = re.search(r"a=group:BUNDLE ([^\r\n]+)", phone.answer)
    assert group
    assert group[1].split() == re.findall(r"a=mid:(\S+)", phone.answer)
    for section in re.split(r"(?=m=)", phone.answer)[1:]:
        if section.startswith(("m=audio", "m=video")):
            assert "a=rtcp-mux-only" in section
        assert not re.match(r"m=\w+ 0 ", section)


async def test_4_4_2_two_streams_are_406(phone):
    from aiortc import AudioStreamTrack

    phone.pc.addTransceiver(AudioStreamTrack(), direction="sendonly")
    offer = await phone.offer()
    sound, rest = offer.split("m=video")
    other = re.sub(r"a=msid:\S+", "a=msid:another-stream", sound)
    assert other != sound
    await is_problem(await phone.post(other + "m=video" + rest), 406)


async def test_4_4_2_two_cameras_are_406(phone):
    from tests.server.live_phone import Camera

    phone.pc.addTransceiver(Camera(), direction="sendonly")
    await is_problem(await phone.post(await phone.offer()), 406)


async def test_4_4_3_no_partial_answers_a_format_not_known_is_406(phone, server):
    offer = re.sub(r"(a=rtpmap:\d+) (VP8|H264)/", r"\1 AV1/", await phone.offer())
    await is_problem(await phone.post(offer), 406)
    assert len(server.app[SESSIONS]) == 0


async def test_4_4_3_an_offer_without_video_is_406(phone):
    phone.pc.createDataChannel("only")
    await phone.pc.setLocalDescription(await phone.pc.createOffer())
    await is_problem(await phone.post(phone.pc.localDescription.sdp), 406)


@pytest.mark.parametrize("role", ["actpass", "active"])
async def test_4_4_4_both_setup_roles_of_a_client_are_taken(phone, role):
    offer = (await phone.offer()).replace("a=setup:actpass", f"a=setup:{role}")
    assert (await phone.post(offer)).status == 201
    assert ("a=setup:passive" if role == "active" else "a=setup:active") in phone.answer


async def test_4_5_a_full_server_is_503_with_retry_after(told):
    async with running(ServerConfig(analyse=far_away, max_sessions=1)) as server:
        headers = {"Authorization": f"Bearer {server.token}"}
        async with (
            aiohttp.ClientSession(server.url, headers=headers) as http,
            LivePhone(http) as first,
            LivePhone(http) as second,
        ):
            assert (await first.post(await first.offer())).status == 201
            response = await second.post(await second.offer())
            await is_problem(response, 503)
            assert int(response.headers["Retry-After"]) > 0
            await http.delete(first.location)
            assert (await second.post(second.pc.localDescription.sdp)).status == 201


@pytest.mark.parametrize("method", ["POST", "PATCH", "DELETE", "OPTIONS"])
@pytest.mark.parametrize("path", ["/whip", "/whip/", "/whip/none", "/whip/none/"])
async def test_4_5_nothing_is_redirected(http, method, path):
    # 301 and 302 MUST NOT be used: a POST would become a GET.
    response = await http.request(method, path, data="v=0", headers=SDP, allow_redirects=False)
    assert not 300 <= response.status < 400


async def test_4_6_no_ice_server_elsewhere_is_named(phone):
    response = await phone.post(await phone.offer())
    assert "ice-server" not in response.headers.get("Link", "")


# Sections 4.8 and 4.9: simulcast, extensions


async def test_4_8_offered_simulcast_is_answered_with_one_stream(phone):
    # RFC 8853, section 5.3.2: an answerer that does not use it leaves the attribute out.
    offer = (await phone.offer()).replace(
        "a=sendonly\r\n",
        "a=sendonly\r\na=rid:hi send\r\na=rid:lo send\r\na=simulcast:send hi;lo\r\n",
        1,
    )
    assert (await phone.post(offer)).status == 201
    assert "a=simulcast" not in phone.answer
    assert "a=rid" not in phone.answer


async def test_4_9_guidance_is_advertised_and_not_required(phone, http):
    response = await phone.post(await phone.offer(channel=False))
    # No extension of the standard's own registry: a registered relation (RFC 8288; RFC 5989).
    (link,) = response.headers.getall("Link")
    found = re.fullmatch(r'<([^>]+)>; rel="monitor"; type="text/event-stream"', link)
    assert found
    async with http.get(found[1]) as stream:
        assert stream.content_type == "text/event-stream"
    assert "urn:ietf:params:whip:ext" not in link
