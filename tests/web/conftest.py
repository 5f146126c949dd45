"""The tests of one file here share a loop and, for the same switches, a browser."""

from __future__ import annotations

import inspect
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio

from tests.chromium import kept

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        test = getattr(item, "function", None)
        if HERE in item.path.parents and inspect.iscoroutinefunction(test):
            item.add_marker(pytest.mark.asyncio(loop_scope="module"), append=False)


@pytest_asyncio.fixture(scope="module", loop_scope="module", autouse=True)
async def _browsers_kept() -> AsyncIterator[None]:
    async with kept():
        yield
