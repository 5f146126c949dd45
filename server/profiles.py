"""The store of lens profiles: one SQLite file in the user's data directory."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path

import platformdirs

from server.database import Database, Kind, now_text
from vision.errors import TeesquareError
from vision.profile import LensKey, Look, Made, Profile, from_looks

MAX_LOOKS = 30  # the newest of a lens

_PROFILES = """
CREATE TABLE profiles (
    name TEXT PRIMARY KEY NOT NULL,
    device TEXT NOT NULL, lens TEXT NOT NULL,
    long_px INTEGER NOT NULL, short_px INTEGER NOT NULL,
    made TEXT NOT NULL,
    width INTEGER NOT NULL, height INTEGER NOT NULL,
    focal_px REAL NOT NULL, sigma_px REAL NOT NULL,
    cx_px REAL, cy_px REAL, centre_sigma_px REAL,
    k1 REAL NOT NULL, k2 REAL NOT NULL, p1 REAL NOT NULL, p2 REAL NOT NULL, k3 REAL NOT NULL,
    k1_sigma REAL, rms_px REAL, held_back_px REAL,
    views INTEGER NOT NULL, made_at TEXT NOT NULL,
    UNIQUE (device, lens, long_px, short_px, made)
)"""
_LOOKS = """
CREATE TABLE looks (
    id INTEGER PRIMARY KEY,
    device TEXT NOT NULL, lens TEXT NOT NULL,
    long_px INTEGER NOT NULL, short_px INTEGER NOT NULL,
    focal_px REAL NOT NULL, sigma_px REAL NOT NULL,
    k1 REAL NOT NULL, k1_sigma REAL, seen_at TEXT NOT NULL
)"""
_LOOKS_BY_LENS = "CREATE INDEX looks_by_lens ON looks (device, lens, long_px, short_px)"

# Each step's statements, run once in order and noted in the table `migrations`. Never change one.
MIGRATIONS: tuple[tuple[str, ...], ...] = ((_PROFILES,), (_LOOKS, _LOOKS_BY_LENS))
VERSION = len(MIGRATIONS)

_COLUMNS = (
    "name, device, lens, long_px, short_px, made, width, height, focal_px, sigma_px, cx_px, cy_px, "
    "centre_sigma_px, k1, k2, p1, p2, k3, k1_sigma, rms_px, held_back_px, views"
)
_LENS = "device = ? AND lens = ? AND long_px = ? AND short_px = ?"


class ProfileError(TeesquareError):
    """Profiles that cannot be read or kept; the message says what to do."""


_KIND = Kind(
    what="lens profiles",
    variable="TEESQUARE_PROFILES",
    after="calibrate again, or import a copy",
    error=ProfileError,
    migrations=MIGRATIONS,
    check_always=True,
)


def profiles_file() -> Path:
    """Where this user's profiles are kept. `TEESQUARE_PROFILES` names another file."""
    named = os.environ.get("TEESQUARE_PROFILES")
    if named:
        return Path(named)
    return Path(platformdirs.user_data_dir("teesquare", appauthor=False)) / "profiles.sqlite3"


