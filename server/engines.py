"""Who reads the files of a long run: processes of this machine (a cluster: `server.cluster`)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Protocol

from server.batch import Options, Result, Work, all_of, alone, pool_of
from server.solve import Solver

AHEAD = 2  # tasks waiting for each process, so that none is ever idle


class Engine(Protocol):
    """Reads files in any order."""

    @property
    def workers(self) -> int:
        """How many files are read at a time, as far as is known."""

    def results(self, work: Sequence[Work], options: Options) -> Iterator[tuple[int, list[Result]]]:
        """Each file's results with its position in `work`, as they are ready, every one once."""


class Here:
    """Processes on this machine."""

    def __init__(self, processes: int, solver: Solver) -> None:
        self._processes = processes
        self._solver = solver

    @property
    def workers(self) -> int:
        """How many processes there are."""
        return self._processes

    def results(self, work: Sequence[Work], options: Options) -> Iterator[tuple[int, list[Result]]]:
        """See `Engine`. A file that ends its process has an error for an answer."""
        waiting = iter(enumerate(work))
        running: dict[Future[list[Result]], int] = {}
        pool = pool_of(self._processes)
        try:
            while True:
                broken: list[int] = []
                try:
                    while len(running) < AHEAD * self._processes:
                        number, item = next(waiting, (-1, None))
                        if item is None:
                            break
                        broken = [number]
                        running[pool.submit(all_of, item, options, self._solver)] = number
                        broken = []
                except BrokenProcessPool:
                    pass
                if not running and not broken:
                    return
                for future in wait(running, return_when=FIRST_COMPLETED).done:
                    number = running.pop(future)
                    try:
                        yield number, future.result()
                    except BrokenProcessPool:
                        broken.append(number)
                if broken:
                    # One of the tasks in flight did it; alone, each shows whether it was the one.
                    pool.shutdown()
                    for future, number in running.items():
                        if future.exception() is None:
                            yield number, future.result()
                        else:
                            broken.append(number)
                    running.clear()
                    for number in sorted(broken):
                        yield number, alone(work[number], options, self._solver)
                    pool = pool_of(self._processes)
        finally:
            pool.shutdown(cancel_futures=True)
