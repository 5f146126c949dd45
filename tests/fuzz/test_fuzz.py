"""Every target for a short while, in a process of its own: a crash of a library is a find too."""

import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.mutate import mutate
from tests.fuzz.targets import NAMES, target

ROOT = Path(__file__).parents[2]
SECONDS = 6.0  # five targets: half a minute
NIGHTLY_SECONDS = 120.0  # five targets: ten minutes
GROWTH_MB = {"media": 60.0, "session": 40.0}  # else 25
PEAK_MB = 1500.0


def fuzz(name: str, seconds: float, seed: int, folder: Path) -> dict[str, float]:
    done = subprocess.run(
        [
            sys.executable, "-m", "tests.fuzz", name,
            "--seconds", str(seconds), "--seed", str(seed),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=seconds + 60,
        check=False,
        env={**os.environ, "TEESQUARE_FUZZ_KEEP": str(folder)},
    )  # fmt: skip
    last = folder / "last"
    told = done.stderr[-4000:] + (repr(last.read_bytes()[:4000]) if last.exists() else "")
    assert done.returncode == 0, told
    report: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    print(report)
    return report


@pytest.mark.parametrize("name", NAMES)
def test_a_short_while(name, tmp_path):
    report = fuzz(name, SECONDS, 1, tmp_path)
    assert report["runs"] >= 20
    assert report["growth_mb"] <= GROWTH_MB.get(name, 25.0)
    assert report["peak_mb"] <= PEAK_MB


@pytest.mark.nightly
@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", NAMES)
def test_ten_minutes_in_all(name, tmp_path):
    report = fuzz(name, NIGHTLY_SECONDS, random.SystemRandom().randrange(2**31), tmp_path)
    assert report["growth_mb"] <= GROWTH_MB.get(name, 25.0)
    assert report["peak_mb"] <= PEAK_MB


@pytest.mark.parametrize("name", ["offer", "fragment", "media"])
def test_mutations_are_repeatable_and_differ(name):
    chosen = target(name)
    seeds = chosen.seeds()
    runs = [
        [mutate(seeds, chosen.words, rng) for _ in range(50)]
        for rng in (random.Random(5), random.Random(5))
    ]
    assert runs[0] == runs[1]
    assert len(set(runs[0])) > 40


def test_a_find_is_a_failure(tmp_path):
    """The runner itself: a target that breaks must not pass."""
    code = (
        "import sys; from tests.fuzz import __main__ as m, targets\n"
        "m.target = lambda name: targets.Target(lambda data: 1 / (len(data) - 3), lambda: [b'a'])\n"
        "sys.argv = ['x', 'offer', '--seconds', '5']; sys.exit(m.main())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "FOUND" in done.stderr
    assert "ZeroDivisionError" in done.stderr