class Profiles:
    """All profiles of one file, opened for each call: short work, and safe between threads.

    Every method raises ProfileError where the file cannot be used. A file that is no database is
    kept aside under another name and a new one begun, told by `tell`.
    """

    def __init__(
        self, file: Path | None = None, tell: Callable[[str], None] = lambda sentence: None
    ) -> None:
        self.file = profiles_file() if file is None else file
        self._db = Database(self.file, _KIND, tell)

    def all(self) -> list[Profile]:
        """Every profile, by name."""
        with self._db.open() as db:
            rows = db.execute(f"SELECT {_COLUMNS} FROM profiles ORDER BY name").fetchall()
        return [_profile(row) for row in rows]

    def named(self, name: str) -> Profile:
        """The profile of that name. Raises ProfileError when there is none."""
        with self._db.open() as db:
            row = db.execute(f"SELECT {_COLUMNS} FROM profiles WHERE name = ?", (name,)).fetchone()
            names = [] if row else [r[0] for r in db.execute("SELECT name FROM profiles")]
        if row is None:
            there = f"there are {', '.join(sorted(names))}" if names else "there is none yet"
            raise ProfileError(f"no lens profile is called {name}: {there}")
        return _profile(row)

    def find(self, key: LensKey) -> Profile | None:
        """What is known of a lens: a board's profile before first looks', this size before others.

        Another size of the same lens counts only where it has the same shape.
        """
        with self._db.open() as db:
            rows = db.execute(
                f"SELECT {_COLUMNS} FROM profiles WHERE device = ? AND lens = ?",
                (key.device, key.lens),
            ).fetchall()
        size = (key.long_px, key.short_px)
        fitting = [p for p in map(_profile, rows) if p.lens_for(size) is not None]
        return min(
            fitting,
            key=lambda p: (p.key != key, p.made is not Made.BOARD, abs(p.key.long_px - size[0])),
            default=None,
        )

    def save(self, profile: Profile) -> None:
        """Keep a profile, in place of one of the same name or of the same lens, size and making."""
        with self._db.open() as db:
            self._save(db, profile)

    def delete(self, name: str) -> None:
        """Forget a profile, with the first looks that it was made of."""
        profile = self.named(name)
        with self._db.open() as db:
            db.execute("DELETE FROM profiles WHERE name = ?", (name,))
            if profile.made is Made.LOOKS:
                db.execute(f"DELETE FROM looks WHERE {_LENS}", _lens(profile.key))

    def add_first_look(
        self,
        key: LensKey,
        focal_px: float,
        sigma_px: float,
        k1: float = 0.0,
        k1_sigma: float | None = None,
    ) -> Profile | None:
        """Keep what one first look found of a lens; gives the profile of all its looks, if any.

        In pixels of the key's picture, found without the help of a profile: else a profile would
        confirm itself. The newest MAX_LOOKS count. Raises SetupError for numbers
        that cannot be.
        """
        look = Look(focal_px, sigma_px, k1, k1_sigma)
        with self._db.open() as db:
            db.execute(
                "INSERT INTO looks (device, lens, long_px, short_px, focal_px, sigma_px, k1, "
                "k1_sigma, seen_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (*_lens(key), look.focal_px, look.sigma_px, look.k1, look.k1_sigma, now_text()),
            )
            db.execute(
                f"DELETE FROM looks WHERE {_LENS} AND id NOT IN (SELECT id FROM looks WHERE {_LENS}"
                " ORDER BY id DESC LIMIT ?)",
                (*_lens(key), *_lens(key), MAX_LOOKS),
            )
            looks = [
                Look(*row)
                for row in db.execute(
                    f"SELECT focal_px, sigma_px, k1, k1_sigma FROM looks WHERE {_LENS} ORDER BY id",
                    _lens(key),
                )
            ]
            profile = from_looks(key, looks, _looks_name(db, key))
            if profile is not None:
                self._save(db, profile)
        return profile

    def _save(self, db: sqlite3.Connection, profile: Profile) -> None:
        db.execute(
            f"DELETE FROM profiles WHERE name = ? OR ({_LENS} AND made = ?)",
            (profile.name, *_lens(profile.key), profile.made.value),
        )
        cx, cy = profile.centre_px or (None, None)
        db.execute(
            f"INSERT INTO profiles ({_COLUMNS}, made_at) VALUES ({', '.join('?' * 23)})",
            (
                profile.name,
                *_lens(profile.key),
                profile.made.value,
                *profile.size,
                profile.focal_px,
                profile.sigma_px,
                cx,
                cy,
                profile.centre_sigma_px,
                *profile.bend,
                profile.k1_sigma,
                profile.rms_px,
                profile.held_back_px,
                profile.views,
                now_text(),
            ),
        )


def _profile(row: tuple[object, ...]) -> Profile:
    name, device, lens, long_px, short_px, made, width, height, focal, sigma, cx, cy, *rest = row
    centre_sigma, k1, k2, p1, p2, k3, k1_sigma, rms, held_back, views = rest
    return Profile(
        name=str(name),
        key=LensKey(str(device), str(lens), _int(long_px), _int(short_px)),
        made=Made(str(made)),
        size=(_int(width), _int(height)),
        focal_px=_float(focal),
        sigma_px=_float(sigma),
        centre_px=None if cx is None or cy is None else (_float(cx), _float(cy)),
        centre_sigma_px=_known(centre_sigma),
        bend=(_float(k1), _float(k2), _float(p1), _float(p2), _float(k3)),
        k1_sigma=_known(k1_sigma),
        rms_px=_known(rms),
        held_back_px=_known(held_back),
        views=_int(views),
    )


def _float(value: object) -> float:
    assert isinstance(value, int | float)
    return float(value)


def _int(value: object) -> int:
    assert isinstance(value, int)
    return value


def _known(value: object) -> float | None:
    return None if value is None else _float(value)


def _lens(key: LensKey) -> tuple[str, str, int, int]:
    return key.device, key.lens, key.long_px, key.short_px


def _looks_name(db: sqlite3.Connection, key: LensKey) -> str:
    """The name of the profile that these looks already have, or a new one."""
    row = db.execute(
        f"SELECT name FROM profiles WHERE {_LENS} AND made = ?", (*_lens(key), Made.LOOKS.value)
    ).fetchone()
    if row is not None:
        return str(row[0])
    taken = {str(r[0]) for r in db.execute("SELECT name FROM profiles")}
    base = f"{key.lens or key.device or 'lens'} {key.long_px}x{key.short_px} first looks"
    name, number = base, 2
    while name in taken:
        name, number = f"{base} {number}", number + 1
    return name
