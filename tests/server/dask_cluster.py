"""A real Dask cluster on loopback: a scheduler and workers, each a process of its own."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]


class DaskCluster:
    """`start` begins the scheduler and so many workers, of one thread each and no guardian."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._all: list[subprocess.Popen[bytes]] = []
        self.workers: list[subprocess.Popen[bytes]] = []
        self.address = ""

    def start(self, workers: int) -> DaskCluster:
        file = self._folder / "scheduler.json"
        options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
        self.scheduler = self._begin("scheduler", *options, "--scheduler-file", str(file))
        deadline_s = time.monotonic() + 60
        while not file.exists() or not file.read_text():
            assert time.monotonic() < deadline_s, "no scheduler"
            time.sleep(0.05)
        self.address = json.loads(file.read_text())["address"]
        for _ in range(workers):
            self.add_worker()
        return self

    def add_worker(self) -> None:
        options = ["--host", "127.0.0.1", "--nthreads", "1", "--no-nanny", "--no-dashboard"]
        options += ["--local-directory", str(self._folder), "--memory-limit", "0"]
        self.workers.append(self._begin("worker", self.address, *options))

    def _begin(self, *words: str) -> subprocess.Popen[bytes]:
        log = (self._folder / f"{words[0]}{len(self._all)}.log").open("wb")
        with log:
            process = subprocess.Popen(
                [sys.executable, "-m", "dask", *words],
                cwd=self._folder,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
                stdout=log,
                stderr=log,
            )
        self._all.append(process)
        return process

    def kill(self, process: subprocess.Popen[bytes]) -> None:
        process.send_signal(signal.SIGKILL)
        process.wait()

    def __enter__(self) -> DaskCluster:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._all:
            with contextlib.suppress(ProcessLookupError):
                process.kill()
            process.wait()
