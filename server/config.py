"""What a server is told before it starts."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from server.certs import CertFiles

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from server.look_watch import KeepLook
    from vision.frame import Frame
    from vision.hint import Hint
    from vision.live import LiveReading, LiveState
    from vision.profile import LensKey, Profile
    from vision.setup import Setup

    class Analyse(Protocol):
        """What `vision.live.step` does."""

        def __call__(
            self,
            state: LiveState,
            frame: Frame,
            setup: Setup,
            time_s: float,
            hints: tuple[Hint, ...] = (),
        ) -> tuple[LiveState, LiveReading]:
            """One frame of a stream."""
            ...


def _workers() -> int:
    """Threads for vision: one core stays free for the network and the decoder."""
    return max(1, min(4, (os.cpu_count() or 2) - 1))


def _silent(sentence: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True, slots=True)
class ServerConfig:
    """Everything that a server may be told; the defaults are for tests and the demo.

    `port` 0 takes any free one. `tls` None means plain HTTP, which a browser trusts with the
    camera only on this machine. `analyse` None means `vision.live.step`. `lenses` gives what is
    known of a lens (called in a thread; None: nothing is known of any), `keep_look` takes what a
    first look has measured of one. `tell` is given short
    sentences about phones coming and going. Times in seconds: a phone that has not sent a ping
    for `gone_s` is called gone, and its session ends after `forget_s`; guidance waits `settle_s`
    at most for the phone's first setup and tilt. `places`: the file of remembered places and their
    drift; None keeps them in memory. `allow_hosts`: names beyond its own that the server answers
    to; `allow_origins`: pages from elsewhere (`https://name:port`) that may use the signalling.
    """

    host: str = "127.0.0.1"
    port: int = 0
    tls: CertFiles | None = None
    token_life_s: float = 12 * 3600.0
    workers: int = field(default_factory=_workers)
    max_sessions: int = 4
    gone_s: float = 1.7
    forget_s: float = 15.0
    settle_s: float = 1.0
    places: Path | None = None
    records: Path | None = None  # the file of films' records; None keeps them in memory
    allow_hosts: tuple[str, ...] = ()
    allow_origins: tuple[str, ...] = ()
    analyse: Analyse | None = None
    pool: Executor | None = None  # the threads of vision; None: `workers` of them
    lenses: Callable[[LensKey], Profile | None] | None = None
    keep_look: KeepLook | None = None
    tell: Callable[[str], None] = _silent
