"""The figures in docs/conventions.md and docs/trade.md are those of the code."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from tests.vision.pinhole import laid, placement
from vision.compare import SEEN
from vision.effect import film_effect, parallax_shift_m
from vision.same_place import Within
from vision.setup import (
    CLUB_LENGTH_M,
    STICK_LENGTH_M,
    Handed,
    Player,
    Setup,
    Tolerance,
    View,
)

DOCS = Path(__file__).parents[2] / "docs"
TOL = Tolerance()
FAR_M = 3.5


def table(name: str, first: str) -> str:
    """The row of a document's table whose first cell is `first`."""
    text = (DOCS / name).read_text(encoding="utf-8")
    (row,) = [line for line in text.splitlines() if line.startswith(f"| {first} |")]
    return row


def effect(view: View, club: str):
    setup = Setup(view=view, handed=Handed.RIGHT, player=Player(club=club))
    return film_effect(placement(-TOL.offset_m, FAR_M), laid(view), setup)


def test_offset_tolerance():
    row = table("conventions.md", "offset, face-on")
    iron, driver = (100 * effect(View.FACE_ON, c).ball_shift_m for c in ("7-iron", "driver"))
    assert f"{100 * TOL.offset_m:.0f} cm" in row
    assert f"ball {iron:.1f} cm out of place (7-iron), {driver:.1f} cm (driver)" in row
    row = table("conventions.md", "offset, down the line")
    iron, driver = (effect(View.DOWN_THE_LINE, c) for c in ("7-iron", "driver"))
    assert f"{100 * iron.club_path_shift_m:.1f} cm or {iron.club_path_deg:.1f}°" in row
    assert f"{100 * driver.club_path_shift_m:.1f} cm or {driver.club_path_deg:.1f}°" in row


def test_angle_tolerances():
    yaw = table("conventions.md", "yaw")
    assert f"| {math.degrees(TOL.yaw_rad):.0f}° |" in yaw
    assert f"moves {100 * FAR_M * math.tan(TOL.yaw_rad):.0f} cm" in yaw
    # half a metre to either side of the middle, one nearer and one farther by sin(yaw)
    assert f"{100 * math.sin(TOL.yaw_rad) / FAR_M:.1f} %" in yaw
    assert f"{math.degrees(TOL.roll_rad):.0f}° wrong" in table("conventions.md", "roll")
    row, beside = table("conventions.md", "layout, T"), FAR_M * math.tan(TOL.layout_rad)
    assert f"| {math.degrees(TOL.layout_rad):.0f}° |" in row
    assert f"{100 * beside:.1f} cm beside" in row
    for club in ("7-iron", "driver"):
        shift = -parallax_shift_m(beside, FAR_M, Player(club=club).ball_m)
        assert f"{100 * shift:.1f} cm" in row
    pair = table("conventions.md", "layout, pair")
    assert f"{100 * STICK_LENGTH_M * math.sin(TOL.layout_rad):.1f} cm" in pair


def test_height_and_distance_tolerances():
    row, iron = table("conventions.md", "height"), Player(club="7-iron")
    shift = -parallax_shift_m(TOL.height_m, FAR_M, iron.ball_m)
    assert f"| {100 * TOL.height_m:.0f} cm | ball drawn {100 * shift:.1f} cm" in row
    steeper = math.degrees(math.atan(TOL.height_m / (FAR_M - iron.club_m)))
    assert f"{steeper:.1f}°" in row
    row = table("conventions.md", "distance")
    assert f"| {100 * TOL.distance_m:.0f} cm | sizes {100 * TOL.distance_m / FAR_M:.0f} %" in row


def test_facts_of_the_trade():
    text = (DOCS / "trade.md").read_text(encoding="utf-8")
    assert f"{STICK_LENGTH_M} m (48 inches)" in text
    assert pytest.approx(48 * 0.0254, abs=0.002) == STICK_LENGTH_M
    (clubs,) = [line for line in text.splitlines() if line.startswith("| 6 |")]
    for club, length in CLUB_LENGTH_M.items():
        assert f"{club} {length:.2f}" in clubs
    wedge, driver = (Player(club=c).ball_m for c in ("wedge", "driver"))
    assert f"{wedge:.2f} m (wedge) to {driver:.2f} m (driver)" in text
    facts = [line for line in text.splitlines() if line.startswith("| ") and line[2].isdigit()]
    assert len(facts) == 17 and all(f.endswith("| common practice, no source |") for f in facts)


def test_the_output_heading_that_other_documents_link_to():
    assert "\n## Output\n" in (DOCS / "conventions.md").read_text(encoding="utf-8")


def test_the_tolerances_of_the_same_place():
    within = Within()
    told = (
        f"{100 * within.offset_m:.0f} cm sideways, {100 * within.distance_m:.0f} cm of distance, "
        f"{100 * within.height_m:.0f} cm of height, {math.degrees(within.yaw_rad):.1f}° of "
    )
    for name in ("conventions.md", "same-place.md"):
        text = " ".join((DOCS / name).read_text(encoding="utf-8").split())
        assert told in text, name
    assert within.yaw_rad == within.pitch_rad == within.roll_rad
    text = (DOCS / "same-place.md").read_text(encoding="utf-8")
    assert f"probability of {100 * within.confidence:.0f} %" in text
    for name, seen in SEEN.items():
        row = next(line for line in text.splitlines() if line.startswith("|") and name in line)
        unit = "cm" if name.endswith("_m") else "°" if name.endswith("_deg") else " %"
        scale = 1 if unit == "°" else 100
        assert f"{scale * seen:g} {unit}".replace("  ", " ").replace(" °", "°") in row, name
