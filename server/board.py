"""The coach's board: what is known of every phone, who listens, and what the coach wants of them.

Lives on the server's loop alone. Phones are told apart by the id that their page keeps, so a phone
that comes back, or reloads its page, is the same bay; one without an id is its session. Sessions
report through `joined`, `told`, `heard`, `presence`, `ended`.
"""

from __future__ import annotations

import asyncio
import math
import secrets
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Protocol

from server.analysis import Latest
from server.clock import ClockFilter, ClockOffset, StartOffset, start_offset
from server.control import Control
from server.messages import AboutSent, FilmBegan, Message, Ping
from server.needs import Need, Settled
from server.who import Who
from server.wire_board import PhoneState, Wish

KEEP_S = 3600.0  # a phone that left is forgotten, and its bay free, after this
MOST = 200  # phones remembered
MOST_FILMS = 32  # of one phone


class Caller(Protocol):
    """What the board asks of a session (`server.session`): a thing that can be a dict's key."""

    @property
    def id(self) -> str:
        """Unguessable name of the session."""

    @property
    def who(self) -> Who:
        """Who films, as the phone said last."""

    @property
    def introduced(self) -> bool:
        """Whether it has been said who films."""

    @property
    def present(self) -> bool:
        """Whether the phone is heard."""

    @property
    def latest(self) -> Latest | None:
        """The last analysed picture with its reading."""

    def tell_page(self, message: dict[str, Any]) -> None:
        """Send a message, which may be lost."""


class BoardPhone:
    """One phone, over all of its sessions."""

    def __init__(self, control: Control, now_s: float) -> None:
        self.id = secrets.token_urlsafe(6)
        self.who = Who()
        self.said = Who()  # as the page said it last
        self.session: Caller | None = None
        self.control = control
        self.clock = ClockFilter()
        self.films: dict[str, float] = {}  # film id: when it began, in the phone's own clock
        self.settled = Settled(Need.WAITING, now_s)
        self.heard_s = now_s
        self.since = ("", now_s)
        self.shown: dict[str, Any] = {}
        self.ping_rtt_ms: float | None = None
        self.about = AboutSent()
        self.pictures = False
        self.knows_control = False
        self.filming = False
        self.state: PhoneState | None = None


