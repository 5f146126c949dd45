"""The event loop of the commands that serve.

uvloop's, where it can be had (there is none for Windows): a phone's picture comes in a dozen
packets, and asyncio's own loop takes longer over each.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

T = TypeVar("T")

new_event_loop: Callable[[], asyncio.AbstractEventLoop] = asyncio.new_event_loop
with contextlib.suppress(ImportError):
    from uvloop import new_event_loop


def run(main: Coroutine[Any, Any, T]) -> T:
    """`asyncio.run`, with that loop."""
    with asyncio.Runner(loop_factory=new_event_loop) as runner:
        return runner.run(main)
