"""A slot that holds only the newest item, so that a slow reader never works on stale pictures."""

from __future__ import annotations

import asyncio
from typing import Generic, TypeVar

T = TypeVar("T")


class MailboxClosed(Exception):
    """The mailbox was closed and holds nothing more. Never leaves the session's own tasks."""


class Mailbox(Generic[T]):
    """One slot between a producer and a consumer of the same event loop; newer replaces older.

    `dropped` counts the items that were replaced before anyone took them, or passed by.
    """

    def __init__(self) -> None:
        self._item: T | None = None
        self._full = asyncio.Event()
        self._closed = False
        self.received = 0
        self.dropped = 0
        self.taken = 0

    def put(self, item: T) -> None:
        """Leave an item, replacing one that nobody has taken. Ignored after `close`."""
        if self._closed:
            return
        self.received += 1
        if self._full.is_set():
            self.dropped += 1
        self._item = item
        self._full.set()

    def pass_by(self) -> None:
        """Count an item that nobody shall take."""
        self.received += 1
        self.dropped += 1

    async def wait(self) -> None:
        """Wait until there is an item to take, or the mailbox was closed."""
        await self._full.wait()

    async def take(self) -> T:
        """Wait for an item and take it. Raises MailboxClosed once closed."""
        await self._full.wait()
        item, self._item = self._item, None
        if self._closed or item is None:
            raise MailboxClosed
        self._full.clear()
        self.taken += 1
        return item

    def close(self) -> None:
        """Wake the reader for the last time."""
        self._closed = True
        self._item = None
        self._full.set()
