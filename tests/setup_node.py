"""What the tests need besides Python and Chromium: npm packages, Firefox, a WHIP client.

`tests/clients/package-lock.json` names the npm packages; they are put into the user's cache folder,
one folder for each content of that file. Node itself comes as a wheel.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import platformdirs

HERE = Path(__file__).parent / "clients"
FIREFOX_NAMES = ("firefox-esr", "firefox")
FIREFOX_OF_MACOS = "/Applications/Firefox.app/Contents/MacOS/firefox"
ADVICE = "Run `python tests/setup_browser.py` once: it installs what is missing."


class NotSetUp(Exception):
    """Something that a test needs is not on this machine; the message says how to get it."""


def tool(name: str) -> str:
    """Path of `node` or `npm`: the wheel's beside this Python, else that on the PATH."""
    beside = Path(sys.executable).parent / name
    found = str(beside) if beside.exists() else shutil.which(name)
    if found is None:
        raise NotSetUp(f"There is no {name}. Install the test extra: pip install -e '.[test]'.")
    return found


def modules_folder() -> Path:
    """The folder that holds, or will hold, `node_modules` for the present lock file."""
    digest = hashlib.sha256((HERE / "package-lock.json").read_bytes()).hexdigest()[:16]
    cache = platformdirs.user_cache_path("teesquare") / "tests"
    return Path(os.environ.get("TEESQUARE_TEST_CACHE", cache)) / f"node-{digest}"


def modules() -> Path:
    """The installed `node_modules`. Raises NotSetUp."""
    folder = modules_folder()
    if not (folder / "done").exists():
        raise NotSetUp(f"The npm packages of tests/clients are not in {folder}. {ADVICE}")
    return folder / "node_modules"


def find_firefox() -> str:
    """Path of a Firefox; `TEESQUARE_FIREFOX` goes before those on the PATH. Raises NotSetUp."""
    stated = os.environ.get("TEESQUARE_FIREFOX")
    if stated:
        return stated
    for name in (*FIREFOX_NAMES, FIREFOX_OF_MACOS):
        path = shutil.which(name)
        if path is not None:
            return path
    raise NotSetUp(f"There is no Firefox. {ADVICE} Or name one in TEESQUARE_FIREFOX.")


def install_modules() -> Path:
    """`npm ci` into the cache folder, once for each lock file."""
    folder = modules_folder()
    if not (folder / "done").exists():
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        for name in ("package.json", "package-lock.json"):
            shutil.copy(HERE / name, folder)
        # No install scripts: nothing of what is used here needs any.
        words = ["ci", "--ignore-scripts", "--no-audit", "--no-fund"]
        path = f"{Path(tool('node')).parent}{os.pathsep}{os.environ.get('PATH', '')}"
        subprocess.run(
            [tool("npm"), *words], cwd=folder, check=True, env={**os.environ, "PATH": path}
        )
        (folder / "done").touch()
    return folder / "node_modules"


def install_packages() -> None:
    """Firefox and the WHIP client of the distribution, where there is apt-get and they lack."""
    if not shutil.which("apt-get"):
        return
    wanted = [] if any(shutil.which(name) for name in FIREFOX_NAMES) else ["firefox-esr"]
    if wanted:
        sudo = [] if os.geteuid() == 0 else ["sudo"]
        subprocess.run([*sudo, "apt-get", "update"], check=True)
        install = ["apt-get", "install", "-y", "--no-install-recommends"]
        subprocess.run([*sudo, *install, *wanted], check=True)
