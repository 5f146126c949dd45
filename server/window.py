"""Words typed into the server's own window."""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
from collections.abc import Awaitable, Callable, Mapping
from typing import TextIO

from server.words import PLAIN, Speech, named

MAX_LINE = 1000


class Window:
    """While the context lasts, a line typed on `stream` runs the command of that name.

    Where there is no window (a service, a closed or redirected input, a system whose event loop
    cannot watch one) nothing happens, and the coach's page is the way.
    """

    def __init__(
        self,
        commands: Mapping[str, Callable[[], Awaitable[None]]],
        stream: TextIO | None = None,
        speech: Speech = PLAIN,
    ) -> None:
        self._speech = speech
        self._commands = commands
        self._stream = sys.stdin if stream is None else stream
        self._descriptor: int | None = None
        self._typed = b""
        self._running: set[asyncio.Task[None]] = set()

    def __enter__(self) -> Window:
        with contextlib.suppress(OSError, ValueError, AttributeError, NotImplementedError):
            descriptor = self._stream.fileno()
            asyncio.get_running_loop().add_reader(descriptor, self._read)
            self._descriptor = descriptor
        return self

    def __exit__(self, *_: object) -> None:
        self._leave()
        for task in self._running:
            task.cancel()

    def _leave(self) -> None:
        if self._descriptor is not None:
            asyncio.get_running_loop().remove_reader(self._descriptor)
            self._descriptor = None

    def _read(self) -> None:
        descriptor = self._descriptor
        if descriptor is None or not _in_foreground(descriptor):
            return
        try:
            got = os.read(descriptor, 4096)
        except OSError:
            got = b""
        if not got:
            self._leave()  # the window was closed
            return
        *lines, self._typed = (self._typed + got).split(b"\n")
        self._typed = self._typed[-MAX_LINE:]
        for line in lines:
            self._do(line.decode("utf-8", "replace").strip().lower())

    def _do(self, word: str) -> None:
        command = self._commands.get(word)
        if command is None:
            if word:
                known = ", ".join(self._commands)
                print(named(self._speech, "serve.words", words=known), flush=True)
            return

        async def run() -> None:
            await command()

        task = asyncio.create_task(run())
        self._running.add(task)
        task.add_done_callback(self._running.discard)


def _in_foreground(descriptor: int) -> bool:
    """Whether reading a terminal is allowed now: a job in the background would be stopped."""
    try:
        return not os.isatty(descriptor) or os.tcgetpgrp(descriptor) == os.getpgrp()
    except (OSError, AttributeError):
        return True
