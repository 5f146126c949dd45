"""One phone's films: the place locked when square has held, watched while filming, and recorded."""

from __future__ import annotations

import logging
from collections import deque
from dataclasses import replace
from typing import Any

from server.again_watch import NOWHERE, Here
from server.film_book import FilmBook, Lock, still
from server.messages import FilmSent
from server.wire import Stated
from server.wire_film import film_to_json, worth_to_json
from vision.backlight import Light, backlight
from vision.drift import QUICK, Drift, DriftState, Limits, Watch, look, remember, watch_again
from vision.drift_solve import Reference
from vision.errors import TeesquareError
from vision.frame import Frame
from vision.read import not_found
from vision.reading import Reading, Verdict
from vision.rods import NotFound, Reason
from vision.shake import Glimpse, Shake, ball_distance_m, glimpse, kept, shake
from vision.worth import Camera, Worth, worth

logger = logging.getLogger(__name__)

LIMITS = Limits(pace=QUICK)
ASTRAY_S = 1.0  # so long out of square before a place that is being learned is given up
TOLD_S = 5.0  # without a film an alarm lasts so long: then the guidance leads back to square
LIGHT_EVERY_S = 2.0
SHAKE_EVERY_S = 0.6  # over a window of 3 s: no sooner is there news
SAMPLE_EVERY_S = 0.5
RUNNING_S = 1.0  # a film that has run so long when it is first heard of began elsewhere


