"""One phone's first look: what the page asks of it, its state, what the guidance says of it."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

from server.messages import LookSent
from server.sentence import Sentence
from server.wire import Stated
from server.wire_look import look_to_json
from vision.again import find_again
from vision.belief import ACCEPT
from vision.errors import TeesquareError
from vision.first_look import FirstLook, again, applied, own_lens, skip, wants_again, watch
from vision.frame import Frame
from vision.live import LiveReading
from vision.pose import Pose
from vision.profile import LensKey
from vision.rods import Rods
from vision.setup import Setup

logger = logging.getLogger(__name__)

SAME_SHAPE = 0.01  # of the analysed picture and the camera's own, one may be a crop of the other

# focal length and sigma in pixels of the key's picture, k1 and its sigma, as
# `server.profiles.Profiles.add_first_look` takes them
KeepLook = Callable[[LensKey, float, float, float, float | None], object]


class LookWatch:
    """Commands come from the loop's thread, pictures from the pool's, one at a time."""

    def __init__(
        self, keep: KeepLook | None = None, tell: Callable[[str], None] = lambda sentence: None
    ) -> None:
        self._keep = keep
        self._tell = tell
        self._asked: LookSent | None = None
        self._done: LookSent | None = None
        self._state = FirstLook()

    def command(self, sent: LookSent) -> None:
        """Take over what the page wants; pages repeat it, and an old one may arrive late."""
        if self._asked is None or sent.seq > self._asked.seq:
            self._asked = sent

    @property
    def busy(self) -> bool:
        """Whether each picture counts: looks are taken, or the rods may have been moved."""
        state = self._state
        return self._asked is not self._done or state.collecting or not state.sure

    def seen(self, time_s: float) -> None:
        """A picture showed the rods where they were."""
        self._state = self._state.seen(time_s)

    def applied(self, setup: Setup, size: tuple[int, int], time_s: float) -> Setup:
        """The setup for a frame of `size`, with what the look has measured so far."""
        asked = self._asked
        if asked is not None and asked is not self._done:
            self._done = asked
            begin = asked.do == "begin"
            self._state = again(self._state, time_s) if begin else skip(self._state)
        return applied(self._state, setup, size)

    def look(
        self, live: LiveReading, frame: Frame, setup: Setup, time_s: float, stated: Stated
    ) -> dict[str, Any]:
        """The guidance's `look_seq` and `look` for one more reading; `setup` as `applied` got it.

        Raises nothing: a first look that fails must not take the guidance with it.
        """
        seq = None if self._done is None else self._done.seq
        if live.board is not None:
            return {"look_seq": seq, "look": None}
        before = self._state
        try:
            rods, pose = self._believed(live, frame, setup, time_s)
            size = (frame.width, frame.height)
            self._state = watch(before, rods, size, setup, time_s, pose)
            if self._state.finished > before.finished:
                self._remember(stated.camera)
        except TeesquareError:
            logger.exception("the first look failed and is given up")
            self._state = FirstLook()
        return {"look_seq": seq, "look": look_to_json(self._state, live.reading.layout, stated)}

    def _believed(
        self, live: LiveReading, frame: Frame, setup: Setup, time_s: float
    ) -> tuple[Rods | None, Pose | None]:
        """The frame's rods where they are believed, if need be by a second look."""
        reading = live.reading
        if isinstance(reading.rods, Rods) and reading.belief >= ACCEPT:
            return reading.rods, reading.pose
        known = wants_again(self._state, time_s)
        if known is None or known.size != (frame.width, frame.height):
            return None, None
        self._state = self._state.looked(time_s)
        found = find_again(frame, setup.knowing(known))
        return (found, None) if isinstance(found, Rods) else (None, None)

    def _remember(self, camera: LensKey | None) -> None:
        """Keep what this look found of the lens, in pixels of the camera's own picture."""
        known = self._state.known
        if self._keep is None or camera is None or known is None:
            return
        short, long = min(known.size), max(known.size)
        scale = camera.long_px / long
        if abs(camera.short_px - scale * short) > 1 + SAME_SHAPE * camera.short_px:
            return
        lens = own_lens(self._state)
        if lens is None:
            return
        lens = lens.scaled(scale)
        try:
            self._keep(camera, lens.focal_px, lens.sigma_px, lens.k1, lens.k1_sigma)
        except TeesquareError as wrong:
            self._tell(str(wrong))
            return
        self._tell(Sentence("serve.looked", focal=round(lens.focal_px)))
