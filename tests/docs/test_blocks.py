"""Every block of the documents is run, read, or says why not and what covers it instead."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import pytest

from server import wire
from server.control import Control
from server.messages import SetupSent, read_message
from server.records import Records
from tests.docs.blocks import ROOT, Block, all_blocks, blocks_of
from tests.server.made_records import made_record
from vision.setup import Setup, View

BLOCKS = all_blocks()
SHELL = [block for block in BLOCKS if block.language == "sh"]
SCENE = ROOT / "tests" / "data" / "scenes" / "scene_0016.jpg"
# Made by the site's generator, which fails on what it cannot make (tests/docs/test_site.py).
DIRECTIVES = {"{toctree}"} | {
    f"{{literalinclude}} ../web/schema/{path.name}" for path in (ROOT / "web" / "schema").iterdir()
}


def in_document(name: str, language: str) -> list[Block]:
    return [b for b in BLOCKS if b.document.name == name and b.language == language]


def objects(text: str) -> list[dict[str, Any]]:
    """JSON objects one after the other."""
    decoder, found, at = json.JSONDecoder(), [], 0
    while (rest := text[at:].lstrip()) != "":
        value, used = decoder.raw_decode(rest)
        found.append(value)
        at = len(text) - len(rest) + used
    return found


@pytest.mark.parametrize("block", BLOCKS, ids=str)
def test_each_block_says_what_it_is(block: Block) -> None:
    known = {"sh", "json", "jsonl", "text"} | DIRECTIVES
    assert block.language in known, f"{block}: name the language of the block after its fence"
    if block.language == "text":
        declared = block.output_of is not None or "drawing" in block.comments
        assert declared, f"{block}: mark it as the output of a command, or as a drawing"
    for comment in block.comments:
        if comment.startswith("not run"):
            assert len(block.not_run) >= 1, f"{block}: cannot be read: {comment}"
    for mark in block.not_run:
        path, _, name = mark.instead.partition("::")
        assert (ROOT / path).exists(), f"{block}: {path} is not there"
        assert not name or f"def {name}(" in (ROOT / path).read_text(encoding="utf-8")
        assert mark.words is None or mark.words in block.text, f"{block}: no line has {mark.words}"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with what the commands name: photos, clips, films, a profile "my phone"."""
    folder = tmp_path_factory.mktemp("reader")
    picture = cv2.imread(str(SCENE))
    height, width = picture.shape[:2]
    (folder / "FOLDER").mkdir()
    for name in ("photo.jpg", "FOLDER/a.jpg", "FOLDER/b.jpg"):
        shutil.copy(SCENE, folder / name)
    for name in ("clip.mov", "film.mp4"):
        code = cv2.VideoWriter.fourcc(*"mp4v")
        clip = cv2.VideoWriter(str(folder / name), code, 30, (width, height))
        for _ in range(12):
            clip.write(picture)
        clip.release()
    programs = folder / ".venv" / "bin"
    programs.mkdir(parents=True)
    for path in Path(sys.executable).parent.iterdir():
        if path.name not in ("teesquare",):
            (programs / path.name).symlink_to(path)
    command = programs / "teesquare"
    command.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m server.cli "$@"\n')
    command.chmod(0o755)
    (folder / "profiles.json").write_text(in_document("lens.md", "json")[0].text, encoding="utf-8")
    shell(".venv/bin/teesquare calibrate --import profiles.json", folder)
    records = Records(folder / "records.sqlite")
    old_s = datetime(2026, 11, 25, 12).timestamp()
    for film, player, begun_s in (("FILM", "Ada B.", time.time()), ("older", "Ada", old_s)):
        begun = made_record(film, player, View.DOWN_THE_LINE, begun_s=begun_s, ended_s=begun_s + 9)
        records.begin(begun)
    records.close()
    return folder


def shell(command: str, folder: Path) -> str:
    environment = {
        **os.environ,
        "PATH": f"{folder / '.venv' / 'bin'}{os.pathsep}{os.environ['PATH']}",
        "PYTHONPATH": str(ROOT),
        "LC_ALL": "C.UTF-8",
        "TEESQUARE_PROFILES": str(folder / "profiles.sqlite"),
        "TEESQUARE_RECORDS": str(folder / "records.sqlite"),
    }
    result = subprocess.run(
        ["bash", "-euo", "pipefail", "-c", command],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert result.returncode == 0, f"{command}\n{result.stdout}{result.stderr}"
    return result.stdout


@pytest.mark.parametrize("block", [b for b in SHELL if b.commands], ids=str)
def test_the_commands_run(block: Block, place: Path) -> None:
    for command in block.commands:
        shell(command, place)


@pytest.mark.parametrize("block", [b for b in BLOCKS if b.output_of], ids=str)
def test_the_output_shown_has_the_shape_of_the_real_one(block: Block, place: Path) -> None:
    """Its lines are there in this order, numbers and a plural apart; others may be left out."""
    assert block.output_of is not None
    real = iter(shaped(line) for line in shell(block.output_of, place).splitlines())
    for line in block.text.splitlines():
        assert shaped(line) in real, f"{block}: not printed: {line}"


def shaped(line: str) -> str:
    return re.sub(r"\d+(\.\d+)?", "#", line).rstrip()


def test_the_pages_messages_are_understood_by_the_server() -> None:
    """Each example of docs/protocol.md, by the code that reads the real ones."""
    (block,) = in_document("protocol.md", "json")
    messages = objects(block.text)
    assert len(messages) >= 8
    for message in messages:
        read = read_message(json.dumps(message))
        if isinstance(read, SetupSent):
            stated = wire.setup_from_json(read.setup, Setup())
            assert (stated.units, stated.language) == ("cm", "en")
    text = block.document.read_text(encoding="utf-8")
    assert {f"`{message['type']}`" for message in messages} <= set(re.findall(r"`\w+`", text))


def test_the_boards_message_is_as_the_server_writes_it() -> None:
    (shown,) = objects(in_document("board.md", "json")[0].text)
    control = Control("9f31c2d0")
    control.set_up(shown["setup"]["values"])
    control.call(shown["call"]["text"], 0.0)
    control.film(shown["film"]["do"], shown["film"]["id"], shown["film"]["at_s"])
    real = control.message(1.0)
    assert shape(shown) == shape(real)


def shape(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: shape(inner) for key, inner in value.items()}
    return type(value)


def test_the_manifests_lines_are_understood() -> None:
    (block,) = in_document("conventions.md", "jsonl")
    for text in block.text.splitlines():
        line = wire.manifest_line(text)
        assert not line.unknown
        wire.setup_from_json(line.facts, Setup())


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("```\nls\n```", "name the language"),
        ("```text\nhello\n```", "mark it as"),
        ("<!-- not run: no time -->\n```sh\nfalse\n```", "cannot be read"),
        ("<!-- not run: no time; instead: tests/nowhere.py -->\n```sh\nfalse\n```", "not there"),
    ],
)
def test_an_undeclared_block_fails(text: str, wrong: str) -> None:
    (block,) = blocks_of(text, ROOT / "docs" / "made.md")
    with pytest.raises(AssertionError, match=wrong):
        test_each_block_says_what_it_is(block)


def test_an_unmarked_command_is_run(place: Path) -> None:
    (block,) = blocks_of("Text.\n\n```sh\nfalse\n```", ROOT / "docs" / "made.md")
    with pytest.raises(AssertionError, match="false"):
        test_the_commands_run(block, place)
