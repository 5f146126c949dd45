"""Guidance as a client without a data channel reads it: server-sent events."""

import asyncio
import json

import aiohttp


def headers(server):
    return {"Authorization": f"Bearer {server.token}"}


async def first_guidance(server, session_url, count=3, seconds=15):
    """The `count`th guidance message of a session, as the HTML standard, section 9.2, sends it."""
    seen = 0
    async with (
        asyncio.timeout(seconds),
        aiohttp.ClientSession(headers=headers(server)) as http,
        http.get(session_url + "/guidance") as stream,
    ):
        assert stream.status == 200
        async for line in stream.content:
            if line.startswith(b"data: "):
                message = json.loads(line[6:])
                seen += message["type"] == "guidance"
                if seen == count:
                    return message
    raise AssertionError("the stream of guidance ended")
