"""The fenced blocks of the documents, and what the text declares about them.

Before a block may stand, as HTML comments that readers do not see:

    <!-- not run: WHY; instead: PATH -->             the whole block is not run
    <!-- not run "WORDS": WHY; instead: PATH -->     lines that hold WORDS are not run
    <!-- output of: COMMAND -->                      the block is what COMMAND prints, in part
    <!-- drawing -->                                 nothing to run

PATH is the test, or the script of CI, that covers the same.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
DOCUMENTS = (ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md")))
_MARK = re.compile(r'not run(?: "(?P<words>[^"]+)")?: (?P<why>[^;]+); instead: (?P<path>\S+)')


@dataclass(frozen=True)
class NotRun:
    """What is not run (None: the whole block), why, and what covers it instead."""

    words: str | None
    why: str
    instead: str


@dataclass(frozen=True)
class Block:
    """One fenced block; `line` is where its fence stands."""

    document: Path
    line: int
    language: str
    text: str
    comments: tuple[str, ...]

    def __str__(self) -> str:
        return f"{self.document.relative_to(ROOT)}:{self.line}"

    @property
    def not_run(self) -> tuple[NotRun, ...]:
        found = [_MARK.fullmatch(comment) for comment in self.comments]
        return tuple(NotRun(m["words"], m["why"], m["path"]) for m in found if m is not None)

    @property
    def output_of(self) -> str | None:
        for comment in self.comments:
            if comment.startswith("output of: "):
                return comment.removeprefix("output of: ")
        return None

    @property
    def commands(self) -> list[str]:
        """What is to be run: one command a line."""
        if any(mark.words is None for mark in self.not_run):
            return []
        lines = [line for line in self.text.splitlines() if line.strip()]
        left_out = [mark.words for mark in self.not_run if mark.words is not None]
        return [line for line in lines if not any(words in line for words in left_out)]


def blocks_of(text: str, document: Path) -> list[Block]:
    """All blocks of one document in order."""
    found: list[Block] = []
    comments: list[str] = []
    lines = iter(enumerate(text.splitlines(), start=1))
    for number, raw in lines:
        line = raw.strip()
        if comment := re.fullmatch(r"<!-- (.*) -->", line):
            comments.append(comment[1])
        elif fence := re.fullmatch(r"```(.*)", line):
            inside = []
            indent = len(raw) - len(raw.lstrip())
            for _, inner in lines:
                if inner.strip() == "```":
                    break
                inside.append(inner[indent:])
            found.append(Block(document, number, fence[1], "\n".join(inside), tuple(comments)))
            comments = []
        elif line:
            comments = []
    return found


def all_blocks() -> list[Block]:
    """The blocks of every document."""
    return [
        block
        for document in DOCUMENTS
        for block in blocks_of(document.read_text(encoding="utf-8"), document)
    ]
