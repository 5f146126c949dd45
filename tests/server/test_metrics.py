"""Numbers of the running server, read by Prometheus' own parser."""

import asyncio
import time

import aiohttp
import pytest
from prometheus_client.parser import text_string_to_metric_families

from server.app import SESSIONS
from server.metrics import Metrics
from server.serve import RunningServer
from tests.server.live_phone import later_guidance, serving


async def read(server: RunningServer) -> dict[str, float]:
    """Sample name with its labels -> value."""
    headers = {"Authorization": f"Bearer {server.coach_token}"}
    async with aiohttp.ClientSession(server.url, headers=headers) as http:
        response = await http.get("/metrics")
        assert response.status == 200
        assert response.content_type == "text/plain"
        text = await response.text()
    # Prometheus docs, "Exposition formats": the text format, as its own parser reads it.
    families = list(text_string_to_metric_families(text))
    assert len(families) >= 10
    for family in families:
        for sample in family.samples:
            assert set(sample.labels) <= {"le"}, "labels could hold names"
    return {
        sample.name + sample.labels.get("le", ""): sample.value
        for family in families
        for sample in family.samples
    }


async def test_a_phone_is_counted():
    from tests.server.live_phone import far_away

    async with serving(far_away) as (server, phone):
        for _ in range(3):
            await later_guidance(phone)
        seen = await read(server)
        assert seen["teesquare_sessions"] == 1
        assert seen["teesquare_sessions_opened_total"] == 1
        guided = sum(m["type"] == "guidance" for m in phone.messages)
        analysed = seen["teesquare_frames_analysed_total"]
        assert analysed == pytest.approx(guided, abs=5)
        assert seen["teesquare_frames_received_total"] >= analysed
        assert seen["teesquare_guidance_age_seconds_count"] == analysed
        assert seen["teesquare_received_bytes_total"] > 1000
        assert seen["teesquare_sent_bytes_total"] > 1000
        assert seen["teesquare_messages_received_total"] >= 1
        await phone.http.delete(phone.location)
        after = await read(server)
        assert after["teesquare_sessions"] == 0
        assert after["teesquare_received_bytes_total"] >= seen["teesquare_received_bytes_total"]
        # Counters must never fall (Prometheus docs, "Metric types").
        fell = [n for n in seen if n.endswith("_total") and after[n] < seen[n]]
        assert fell == []


async def test_dropped_pictures_are_counted():
    from tests.server.live_phone import nothing_found

    def slow(state, frame, setup, time_s):
        time.sleep(0.2)
        return state, nothing_found(setup)

    async with serving(slow) as (server, phone):
        await later_guidance(phone)
        seen = await read(server)
        session = next(iter(server.app[SESSIONS]))
        assert 1 <= seen["teesquare_frames_dropped_total"] <= session.dropped


async def test_health_says_whether_the_loop_keeps_up(server):
    headers = {"Authorization": f"Bearer {server.coach_token}"}
    async with aiohttp.ClientSession(server.url, headers=headers) as http:
        response = await http.get("/healthz")
        assert (response.status, await response.text()) == (200, "ok\n")
        await asyncio.sleep(0.15)
        time.sleep(1.3)  # the loop itself is held up
        await asyncio.sleep(0)
        await asyncio.sleep(0.02)
        response = await http.get("/healthz")
        assert (response.status, await response.text()) == (503, "slow\n")
        await asyncio.sleep(0.3)
        assert (await http.get("/healthz")).status == 200
        seen = await read(server)
        assert (
            seen["teesquare_loop_lag_seconds_count"] > seen["teesquare_loop_lag_seconds_bucket1.0"]
        )


def test_two_servers_do_not_share_their_counts():
    one, other = Metrics(lambda: 3), Metrics()
    one.received.inc()
    assert b"teesquare_frames_received_total 1.0" in one.text()
    assert b"teesquare_frames_received_total 0.0" in other.text()
    assert b"teesquare_sessions 3.0" in one.text()
