"""The threads of vision, which outlive whatever happens in one of them."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")

logger = logging.getLogger(__name__)


class WorkerDied(Exception):
    """A thread was told to end in the middle of its work. Never leaves the session's own tasks."""


class VisionPool(Executor):
    """`workers` threads. A pool that has broken is exchanged for a new one at the next work.

    `make` makes a pool; it is there for tests.
    """

    def __init__(self, workers: int, make: Callable[[int], Executor] | None = None) -> None:
        self._workers = workers
        self._make = make or _threads
        self._pool = self._make(workers)
        self._closed = False
        self._mutex = threading.Lock()
        self.replaced = 0

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """Have work done. Raises RuntimeError after `shutdown`."""
        pool = self._pool
        try:
            return pool.submit(_guarded, fn, args, kwargs)
        except BrokenExecutor as broken:
            logger.error("the threads of vision have broken (%s): new ones begin", broken)
            self._replace(pool)
            return self._pool.submit(_guarded, fn, args, kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let the threads go. Safe to call again."""
        with self._mutex:
            self._closed = True
        self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)

    def _replace(self, broken: Executor) -> None:
        with self._mutex:
            if self._pool is not broken or self._closed:
                return
            self._pool = self._make(self._workers)
            self.replaced += 1
        broken.shutdown(wait=False, cancel_futures=True)


def _threads(workers: int) -> Executor:
    return ThreadPoolExecutor(workers, thread_name_prefix="vision")


def _guarded(fn: Callable[..., T], args: tuple[object, ...], kwargs: dict[str, object]) -> T:
    """SystemExit and its like would end the event loop that waits for the result."""
    try:
        return fn(*args, **kwargs)
    except Exception:
        raise
    except BaseException as end:
        raise WorkerDied(f"{type(end).__name__}: {end}") from end
