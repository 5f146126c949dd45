"""How crowded the machine is: a promise in milliseconds holds for one that is not shared."""

from __future__ import annotations

from pathlib import Path

TASKS = Path("/proc/self/task")


class Crowding:
    """Of this process's threads since the start: time on a core, and time waiting for one.

    Linux counts both in /proc/PID/task/TID/schedstat (kernel documentation, sched-stats). Waiting
    for locks or for the network is neither. Elsewhere nothing is known and `factor` is 1.
    """

    def __init__(self) -> None:
        self._start = _times()

    def factor(self) -> float:
        """By how much waiting for a core has stretched the work: 1 on a machine of its own."""
        ran = waited = 0
        for task, (on_core, in_queue) in _times().items():
            before = self._start.get(task, (0, 0))
            ran += on_core - before[0]
            waited += in_queue - before[1]
        return 1.0 if ran <= 0 else 1.0 + waited / ran


def _times() -> dict[str, tuple[int, int]]:
    times = {}
    for task in TASKS.iterdir() if TASKS.is_dir() else ():
        try:
            on_core, in_queue, _ = (task / "schedstat").read_text().split()
        except (OSError, ValueError):
            continue  # the thread has ended, or this kernel does not count
        times[task.name] = (int(on_core), int(in_queue))
    return times
