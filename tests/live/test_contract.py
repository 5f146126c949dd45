"""A real server's messages to a real browser, against the schema and the protocol's own table."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.chromium import until
from tests.demo.demo_page import demo_page, put_phone
from tests.docs.blocks import ROOT
from tests.server.made_readings import SCHEMA, VALIDATOR

pytestmark = pytest.mark.browser

PROTOCOL = (ROOT / "docs" / "protocol.md").read_text(encoding="utf-8")
IN_FILES = {"file", "frame", "clip", "explain"}  # of `check`, not of a live message
AT_TIMES = {"board"}  # while a lens is measured


def told_keys() -> set[str]:
    """The first column of the table under "Server to page"."""
    section = PROTOCOL.split("## Server to page")[1]
    return set(re.findall(r"^\| `(\w+)` \|", section, re.M)) - AT_TIMES


async def guidance(view: str) -> list[dict[str, Any]]:
    """One message off square, one square, one without rods."""
    taken = []
    async with demo_page(900, 800) as page:
        if view != "face-on":
            await page.click("#live-settings")
            await page.click(f"label[for='set-view-{view}']")
            await page.click("#settings-done")
        poses = ({"offset_m": 0.3}, {"offset_m": 0.0, "yaw_deg": 0.0, "roll_deg": 0.0})
        waits = ("off", "square", "not-found")
        for pose, verdict in zip(
            (*poses, {"pitch_deg": 15.0, "yaw_deg": 20.0}), waits, strict=True
        ):
            await put_phone(page, **pose)
            await until(page, f"s.verdict === {verdict!r} && s.guidance.view === {view!r}")
            taken.append(await page.evaluate("teesquare.state().guidance"))
    return taken


@pytest.mark.parametrize("view", ["face-on", "down-the-line"])
async def test_live_messages_are_readings_of_the_schema_and_what_the_protocol_lists(
    view: str,
) -> None:
    for message in await guidance(view):
        reading = {key: message[key] for key in message.keys() & SCHEMA["properties"].keys()}
        VALIDATOR.validate(reading | {"file": None, "frame": 0})
        assert set(SCHEMA["properties"]) - IN_FILES == reading.keys()
        beside = message.keys() - reading.keys() - {"type"}
        assert beside == told_keys(), "docs/protocol.md, Server to page"
        arrows = re.search(r"`big\.arrow` is one of `([^`]+)`", PROTOCOL)
        assert arrows and message["big"]["arrow"] in arrows[1].split()
