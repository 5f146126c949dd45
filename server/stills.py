"""The pictures of films at their lock: one file each, in a folder beside the records."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from server.record import RecordError

ENDINGS = {b"\xff\xd8\xff": "jpg", b"\x89PNG": "png"}


class Stills:
    """The folder; made with the first picture, and for its owner alone."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def keep(self, film: str, data: bytes) -> None:
        """Keep a film's picture (JPEG or PNG) in the stead of an older one. Raises RecordError."""
        ending = next((end for head, end in ENDINGS.items() if data.startswith(head)), None)
        if ending is None:
            raise RecordError("a still is neither JPEG nor PNG: give one of these")
        part = self._folder / f"{film}.part"
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            with part.open("wb") as out:
                part.chmod(0o600)
                out.write(data)
                out.flush()
                os.fsync(out.fileno())
            self.wipe(film, but=part)
            part.replace(self._folder / f"{film}.{ending}")
        except OSError as wrong:
            with contextlib.suppress(OSError):
                part.unlink()
            raise RecordError(
                f"the record of film {film} is kept, but its still is not "
                f"({wrong.strerror or wrong}): make room on the disk"
            ) from wrong

    def read(self, film: str) -> tuple[bytes, str] | None:
        """A film's picture and its type ("image/jpeg"), None without one."""
        for ending in ENDINGS.values():
            with contextlib.suppress(FileNotFoundError):
                data = (self._folder / f"{film}.{ending}").read_bytes()
                return data, "image/png" if ending == "png" else "image/jpeg"
        return None

    def file(self, film: str) -> str | None:
        """Where a film's picture lies, None without one."""
        files = (self._folder / f"{film}.{ending}" for ending in ENDINGS.values())
        return next((str(file) for file in files if file.is_file()), None)

    def wipe(self, film: str, but: Path | None = None) -> int:
        """Remove a film's pictures, overwritten first; nothing more can be done on a flash disk.

        Gives how many there were. Raises OSError.
        """
        wiped = 0
        for ending in (*ENDINGS.values(), "part"):
            file = self._folder / f"{film}.{ending}"
            if file == but or not file.exists():
                continue
            with file.open("r+b") as out:
                out.write(b"\0" * file.stat().st_size)
                out.flush()
                os.fsync(out.fileno())
            file.unlink()
            wiped += 1
        return wiped
