"""Stage 5a: square or not. Only what is surely inside every tolerance is called square."""

from __future__ import annotations

from vision.framing import Framing
from vision.governed import governed
from vision.placement import Layout, Placement
from vision.reading import Verdict
from vision.setup import Setup


def judge(
    placement: Placement | None,
    layout: Layout | None,
    framing: Framing | None,
    setup: Setup,
) -> tuple[Verdict, tuple[str, ...]]:
    """The verdict, and the governed quantities that are inside their tolerance but not surely so.

    SQUARE needs P(|x| <= tolerance) >= `Tolerance.confidence` of every governed quantity, each
    from its own normal marginal. A lens that truly stands at a tolerance's edge is therefore
    called square in at most 1 - confidence of independent readings. No placement: NOT_FOUND.
    """
    if placement is None:
        return Verdict.NOT_FOUND, ()
    quantities = governed(placement, layout, framing, setup)
    unsure = tuple(g.quantity.value for g in quantities if g.inside and not g.sure)
    square = all(g.sure for g in quantities)
    return (Verdict.SQUARE if square else Verdict.OFF), unsure
