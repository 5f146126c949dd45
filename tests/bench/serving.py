"""A dozen phones on one server: guidance for each, its age, and what a picture costs.

The server and the bare receiver run in a process of their own, one after the other, and are asked
for their CPU time and counters; this process sends. On two cores the sender takes its share of
both, so ages and rates are those of a machine with less than two cores, while CPU for each picture
is the receiving process's own and does not depend on who else runs.
"""

import asyncio
import json
import os
import sys
import time
from contextlib import asynccontextmanager
from pathlib import Path

import aiohttp
import numpy as np

from tests.bench import sharpness
from tests.bench.scenes import LAID, gather
from tests.bench.streams import Camera, Clip, StreamPhone, clips

ROOT = Path(__file__).parents[2]
SETTLE_S = 4.0  # connecting, and the first full search of each phone
READY_S = 120.0


def row(
    phones: int, seconds: float, codec: str = "vp8", fps: int = 15, scenes: list[Path] | None = None
) -> dict:
    """One object: the real server beside the floor, in the same run with the same streams."""
    laid = [s for s in gather(scenes or []) if s.layout in LAID and s.size[0] > s.size[1]]
    made = clips(laid[:phones], codec, fps)
    return asyncio.run(_row(made, phones, seconds, codec, fps))


async def _row(made: list[Clip], phones: int, seconds: float, codec: str, fps: int) -> dict:
    sharp = await sharpness.sharp_after_s()
    floor = await _run("bare", made, phones, min(seconds, 15.0), codec, fps)
    real = await _run("real", made, phones, seconds, codec, fps)
    ages = np.concatenate([a for a in real["ages_s"] if len(a)] or [np.array([np.inf])])
    own = np.concatenate([a for a in real["own_ages_s"] if len(a)] or [np.array([np.inf])])
    lags, floor_lags = np.array(real["lags_ms"]), np.array(floor["lags_ms"])
    return {
        "bench": "server",
        "phones": phones,
        "codec": codec,
        "fps": fps,
        "seconds": seconds,
        "guidance_hz_min": round(min(real["hz"]), 2),
        "guidance_hz_median": round(float(np.median(real["hz"])), 2),
        "age_p50_ms": round(1e3 * float(np.percentile(ages, 50)), 1),
        "age_p95_ms": round(1e3 * float(np.percentile(ages, 95)), 1),
        "own_age_p95_ms": round(1e3 * float(np.percentile(own, 95)), 1),
        "loop_lag_p99_ms": round(float(np.percentile(lags, 99)), 2),
        "floor_loop_lag_p99_ms": round(float(np.percentile(floor_lags, 99)), 2),
        "cpu_per_frame_ms": round(real["cpu_ms"], 3),
        "floor_cpu_per_frame_ms": round(floor["cpu_ms"], 3),
        "cpu_per_frame_ratio": round(real["cpu_ms"] / floor["cpu_ms"], 3),
        **sharp,  # of a real browser's stream, alone on the server
        "received_hz": round(real["received_hz"], 2),
        "server_cores": round(real["cores"], 3),
        "sender_cores": round(real["sender_cores"], 3),
        "rods_found_share": round(real["found"], 3),
        "memory_mb": real["memory_mb"],
        "memory_growth_mb": real["growth_mb"],
        "threads": real["threads"],
        "cores": os.cpu_count(),
        "load": real["load"],
    }


async def _run(kind: str, made: list[Clip], phones: int, seconds: float, codec: str, fps: int):
    async with _process(kind) as (ask, address):
        headers = {"Authorization": f"Bearer {address['token']}"}
        async with aiohttp.ClientSession(address["url"], headers=headers) as http:
            sending = [
                # Phones are not in step: spread over one picture's time.
                StreamPhone(k, Camera(made[k % len(made)], fps, k / phones / fps), kind == "real")
                for k in range(phones)
            ]
            for phone in sending:
                await phone.begin(http, codec)
            await asyncio.sleep(SETTLE_S)
            before, sent_s = await ask(), time.process_time()
            marks = [len(phone.heard) for phone in sending]
            await asyncio.sleep(seconds)
            after, sent_s = await ask(), time.process_time() - sent_s
            lasted_s = after["at_s"] - before["at_s"]
            heard = [p.heard[m:] for p, m in zip(sending, marks, strict=True)]
            pictures = after["pictures"] - before["pictures"]
            out = {
                "hz": [len(h) / lasted_s for h in heard],
                "ages_s": [
                    np.array(p.ages_s(h[0].at_s if h else np.inf))
                    for p, h in zip(sending, heard, strict=True)
                ],
                "own_ages_s": [np.array([m.age_s for m in h]) for h in heard],
                "found": float(np.mean([m.found for h in heard for m in h] or [0.0])),
                "cpu_ms": 1e3 * (after["cpu_s"] - before["cpu_s"]) / max(pictures, 1),
                "cores": (after["cpu_s"] - before["cpu_s"]) / lasted_s,
                "sender_cores": sent_s / lasted_s,
                "received_hz": pictures / lasted_s / phones,
                "lags_ms": after["lags_ms"],
                "memory_mb": round(after["memory_mb"], 1),
                "growth_mb": round(after["memory_mb"] - before["memory_mb"], 1),
                "threads": after["threads"],
                "load": after["load"],
            }
            await asyncio.gather(*(phone.end() for phone in sending))
            return out


@asynccontextmanager
async def _process(kind: str):
    """The receiving process: a function that asks it for its counters, and its address."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "tests.bench.receiver",
        kind,
        stdin=asyncio.subprocess.PIPE,
        stdout=asyncio.subprocess.PIPE,
        cwd=ROOT,
        limit=2**24,
    )
    assert process.stdin is not None
    assert process.stdout is not None
    reader, writer = process.stdout, process.stdin

    async def ask() -> dict:
        writer.write(b"\n")
        return json.loads(await reader.readline())

    try:
        yield ask, json.loads(await asyncio.wait_for(reader.readline(), READY_S))
    finally:
        writer.close()
        await process.wait()