class FilmWatch:
    """Words come from the loop's thread, pictures from the pool's, one at a time."""

    def __init__(self, book: FilmBook | None = None) -> None:
        self._book = book or FilmBook()
        self._seq: int | None = None  # the last word taken
        self._words: deque[tuple[FilmSent, float]] = deque()  # with when each was heard
        self._done: int | None = None
        self._camera = Camera()
        self._film: str | None = None
        self._state: DriftState | None = None
        self._lock: Lock | None = None
        self._anew = False  # the running film's own place is not known here
        self._square_s = float("-inf")
        self._alarm_s: float | None = None
        self._glimpses: tuple[Glimpse, ...] = ()
        self._light: Light | None = None
        self._light_s = float("-inf")
        self._shake: Shake | None = None
        self._shake_s = float("-inf")
        self._here = NOWHERE
        self._there_s = float("-inf")  # last at the earlier place that it was led to
        self._sampled: tuple[float, Watch | None] = (float("-inf"), None)

    def command(self, sent: FilmSent) -> None:
        """Take over a word about a film; pages repeat it, and an old one may arrive late."""
        if self._seq is None or sent.seq > self._seq:
            self._seq = sent.seq
            self._words.append((sent, self._book.now_s()))

    @property
    def busy(self) -> bool:
        """Whether each picture counts: a film runs, its place is watched, or a word has come."""
        return bool(self._words) or self._state is not None or self._film is not None

    def look(
        self,
        reading: Reading,
        frame: Frame,
        time_s: float,
        stated: Stated,
        here: Here = NOWHERE,
    ) -> dict[str, Any]:
        """The guidance's `film_seq` and `film` after one more reading.

        `here`: how the phone stands, and whether it is being led to an earlier place.
        """
        size = (frame.width, frame.height)
        self._here = here
        self._watch(reading, time_s)
        now = self._worth(reading, frame, time_s)
        while self._words:
            sent, heard_s = self._words.popleft()
            self._take(_aged(sent, self._book.now_s() - heard_s), reading, frame, now, stated)
        if self._state is None:
            drift: Drift | None = None
        else:
            learning, before = self._state.reference is None, self._state.told.watch
            self._state, drift = look(self._state, reading, size, time_s)
            if drift.watch is not before and Watch.MOVED in (drift.watch, before):
                self._glimpses = ()  # one move is no shake
            if learning and self._state.reference is not None:
                self._lock = self._locked(self._state.reference, reading, frame)
                self._book.keep_lock(stated.who.phone, self._lock)
        if self._film is not None and drift is not None:
            self._sample(drift, time_s)
        return {"film_seq": self._done, "film": film_to_json(self._film, drift, now, stated)}

    def _fresher(self, lock: Lock) -> Lock:
        """The lock with what was seen of the rods since, where the camera has not moved."""
        now = self._here.steady
        told = None if self._state is None else self._state.told.watch
        moved = lock.reference is not None and told is not Watch.STILL
        if now is None or not now.believed or moved:
            return lock
        if lock.steady is not None and lock.steady.looks >= now.looks:
            return lock
        return replace(lock, steady=now)

    def _locked(self, reference: Reference | None, reading: Reading, frame: Frame) -> Lock:
        steady = self._here.steady
        # Nobody shall be led to where something was only taken for rods.
        kept = steady if steady is not None and steady.believed else None
        return Lock(reference, reading, frame, kept, self._here.film)

    def _watch(self, reading: Reading, time_s: float) -> None:
        """Locks the place once square holds; lets it go where the phone is being moved again.

        A phone that is led to an earlier place belongs there, square or not.
        """
        leading, there = self._here.leading, self._here.film is not None
        if there:
            self._there_s = time_s
        astray = not 0 <= time_s - self._there_s <= ASTRAY_S
        if leading and astray and self._film is None:
            self._state, self._lock, self._alarm_s = None, None, None
            return
        if there if leading else reading.verdict is Verdict.SQUARE:
            self._square_s = time_s
            if self._state is None:
                self._state = remember(LIMITS)
        if self._state is None or self._film is not None:
            self._alarm_s = None
            return
        if self._state.reference is None:
            if time_s - self._square_s > ASTRAY_S:
                self._state = None
            return
        if self._state.told.watch not in (Watch.MOVED, Watch.RODS):
            self._alarm_s = None
            return
        self._alarm_s = time_s if self._alarm_s is None else self._alarm_s
        if time_s - self._alarm_s > TOLD_S:
            self._state, self._lock, self._alarm_s = None, None, None

    def _worth(self, reading: Reading, frame: Frame, time_s: float) -> Worth:
        self._glimpses = kept(self._glimpses, glimpse(reading, time_s), time_s)
        if not 0 <= time_s - self._light_s < LIGHT_EVERY_S:
            self._light_s = time_s
            self._light = backlight(frame, reading) or self._light
        if reading.placement is None or reading.lens is None:
            self._shake, self._shake_s = None, float("-inf")
        elif not 0 <= time_s - self._shake_s < SHAKE_EVERY_S:
            self._shake_s = time_s
            far_m = ball_distance_m(reading.placement, reading.setup)
            size = (frame.width, frame.height)
            self._shake = shake(self._glimpses, size, reading.lens.focal_px, far_m)
        return worth(self._camera, reading.setup.player, self._light, self._shake)

    def _take(
        self, sent: FilmSent, reading: Reading, frame: Frame, now: Worth, stated: Stated
    ) -> None:
        self._done = sent.seq
        self._camera = Camera(sent.fps, sent.measured_fps, sent.exposure_s, sent.size)
        if sent.film is None:
            return
        try:
            here, worth = self._locked(None, reading, frame), worth_to_json(now)
            if sent.do == "begin":
                self._begin(sent, sent.film, here, worth, stated)
            else:
                self._finish(sent, sent.film, here, worth, stated)
        except TeesquareError:
            # The film itself is on the phone; without its record it is still a film.
            logger.exception("the record of a film failed")

    def _begin(
        self, sent: FilmSent, film: str, here: Lock, worth: dict[str, Any], stated: Stated
    ) -> None:
        known = self._film == film
        self._film = film
        if not known:
            self._anew = False
            if sent.since_s > RUNNING_S:
                self._go_on(stated)
            elif self._state is None:
                self._state = remember(LIMITS)
            lock = self._lock or here
            if sent.since_s <= RUNNING_S:
                lock = self._fresher(lock)
            self._book.begin(film, sent.since_s, lock, worth, stated)

    def _go_on(self, stated: Stated) -> None:
        """A film of an earlier connection: watched against the place that was locked before it.

        After a restart of the server nobody knows that place. The one that is learned now says when
        the phone moves from now on, and nothing of where it stands against the film's lock.
        """
        before = self._book.lock_of(stated.who.phone)
        if before is not None and before.reference is not None:
            self._lock, self._state = before, watch_again(before.reference, LIMITS)
            return
        self._anew = True
        if self._state is None:
            self._state = remember(LIMITS)

    def _finish(
        self, sent: FilmSent, film: str, here: Lock, worth: dict[str, Any], stated: Stated
    ) -> None:
        own = self._film == film
        lock = self._lock or here
        if not own and sent.do == "end":
            # It ended while nobody here could hear of it: its record is made now, of the place that
            # the phone was locked at before, if any; this moment's says nothing of it.
            past = self._book.lock_of(stated.who.phone) or Lock(
                None, _unseen(here.reading), here.frame
            )
            since_s = sent.since_s + sent.ago_s
            self._book.begin(film, since_s, past, worth, stated)
        told = None if self._state is None else self._state.told
        if own and told is not None and told.watch is not Watch.LEARNING:
            self._book.sample(film, self._against_lock(told))  # where it stands at the end
        picture = still(lock, told, stated) if own and not self._anew else None
        self._book.finish(film, sent.since_s, picture, worth, sent.ago_s)
        if own:
            self._film = None

    def _against_lock(self, drift: Drift) -> Drift:
        """What a drift says of the film's lock: of a place learned anew, only that it was left."""
        if not self._anew:
            return drift
        watch = Watch.BLIND if drift.watch is Watch.STILL else drift.watch
        return replace(drift, watch=watch, move=None)

    def _sample(self, drift: Drift, time_s: float) -> None:
        """A drift sample a second, and one whenever the watch says something else."""
        at_s, watch = self._sampled
        if drift.watch is Watch.LEARNING:
            return
        if drift.watch is watch and 0 <= time_s - at_s < SAMPLE_EVERY_S:
            return
        self._sampled = (time_s, drift.watch)
        assert self._film is not None
        try:
            self._book.sample(self._film, self._against_lock(drift))
        except TeesquareError:
            logger.exception("a drift sample was not kept")


def _unseen(reading: Reading) -> Reading:
    """The same setup, and nothing known of the place."""
    return not_found(NotFound(Reason.NO_RODS), reading.setup)


def _aged(sent: FilmSent, waited_s: float) -> FilmSent:
    """A word that waited for a picture: a film that began has grown longer, an end is longer ago.

    Just after a start pictures may be seconds late.
    """
    if sent.do == "begin":
        return replace(sent, since_s=sent.since_s + max(0.0, waited_s))
    return replace(sent, ago_s=sent.ago_s + max(0.0, waited_s))
