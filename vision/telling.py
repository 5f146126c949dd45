"""Which instruction is told as time goes by: one stays until it is done.

Near a tolerance, estimates cross it with every frame, and a person cannot follow instructions that
change with them. The verdict is not touched, and READY is told at once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from vision.advice import Advice, Move, asks, moves_for
from vision.governed import Governed, Quantity, governed
from vision.reading import Reading, Verdict

MARGIN = 0.15  # beyond its tolerance by this share, a quantity is clearly outside
PERSIST_S = 0.4  # what is asked for so long is no noise
DRAIN = 0.5  # what is asked in more than a third of the frames lasts in the end
DONE = 0.6  # a move is done when what is left is this share of what would be asked for
FORGET_S = 2.0  # without rods for so long, the last instruction no longer counts
LONGEST_STEP_S = 0.2  # a frame stands for no longer than this

_QUANTITIES: dict[Move, tuple[Quantity, ...]] = {
    Move.RODS: (Quantity.LAYOUT,),
    Move.CLOSER: (Quantity.DISTANCE, Quantity.FRAMING),
    Move.TILT: (Quantity.FRAMING,),
    Move.ROTATE: (Quantity.FRAMING,),
    Move.SLIDE: (Quantity.OFFSET,),
    Move.RAISE: (Quantity.HEIGHT,),
    Move.TURN: (Quantity.YAW,),
    Move.LEVEL: (Quantity.ROLL,),
}
_Key = tuple[Move, str | None]


@dataclass(frozen=True, slots=True)
class Asked:
    """How long a move has been asked for: it fills while asked and drains while not.

    `outside_s` fills only while the quantity is outside its tolerance.
    """

    move: Move
    direction: str | None
    for_s: float
    outside_s: float


@dataclass(frozen=True, slots=True)
class Told:
    """What was told last, when rods were last seen, and what has been asked for since."""

    advice: Advice | None = None
    seen_s: float = float("-inf")
    asked: tuple[Asked, ...] = ()


@dataclass(frozen=True, slots=True)
class _Wanted:
    """A move that the reading asks for, and how pressing it is."""

    advice: Advice
    outside: bool
    clearly: bool
    lasting: bool  # asked for, and where outside then outside, for `PERSIST_S`


def tell(told: Told, reading: Reading, time_s: float) -> tuple[Told, tuple[Advice, ...]]:
    """The reading's advice with what is to be told now in front, and the state for the next frame.

    The instruction told last stays until its quantity is clearly inside. An earlier one in the
    order interrupts it only where its quantity is clearly outside its tolerance, or has been
    outside for `PERSIST_S`. When it is done, the next one outside its tolerance follows at once,
    one inside (but not surely) only where it has been asked for that long; until then: hold still.
    """
    if reading.placement is None or not reading.advice:
        return replace(told, asked=()), reading.advice
    if reading.verdict is Verdict.SQUARE:
        # Whatever was asked for before, it is well now: asking starts from nothing.
        return Told(reading.advice[0], time_s), reading.advice
    if not 0 <= time_s - told.seen_s <= FORGET_S:
        told = Told(seen_s=time_s)
    quantities = {
        g.quantity: g
        for g in governed(reading.placement, reading.layout, reading.framing, reading.setup)
    }
    asked = _asked(told, reading.advice, quantities, min(time_s - told.seen_s, LONGEST_STEP_S))
    first = _choose(told.advice, reading, quantities, list(_wanted(reading, quantities, asked)))
    rest = tuple(a for a in reading.advice if _key(a) != _key(first))
    return Told(first, time_s, tuple(asked.values())), (first, *rest)


def _choose(
    last: Advice | None,
    reading: Reading,
    quantities: Mapping[Quantity, Governed],
    wanted: list[_Wanted],
) -> Advice:
    advice = reading.advice
    if last is None:
        return advice[0]
    if last.move not in (Move.HOLD, Move.READY):
        same = _still(last, reading, quantities)
        if same is not None:
            # The order of the reading is the order in which a person can act.
            order = [_key(a) for a in advice]
            place = order.index(_key(same)) if _key(same) in order else len(order)
            for w in wanted:
                if order.index(_key(w.advice)) < place and (w.clearly or (w.outside and w.lasting)):
                    return w.advice
            return same
        if (now := next((w for w in wanted if w.outside or w.lasting), None)) is not None:
            return now.advice
    elif (now := next((w for w in wanted if w.clearly or w.lasting), None)) is not None:
        return now.advice
    same = next((a for a in advice if _key(a) == _key(last) and a.move is Move.HOLD), None)
    return same or next((a for a in advice if a.move is Move.HOLD), Advice(Move.HOLD))


def _still(
    last: Advice, reading: Reading, quantities: Mapping[Quantity, Governed]
) -> Advice | None:
    """The last move with its amount of now, while it is asked for or not yet clearly done."""
    for advice in reading.advice:
        if _key(advice) == _key(last):
            return advice
    g = _governs(last.move, quantities)
    if g is None or g.quantity in (Quantity.FRAMING, Quantity.LAYOUT):
        return None
    if not asks(replace(g, error=g.error / DONE)):
        return None
    moves = moves_for(g, reading.layout, reading.framing, reading.setup)
    return next((a for a in moves if _key(a) == _key(last)), None)  # none on the other side


def _wanted(
    reading: Reading, quantities: Mapping[Quantity, Governed], asked: Mapping[_Key, Asked]
) -> Iterator[_Wanted]:
    """The governed moves that the reading asks for, in its order."""
    for advice in reading.advice:
        g = _governs(advice.move, quantities)
        if g is None or g.sure:
            continue  # holds, and suggestions that nobody asked for
        long = asked[_key(advice)]
        for_s = long.for_s if g.inside else long.outside_s
        # Framing is yes or no: it is never clearly no.
        far = g.quantity is not Quantity.FRAMING and abs(g.error) > (1 + MARGIN) * g.tolerance
        yield _Wanted(advice, not g.inside, far, for_s >= PERSIST_S - 1e-9)


def _asked(
    told: Told, advice: tuple[Advice, ...], quantities: Mapping[Quantity, Governed], step_s: float
) -> dict[_Key, Asked]:
    """How long each move has been asked for, one frame later."""
    out = {
        (a.move, a.direction): replace(
            a, for_s=a.for_s - DRAIN * step_s, outside_s=a.outside_s - DRAIN * step_s
        )
        for a in told.asked
    }
    for each in advice:
        g = _governs(each.move, quantities)
        if g is None or g.sure:
            continue
        had = out.get(_key(each), Asked(each.move, each.direction, 0.0, 0.0))
        back_s = (1 + DRAIN) * step_s  # undoes the draining above
        out[_key(each)] = replace(
            had,
            for_s=min(max(had.for_s + back_s, 0.0), PERSIST_S),
            outside_s=min(max(had.outside_s + (0.0 if g.inside else back_s), 0.0), PERSIST_S),
        )
    now = {_key(a) for a in advice}
    return {key: a for key, a in out.items() if a.for_s > 0 or key in now}


def _governs(move: Move, quantities: Mapping[Quantity, Governed]) -> Governed | None:
    """The quantity that a move is for: of several the first that is governed and not sure."""
    known = [quantities[q] for q in _QUANTITIES.get(move, ()) if q in quantities]
    return next((g for g in known if not g.sure), known[0] if known else None)


def _key(advice: Advice) -> _Key:
    return advice.move, advice.direction
