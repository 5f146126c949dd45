"""Which profile belongs to the lens that a phone films with, looked up once for each lens."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace

from server.fields import printable
from server.sentence import Sentence
from vision.profile import LensKey, Profile
from vision.setup import Setup


class LensBook:
    """Remembers what `find` knows of the session's lens, and tells the server's window of it.

    `find` is called in a thread; None: nothing is known of any lens.
    """

    def __init__(
        self,
        find: Callable[[LensKey], Profile | None] | None = None,
        tell: Callable[[str], None] = lambda sentence: None,
    ) -> None:
        self._find = find
        self._tell = tell
        self._key: LensKey | None = None
        self._profile: Profile | None = None

    async def learn(self, key: LensKey | None, pool: Executor) -> None:
        """Look a lens up unless it is the last one. Raises ProfileError, once for each lens."""
        if key is None or self._find is None or key == self._key:
            return
        self._key, self._profile = key, None
        loop = asyncio.get_running_loop()
        self._profile = await loop.run_in_executor(pool, self._find, key)
        self._tell(_sentence(key, self._profile))

    def applied(self, setup: Setup, key: LensKey | None, size: tuple[int, int]) -> Setup:
        """The setup with the lens's profile for a picture of `size`; a stated lens stays."""
        if setup.lens is not None or self._profile is None or key != self._key:
            return setup
        lens = self._profile.lens_for(size)
        return setup if lens is None else replace(setup, lens=lens)


def _sentence(key: LensKey, profile: Profile | None) -> str:
    lens = Sentence(
        "serve.lens.key",
        device=printable(key.device),
        lens=printable(key.lens),
        long=key.long_px,
        short=key.short_px,
    )
    if profile is None:
        return Sentence("serve.lens.none", lens=lens)
    return Sentence("serve.lens", name=printable(profile.name), lens=lens)
