"""What all tests share."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import pytest
from aioice import ice

from server import event_loop
from vision.warm import warm_up

cv2.setNumThreads(1)  # as the server does; see tests/__init__.py

# Few tests, minutes of them: begun first, so that no process is left alone with one.
# The bench is first: on a new machine it has vision's loops compiled while the pages' tests run.
SLOW = ("bench", "web", "docs", "live", "network", "faults", "clients", "demo")
IN_TIME = SLOW[3:]  # where vision must answer within seconds
GUIDED = "test_language.py"  # needs vision compiled: last of the pages


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files of slow folders first."""

    def rank(item: pytest.Item) -> tuple[int, bool]:
        folder = _folder(item.path)
        return (*SLOW, folder).index(folder), item.path.name == GUIDED

    items.sort(key=rank)


def _folder(file: Path) -> str:
    return file.relative_to(Path(__file__).parent).parts[0]


def pytest_asyncio_loop_factories() -> dict[str, Callable[[], asyncio.AbstractEventLoop]]:
    """The event loop that the commands serve with."""
    return {"shipped": event_loop.new_event_loop}


@pytest.fixture(autouse=True)
def _compiled(request: pytest.FixtureRequest) -> None:
    """Vision's loops compiled before the clock runs: half a minute on a new machine, once."""
    if _folder(request.path) in IN_TIME:
        warm_up()


@pytest.fixture(autouse=True)
def _own_mdns() -> Iterator[None]:
    """Browsers without a camera's permission hide their addresses behind mDNS names.

    The ICE library keeps its resolver's lock for the life of the thread, so it belongs to the
    loop of the first test that used it, while each test here has a loop of its own.
    """
    ice._mdns.__dict__.clear()
    yield
    ice._mdns.__dict__.clear()
