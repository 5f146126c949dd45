"""`calibrate --live`: a phone is shown the board, told what to show next, and measured."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

from server import event_loop, lens_words, serve
from server.language import speech_of
from server.profiles import Profiles
from server.words import PLAIN, Speech, named
from vision.board import Board
from vision.board_live import BoardState, board_step
from vision.calibrate import Calibration
from vision.errors import SetupError, TeesquareError
from vision.live import LiveReading, LiveState
from vision.profile import LensKey, Profile, from_calibration
from vision.read import not_found
from vision.rods import NotFound, Reason

if TYPE_CHECKING:
    from vision.frame import Frame
    from vision.setup import Setup


class BoardWatch:
    """One phone's board, collected over its pictures; keeps the profile in `store` when found.

    `learn` hears which lens films, as the server's `lenses`; `analyse` takes its pictures.
    """

    def __init__(
        self,
        store: Profiles,
        name: str,
        board: Board,
        tell: Callable[[str], None],
        speech: Speech = PLAIN,
    ) -> None:
        self._speech = speech
        self.found: Calibration | None = None
        self._store = store
        self._name = name
        self._board = board
        self._tell = tell
        self._state = BoardState()
        self._key: LensKey | None = None

    def learn(self, key: LensKey) -> Profile | None:
        """Another lens begins anew; its pixels are those of its own picture."""
        self._key = key
        self._state = BoardState(long_px=key.long_px)
        return None

    def analyse(
        self, state: LiveState, frame: Frame, setup: Setup, *_: object, **__: object
    ) -> tuple[LiveState, LiveReading]:
        """As `vision.live.step`, but for the board: the time and any hints are left aside."""
        self._state, progress = board_step(self._state, frame.y, self._board)
        if progress.found is not None and self.found is None:
            self._keep(progress.found)
        return state, LiveReading(not_found(NotFound(Reason.NO_RODS), setup), 0.0, board=progress)

    def _keep(self, found: Calibration) -> None:
        self.found = found
        key = self._key
        device, lens = (key.device, key.lens) if key is not None else ("", "")
        try:
            self._store.save(from_calibration(self._name, device, lens, found))
        except TeesquareError:
            self.found = None
            self._state = replace(self._state, found=None)
            raise
        self._tell(lens_words.calibration_text(found, self._speech))
        self._tell(named(self._speech, "calibrate.kept.live", name=self._name))


def run_live(args: argparse.Namespace, store: Profiles, board: Board) -> int:
    """Serve one phone until Ctrl-C. Returns 0 when a profile was kept, else 1."""
    if not args.name:
        raise SetupError("--live needs a name for the profile: give it with --name")
    options = argparse.ArgumentParser()
    serve.add_arguments(options)
    config, addresses = serve.configure(options.parse_args([], args))
    speech = speech_of(args)
    watch = BoardWatch(store, args.name, board, config.tell, speech)
    config = replace(config, analyse=watch.analyse, lenses=watch.learn, max_sessions=1)
    event_loop.run(serve.serve_until_stopped(config, addresses, speech))
    return 0 if watch.found is not None else 1
