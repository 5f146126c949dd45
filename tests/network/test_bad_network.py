"""A phone keeps its guidance on a network that loses, delays, reorders, and changes its address."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.live.crowding import Crowding
from tests.network.relay import Badness, Relay, Way, tun

ROOT = Path(__file__).parents[2]
PHONE_IPS, SERVER_IP = ("10.201.7.2", "10.201.7.6"), "10.201.9.2"
MOST_S = 45.0
CHANGE_S = 6.0  # after the phone's first guidance
LIMIT_MS = 1500  # the longest pause in the guidance while the address stays
BACK_S = 16.0  # the page's own limits: 2 s of silence, 10 to connect in vain, a pause, once more


def obstacle() -> str | None:
    """Why the network cannot be made here."""
    if sys.platform != "linux":
        return "network namespaces are Linux's"
    if shutil.which("ip") is None:
        return "the command ip is missing: install iproute2"
    if os.geteuid() != 0:
        return "only root may make network namespaces"
    if not Path("/dev/net/tun").exists():
        return "there is no /dev/net/tun"
    return None


def need_network() -> None:
    why = obstacle()
    if why is not None and os.environ.get("CI"):
        pytest.fail(f"the bad network cannot be made, and CI must make it: {why}")
    if why is not None:
        pytest.skip(f"NO BAD NETWORK: {why}")  # -ra prints it in the summary


def ip(*words: str) -> None:
    done = subprocess.run(["ip", *words], capture_output=True, text=True, check=False, timeout=10)
    assert done.returncode == 0, f"ip {' '.join(words)}: {done.stderr}"


@contextlib.contextmanager
def namespaces() -> Iterator[tuple[str, str]]:
    names = tuple(f"teesquare-{os.getpid()}-{end}" for end in ("phone", "server"))
    made = []
    try:
        for name in names:
            ip("netns", "add", name)
            made.append(name)
            ip("-n", name, "link", "set", "lo", "up")
        yield names  # type: ignore[misc]
    finally:
        for name in made:
            ip("netns", "del", name)


def attach(namespace: str, address: str) -> int:
    device = tun(namespace, "air")
    ip("-n", namespace, "addr", "add", f"{address}/32", "dev", "air")
    ip("-n", namespace, "link", "set", "air", "up", "mtu", "1400")
    ip("-n", namespace, "route", "add", "default", "dev", "air", "src", address)
    return device


async def start(namespace: str, module: str, *words: str) -> asyncio.subprocess.Process:
    command = ("ip", "netns", "exec", namespace, sys.executable, "-m", module, *words)
    pipe = asyncio.subprocess.PIPE
    return await asyncio.create_subprocess_exec(
        *command, stdin=pipe, stdout=pipe, cwd=ROOT, limit=2**22
    )


@pytest.mark.timeout(120)
async def test_guidance_goes_on_and_comes_back_after_a_change_of_address(capsys):
    need_network()
    badness = Badness()
    async with contextlib.AsyncExitStack() as stack:
        phone_ns, server_ns = stack.enter_context(namespaces())
        ends = (attach(phone_ns, PHONE_IPS[0]), attach(server_ns, SERVER_IP))
        for end in ends:
            stack.callback(os.close, end)
        relay = Relay(*ends, badness, seed=7, most_s=MOST_S + 40.0)
        relay.start()
        stack.callback(relay.stop)
        server = await start(server_ns, "tests.network.far_server", SERVER_IP)
        stack.push_async_callback(finish, server)
        address = json.loads(await asyncio.wait_for(server.stdout.readline(), 30))
        words = (address["url"], address["token"], str(MOST_S))
        phone = await start(phone_ns, "tests.network.far_phone", *words)
        stack.push_async_callback(finish, phone)
        assert json.loads(await asyncio.wait_for(phone.stdout.readline(), MOST_S)) == "guided"
        crowded = Crowding()
        await asyncio.sleep(CHANGE_S)
        # A new lease: the new address is there, then the old one is not.
        ip("-n", phone_ns, "addr", "add", f"{PHONE_IPS[1]}/32", "dev", "air")
        ip("-n", phone_ns, "route", "replace", "default", "dev", "air", "src", PHONE_IPS[1])
        ip("-n", phone_ns, "addr", "del", f"{PHONE_IPS[0]}/32", "dev", "air")
        changed_s = time.time()
        report = json.loads(await asyncio.wait_for(phone.stdout.readline(), MOST_S + 20))
        server.stdin.write(b"\n")
        seen = json.loads(await asyncio.wait_for(server.stdout.readline(), 10))
        counts = [way.counts for way in relay.ways]
    heard_s, room = np.array(report["heard_s"]), min(crowded.factor(), 3.0)
    before, after = heard_s[heard_s < changed_s], heard_s[heard_s >= changed_s + 0.2]
    with capsys.disabled():
        lost = sum(c.lost for c in counts) / sum(c.seen for c in counts)
        print(
            f"\n{sum(c.seen for c in counts)} packets, {100 * lost:.1f} % lost, "
            f"{sum(c.overflowed for c in counts)} found the line full, "
            f"{sum(c.reordered for c in counts)} overtaken; guidance {len(before)} before the "
            f"change, longest pause {1e3 * np.diff(before).max():.0f} ms, "
            f"back after {after.min() - changed_s:.2f} s, {len(after)} after it; "
            f"connects {len(report['connects'])}, problems {report['problems']}"
        )
    assert 0.02 < lost < 0.10
    assert sum(c.reordered for c in counts) > 50
    assert 0.09 < np.median(counts[0].delays_s) < 0.1 + badness.queue_s
    assert len(before) / (before.max() - before.min()) >= 5.0 / room
    assert 1e3 * np.diff(before).max() <= LIMIT_MS * room
    assert after.min() - changed_s <= BACK_S * room
    assert len(after) / (after.max() - after.min()) >= 5.0 / room
    # Once guided, no reconnecting before the address changes.
    assert sum(before.min() < connect[0] < changed_s for connect in report["connects"]) == 0
    assert seen["told"].count("The phone is connected.") >= 2


async def finish(process: asyncio.subprocess.Process) -> None:
    if process.returncode is None:
        process.kill()
    await process.communicate()


def test_the_relay_does_what_it_says():
    """Against the chain's and the distributions' own means, over 40,000 packets of 1000 bytes."""
    badness = Badness(rate_bps=100e6)
    way = Way(badness, seed=3)
    lost_before, bursts = 0, []
    for k in range(40_000):
        way.put(bytes(1000), k * 1e-3)
        if way.counts.lost > lost_before:
            bursts.append(k)
        lost_before = way.counts.lost
        way.due(k * 1e-3)
    runs = 1 + np.count_nonzero(np.diff(bursts) > 1)
    assert way.counts.lost / 40_000 == pytest.approx(0.05, abs=0.008)
    assert len(bursts) / runs == pytest.approx(3.0, abs=0.3)
    assert np.mean(way.counts.delays_s) == pytest.approx(0.1 + 0.015 + 80e-6, abs=0.001)
    assert way.counts.reordered > 4000
    # A line of 1 Mbit/s carries 125 of such packets a second, whatever is sent.
    slow = Way(Badness(lost=0.0, rate_bps=1e6), seed=3)
    given = 0
    for k in range(4000):
        slow.put(bytes(1000), k * 1e-3)
        given += len(slow.due(k * 1e-3))
    assert given == pytest.approx(125 * 3.9, rel=0.05)
    assert max(slow.counts.delays_s) < 0.1 + 0.3 + 0.008 + 0.2
