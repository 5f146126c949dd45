"""One phone's drift watch: what the page asks of it, what it keeps, what the guidance says."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from server.drift_row import Row
from server.messages import PlaceSent
from server.places import Places, PlacesError
from server.wire_drift import drift_to_json
from server.words import Speech
from vision.drift import Drift, DriftState, Limits, Watch, look, remember, watch_again
from vision.reading import Reading

logger = logging.getLogger(__name__)

LOG_EVERY_S = 60.0


class PlaceWatch:
    """Commands come from the loop's thread, pictures from the pool's, one at a time."""

    def __init__(self, places: Places | None, clock: Callable[[], float] = time.time) -> None:
        self._places = places
        self._clock = clock
        self._asked: PlaceSent | None = None
        self._done: PlaceSent | None = None
        self._state: DriftState | None = None
        self._name = ""
        self._logged: tuple[float, Watch | None] = (0.0, None)

    def command(self, sent: PlaceSent) -> None:
        """Take over what the page wants; pages repeat it, and an old one may arrive late."""
        if self._asked is None or sent.seq > self._asked.seq:
            self._asked = sent

    @property
    def busy(self) -> bool:
        """Whether each picture counts: a place is watched, or shall be."""
        return self._asked is not self._done or self._state is not None

    def look(
        self, reading: Reading, size: tuple[int, int], time_s: float, speech: Speech
    ) -> dict[str, Any]:
        """The guidance's `place_seq` and `drift` for one more reading."""
        asked = self._asked
        try:
            if asked is not None and asked is not self._done:
                self._done = asked
                self._begin(asked)
            if self._state is None:
                return {"place_seq": None if asked is None else asked.seq, "drift": None}
            learning = self._state.reference is None
            self._state, drift = look(self._state, reading, size, time_s)
            if learning and self._state.reference is not None and self._places is not None:
                self._places.keep(self._name, self._state.reference, self._clock())
            self._note(drift)
        except PlacesError:
            # The watch goes on without its log.
            logger.exception("the log of places failed")
            drift = Drift(Watch.BLIND) if self._state is None else self._state.told
        assert asked is not None
        return {"place_seq": asked.seq, "drift": drift_to_json(drift, self._name, speech)}

    def _begin(self, asked: PlaceSent) -> None:
        limits = Limits(asked.move_m, asked.turn_rad)
        self._name = asked.name
        self._logged = (0.0, None)
        if asked.do == "stop":
            self._state = None
        elif asked.do == "remember":
            self._state = remember(limits)
        else:
            reference = None if self._places is None else self._places.find(asked.name)
            self._state = None if reference is None else watch_again(reference, limits)

    def _note(self, drift: Drift) -> None:
        """A row each minute, and one whenever the watch says something else."""
        at_s, watch = self._logged
        now_s = self._clock()
        if drift.watch is Watch.LEARNING or self._places is None:
            return
        if drift.watch is watch and 0 <= now_s - at_s < LOG_EVERY_S:
            return
        self._logged = (now_s, drift.watch)
        move = drift.move
        if move is None:
            self._places.log(self._name, Row(now_s, drift.watch.value))
            return
        six = tuple(np.concatenate([move.move_m, move.turn_rad]).tolist())
        row = Row(now_s, drift.watch.value, six, move.distance_sigma_m, move.angle_sigma_rad)
        self._places.log(self._name, row)
