"""The receiving process of the server bench: the real server, or one that decodes and throws away.

`python -m tests.bench.receiver real|bare`: prints its address as a JSON line; answers each line on
its standard input with its counters as one more; ends with its standard input.
"""

import asyncio
import contextlib
import json
import os
import sys
import time

import psutil
from aiohttp import web
from aiortc import RTCConfiguration, RTCPeerConnection, RTCSessionDescription
from aiortc.mediastreams import MediaStreamError

from server import event_loop
from server.app import SESSIONS
from server.config import ServerConfig
from server.serve import running
from vision.warm import warm_up

LAG_EVERY_S = 0.01
PHONES = 64


class Counters:
    """CPU of this process, its memory, pictures received, and how late its event loop wakes."""

    def __init__(self) -> None:
        self.pictures = lambda: 0
        self.dropped = lambda: 0
        self.lags_ms: list[float] = []

    async def watch(self) -> None:
        """Sleep again and again; what the sleep takes too long is the loop's lag."""
        while True:
            before_s = time.perf_counter()
            await asyncio.sleep(LAG_EVERY_S)
            self.lags_ms.append(1e3 * (time.perf_counter() - before_s - LAG_EVERY_S))

    def take(self) -> dict:
        """Everything so far; lags since the last time."""
        own = psutil.Process()
        used = own.cpu_times()
        lags, self.lags_ms = self.lags_ms, []
        return {
            "cpu_s": used.user + used.system,
            "at_s": time.perf_counter(),
            "pictures": self.pictures(),
            "dropped": self.dropped(),
            "lags_ms": lags,
            "memory_mb": own.memory_info().rss / 1e6,
            "threads": own.num_threads(),
            "load": os.getloadavg()[0],
        }


async def _answer(counters: Counters, address: dict) -> None:
    """Serve the other process's questions until it closes the pipe."""
    print(json.dumps(address), flush=True)
    loop = asyncio.get_running_loop()
    while await loop.run_in_executor(None, sys.stdin.readline):
        print(json.dumps(counters.take()), flush=True)


async def real() -> None:
    """The server as it is, open for many phones, its loops compiled before."""
    counters = Counters()
    await asyncio.to_thread(warm_up)
    async with running(ServerConfig(max_sessions=PHONES)) as server:
        sessions = server.app[SESSIONS]
        counters.pictures = lambda: sum(s.received for s in sessions)
        counters.dropped = lambda: sum(s.dropped for s in sessions)
        watch = asyncio.create_task(counters.watch())
        await _answer(counters, {"url": server.url, "token": server.token})
        watch.cancel()


async def bare() -> None:
    """The floor: the same library receives and decodes, and the pictures are thrown away."""
    counters = Counters()
    seen = [0]
    counters.pictures = lambda: seen[0]
    connections: list[RTCPeerConnection] = []
    tasks: list[asyncio.Task] = []

    async def receive(track) -> None:
        with contextlib.suppress(MediaStreamError):
            while True:
                await track.recv()
                seen[0] += 1

    async def post(request: web.Request) -> web.Response:
        pc = RTCPeerConnection(RTCConfiguration(iceServers=[]))
        connections.append(pc)
        pc.on("track", lambda track: tasks.append(asyncio.create_task(receive(track))))
        await pc.setRemoteDescription(RTCSessionDescription(await request.text(), "offer"))
        await pc.setLocalDescription(await pc.createAnswer())
        return web.Response(
            status=201,
            body=pc.localDescription.sdp.encode(),
            content_type="application/sdp",
            headers={"Location": "/whip/any"},
        )

    async def delete(request: web.Request) -> web.Response:
        return web.Response()

    app = web.Application()
    app.add_routes([web.post("/whip", post), web.delete("/whip/{any}", delete)])
    runner = web.AppRunner(app, access_log=None)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    port = runner.addresses[0][1]
    watch = asyncio.create_task(counters.watch())
    await _answer(counters, {"url": f"http://127.0.0.1:{port}", "token": ""})
    watch.cancel()
    await asyncio.gather(*(pc.close() for pc in connections))
    await runner.cleanup()


if __name__ == "__main__":
    # The floor is the library as it is commonly run.
    if sys.argv[1] == "real":
        event_loop.run(real())
    else:
        asyncio.run(bare())
