"""Files read by the workers of an existing Dask cluster (`--scheduler ADDRESS`).

Dask gives a dead worker's files to another one; what comes twice, the journal takes once.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator, Sequence
from typing import Any

from server.batch import DIED, Options, Result, Work, all_of, unreadable
from server.fields import printable
from vision.errors import TeesquareError

CONNECT_S = 10
AHEAD = 3  # files given to each of the cluster's threads beforehand


class ClusterError(TeesquareError):
    """A cluster that cannot be used; the message says what to do."""


class Cluster:
    """An `Engine` of a Dask cluster's workers, which must see the files under the same paths."""

    def __init__(self, address: str) -> None:
        """Connect. Raises ClusterError."""
        try:
            import distributed
        except ImportError as wrong:
            raise ClusterError(
                "--scheduler needs Dask, which is not installed: pip install 'teesquare[cluster]', "
                "or leave --scheduler out and use --jobs"
            ) from wrong
        if re.fullmatch(r"((tcp|tls|ucx|wss?)://)?[^/\s]+:\d+/?", address) is None:
            raise _nobody(address)
        _quiet()
        try:
            self._client: Any = distributed.Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as wrong:
            raise _nobody(address) from wrong
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_S)
            self._check()
        except TimeoutError as wrong:
            self.close()
            raise ClusterError(
                f"the scheduler at {address} has no worker: start some with `dask worker {address}`"
            ) from wrong
        except BaseException:
            self.close()
            raise

    def _check(self) -> None:
        """Raises ClusterError unless all workers have this very program."""
        own = _version()
        for worker, version in self._client.run(_version, on_error="return").items():
            if isinstance(version, BaseException) or version != own:
                has = "none" if isinstance(version, BaseException) else version
                raise ClusterError(
                    f"the worker {worker} has teesquare {has}, this machine {own}: install the "
                    "same version on all of them (pip install 'teesquare[cluster]')"
                )

    @property
    def workers(self) -> int:
        """The cluster's threads at this moment."""
        return max(1, sum(map(int, self._client.nthreads().values())))

    def close(self) -> None:
        """Leave the cluster as it was found."""
        self._client.close(timeout=CONNECT_S)

    def results(self, work: Sequence[Work], options: Options) -> Iterator[tuple[int, list[Result]]]:
        """See `Engine`. Raises ClusterError when the scheduler goes."""
        from distributed import as_completed

        waiting = iter(enumerate(work))
        numbers: dict[Any, int] = {}
        done = as_completed(loop=self._client.loop)

        def fill() -> None:
            room = AHEAD * self.workers - len(numbers)
            for _ in range(room):
                number, item = next(waiting, (-1, None))
                if item is None:
                    return
                future = self._client.submit(read_there, item, options, pure=False)
                numbers[future.key] = number
                done.add(future)

        try:
            fill()
            while numbers:
                future = next(done)
                number = numbers.pop(future.key)
                yield number, self._answer(future, work[number], options)
                future.release()
                fill()
        except (OSError, TimeoutError) as wrong:  # CommClosedError is an OSError
            raise _gone() from wrong

    def _answer(self, future: Any, work: Work, options: Options) -> list[Result]:
        from distributed import KilledWorker

        if future.status == "finished":
            found: list[Result] = future.result()
            return found
        if future.status in ("cancelled", "lost"):
            raise _gone()
        wrong = future.exception()
        if isinstance(wrong, KilledWorker):
            return [unreadable(work.job, 0, DIED, options)]
        raise ClusterError(
            f"a worker failed ({type(wrong).__name__}: {wrong}): see that all of them have this "
            "version of teesquare, then run the same command again: what is done is kept"
        )


def _quiet() -> None:
    """Dask's own account of every worker that goes is not for people; it sets levels one by one."""
    for name in ("distributed", "tornado", *logging.root.manager.loggerDict):
        if name.partition(".")[0] in ("distributed", "tornado"):
            logging.getLogger(name).setLevel(logging.CRITICAL)


def _nobody(address: str) -> ClusterError:
    return ClusterError(
        f"no Dask scheduler answers at {printable(address)}: start one with `dask scheduler`, and "
        "give the address that it prints, such as tcp://192.0.2.7:8786"
    )


def _gone() -> ClusterError:
    return ClusterError(
        "the connection to the scheduler is lost. What is done is kept: when it is back, run the "
        "same command again"
    )


def _version() -> str:
    from server.cli import version

    return version()


def read_there(work: Work, options: Options) -> list[Result]:
    """On a worker: one file's results."""
    import cv2

    from server.solve import VisionSolver

    cv2.setNumThreads(1)  # each of the cluster's threads reads a file of its own
    return all_of(work, options, VisionSolver())
