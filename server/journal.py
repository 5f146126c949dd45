"""The journal of a long run: one JSON line a finished file, whole or not there at all.

It is only ever added to. A line torn by a kill or a full disk is cut away when it is opened again,
so that no file's answer is lost and none is there twice.
"""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from types import TracebackType
from typing import Any

from server.fields import printable
from vision.errors import TeesquareError

try:
    import fcntl
except ImportError:  # not on Windows: nothing keeps two runs from one journal there
    fcntl = None  # type: ignore[assignment]

SYNC_S = 1.0  # what a power cut may cost


class JournalError(TeesquareError):
    """A journal that cannot be used or written."""


class Journal:
    """Answers by file name, of which a later one with another mark takes the earlier one's place.

    `mark` says what an answer depends on: the file's size and time, and what is stated of it.
    """

    def __init__(self, path: Path) -> None:
        """Open or begin it. Raises JournalError, also where another run has it open."""
        self.path = path
        self.answers: dict[str, tuple[str, dict[str, Any]]] = {}
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._file = path.open("a+b")
        except OSError as wrong:
            raise self._trouble(wrong) from wrong
        self._synced_s = time.monotonic()
        try:
            self._lock()
            self._read()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        wrong: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def done(self, name: str, mark: str) -> bool:
        """Whether the file has its answer, made from the same file and the same facts."""
        return name in self.answers and self.answers[name][0] == mark

    def add(self, name: str, mark: str, line: dict[str, Any]) -> bool:
        """Keep an answer; False where it is there already. Raises JournalError."""
        if self.done(name, mark):
            return False
        text = json.dumps({"file": name, "mark": mark, "line": line}, allow_nan=False)
        try:
            self._file.write(text.encode("ascii") + b"\n")
            self._file.flush()
            if time.monotonic() - self._synced_s > SYNC_S:
                os.fsync(self._file.fileno())
                self._synced_s = time.monotonic()
        except OSError as wrong:
            raise self._trouble(wrong) from wrong
        self.answers[name] = (mark, line)
        return True

    def forget(self, name: str) -> None:
        """Take a file's answer for none, until it has another."""
        self.answers.pop(name, None)

    def _lock(self) -> None:
        if fcntl is None:
            return
        try:
            fcntl.flock(self._file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as wrong:
            raise JournalError(
                f"another run is writing {printable(str(self.path))}: let it end, or name another "
                "file after --results"
            ) from wrong

    def _read(self) -> None:
        self._file.seek(0)
        whole = 0
        for raw in self._file:
            if not raw.endswith(b"\n"):
                break
            whole += len(raw)
            try:
                obj = json.loads(raw)
                name, mark, line = obj["file"], obj["mark"], obj["line"]
                if not (isinstance(name, str) and isinstance(mark, str) and isinstance(line, dict)):
                    raise ValueError(name)
            except (ValueError, KeyError, TypeError, RecursionError) as wrong:
                raise JournalError(
                    f"{printable(str(self.path))} is no journal of results, or is spoilt after "
                    f"{len(self.answers)} answers: move it away, or name another file after "
                    "--results"
                ) from wrong
            self.answers[name] = (mark, line)
        self._file.truncate(whole)
        self._file.seek(0, os.SEEK_END)

    def _trouble(self, wrong: OSError) -> JournalError:
        return JournalError(
            f"{printable(str(self.path))} cannot be written ({wrong.strerror or wrong}). What is "
            "done is kept in it: make room or choose another place, then run the same command again"
        )
