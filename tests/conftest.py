"""What all tests share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from aioice import ice

# Few tests, minutes of them: begun first, so that no process has one left when all else is done.
SLOW = ("web", "live", "network", "bench", "faults", "clients", "docs", "demo")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files of slow folders first."""
    here = Path(__file__).parent
    folders = {item.path: item.path.relative_to(here).parts[0] for item in items}
    items.sort(key=lambda item: folders[item.path] not in SLOW)


@pytest.fixture(autouse=True)
def _own_mdns() -> Iterator[None]:
    """Browsers without a camera's permission hide their addresses behind mDNS names.

    The ICE library keeps its resolver's lock for the life of the thread, so it belongs to the
    loop of the first test that used it, while each test here has a loop of its own.
    """
    ice._mdns.__dict__.clear()
    yield
    ice._mdns.__dict__.clear()
