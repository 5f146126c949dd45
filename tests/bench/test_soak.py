"""Half an hour of phones that come and go leaves the server as large as it was (nightly)."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from tests.bench.soak import slope

ROOT = Path(__file__).parents[2]
SECONDS = 1800
SLOPE_MB_PER_MINUTE = 0.25  # a session that stayed, of one every 15 s, would be 1 MB a minute


def test_the_slope_is_scipys():
    rng = np.random.default_rng(4)
    x = np.cumsum(rng.uniform(1, 3, 60))
    y = 0.02 * x + rng.normal(0, 0.1, 60)
    y[7] += 50.0
    assert slope(x, y) == pytest.approx(stats.theilslopes(y, x).slope, rel=1e-9)


@pytest.mark.nightly
@pytest.mark.timeout(SECONDS + 300)
def test_half_an_hour_leaves_no_trace_in_memory():
    ran = subprocess.run(
        [
            sys.executable, "-m", "tests.bench", "soak",
            "--json", "--phones", "12", "--seconds", str(SECONDS),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=SECONDS + 240,
    )  # fmt: skip
    row = json.loads(ran.stdout.splitlines()[-1])
    print(row)
    assert row["slope_mb_per_minute"] <= SLOPE_MB_PER_MINUTE
    assert row["connections"] >= SECONDS / 20
    assert row["guidance_hz"] > 1.0
    assert row["threads"] <= row["threads_most"] <= 12 + 20
