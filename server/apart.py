"""Vision in a process of its own, for many phones at once.

In one process the thread of vision and the event loop wait for each other: Python runs one of them
at a time. One picture's planes go through shared memory, state and reading (some 6 KB) through a
pipe. Each process has lanes of both, so that its next pictures lie ready while it looks at one.
Whatever fails here is done in the server's own process instead.
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
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
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

LANES = 3  # pictures that one process is given at a time; two leave it waiting now and then
SPACE = 3840 * 2160 * 3 // 2  # bytes of the largest picture that is sent across
READY_S = 120.0  # to begin, compiling included
ANSWER_S = 5.0  # a step takes some milliseconds: one that takes so long hangs
AGAIN_S = 10.0  # between two beginnings
END_S = 1.0


class Aparts:
    """So many processes of vision, each for `LANES` threads: a call takes one that is free."""

    def __init__(self, count: int) -> None:
        self._all = [Apart() for _ in range(count)]
        self._free: queue.SimpleQueue[Apart] = queue.SimpleQueue()
        for one in self._all * LANES:
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


@dataclass(eq=False, slots=True)
class _Lane:
    """One thread's way to the process and back.

    Nothing closes a pipe, at which a thread may wait: let go of by all, it closes by itself.
    """

    pipe: Connection | None = None  # None: there is no process
    space: NDArray[np.uint8] | None = None


class Apart:
    """`vision.live.step` in another process: so many pictures as lanes, other threads wait.

    Until `begin` has brought it up, after it has died or hung (a new one then begins by itself),
    and for pictures of more than 4K, `step` works in the caller's own thread.
    """

    def __init__(self) -> None:
        self._mutex = threading.Lock()
        self._process: BaseProcess | None = None
        self._lanes = [_Lane() for _ in range(LANES)]
        self._free: queue.SimpleQueue[_Lane] = queue.SimpleQueue()
        for lane in self._lanes:
            self._free.put(lane)
        self._began_s = float("-inf")
        self._closed = False
        self.steps = 0  # done in the other process

    @property
    def ready(self) -> bool:
        """Whether the other process is up."""
        return self._lanes[0].pipe is not None

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
        lane = self._free.get()
        try:
            asked = self._ask(lane, frame, (state, setup, time_s, hints))
        finally:
            self._free.put(lane)
        if asked is None:
            return live.step(state, frame, setup, time_s, hints)
        good, out = asked
        if not good:
            raise out
        after, reading = out
        return after, reading

    def close(self) -> None:
        """End the process, whatever it does. Safe to call again."""
        with self._mutex:
            self._closed = True
            self._drop()

    def _ask(self, lane: _Lane, frame: Frame, rest: tuple[Any, ...]) -> tuple[bool, Any] | None:
        """The other process's answer; None where it gave none."""
        pipe, space = lane.pipe, lane.space
        if pipe is None or space is None:
            return None
        planes = (frame.y, frame.u, frame.v)
        if sum(plane.size for plane in planes) > SPACE:
            return None
        at = 0
        for plane in planes:
            space[at : at + plane.size].reshape(plane.shape)[:] = plane
            at += plane.size
        try:
            shapes = tuple(plane.shape for plane in planes)
            pipe.send_bytes(pickle.dumps((shapes, *rest), pickle.HIGHEST_PROTOCOL))
            if not pipe.poll(ANSWER_S):
                raise TimeoutError(f"no answer within {ANSWER_S} s")
            answer: tuple[bool, Any] = pickle.loads(pipe.recv_bytes())
        except (OSError, EOFError, pickle.PickleError) as wrong:
            self._failed(lane, pipe, wrong)
            return None
        self.steps += 1
        return answer

    def _failed(self, lane: _Lane, pipe: Connection, wrong: Exception) -> None:
        with self._mutex:
            if lane.pipe is not pipe:
                return  # another lane has seen it first
            if not self._closed:
                logger.error("the process of vision has failed (%r): a new one begins", wrong)
            self._drop()
        threading.Thread(target=self.begin, daemon=True).start()

    def _begin(self) -> None:
        context = mp.get_context("spawn")  # a fork would take threads' locks with it
        spaces = [context.RawArray(c_uint8, SPACE) for _ in range(LANES)]
        pipes = [context.Pipe() for _ in range(LANES)]
        lanes = [(there, space) for (_, there), space in zip(pipes, spaces, strict=True)]
        process = context.Process(target=_serve, args=(lanes,), name="vision", daemon=True)
        here = [pipe for pipe, _ in pipes]
        try:
            process.start()
            for _, there in pipes:
                there.close()
            up = here[0].poll(READY_S) and here[0].recv_bytes() == b"ready"
        except (OSError, EOFError) as wrong:
            logger.error("no process of vision could begin: %r", wrong)
            up = False
        with self._mutex:
            self._process = process
            if not up or self._closed:
                self._drop()
                return
            # The first one last: by it the process is known to be up, and then all must be.
            for lane, pipe, space in reversed(list(zip(self._lanes, here, spaces, strict=True))):
                lane.pipe, lane.space = pipe, _bytes(space)

    def _drop(self) -> None:
        process, self._process = self._process, None
        for lane in self._lanes:
            lane.pipe = lane.space = None
        if process is not None and process.pid is not None:
            process.join(END_S / 10)
            if process.is_alive():
                process.kill()
                process.join(END_S)


def _bytes(space: Any) -> NDArray[np.uint8]:
    """The shared memory as an array; typed loosely, as ctypes is."""
    return np.frombuffer(space, dtype=np.uint8)


def _serve(lanes: list[tuple[Connection, Any]]) -> None:
    """The other process: one question after the other, until a pipe is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the server's, which closes the pipes
    cv2.setNumThreads(1)
    warm_up()
    memories = {pipe: _bytes(space) for pipe, space in lanes}
    with contextlib.suppress(OSError, EOFError):
        lanes[0][0].send_bytes(b"ready")
        while True:
            for pipe in wait(list(memories)):
                assert isinstance(pipe, Connection)
                answer = _answer(pipe.recv_bytes(), memories[pipe])
                pipe.send_bytes(pickle.dumps(answer, pickle.HIGHEST_PROTOCOL))


def _answer(question: bytes, memory: NDArray[np.uint8]) -> tuple[bool, Any]:
    """Whether it went well, and the step's result or what it raised."""
    shapes, state, setup, time_s, hints = pickle.loads(question)
    planes, at = [], 0
    for height, width in shapes:
        size = height * width
        planes.append(memory[at : at + size].reshape(height, width))
        at += size
    try:
        return True, live.step(state, Frame(*planes), setup, time_s, hints)
    except TeesquareError as wrong:
        return False, TeesquareError(str(wrong))
    except Exception as wrong:
        logger.exception("the analysis of a picture failed")
        return False, RuntimeError(f"{type(wrong).__name__}: {wrong}")
