"""One SQLite file of this program: migrations, one transaction a call, a sentence for each trouble.

Shared by the stores of lens profiles, places and records. A file that is no database, or a broken
one, is kept aside under another name, never deleted, and a new one begun.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from vision.errors import TeesquareError

BUSY_S = 2.0
_BUSY = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
_BROKEN = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_BESIDE = ("-wal", "-shm", "-journal")


@dataclass(frozen=True, slots=True)
class Kind:
    """What a file holds. `what` in the plural ("lens profiles"); `variable` names another file.

    `migrations`: each step's statements, run once in order and noted in the table `migrations`;
    never change one. `after`: what to do once a broken file was kept aside. `wal`: write-ahead log,
    for files that are written often. `check_always`: look for damage at each opening (small files).
    """

    what: str
    variable: str | None
    after: str
    error: type[TeesquareError]
    migrations: tuple[tuple[str, ...], ...]
    wal: bool = False
    check_always: bool = False

    @property
    def version(self) -> int:
        """The version of the tables."""
        return len(self.migrations)

    @property
    def elsewhere(self) -> str:
        """The remedy that always helps."""
        if self.variable is None:
            return "move it away and start again"
        return f"name another file with {self.variable}"


class Database:
    """Opened for each call: short work, safe between threads and processes.

    `file` None keeps everything in memory. Every method raises the kind's error where the file
    cannot be used. `tell` gets a sentence when a broken file was kept aside. `busy_s`: how long to
    wait for another program that writes (None: BUSY_S).
    """

    def __init__(
        self,
        file: Path | None,
        kind: Kind,
        tell: Callable[[str], None] = lambda sentence: None,
        busy_s: float | None = None,
    ) -> None:
        self.file = file
        self.kind = kind
        self._busy_s = busy_s
        self._tell = tell
        self._checked = False
        self._lock = threading.RLock()
        self._memory: sqlite3.Connection | None = None

    @property
    def kept_aside(self) -> list[Path]:
        """Broken files that were kept aside, oldest first."""
        if self.file is None:
            return []
        return sorted(self.file.parent.glob(f"{self.file.name}.broken-*"))

    @contextlib.contextmanager
    def open(self) -> Iterator[sqlite3.Connection]:
        """One transaction: kept when the block ends well, undone when not."""
        with self._told(), self._connection() as db, db:
            yield db

    @contextlib.contextmanager
    def plain(self) -> Iterator[sqlite3.Connection]:
        """A connection without a transaction, for VACUUM and the like."""
        with self._told(), self._connection() as db:
            was, db.isolation_level = db.isolation_level, None
            try:
                yield db
            finally:
                db.isolation_level = was

    def close(self) -> None:
        """Let go of what is in memory; a file is closed after each call anyway."""
        with self._lock:
            if self._memory is not None:
                self._memory.close()
                self._memory = None

    @contextlib.contextmanager
    def _connection(self) -> Iterator[sqlite3.Connection]:
        if self.file is None:
            with self._lock:
                if self._memory is None:
                    self._memory = self._connect()
                    _migrate(self._memory, self.kind, "memory")
                yield self._memory
            return
        db = self._sound()
        try:
            yield db
        finally:
            db.close()

    def _sound(self) -> sqlite3.Connection:
        """A connection to a file that has been looked over and brought up to date."""
        assert self.file is not None
        self.file.parent.mkdir(parents=True, exist_ok=True)
        with self._lock:
            db = self._connect()
            try:
                if self._is_sound(db):
                    _migrate(db, self.kind, str(self.file))
                    self._checked = True
                    return db
            except BaseException:
                db.close()
                raise
            db.close()
            self._put_aside(self.file)
            db = self._connect()
            try:
                _migrate(db, self.kind, str(self.file))
            except BaseException:
                db.close()
                raise
            return db

    def _is_sound(self, db: sqlite3.Connection) -> bool:
        try:
            if not self._checked or self.kind.check_always:
                return bool(db.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok")
            db.execute("PRAGMA user_version").fetchone()
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError:
            return False  # "file is not a database", "malformed"
        return True

    def _connect(self) -> sqlite3.Connection:
        db = sqlite3.connect(
            self.file or ":memory:",
            timeout=BUSY_S if self._busy_s is None else self._busy_s,
            isolation_level="IMMEDIATE",
            check_same_thread=self.file is not None,
        )
        if self.file is None:
            return db
        with contextlib.suppress(OSError):
            self.file.chmod(0o600)
        if self.kind.wal:
            # A broken or foreign file is found out by the check that follows.
            with contextlib.suppress(sqlite3.DatabaseError):
                db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA secure_delete = ON")
        return db

    def _put_aside(self, file: Path) -> None:
        aside = file.with_name(f"{file.name}.broken-{time.time_ns()}")
        file.rename(aside)
        for end in _BESIDE:
            with contextlib.suppress(FileNotFoundError):
                file.with_name(file.name + end).rename(aside.with_name(aside.name + end))
        self._tell(
            f"The {self.kind.what} could not be read and were kept aside as {aside}. "
            f"New ones begin: {self.kind.after}."
        )

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        """Turns what the library and the system raise into the kind's error, in a sentence."""
        kind, where = self.kind, f"the {self.kind.what} in {self.file or 'memory'}"
        try:
            yield
        except sqlite3.Error as wrong:
            code = (getattr(wrong, "sqlite_errorcode", None) or 0) & 0xFF
            if code in _BUSY or "locked" in str(wrong):
                raise kind.error(
                    f"{where} are in use by another program: end it, or wait and try again"
                ) from wrong
            if code == sqlite3.SQLITE_FULL:
                raise kind.error(
                    f"{where} cannot be written, the disk is full: make room and try again; what "
                    "was kept before is unharmed"
                ) from wrong
            if code in _BROKEN:
                self._checked = False  # looked over, and kept aside, at the next opening
            if isinstance(wrong, sqlite3.OperationalError):
                raise kind.error(
                    f"{where} cannot be used ({wrong}): check the folder's rights and free space, "
                    f"or {kind.elsewhere}"
                ) from wrong
            raise kind.error(f"{where} cannot be used ({wrong}): {kind.elsewhere}") from wrong
        except OSError as wrong:
            raise kind.error(
                f"{where} cannot be used ({wrong.strerror or wrong}): check the folder's rights "
                f"and free space, or {kind.elsewhere}"
            ) from wrong


def now_text() -> str:
    """The moment in UTC, ISO 8601."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def _migrate(db: sqlite3.Connection, kind: Kind, where: str) -> None:
    """Bring the tables up to date. Raises the kind's error for a file of a newer program."""
    version = int(db.execute("PRAGMA user_version").fetchone()[0])
    if version == kind.version:
        return
    if version > kind.version:
        raise kind.error(
            f"the {kind.what} in {where} were written by a newer teesquare (their version is "
            f"{version}, this one knows {kind.version}): update it, or {kind.elsewhere}"
        )
    with db:
        db.execute("BEGIN IMMEDIATE")
        # Another process may have done it while this one waited.
        version = int(db.execute("PRAGMA user_version").fetchone()[0])
        db.execute(
            "CREATE TABLE IF NOT EXISTS migrations (version INTEGER PRIMARY KEY, done_at TEXT)"
        )
        for number in range(version + 1, kind.version + 1):
            for statement in kind.migrations[number - 1]:
                db.execute(statement)
            db.execute("INSERT INTO migrations VALUES (?, ?)", (number, now_text()))
        db.execute(f"PRAGMA user_version = {max(version, kind.version)}")
