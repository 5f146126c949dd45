"""What all tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from aioice import ice


@pytest.fixture(autouse=True)
def _own_mdns() -> Iterator[None]:
    """Browsers without a camera's permission hide their addresses behind mDNS names.

    The ICE library keeps its resolver's lock for the life of the thread, so it belongs to the
    loop of the first test that used it, while each test here has a loop of its own.
    """
    ice._mdns.__dict__.clear()
    yield
    ice._mdns.__dict__.clear()
