"""One phone led back to an earlier film's place: what the page asks, what the guidance says."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import Any

from server.again_places import earlier_at, may_see
from server.again_words import label
from server.messages import AgainSent
from server.record import FilmRecord, RecordError, kit_of
from server.records import Records
from server.wire import Stated
from server.wire_again import again_to_json
from vision.errors import TeesquareError
from vision.joint import Both, both_of, joint
from vision.placement import place
from vision.reading import Reading
from vision.same_place import (
    Doubt,
    Leading,
    Led,
    Other,
    Sameness,
    comparable,
    gaps_of,
    lead,
    settled,
)
from vision.setup import Setup, View
from vision.standing import Standing, shared_errors
from vision.steady import Standstill, Steady, steady, watch

logger = logging.getLogger(__name__)

LOST_S = 0.6  # so long without rods what was said last still counts
EVERY_S = 0.25  # solving two stands together takes tens of milliseconds
UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Here:
    """For the film that may follow: how the phone stands, and where it was led to.

    `leading`: it is being led. `film`: the earlier film, once the verdict is "same".
    """

    still: Standstill = field(default_factory=Standstill)
    leading: bool = False
    film: str | None = None

    @property
    def steady(self) -> Steady | None:
        """The mean look; worked out only when asked for."""
        return steady(self.still)


NOWHERE = Here()


class AgainWatch:
    """Commands come from the loop's thread, pictures from the pool's, one at a time."""

    def __init__(self, records: Records | None = None) -> None:
        self._records = records
        self._asked: AgainSent | None = None
        self._done: AgainSent | None = None
        self._then: FilmRecord | None = None
        self._reason: str | None = None  # why there is nothing to lead to
        self._still = Standstill()
        self._leading = Leading()
        self._led: Led | None = None
        self._steady: Steady | None = None
        self._told_s = float("-inf")

    @property
    def here(self) -> Here:
        """How the phone stands after the last picture."""
        same = self._led is not None and self._led.verdict is Sameness.SAME
        film = self._then.film if self._then is not None and same else None
        return Here(self._still, self._then is not None and self._reason is None, film)

    @property
    def busy(self) -> bool:
        """Whether each picture counts: the phone is led, or shall be."""
        return self._asked is not self._done or self._then is not None

    def command(self, sent: AgainSent) -> None:
        """Take over what the page wants; pages repeat it, and an old one may arrive late."""
        if self._asked is None or sent.seq > self._asked.seq:
            self._asked = sent

    def look(
        self, reading: Reading, size: tuple[int, int], time_s: float, stated: Stated
    ) -> dict[str, Any]:
        """The guidance's `again_seq` and `again` for one more reading.

        Raises nothing: what fails here must not take the guidance with it.
        """
        before = len(self._still.looks)
        self._still = watch(self._still, reading, size, time_s)
        asked = self._asked
        if asked is not None and asked is not self._done:
            self._done = asked
            self._begin(asked, stated)
        seq = None if asked is None else asked.seq
        if self._then is None and self._reason is None:
            return {"again_seq": seq, "again": None}
        if self._then is not None:
            other = comparable(self._then.setup, stated.setup)
            self._reason = None if other is None else other.value
        if self._then is None or self._reason is not None:
            self._led, self._leading = None, Leading()
        elif reading.pose is None:
            if not 0 <= time_s - self._told_s <= LOST_S:
                self._led, self._leading = None, Leading()
        else:
            # At once where the phone has just been moved.
            fresh = len(self._still.looks) < before or self._led is None
            if fresh or not 0 <= time_s - self._told_s < EVERY_S:
                self._told_s = time_s
                self._judge(self._then, reading, stated, time_s)
        name = "" if self._then is None else label(self._then, stated)
        film = None if self._then is None else self._then.film
        told = again_to_json(self._led, film, name, self._reason, self._steady, stated)
        return {"again_seq": seq, "again": told}

    def _begin(self, asked: AgainSent, stated: Stated) -> None:
        self._then, self._reason, self._led, self._leading = None, None, None, Leading()
        if asked.do == "stop":
            return
        self._reason = UNKNOWN
        if self._records is None:
            return
        try:
            if asked.film is not None:
                found: FilmRecord | None = self._records.get(asked.film)
            else:
                found = earlier_at(
                    self._records, stated.setup, stated.who, bay=asked.bay, player=asked.player
                )
        except RecordError:
            logger.info("no record %s to lead to", asked.film or "of that name")
            return
        # What a phone may not see is as if it were not there.
        if found is not None and may_see(found, stated.who):
            self._then = found
            self._reason = None
            if found.standing is None:
                self._then, self._reason = None, Other.NO_PLACE.value

    def _judge(self, then: FilmRecord, reading: Reading, stated: Stated, time_s: float) -> None:
        now = steady(self._still)
        self._steady = now
        if now is None:
            self._led = None
            return
        kin = bool(then.kit) and then.kit == kit_of(stated.who.phone, stated.camera, stated.setup)
        try:
            lain = self._done is not None and self._done.same_rods
            both = _both(then, now, kin, lain)
        except TeesquareError:
            logger.exception("an earlier place could not be compared")
            both = None
        if both is None:
            self._led, self._leading = None, Leading()
            self._reason = None if then.steady is None else Other.MISFIT.value
            return
        doubt = _doubt(then, now.setup, kin)
        self._leading, self._led = lead(
            self._leading, gaps_of(both), settled(now), doubt, time_s, now.believed
        )


def _both(then: FilmRecord, now: Steady, kin: bool, lain: bool) -> Both | None:
    """Both stands; of a record without its mean look, each solved for itself."""
    if then.steady is not None:
        return joint(then.steady, now, kin, lain)
    if then.standing is None or then.layout is None:
        return None
    pose = now.pose()
    placement, layout = place(pose, now.setup)
    shared = shared_errors(pose, now.setup)
    kit = then.kit if kin else ""
    standing = Standing(then.standing.placement, then.standing.shared, kit)
    return both_of(standing, Standing(placement, shared, kit), then.layout, layout)


def _doubt(then: FilmRecord, setup: Setup, kin: bool) -> Doubt:
    if not kin:
        return Doubt.KIT
    tilt_then = then.setup.tilt if then.steady is None else then.steady.setup.tilt
    if setup.tilt is None or tilt_then is None:
        return Doubt.TILT_SENSOR
    measured = setup.known is not None and then.steady is not None
    known = measured and then.steady is not None and then.steady.setup.known is not None
    if setup.view is View.DOWN_THE_LINE and not known:
        return Doubt.FIRST_LOOK
    return Doubt.STEADY
