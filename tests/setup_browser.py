"""The Chromium that the browser tests drive: where it is, and how to get one.

Of Chromium there are two builds: the browser that people have, and one without windows, which does
a page's work in two thirds of the time. As a program this installs what is missing of them: from
Debian's packages where `apt-get` exists, else into Playwright's own folder. Then what
`tests/setup_node.py` looks after: Firefox, npm packages.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))  # as a program it is outside its package

from tests import setup_node

NAMES = ("chromium", "chromium-browser", "google-chrome-stable", "google-chrome")
WINDOWLESS = "chromium-headless-shell"


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


def find_windowless() -> str | None:
    """Path of the build without windows; where there is none, or one is stated, as above."""
    stated = os.environ.get("TEESQUARE_CHROMIUM")
    return stated or shutil.which(WINDOWLESS) or find_chromium()


def _playwrights_own() -> str | None:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        path = playwright.chromium.executable_path
    return path if Path(path).is_file() else None


def install_chromium() -> None:
    """Install both; raises CalledProcessError where that fails."""
    if shutil.which("apt-get"):
        sudo = [] if os.geteuid() == 0 else ["sudo"]
        subprocess.run([*sudo, "apt-get", "update"], check=True)
        subprocess.run([*sudo, "apt-get", "install", "-y", "chromium"], check=True)
        # Not every Debian has it: its work is then done by the other.
        subprocess.run([*sudo, "apt-get", "install", "-y", WINDOWLESS], check=False)
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
    print(f"Chromium: {path}; for pages alone: {find_windowless()}")
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
