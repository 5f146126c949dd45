"""A server in a process of its own, which a test may kill: PORT KEY RECORDS. Tells its address.

Its key is given, so that a phone knows it again after a restart; its vision finds nothing, so that
three browsers and it fit on a small machine.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from server import tokens
from server.config import ServerConfig
from server.serve import running
from vision.live import LiveReading, LiveState
from vision.read import not_found
from vision.rods import NotFound, Reason


def blind(state: LiveState, frame: Any, setup: Any, time_s: float, hints: Any = ()) -> Any:
    return state, LiveReading(not_found(NotFound(Reason.NO_RODS), setup), 0.0)


async def main(port: int, key: str, records: Path) -> None:
    tokens.secrets = SimpleNamespace(token_urlsafe=lambda size: key)  # type: ignore[attr-defined]
    async with running(ServerConfig(port=port, analyse=blind, records=records)) as server:
        print(server.page_url, flush=True)
        await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), sys.argv[2], Path(sys.argv[3])))
