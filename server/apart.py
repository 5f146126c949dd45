"""Vision in a process of its own, for many phones at once.

In one process the thread of vision and the event loop wait for each other: Python runs one of them
at a time. One picture's planes go through shared memory, state and reading (some 6 KB) through a
pipe. Whatever fails here is done in the server's own process instead.
"""

from __future__ import annotations

import contextlib
import logging
import multiprocessing as mp
import pickle
import queue
import signal
import threading
import time
from ctypes import c_uint8
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision import live
from vision.errors import TeesquareError
from vision.frame import Frame
from vision.hint import Hint
from vision.live import LiveReading, LiveState
from vision.setup import Setup
from vision.warm import warm_up

logger = logging.getLogger(__name__)

SPACE = 3840 * 2160 * 3 // 2  # bytes of the largest picture that is sent across
READY_S = 120.0  # to begin, compiling included
ANSWER_S = 5.0  # a step takes some milliseconds: one that takes so long hangs
AGAIN_S = 10.0  # between two beginnings
END_S = 1.0


class Aparts:
    """So many processes of vision, for as many threads: each call takes one that is free."""

    def __init__(self, count: int) -> None:
        self._all = [Apart() for _ in range(count)]
        self._free: queue.SimpleQueue[Apart] = queue.SimpleQueue()
        for one in self._all:
            self._free.put(one)

    @property
    def steps(self) -> int:
        """Pictures analysed in the other processes."""
        return sum(one.steps for one in self._all)

    def begin(self) -> None:
        """Have all begin. Safe to call again."""
        for one in self._all:
            one.begin()

    def step(self, *what: Any) -> tuple[LiveState, LiveReading]:
        """`Apart.step` of one that is free."""
        one = self._free.get()
        try:
            return one.step(*what)
        finally:
            self._free.put(one)

    def close(self) -> None:
        """End the processes. Safe to call again."""
        for one in self._all:
            one.close()


class Apart:
    """`vision.live.step` in another process: one picture at a time, other threads wait.

    Until `begin` has brought it up, after it has died or hung (a new one then begins by itself),
    and for pictures of more than 4K, `step` works in the caller's own thread.
    """

    def __init__(self) -> None:
        self._mutex = threading.Lock()
        self._process: BaseProcess | None = None
        self._pipe: Connection | None = None
        self._space: NDArray[np.uint8] | None = None
        self._began_s = float("-inf")
        self._closed = False
        self.steps = 0  # done in the other process

    @property
    def ready(self) -> bool:
        """Whether the other process is up."""
        return self._pipe is not None

    @property
    def pid(self) -> int | None:
        """The other process's number."""
        return None if self._process is None else self._process.pid

    def begin(self) -> None:
        """Have the process begin, from a thread of its own. Safe to call again."""
        with self._mutex:
            now_s = time.monotonic()
            if self._closed or self.ready or now_s - self._began_s < AGAIN_S:
                return
            self._began_s = now_s
        threading.Thread(target=self._begin, name="vision apart", daemon=True).start()

    def step(
        self,
        state: LiveState,
        frame: Frame,
        setup: Setup,
        time_s: float,
        hints: tuple[Hint, ...] = (),
    ) -> tuple[LiveState, LiveReading]:
        """As `vision.live.step`, and raises what that does."""
        with self._mutex:
            asked = self._ask(frame, (state, setup, time_s, hints))
        if asked is None:
            return live.step(state, frame, setup, time_s, hints)
        good, out = asked
        if not good:
            raise out
        after, reading = out
        return after, reading

    def close(self) -> None:
        """End the process. Safe to call again."""
        with self._mutex:
            self._closed = True
            self._drop()

    def _ask(self, frame: Frame, rest: tuple[Any, ...]) -> tuple[bool, Any] | None:
        """The other process's answer; None where it gave none."""
        if self._pipe is None or self._space is None:
            return None
        planes = (frame.y, frame.u, frame.v)
        if sum(plane.size for plane in planes) > SPACE:
            return None
        at = 0
        for plane in planes:
            self._space[at : at + plane.size].reshape(plane.shape)[:] = plane
            at += plane.size
        try:
            shapes = tuple(plane.shape for plane in planes)
            self._pipe.send_bytes(pickle.dumps((shapes, *rest), pickle.HIGHEST_PROTOCOL))
            if not self._pipe.poll(ANSWER_S):
                raise TimeoutError(f"no answer within {ANSWER_S} s")
            answer: tuple[bool, Any] = pickle.loads(self._pipe.recv_bytes())
        except (OSError, EOFError, pickle.PickleError) as wrong:
            logger.error("the process of vision has failed (%r): a new one begins", wrong)
            self._drop()
            threading.Thread(target=self.begin, daemon=True).start()
            return None
        self.steps += 1
        return answer

    def _begin(self) -> None:
        context = mp.get_context("spawn")  # a fork would take threads' locks with it
        space = context.RawArray(c_uint8, SPACE)
        here, there = context.Pipe()
        process = context.Process(target=_serve, args=(there, space), name="vision", daemon=True)
        try:
            process.start()
            there.close()
            up = here.poll(READY_S) and here.recv_bytes() == b"ready"
        except (OSError, EOFError) as wrong:
            logger.error("no process of vision could begin: %r", wrong)
            up = False
        with self._mutex:
            self._process = process
            if up and not self._closed:
                self._space = _bytes(space)
                self._pipe = here
                return
            here.close()
            self._drop()

    def _drop(self) -> None:
        if self._pipe is not None:
            with contextlib.suppress(OSError):
                self._pipe.close()
        process, self._process, self._pipe, self._space = self._process, None, None, None
        if process is not None and process.pid is not None:
            process.join(END_S / 10)
            if process.is_alive():
                process.kill()
                process.join(END_S)


def _bytes(space: Any) -> NDArray[np.uint8]:
    """The shared memory as an array; typed loosely, as ctypes is."""
    return np.frombuffer(space, dtype=np.uint8)


def _serve(pipe: Connection, space: Any) -> None:
    """The other process: one question after the other, until the pipe is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's, which closes the pipe
    cv2.setNumThreads(1)
    warm_up()
    memory = _bytes(space)
    with contextlib.suppress(OSError, EOFError):
        pipe.send_bytes(b"ready")
        while True:
            shapes, state, setup, time_s, hints = pickle.loads(pipe.recv_bytes())
            planes, at = [], 0
            for height, width in shapes:
                size = height * width
                planes.append(memory[at : at + size].reshape(height, width))
                at += size
            answer: tuple[bool, Any]
            try:
                answer = True, live.step(state, Frame(*planes), setup, time_s, hints)
            except TeesquareError as wrong:
                answer = False, TeesquareError(str(wrong))
            except Exception as wrong:
                logger.exception("the analysis of a picture failed")
                answer = False, RuntimeError(f"{type(wrong).__name__}: {wrong}")
            pipe.send_bytes(pickle.dumps(answer, pickle.HIGHEST_PROTOCOL))
