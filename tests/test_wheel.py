"""What the wheel carries is enough: its commands run in an empty folder, off its own files."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tarfile
import urllib.request
import zipfile
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
SCENE = ROOT / "tests" / "data" / "scenes" / "scene_0003.jpg"


@dataclass(frozen=True)
class Installed:
    """The unpacked wheel, and an empty folder to run in."""

    files: Path
    folder: Path

    def command(self, *words: str) -> list[str]:
        return [sys.executable, "-m", "server.cli", *words]

    @property
    def environment(self) -> dict[str, str]:
        # Before everything else on the path, so that it hides the checkout.
        return {**os.environ, "PYTHONPATH": str(self.files), "PYTHONUNBUFFERED": "1"}

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            self.command(*words),
            cwd=self.folder,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=300,
        )


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """Built without pip, which would need the internet for the build's own environment."""
    base = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(base)],
        cwd=ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = base.glob("*.whl")
    files, folder = base / "files", base / "elsewhere"
    folder.mkdir()
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(files)
    _lend_machine_code(files / "vision")
    return Installed(files, folder)


def _lend_machine_code(vision: Path) -> None:
    """What Numba has compiled of the same files in the checkout; else it takes half a minute.

    It is kept by the files' time and size, so both are made to agree.
    """
    theirs = ROOT / "vision"
    for file in vision.glob("*.py"):
        if file.read_bytes() == (theirs / file.name).read_bytes():
            times = (theirs / file.name).stat()
            os.utime(file, ns=(times.st_atime_ns, times.st_mtime_ns))
    (vision / "__pycache__").mkdir()
    for kept in (theirs / "__pycache__").glob("*.nb[ic]"):
        shutil.copy2(kept, vision / "__pycache__")


def test_it_holds_every_file_of_the_three_packages_and_none_besides(installed: Installed) -> None:
    def under(root: Path) -> set[str]:
        return {
            path.relative_to(root).as_posix()
            for package in ("vision", "server", "web")
            for path in (root / package).rglob("*")
            if path.is_file() and "__pycache__" not in path.parts
        }

    assert under(installed.files) == under(ROOT)
    besides = {path.name for path in installed.files.iterdir()} - {"vision", "server", "web"}
    assert [name.partition("-")[0] for name in besides] == ["teesquare"]


def test_the_source_archive_makes_the_same_wheel(installed: Installed, tmp_path: Path) -> None:
    """From nothing but the archive, as packagers build; tests, docs and lock are in it too."""
    build = [sys.executable, "-m", "hatchling", "build", "-d", str(tmp_path)]
    subprocess.run([*build, "-t", "sdist"], cwd=ROOT, check=True, capture_output=True)
    (archive,) = tmp_path.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(tmp_path / "source", filter="data")
    (source,) = (tmp_path / "source").iterdir()
    for name in (
        "README.md",
        "LICENSE",
        "requirements.lock",
        "docs/index.md",
        "tests/test_wheel.py",
    ):
        assert (source / name).is_file(), name
    subprocess.run([*build, "-t", "wheel"], cwd=source, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive_of_files:
        inside = {name for name in archive_of_files.namelist() if not name.endswith("/")}
    there = {
        path.relative_to(installed.files).as_posix()
        for path in installed.files.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert inside == there


def test_pip_makes_the_command_in_an_environment_of_its_own(tmp_path: Path) -> None:
    """As pipx does, but for the dependencies, which would need the internet."""
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(build, cwd=ROOT, check=True, capture_output=True)
    (wheel,) = tmp_path.glob("*.whl")
    subprocess.run([sys.executable, "-m", "venv", str(tmp_path / "own")], check=True)
    python = tmp_path / "own" / "bin" / "python"
    install = [python, "-m", "pip", "install", "-q", "--no-deps", "--no-index", str(wheel)]
    subprocess.run(install, check=True, capture_output=True)
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    said = subprocess.run(
        [tmp_path / "own" / "bin" / "teesquare", "version"],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert said.stdout == f"teesquare {metadata.version('teesquare')}\n"


def test_its_modules_hide_the_checkout(installed: Installed) -> None:
    code = "import server, vision, web; print(server.__file__, vision.__file__, web.__file__)"
    result = subprocess.run(
        [sys.executable, "-c", code],
        cwd=installed.folder,
        env=installed.environment,
        capture_output=True,
        text=True,
        check=True,
    )
    assert all(Path(file).is_relative_to(installed.files) for file in result.stdout.split())


def test_check_reads_a_picture(installed: Installed) -> None:
    result = installed.run("check", "--json", str(SCENE))
    assert result.returncode == 0, result.stderr
    line = json.loads(result.stdout)
    assert line["verdict"] == "off"
    assert len(line["advice"][0]["text"]) > 10


def test_serve_gives_the_page_and_what_it_loads(installed: Installed) -> None:
    process = subprocess.Popen(
        installed.command("serve", "--http", "--port", "0"),
        cwd=installed.folder,
        env=installed.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        shown = ""
        while "Ctrl-C ends" not in shown:
            line = process.stdout.readline()
            assert line, shown
            shown += line
        found = re.search(r"http://localhost:\d+", shown)
        assert found, shown
        texts = [f"/web/texts/{name}/page.json" for name in ("en", "de")]
        for path in ("/", "/web/main.js", "/web/style.css", *texts):
            with urllib.request.urlopen(found[0] + path, timeout=10) as response:
                assert response.status == 200
                assert len(response.read()) > 100
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=10)
        assert process.returncode == 0, errors
    finally:
        process.kill()
        process.communicate()


def test_the_demo_ends_square(installed: Installed) -> None:
    result = installed.run("demo", "--headless", "--seconds", "90")
    assert result.returncode == 0, result.stdout + result.stderr
    assert result.stdout.splitlines()[-1].startswith("Square after")
