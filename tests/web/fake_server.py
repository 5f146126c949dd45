"""A stand-in for the server: the real WHIP exchange and data channel, scripted guidance."""

from __future__ import annotations

import asyncio
import contextlib
import copy
import json
from pathlib import Path
from typing import Any

from aiohttp import web
from aiortc import RTCConfiguration, RTCDataChannel, RTCPeerConnection, RTCSessionDescription
from aiortc.contrib.media import MediaBlackhole

WEB = Path(__file__).parents[2] / "web"
TOKEN = "right-key"
CSP = "default-src 'self'; media-src 'self' blob: mediastream:"
EVERY_S = 1 / 15

OFF: dict[str, Any] = {
    "view": "face-on",
    "handed": "right",
    "verdict": "off",
    "reason": None,
    "size": [1280, 720],
    "rods": [
        {"role": "target", "ends_px": [[290, 400], [990, 412]], "ends_seen": [True, True]},
        {"role": "stem", "ends_px": [[640, 406], [560, 640]], "ends_seen": [True, False]},
    ],
    "placement": {
        "offset_m": 0.2,
        "distance_m": 3.1,
        "height_m": 0.95,
        "yaw_deg": 3.0,
        "pitch_deg": -10.0,
        "roll_deg": 0.3,
    },
    "sigma": {
        "offset_m": 0.01,
        "distance_m": 0.05,
        "height_m": 0.04,
        "yaw_deg": 0.2,
        "pitch_deg": 0.3,
        "roll_deg": 0.3,
    },
    "layout": {
        "angle_deg": 90.0,
        "sigma_deg": 2.0,
        "measured": False,
        "square_offset_m": 0.2,
        "square_offset_sigma_m": 0.14,
    },
    "lens": {"focal_px": 1050.0, "sigma_px": 100.0, "source": "assumed"},
    "framing": {"ok": False, "out": ["club head at the top"]},
    "effect": {"ball_shift_m": -0.03, "ball_shift_sigma_m": 0.01},
    "advice": [
        {
            "move": "slide",
            "direction": "left",
            "amount_m": 0.2,
            "text": "Slide the phone 20 cm to the left.",
        }
    ],
    "say": "Slide the phone 20 cm to the left.",
    "big": {"arrow": "left", "number": "20", "unit": "cm", "word": "Slide left"},
    "effect_text": "The ball will look 3 cm further back than it is.",
    "notes": ["The rods' own angle is unproven: it could cost up to 28 cm."],
    "hold": None,
}
SQUARE = copy.deepcopy(OFF) | {
    "verdict": "square",
    "placement": {
        "offset_m": 0.008,
        "distance_m": 3.1,
        "height_m": 0.95,
        "yaw_deg": 0.3,
        "pitch_deg": -10.0,
        "roll_deg": 0.2,
    },
    "framing": {"ok": True, "out": []},
    "say": "Square to your rods. Leave the phone where it is.",
    "big": {"arrow": "ready", "number": "", "unit": "", "word": "Square"},
    "effect_text": "The film shows ball and club where they are, to 1 cm.",
}
NOT_FOUND = copy.deepcopy(OFF) | {
    "verdict": "not-found",
    "reason": "one rod only",
    "rods": OFF["rods"][:1],
    **dict.fromkeys(("placement", "sigma", "layout", "lens", "framing", "effect")),
    "say": "Only one rod is in view. Step back until both are in the picture.",
    "big": {"arrow": "find", "number": "", "unit": "", "word": "One rod only"},
    "effect_text": "",
    "notes": [],
}
HOLD = copy.deepcopy(SQUARE) | {
    "verdict": "off",
    "say": "Hold still.",
    "big": {"arrow": "hold", "number": "", "unit": "", "word": "Hold still"},
    "hold": {"square_for_s": 0.4, "need_s": 1.0},
}