class Board:
    """`clock` gives the server's monotonic seconds, which the phones' clocks are compared with."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._epoch = secrets.token_hex(4)
        self._phones: dict[str, BoardPhone] = {}  # by `who.phone`, or the session's own id
        self._of: dict[Caller, BoardPhone] = {}
        self._listeners: set[BoardListener] = set()
        self.lock_all = False
        # Called with a film, the other of its bay, and how much later than that it began.
        self.keep_offset: Callable[[str, str, StartOffset], None] | None = None
        self._kept: dict[str, float] = {}  # film: bound of what was told of it

    # ---- what sessions report

    def joined(self, session: Caller) -> None:
        """A new session. It is shown once the page has said who it is."""
        control = Control(self._epoch, self.lock_all)
        phone = BoardPhone(control, self._clock())
        phone.session = session
        self._of[session] = phone

    def heard(self, session: Caller, message: Message, at_s: float) -> None:
        """A message of the page, received at `at_s` of the server's clock."""
        phone = self._named(session)
        if phone is None:
            return
        phone.heard_s = at_s
        if isinstance(message, Ping):
            phone.pictures = message.pictures
            if message.exchange is not None:
                phone.clock.add(message.exchange)
                phone.ping_rtt_ms = round(message.exchange.delay_s * 1e3, -1)
            phone.knows_control = message.knows_control
            if message.knows_control:
                phone.control.seen(message.control_epoch, message.control_seq)
                if phone.control.pending:
                    session.tell_page(phone.control.message(at_s))
        elif isinstance(message, AboutSent):
            phone.about = message
            phone.filming = message.filming
        elif isinstance(message, FilmBegan):
            while len(phone.films) > MOST_FILMS:
                phone.films.pop(next(iter(phone.films)))
            phone.films[message.film] = message.at_s
            self._pair(phone, message.film)
        self._renew(phone)

    def told(self, session: Caller, message: dict[str, Any]) -> None:
        """A message that went to the page."""
        if message["type"] != "guidance":
            return
        phone = self._named(session)
        if phone is not None:
            phone.shown = message
            self._renew(phone)

    def presence(self, session: Caller) -> None:
        """The phone is heard again, or no longer."""
        phone = self._named(session)
        if phone is not None:
            self._renew(phone)

    def ended(self, session: Caller) -> None:
        """The session is over."""
        phone = self._of.pop(session, None)
        if phone is not None and phone.session is session:
            phone.session = None
            # Closed while it was still being heard: by its own page.
            if self._clock() - phone.heard_s < 2.0:
                phone.filming, phone.shown = False, {}
                phone.settled = phone.settled.seen(Need.LEFT, self._clock())
            self._renew(phone)

    # ---- what the page of the board asks

    def listen(self) -> BoardListener:
        """Whoever wants the states from now on, beginning with all of them."""
        listener = BoardListener(self)
        self._listeners.add(listener)
        return listener

    def unlisten(self, listener: BoardListener) -> None:
        """Forget a listener."""
        self._listeners.discard(listener)

    def states(self) -> list[PhoneState]:
        """All phones, who needs help first first."""
        self._forget_old()
        found = [phone.state for phone in self._phones.values() if phone.state is not None]
        return sorted(found, key=lambda state: (state.rank, state.need_since_s, state.id))

    def find(self, phone_id: str) -> BoardPhone | None:
        """The phone of the board's own name for it."""
        return next((p for p in self._phones.values() if p.id == phone_id), None)

    def wish(self, wish: Wish) -> tuple[int, str | None]:
        """Do what the coach asks. Returns how many phones it is for, and a film's id if begun."""
        now_s = self._clock()
        chosen = [p for p in self._phones.values() if wish.phones is None or p.id in wish.phones]
        chosen = [p for p in chosen if p.session is not None]
        if wish.phones is None and wish.locked is not None:
            self.lock_all = wish.locked  # for phones that join later, too
        film = secrets.token_hex(6) if wish.film is not None else ""  # one name for all of them
        for phone in chosen:
            control = phone.control
            if wish.setup:
                control.set_up(wish.setup)
                names = {k: v for k, v in wish.setup.items() if k in ("player", "bay")}
                phone.who = replace(phone.who, **names)
            if wish.locked is not None:
                control.lock(wish.locked)
            if wish.call is not None:
                control.call(wish.call, now_s)
            if wish.film is not None:
                control.film(
                    wish.film,
                    f"{film}-{phone.id}",
                    now_s + (wish.in_s if wish.film == "start" else 0.0),
                )
            if phone.session is not None and control.pending:
                phone.session.tell_page(control.message(now_s))
            self._renew(phone)
        return len(chosen), film if wish.film == "start" else None

    def clock_of(self, phone: BoardPhone) -> ClockOffset | None:
        """Server's clock minus the phone's, now."""
        return phone.clock.offset(self._clock())

    def start_offset(self, film: str, phone_id: str, other_id: str) -> StartOffset | None:
        """How much later that film began on `phone_id` than on `other_id`; None if unknown."""
        phone, other = self.find(phone_id), self.find(other_id)
        if phone is None or other is None:
            return None
        began_s = phone.films.get(f"{film}-{phone_id}")
        other_s = other.films.get(f"{film}-{other_id}")
        clock, other_clock = self.clock_of(phone), self.clock_of(other)
        if began_s is None or other_s is None or clock is None or other_clock is None:
            return None
        return start_offset(other_s, other_clock, began_s, clock)

    def _pair(self, phone: BoardPhone, film: str) -> None:
        """Tell `keep_offset` of films begun together in one bay, and again when known better."""
        name = film.removesuffix(f"-{phone.id}")
        for other in self._phones.values():
            if other is phone or other.who.bay != phone.who.bay or self.keep_offset is None:
                continue
            for one, two in ((phone, other), (other, phone)):
                found = self.start_offset(name, one.id, two.id)
                mine, theirs = f"{name}-{one.id}", f"{name}-{two.id}"
                if found is None or found.bound_s > 0.8 * self._kept.get(mine, math.inf):
                    continue
                self._kept[mine] = found.bound_s
                self.keep_offset(mine, theirs, found)

    # ---- inside

    def _named(self, session: Caller) -> BoardPhone | None:
        """The phone of a session, once it has said who it is; a known one takes the session."""
        phone = self._of.get(session)
        if phone is None:
            return None
        who = session.who
        if who == phone.said and phone.state is not None:
            return phone
        if phone.state is None:
            if not session.introduced:
                return None
            key = who.phone or session.id
            known = self._phones.get(key)
            if known is not None and known is not phone:
                known.session, self._of[session] = session, known
                known.clock = ClockFilter()  # a reloaded page counts its time anew
                known.control.seen_seq = None
                known.shown = {}
                phone = known
            else:
                if len(self._phones) >= MOST:
                    self._forget_oldest()
                self._phones[key] = phone
        if phone.state is None or not (phone.control.pending and phone.knows_control):
            # What the page says holds, unless it has yet to hear of a new name.
            bay = who.bay or self._free_bay(phone)
            phone.said, phone.who = who, replace(who, bay=bay)
            if not who.bay:
                phone.control.set_up({"bay": bay})
        self._renew(phone)
        return phone

    def _free_bay(self, phone: BoardPhone) -> str:
        """The lowest number that no known phone has; a phone keeps the one it was given."""
        if phone.who.bay:
            return phone.who.bay
        taken = {other.who.bay for other in self._phones.values() if other is not phone}
        return next(str(n) for n in range(1, MOST + 2) if str(n) not in taken)

    def _renew(self, phone: BoardPhone) -> None:
        """The state anew; listeners hear of it only if it differs."""
        now_s = self._clock()
        shown = phone.shown
        big = shown.get("big") or {}
        drift = shown.get("drift") or {}
        need, say = _need(phone, shown, drift), shown.get("say")
        if need is Need.ALARM:
            big, say = drift["big"], drift.get("text")
        phone.settled = phone.settled.seen(need, now_s)
        kind = f"{need} {big.get('arrow', '')}"
        if kind != phone.since[0]:
            phone.since = (kind, now_s)
        offset = phone.clock.offset(now_s)
        state = PhoneState(
            id=phone.id,
            bay=phone.who.bay,
            player=phone.who.player,
            need=phone.settled.need.value,
            rank=phone.settled.need.rank,
            need_since_s=phone.settled.since_s,
            view=shown.get("view"),
            handed=shown.get("handed"),
            verdict=shown.get("verdict"),
            say=say or "",
            arrow=big.get("arrow") or "",
            number=big.get("number") or "",
            unit=big.get("unit") or "",
            word=big.get("word") or "",
            since_s=phone.since[1],
            drift=drift.get("text") or "",
            filming=phone.filming,
            battery=phone.about.battery,
            charging=phone.about.charging,
            signal=phone.about.signal,
            rtt_ms=phone.ping_rtt_ms,
            pictures=phone.pictures,
            locked=phone.control.locked,
            pending=phone.control.pending,
            clock_bound_ms=None if offset is None else float(round(offset.bound_s * 1e3)),
        )
        if state != phone.state:
            phone.state = state
            for listener in self._listeners:
                listener.changed(state)

    def _forget_old(self) -> None:
        now_s = self._clock()
        for key, phone in list(self._phones.items()):
            if phone.session is None and now_s - phone.heard_s > KEEP_S:
                self._drop(key)

    def _forget_oldest(self) -> None:
        away = [(p.heard_s, key) for key, p in self._phones.items() if p.session is None]
        if away:
            self._drop(min(away)[1])

    def _drop(self, key: str) -> None:
        phone = self._phones.pop(key)
        for listener in self._listeners:
            listener.dropped(phone.id)


