"""The server of the bad network, run in its namespace: HOST. Tells its address; ends with stdin."""

from __future__ import annotations

import asyncio
import json
import sys

from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from tests.server.live_phone import far_away


async def main(host: str) -> None:
    told: list[str] = []
    config = ServerConfig(host=host, analyse=far_away, tell=told.append)
    async with running(config) as server:
        print(json.dumps({"url": server.url, "token": server.token}), flush=True)
        await asyncio.get_running_loop().run_in_executor(None, sys.stdin.readline)
        sessions = server.app[SESSIONS]
        pictures = [session.received for session in sessions]
    print(json.dumps({"told": told, "pictures": pictures}), flush=True)


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1]))
