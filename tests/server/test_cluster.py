"""A long run over a real Dask cluster of two worker processes, of which one is killed midway."""

import csv
import json
import re
import subprocess
import sys
import time

import pytest

from server import cluster
from tests.server.dask_cluster import DaskCluster
from tests.server.made_clips import made_folder

EVERY = ["--every", "1"]


@pytest.fixture
def dask(tmp_path):
    place = tmp_path / "dask"
    place.mkdir()
    with DaskCluster(place) as cluster:
        yield cluster


def begin(films, out, *words):
    command = [sys.executable, "-W", "error", "-m", "server.cli", "check", str(films)]
    return subprocess.Popen(
        [*command, *EVERY, "--results", str(out), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def finished(process, timeout_s):
    out, err = process.communicate(timeout=timeout_s)
    return process.returncode, out, err


def wait_for(process, journal, lines, timeout_s=120):
    deadline_s = time.monotonic() + timeout_s
    while not journal.exists() or journal.read_bytes().count(b"\n") < lines:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < deadline_s
        time.sleep(0.02)


def every_clip_once(names, out):
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["file"] for row in rows] == names
    journal = out.with_name(out.name + ".journal")
    written = [json.loads(line)["file"] for line in journal.read_bytes().splitlines()]
    assert sorted(written) == names
    return rows


def rate(out):
    """Files a second, as the command told it."""
    return float(re.search(r"(\d+\.\d) a second", out)[1])


def over_two_workers(dask, tmp_path, count, broken):
    """The run with one worker killed midway; returns what the command told, and the table."""
    films, out = tmp_path / "films", tmp_path / "out.csv"
    names = made_folder(films, count, kinds=4, broken=broken)
    process = begin(films, out, "--scheduler", dask.address)
    wait_for(process, out.with_name("out.csv.journal"), count // 3)
    dask.kill(dask.workers[0])
    code, told, err = finished(process, 60 + count)
    assert code == 1, err  # the broken ones could not be read
    rows = every_clip_once(names, out)
    bad = [row["file"] for row in rows if row["verdict"] == "error"]
    assert bad == [names_of for names_of in names if int(names_of[-8:-4]) in broken]
    assert sum(row["verdict"] == "off" for row in rows) == count - len(broken)
    return told, out


def test_one_of_two_workers_killed_and_every_clip_once(dask, tmp_path):
    dask.start(2)
    _, out = over_two_workers(dask, tmp_path, 40, broken=(7, 30))
    # The same content as from this machine's own processes.
    here = tmp_path / "here.csv"
    finished(begin(tmp_path / "films", here, "--jobs", "2"), 120)
    assert here.read_bytes() == out.read_bytes()


def test_a_scheduler_that_goes_is_told_and_the_same_command_goes_on(dask, tmp_path):
    dask.start(1)
    films, out = tmp_path / "films", tmp_path / "out.csv"
    names = made_folder(films, 30, kinds=2)
    process = begin(films, out, "--scheduler", dask.address)
    journal = out.with_name("out.csv.journal")
    wait_for(process, journal, 5)
    dask.kill(dask.scheduler)
    code, _, err = finished(process, 90)
    assert code == 2 and "run the same command again" in err, err
    assert "Traceback" not in err
    kept = journal.read_bytes().count(b"\n")
    assert 5 <= kept < 30
    code, _, err = finished(begin(films, out, "--jobs", "2"), 120)
    assert code == 0 and f"{kept} of 30 are done already" in err
    every_clip_once(names, out)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x", "127.0.0.1"])
def test_nobody_at_the_address_is_a_sentence(monkeypatch, address):
    monkeypatch.setattr(cluster, "CONNECT_S", 1)
    with pytest.raises(cluster.ClusterError, match="no Dask scheduler answers"):
        cluster.Cluster(address)


def test_without_dask_it_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)  # as where it is not installed
    with pytest.raises(cluster.ClusterError, match="not installed: pip install"):
        cluster.Cluster("tcp://127.0.0.1:9")


@pytest.mark.nightly
@pytest.mark.timeout(1800)
def test_a_thousand_clips_over_two_workers(dask, tmp_path, capsys):
    """And how fast one worker and two are, on clips of their own."""
    dask.start(1)
    films = tmp_path / "measured"
    made_folder(films, 150, kinds=4)
    speeds = []
    for count in (1, 2):
        if count == 2:
            dask.add_worker()
            time.sleep(8)  # until it has begun
        out = tmp_path / f"speed{count}.csv"
        _, told, err = finished(begin(films, out, "--scheduler", dask.address), 600)
        assert f"with {count} worker" in told, told + err
        speeds.append(rate(told))
    told, _ = over_two_workers(dask, tmp_path, 1000, broken=(13, 500, 998))
    with capsys.disabled():
        print(f"\n1 worker {speeds[0]} clips a second, 2 workers {speeds[1]}; with a kill:\n{told}")
