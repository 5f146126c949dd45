"""What the server does, in numbers: `/healthz` and `/metrics` (Prometheus text), for the coach.

No label holds a name, a token, an address or a session: the numbers are of the server as a whole.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable

from aiohttp import web
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.exposition import CONTENT_TYPE_LATEST

from server.access import require
from server.tokens import Role

LAG_EVERY_S = 0.1
STUCK_S = 1.0  # a loop that was late by so much of late is not well
_AGES_S = (0.01, 0.02, 0.03, 0.04, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3, 0.5, 1.0, 2.0)
_LAGS_S = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)


class Metrics:
    """Counts of one server, in a registry of their own (two servers in one process do not mix)."""

    def __init__(self, sessions: Callable[[], int] = lambda: 0) -> None:
        self._registry = CollectorRegistry()
        registry = self._registry
        self._sessions = Gauge("teesquare_sessions", "Sessions now", registry=registry)
        self._sessions.set_function(sessions)
        self.opened = Counter("teesquare_sessions_opened", "Sessions begun", registry=registry)
        self.received = Counter("teesquare_frames_received", "Pictures decoded", registry=registry)
        self.dropped = Counter(
            "teesquare_frames_dropped", "Pictures replaced by a newer one unseen", registry=registry
        )
        self.analysed = Counter("teesquare_frames_analysed", "Pictures analysed", registry=registry)
        self.age = Histogram(
            "teesquare_guidance_age_seconds",
            "From a picture's arrival to its guidance",
            buckets=_AGES_S,
            registry=registry,
        )
        self.lag = Histogram(
            "teesquare_loop_lag_seconds",
            "Lateness of the event loop",
            buckets=_LAGS_S,
            registry=registry,
        )
        self.words = Counter(
            "teesquare_messages_received", "Messages of the pages", registry=registry
        )
        self.refused = Counter(
            "teesquare_messages_refused", "Messages beyond the rate", registry=registry
        )
        self.bytes_in = Counter(
            "teesquare_received_bytes", "Bytes of media and messages", registry=registry
        )
        self.bytes_out = Counter(
            "teesquare_sent_bytes", "Bytes sent to the phones", registry=registry
        )
        self._late_s = 0.0

    def guided(self, age_s: float) -> None:
        """One picture was analysed and its guidance sent."""
        self.analysed.inc()
        self.age.observe(age_s)

    def text(self) -> bytes:
        """All of it in the Prometheus text format."""
        return generate_latest(self._registry)

    @property
    def well(self) -> bool:
        """Whether the event loop keeps up."""
        return self._late_s < STUCK_S

    async def watch(self, app: web.Application) -> AsyncIterator[None]:
        """Measure the loop's lag while the application runs (one of `app.cleanup_ctx`)."""
        task = asyncio.create_task(self._watch())
        yield
        task.cancel()

    async def _watch(self) -> None:
        while True:
            due_s = time.perf_counter() + LAG_EVERY_S
            await asyncio.sleep(LAG_EVERY_S)
            self._late_s = max(time.perf_counter() - due_s, 0.0)
            self.lag.observe(self._late_s)


class MetricsPages:
    """The two addresses."""

    def __init__(self, metrics: Metrics, refresh: Callable[[], Awaitable[None]]) -> None:
        self._metrics = metrics
        self._refresh = refresh

    def add_routes(self, app: web.Application) -> None:
        """Add `/healthz` and `/metrics`."""
        app.add_routes([web.get("/healthz", self.health), web.get("/metrics", self.metrics)])

    @require(Role.COACH)
    async def health(self, request: web.Request) -> web.Response:
        """200 and "ok", or 503 and "slow" when the event loop was late by STUCK_S."""
        well = self._metrics.well
        return web.Response(status=200 if well else 503, text="ok\n" if well else "slow\n")

    @require(Role.COACH)
    async def metrics(self, request: web.Request) -> web.Response:
        """All counts."""
        await self._refresh()
        return web.Response(
            body=self._metrics.text(), headers={"Content-Type": CONTENT_TYPE_LATEST}
        )
