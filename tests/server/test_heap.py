"""Threads share malloc's arenas, counted by the C library itself (malloc_info(3))."""

import platform
import re
import subprocess
import sys

import pytest

from server import heap

THREADS = 8
COUNT = f"""
import ctypes, sys, threading
from server import heap
if "few" in sys.argv:
    assert heap.few_arenas()
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.malloc.argtypes = [ctypes.c_size_t]
held = threading.Barrier({THREADS} + 1)
def hold():
    libc.malloc(50_000)
    held.wait(20)
    held.wait(20)
for _ in range({THREADS}):
    threading.Thread(target=hold, daemon=True).start()
held.wait(20)
libc.malloc_info(0, ctypes.c_void_p.in_dll(libc, "stdout"))
libc.fflush(None)
held.wait(20)
"""

glibc = pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="the GNU C library's heap")


def arenas(*how: str) -> int:
    ran = subprocess.run(
        [sys.executable, "-c", COUNT, *how], capture_output=True, text=True, check=True, timeout=60
    )
    return len(re.findall(r'<heap nr="\d+">', ran.stdout))


@glibc
def test_many_threads_share_a_few_arenas():
    assert arenas("few") <= heap.ARENAS < arenas()


def test_another_c_library_is_left_alone(monkeypatch):
    monkeypatch.setattr(platform, "libc_ver", lambda: ("", ""))
    assert not heap.few_arenas()
