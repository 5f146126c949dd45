import subprocess
import sys
from pathlib import Path

import pytest
from aioice import ice

from server import loopback


@pytest.fixture
def addresses(monkeypatch):
    """What the library finds; the list may be changed by a test."""
    found = ["192.0.2.7"]
    monkeypatch.setattr(ice, "get_host_addresses", lambda use_ipv4, use_ipv6: list(found))
    loopback.allow_loopback()
    return found


def test_on_a_network_nothing_changes(addresses):
    assert ice.get_host_addresses(use_ipv4=True, use_ipv6=True) == ["192.0.2.7"]


def test_without_any_network_this_machine_still_reaches_itself(addresses):
    addresses.clear()
    assert ice.get_host_addresses(use_ipv4=True, use_ipv6=True) == ["127.0.0.1"]
    assert ice.get_host_addresses(use_ipv4=False, use_ipv6=True) == []


def test_asking_twice_wraps_once(addresses):
    once = ice.get_host_addresses
    loopback.allow_loopback()
    assert ice.get_host_addresses is once


def test_the_installed_library_has_the_function_and_calls_it_by_its_module_name():
    # In a fresh interpreter: the fixtures of other tests have no part in it.
    code = (
        "import asyncio\n"
        "from aioice import ice\n"
        "from aiortc import RTCIceGatherer\n"
        "from server.loopback import allow_loopback\n"
        "ice.get_host_addresses = lambda use_ipv4, use_ipv6: []\n"
        "allow_loopback()\n"
        "async def main():\n"
        "    gatherer = RTCIceGatherer(iceServers=[])\n"
        "    await gatherer.gather()\n"
        "    print([c.ip for c in gatherer.getLocalCandidates()])\n"
        "    await gatherer._connection.close()\n"
        "asyncio.run(main())\n"
    )
    root = Path(loopback.__file__).parent.parent
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=root, timeout=60
    )
    assert result.stdout.strip() == "['127.0.0.1']", result.stderr
