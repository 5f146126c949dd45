"""The demo's addresses."""

from __future__ import annotations

import asyncio

import aiohttp
import cv2
import numpy as np
import pytest

from server.config import ServerConfig
from server.demo.command import page_address
from server.demo.geometry import START
from server.demo.routes import add_routes, asked
from server.demo.scene import Scene, render
from server.serve import running


async def test_frame_is_the_picture_asked_for():
    async with running(ServerConfig(), add_routes) as server, aiohttp.ClientSession() as http:
        async with http.get(f"{server.url}/demo/frame?n=3") as response:
            assert response.status == 200
            assert response.content_type == "image/jpeg"
            body = await response.read()
        picture = cv2.imdecode(np.frombuffer(body, np.uint8), cv2.IMREAD_COLOR)
        assert np.abs(picture.astype(int) - render(Scene(), START, 3)).mean() < 6
        async with http.get(f"{server.url}/demo/frame?upright=1") as response:
            body = await response.read()
        assert cv2.imdecode(np.frombuffer(body, np.uint8), 0).shape == (1280, 720)


@pytest.mark.parametrize(
    "query",
    ["offset_m=nan", "yaw_deg=90", "view=above", "handed=both", "height_m=x", "distance_m=-1"],
)
async def test_what_cannot_be_drawn_is_said(query):
    async with (
        running(ServerConfig(), add_routes) as server,
        aiohttp.ClientSession() as http,
        http.get(f"{server.url}/demo/frame?{query}") as response,
    ):
        assert response.status == 400
        assert response.content_type == "application/problem+json"
        assert "give" in (await response.json(content_type=None))["detail"]


async def test_script_and_page_are_served_and_the_loop_stays_free():
    async with running(ServerConfig(), add_routes) as server, aiohttp.ClientSession() as http:
        for path in ("/demo/phone.js", "/web/demo/hand.js", "/web/texts/en/demo.json"):
            async with http.get(server.url + path) as response:
                assert response.status == 200, path
        assert page_address(server).startswith(f"http://localhost:{server.port}/?demo=1#t=")
        drawing = [
            asyncio.create_task(_get(http, f"{server.url}/demo/frame?n={n}")) for n in range(4)
        ]
        assert await _get(http, server.url + "/") == 200
        assert await asyncio.gather(*drawing) == [200] * 4


async def _get(http: aiohttp.ClientSession, url: str) -> int:
    async with http.get(url) as response:
        await response.read()
        return response.status


def test_defaults_are_the_start():
    scene, pose, number = asked({})
    assert pose.offset_m == START.offset_m
    assert pose.yaw_rad == pytest.approx(START.yaw_rad)
    assert (scene.camera.width, scene.camera.height, number) == (1280, 720, 0)