class FakeServer:
    """Set `guidance` to what shall be sent; read `setups`, `tilts`, `hints` and `pings`."""

    def __init__(self) -> None:
        self.guidance: dict[str, Any] | None = copy.deepcopy(OFF)
        self.echo_setup = True
        self.answer_pings = True
        self.refuse: tuple[int, dict[str, str], str] | None = None
        self.setups: list[dict[str, Any]] = []
        self.tilts: list[dict[str, Any]] = []
        self.hints: list[dict[str, Any]] = []
        self.echo_hint = True
        self.places: list[dict[str, Any]] = []
        self.agains: list[dict[str, Any]] = []
        self.earlier: list[dict[str, Any]] = []
        self.asked_earlier: list[dict[str, Any]] = []
        self.looks: list[dict[str, Any]] = []
        self.films: list[dict[str, Any]] = []
        self.names: list[str] = []
        self.log: list[dict[str, Any]] = []
        self.aims: list[dict[str, Any]] = []
        self.pings = 0
        self.offers: list[str] = []
        self.deleted = 0
        self.peers: list[RTCPeerConnection] = []
        self.tasks: list[asyncio.Task[None]] = []
        self.demo_script: str | None = None
        self.problem: str | None = None  # the answer to every setup

    async def start(self, port: int = 0) -> str:
        app = web.Application()
        app.router.add_get("/", self._file)
        app.router.add_get("/web/{path:.+}", self._file)
        app.router.add_get("/demo/phone.js", self._demo)
        app.router.add_get("/drift", self._drift)
        app.router.add_get("/drift/places", self._places)
        app.router.add_get("/drift/log", self._log)
        app.router.add_post("/again/places", self._earlier)
        app.router.add_post("/whip", self._whip)
        app.router.add_delete("/whip/{session}", self._delete)
        self.runner = web.AppRunner(app, shutdown_timeout=1)
        await self.runner.setup()
        site = web.TCPSite(self.runner, "127.0.0.1", port)
        await site.start()
        self.port = self.runner.addresses[0][1]
        return f"http://127.0.0.1:{self.port}"

    async def stop(self) -> None:
        for task in self.tasks:
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task
        for peer in self.peers:
            await peer.close()
        await self.runner.cleanup()

    async def vanish(self) -> None:
        """The server dies without a word: no media, no messages, no HTTP."""
        await self.stop()
        self.peers, self.tasks = [], []

    async def _file(self, request: web.Request) -> web.StreamResponse:
        path = WEB / request.match_info.get("path", "index.html")
        if not path.is_file():
            raise web.HTTPNotFound
        return web.FileResponse(path, headers={"Content-Security-Policy": CSP})

    async def _drift(self, _request: web.Request) -> web.StreamResponse:
        return web.FileResponse(WEB / "drift.html", headers={"Content-Security-Policy": CSP})

    async def _places(self, request: web.Request) -> web.Response:
        assert request.headers["Authorization"] == f"Bearer {TOKEN}"
        return web.json_response({"places": self.names})

    async def _log(self, request: web.Request) -> web.Response:
        assert request.headers["Authorization"] == f"Bearer {TOKEN}"
        return web.json_response({"place": request.query["place"], "rows": self.log})

    async def _earlier(self, request: web.Request) -> web.Response:
        assert request.headers["Authorization"] == f"Bearer {TOKEN}"
        self.asked_earlier.append(await request.json())
        return web.json_response({"places": self.earlier})

    async def _demo(self, _request: web.Request) -> web.Response:
        if self.demo_script is None:
            raise web.HTTPNotFound
        return web.Response(text=self.demo_script, content_type="text/javascript")

    async def _whip(self, request: web.Request) -> web.Response:
        if self.refuse:
            status, headers, detail = self.refuse
            body = json.dumps({"title": "refused", "status": status, "detail": detail})
            return web.Response(
                status=status, headers=headers, text=body, content_type="application/problem+json"
            )
        assert request.headers["Authorization"] == f"Bearer {TOKEN}"
        assert request.content_type == "application/sdp"
        offer = await request.text()
        self.offers.append(offer)
        peer = RTCPeerConnection(RTCConfiguration(iceServers=[]))
        self.peers.append(peer)
        channel = peer.createDataChannel("guidance", ordered=False, maxRetransmits=0)
        state = {"setup": 0}
        channel.on("message", lambda text: self._message(channel, state, json.loads(text)))
        channel.on(
            "open", lambda: self.tasks.append(asyncio.create_task(self._send(channel, state)))
        )
        sink = MediaBlackhole()
        peer.on("track", sink.addTrack)
        await peer.setRemoteDescription(RTCSessionDescription(offer, "offer"))
        await peer.setLocalDescription(await peer.createAnswer())
        await sink.start()
        return web.Response(
            status=201,
            text=peer.localDescription.sdp,
            content_type="application/sdp",
            headers={"Location": f"/whip/{len(self.peers)}", "ETag": '"1"'},
        )

    async def _delete(self, _request: web.Request) -> web.Response:
        self.deleted += 1
        return web.Response()

    def _message(self, channel: RTCDataChannel, state: dict[str, int], message: Any) -> None:
        if message["type"] == "ping":
            self.pings += 1
            if self.answer_pings:
                channel.send(json.dumps({"type": "pong", "t_ms": message["t_ms"]}))
        elif message["type"] == "setup":
            self.setups.append(message)
            if self.problem:
                answer = {"type": "problem", "seq": message["seq"], "text": self.problem}
                channel.send(json.dumps(answer))
            elif self.echo_setup:
                state["setup"] = message["seq"]
        elif message["type"] == "tilt":
            self.tilts.append(message)
        elif message["type"] == "hint":
            self.hints.append(message)
            if self.echo_hint:
                state["hint"] = message["seq"]
        elif message["type"] == "aim":
            self.aims.append(message)
            state["aim"] = message["seq"]
        elif message["type"] == "place":
            self.places.append(message)
            state["place"] = message["seq"]
        elif message["type"] == "again":
            self.agains.append(message)
            state["again"] = message["seq"]
        elif message["type"] == "look":
            self.looks.append(message)
            state["look"] = message["seq"]
        elif message["type"] == "film":
            self.films.append(message)
            state["film"] = message["seq"]

    async def _send(self, channel: RTCDataChannel, state: dict[str, int]) -> None:
        seq = 0
        while channel.readyState == "open":
            if self.guidance is not None:
                seq += 1
                extra = {"seq": seq, "capture_s": seq * EVERY_S, "setup_seq": state["setup"]}
                extra["hint_seq"] = state.get("hint")
                extra["aim_seq"] = state.get("aim")
                extra["place_seq"] = state.get("place")
                extra["again_seq"] = state.get("again")
                extra["look_seq"] = state.get("look")
                extra["film_seq"] = state.get("film")
                channel.send(json.dumps({"type": "guidance", "age_ms": 18} | self.guidance | extra))
            await asyncio.sleep(EVERY_S)
