"""The Chromium that the browser tests drive: where it is, and how to get one.

As a program it installs one if there is none: from Debian's packages where `apt-get` exists, else
into Playwright's own folder. Then what `tests/setup_node.py` looks after: Firefox, npm packages.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))  # as a program it is outside its package

from tests import setup_node

NAMES = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")


def find_chromium() -> str | None:
    """Path of a Chromium for Playwright's `executable_path`, or None where there is none.

    `TEESQUARE_CHROMIUM` goes before those on the PATH, these before Playwright's own.
    """
    stated = os.environ.get("TEESQUARE_CHROMIUM")
    if stated:
        return stated
    for name in NAMES:
        path = shutil.which(name)
        if path is not None:
            return path
    return _playwrights_own()


def _playwrights_own() -> str | None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        path = playwright.chromium.executable_path
    return path if Path(path).is_file() else None


def install_chromium() -> None:
    """Install one; raises CalledProcessError where that fails."""
    if shutil.which("apt-get"):
        sudo = [] if os.geteuid() == 0 else ["sudo"]
        subprocess.run([*sudo, "apt-get", "update"], check=True)
        subprocess.run([*sudo, "apt-get", "install", "-y", "chromium"], check=True)
    else:
        subprocess.run([sys.executable, "-m", "playwright", "install", "chromium"], check=True)


def main() -> int:
    """Find or install, and say where."""
    if find_chromium() is None:
        print("No Chromium here yet: installing one for the browser tests.", flush=True)
        install_chromium()
    path = find_chromium()
    if path is None:
        print(
            "Chromium could not be installed. Install it by hand and name it in "
            "TEESQUARE_CHROMIUM.",
            file=sys.stderr,
        )
        return 1
    print(f"Chromium: {path}")
    setup_node.install_packages()
    print(f"npm packages: {setup_node.install_modules()}")
    try:
        print(f"Firefox: {setup_node.find_firefox()}")
    except setup_node.NotSetUp:
        print("There is no Firefox. Install it and name it in TEESQUARE_FIREFOX.", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