def _need(phone: BoardPhone, shown: dict[str, Any], drift: dict[str, Any]) -> Need:
    if phone.settled.need is Need.LEFT and phone.session is None:
        return Need.LEFT
    if phone.session is None or not phone.session.present:
        return Need.GONE
    if (drift.get("big") or {}).get("arrow"):
        return Need.ALARM
    verdict = shown.get("verdict")
    if verdict is None:
        return Need.WAITING
    if verdict == "square":
        return Need.SQUARE
    if verdict == "not-found":
        return Need.LOST
    return Need.NEAR if shown.get("hold") else Need.OFF


class BoardListener:
    """One open board: the phones that changed since it last looked, each only once."""

    def __init__(self, board: Board) -> None:
        self._changed: dict[str, PhoneState] = {s.id: s for s in board.states()}
        self._gone: set[str] = set()
        self._news = asyncio.Event()

    def changed(self, state: PhoneState) -> None:
        """A phone has a new state."""
        self._changed[state.id] = state
        self._news.set()

    def dropped(self, phone_id: str) -> None:
        """A phone is no longer known."""
        self._changed.pop(phone_id, None)
        self._gone.add(phone_id)
        self._news.set()

    async def wait(self, timeout_s: float) -> bool:
        """Until there is news; False when none came in time."""
        try:
            await asyncio.wait_for(self._news.wait(), timeout_s)
        except TimeoutError:
            return False
        return True

    def take(self) -> tuple[list[PhoneState], list[str]]:
        """The changed states and the phones gone, since the last call."""
        changed, gone = list(self._changed.values()), sorted(self._gone)
        self._changed, self._gone = {}, set()
        self._news.clear()
        return changed, gone
