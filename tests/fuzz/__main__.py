"""Fuzz one target for a while; the last line says how it went. Exit code 1: something was found."""

from __future__ import annotations

import argparse
import ctypes
import gc
import json
import logging
import os
import random
import resource
import sys
import time
import traceback
from pathlib import Path

from tests.fuzz.mutate import mutate
from tests.fuzz.targets import NAMES, SLOW_S, Target, target

SETTLE = 0.4  # share of the time in which caches and the allocator fill up


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("target", choices=NAMES)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--atheris", action="store_true", help="coverage-guided instead of seeded")
    args = parser.parse_args()
    logging.disable(logging.CRITICAL)  # the libraries warn about each broken line
    if args.atheris:
        return guided(args.target, args.seconds)
    chosen = target(args.target)
    seeds = chosen.seeds()
    for well_formed in seeds:
        chosen.run(well_formed)
    rng = random.Random(args.seed)
    start_s = time.monotonic()
    runs, slowest_s, settled = 0, 0.0, 0.0
    while (spent_s := time.monotonic() - start_s) < args.seconds:
        if not settled and spent_s > SETTLE * args.seconds:
            settled = resident_mb()
        data = mutate(seeds, chosen.words, rng)
        began_s = time.perf_counter()
        # On the disk first, because a crash of a library leaves no traceback.
        if args.target == "media":
            _last(data)
        try:
            chosen.run(data)
        except BaseException:
            traceback.print_exc()
            print(f"FOUND with seed {args.seed} in run {runs}: {data!r}", file=sys.stderr)
            return 1
        took_s = time.perf_counter() - began_s
        slowest_s = max(slowest_s, took_s)
        if took_s > SLOW_S[args.target] and os.getloadavg()[0] < 1.5 * (os.cpu_count() or 1):
            print(f"SLOW, {took_s:.1f} s, seed {args.seed}: {data!r}", file=sys.stderr)
            return 1
        runs += 1
    print(
        json.dumps(
            {
                "target": args.target,
                "runs": runs,
                "growth_mb": round(resident_mb() - settled, 1),
                "peak_mb": round(peak_mb()),
                "slowest_s": round(slowest_s, 3),
            }
        )
    )
    return 0


def guided(name: str, seconds: float) -> int:
    """libFuzzer's coverage-guided search, over the project's own code and the parsers it calls."""
    import atheris

    with atheris.instrument_imports(include=["server", "aiortc.sdp", "json", "vision.setup"]):
        chosen = target(name)
    corpus = Path(os.environ.get("TMPDIR", "/tmp")) / f"teesquare-fuzz-{name}"
    corpus.mkdir(exist_ok=True)
    for number, data in enumerate(chosen.seeds()):
        (corpus / f"seed{number}").write_bytes(data)
    options = [sys.argv[0], str(corpus), f"-max_total_time={int(seconds)}", "-rss_limit_mb=2048"]
    atheris.Setup(options, chosen.run)
    atheris.Fuzz()
    return 0


def resident_mb() -> float:
    """Memory in use now, after what can be given back was."""
    gc.collect()
    try:
        ctypes.CDLL(None).malloc_trim(0)
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20
    except (OSError, AttributeError):
        return peak_mb()


def peak_mb() -> float:
    """The most memory that was ever in use."""
    unit = 2**20 if sys.platform == "darwin" else 2**10
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


def _last(data: bytes) -> None:
    folder = os.environ.get("TEESQUARE_FUZZ_KEEP")
    if folder:
        (Path(folder) / "last").write_bytes(data)


__all__ = ["Target", "main"]

if __name__ == "__main__":
    sys.exit(main())
