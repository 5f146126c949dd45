"""docs/dependencies.md, pyproject.toml, the lock and the packages' own data say the same."""

from __future__ import annotations

import re
import tomllib
from importlib import metadata

import pytest
from packaging.requirements import Requirement

from tests.docs.blocks import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCK = dict(
    line.lower().replace("_", "-").split("==")
    for line in (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines()
    if not line.startswith("#")
)


def rows() -> dict[str, list[str]]:
    text = (ROOT / "docs" / "dependencies.md").read_text(encoding="utf-8")
    cells = [line.strip("|").split("|") for line in text.splitlines() if line.startswith("| ")]
    table = [[cell.strip() for cell in row] for row in cells]
    return {row[0]: row[1:] for row in table if row[0] != "package"}


def asked_for() -> dict[str, str]:
    """Every direct requirement by name, with the least version that is asked for."""
    groups = [PROJECT["dependencies"], *PROJECT["optional-dependencies"].values()]
    asked = r"([\w-]+)>=([\d.]+)(?:; .*)?"
    found = (re.fullmatch(asked, text) for group in groups for text in group)
    return {one[1]: one[2] for one in found if one is not None}


def test_each_direct_dependency_has_a_row_and_nothing_else_has() -> None:
    assert rows().keys() == asked_for().keys()
    assert all(row[0] for row in rows().values()), "each needs its reason"


def number(version: str) -> tuple[int, ...]:
    return tuple(int(part) for part in re.findall(r"\d+", version)[:3])


@pytest.mark.parametrize("name", sorted(asked_for()))
def test_the_lock_holds_the_version_that_the_table_tells(name: str) -> None:
    _, _, version, last = rows()[name]
    assert LOCK[name] == version
    assert number(version) >= number(asked_for()[name])
    assert re.fullmatch(r"20\d\d-\d\d", last)


@pytest.mark.parametrize("name", sorted(asked_for()))
def test_the_licence_is_the_packages_own(name: str) -> None:
    told = rows()[name][1]
    data = metadata.metadata(name)
    said = " ".join(
        [str(data.get("License-Expression", "")), str(data.get("License", ""))]
        + [str(c) for c in data.get_all("Classifier") or [] if str(c).startswith("License")]
    )
    # Older packages say "BSD License" or hold the licence's text: the family must be named.
    families = {"BSD": "BSD|Redistribution", "MIT": "MIT|Permission is hereby", "Apache": "Apache"}
    families |= {"MPL": "MPL"}
    named = [family for family in families if family in told]
    assert named
    assert all(re.search(families[family], said) for family in named), said[:200]


def test_the_lock_has_every_package_that_those_need() -> None:
    """Walks the installed packages' own requirements, as pip would."""
    missing, seen, left = set(), set(), list(asked_for())
    while left:
        name = left.pop().lower().replace("_", "-")
        if name in seen:
            continue
        seen.add(name)
        if name not in LOCK:
            missing.add(name)
        for text in metadata.requires(name) or []:
            requirement = Requirement(text)
            if requirement.marker is None or requirement.marker.evaluate({"extra": ""}):
                left.append(requirement.name)
    assert len(seen) > len(asked_for())
    assert not missing
