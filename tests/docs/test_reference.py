"""What the reference says is what schema, package data and drawings are."""

from __future__ import annotations

import json
import re
import runpy
import subprocess
import sys
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from tests.docs.blocks import ROOT
from vision.effect import parallax_shift_m
from vision.setup import Player

DOCS = ROOT / "docs"


def schema(name: str) -> dict[str, Any]:
    file = resources.files("web").joinpath("schema", f"{name}.schema.json")
    loaded: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return loaded


def output_rows() -> dict[str, str]:
    """The table of docs/conventions.md, "Output": keys to what is said of each."""
    text = (DOCS / "conventions.md").read_text(encoding="utf-8").split("## Output")[1]
    rows = {}
    for line in text.split("**Error budget.**")[0].splitlines():
        if cells := re.fullmatch(r"\| (`.+?) \| (.+) \|", line):
            for key in re.findall(r"`(\w+)`", cells[1]):
                rows[key] = cells[2]
    return rows


def test_the_output_table_has_the_schemas_keys_and_no_other() -> None:
    assert list(output_rows()) != []
    assert set(output_rows()) == set(schema("reading")["properties"])


def test_the_output_table_tells_the_inner_keys_and_values_too() -> None:
    reading, rows = schema("reading"), output_rows()
    of = {"layout": "layout", "lens": "lens", "framing": "framing", "evidence": "evidence"}
    of |= {"elapsed_ms": "elapsed", "placement": "place", "advice": "advice"}
    for key, name in of.items():
        told = set(re.findall(r"`([\w-]+)`", rows[key]))
        inner = reading["$defs"][name]
        keys = inner.get("properties", {}).keys() or inner.get("required", [])
        missing = set(keys) - told
        assert not missing, f"docs/conventions.md, {key}: {sorted(missing)}"
    for key in ("verdict",):
        told = set(re.findall(r"`([\w-]+)`", rows[key]))
        assert set(reading["properties"][key]["enum"]) == told


def test_the_site_shows_the_schemas_files_themselves() -> None:
    text = (DOCS / "schema.md").read_text(encoding="utf-8")
    shown = re.findall(r"\{literalinclude\} (\S+)", text)
    there = {path.name for path in (ROOT / "web" / "schema").glob("*.json")}
    assert {Path(path).name for path in shown} == there
    assert all((DOCS / path).resolve().is_file() for path in shown)


def test_the_drawings_are_those_of_their_script() -> None:
    drawn = runpy.run_path(str(DOCS / "drawings.py"))["drawings"]()
    there = {path.name: path.read_text(encoding="utf-8") for path in (DOCS / "drawings").iterdir()}
    assert there == drawn
    text = (DOCS / "geometry.md").read_text(encoding="utf-8")
    assert all(f"drawings/{name}" in text for name in drawn)


def test_the_numbers_of_the_geometry_are_the_codes() -> None:
    text = (DOCS / "geometry.md").read_text(encoding="utf-8")
    ball_m = Player(club="7-iron").ball_m
    assert f"b = {100 * ball_m:.0f} cm (a 7-iron's ball)" in text
    assert f"that is {abs(100 * parallax_shift_m(0.5, 3.5, ball_m)):.1f} cm" in text
    drawing = (DOCS / "drawings" / "face-on.svg").read_text(encoding="utf-8")
    assert f"s = {abs(100 * parallax_shift_m(0.5, 3.5, ball_m)):.1f} cm" in drawing


def test_nothing_is_written_twice() -> None:
    """Code and styles; pages apart, each of which needs a head of its own (no build step)."""
    found = subprocess.run(
        [Path(sys.executable).parent / "jscpd", "server", "vision", "web"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert "Clones found" in found.stdout, found.stderr
    assert found.returncode == 0, re.sub(r"\x1b\[\d+m", "", found.stdout)


@pytest.mark.parametrize("ending", [".py", ".js"])
def test_the_finder_of_duplicates_finds_some(ending: str, tmp_path: Path) -> None:
    source = {".py": ROOT / "server" / "drift_words.py", ".js": ROOT / "web" / "units.js"}[ending]
    for name in ("one", "two"):
        text = source.read_text(encoding="utf-8")
        (tmp_path / f"{name}{ending}").write_text(text, encoding="utf-8")
    found = subprocess.run(
        [Path(sys.executable).parent / "jscpd", "-c", ROOT / ".jscpd.json", str(tmp_path)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert found.returncode != 0
