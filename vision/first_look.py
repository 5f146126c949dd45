"""The live first look: looks taken by themselves on the walk from the rods to the tripod.

Pure: one step for each frame; the caller gives the frame's time and carries the state. A look that
disagrees, or a set that cannot be solved, changes nothing of what was known before.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from vision.agree import agreement
from vision.errors import SetupError
from vision.keyframes import spread_out
from vision.known import KnownRods
from vision.model import ASSUMED_FOCAL
from vision.motion import Motion, away, moving, scaled, wider
from vision.moved import (
    FALSE_ALARM,
    GOES,
    STAYS,
    STAYS_ALONG,
    STRAYED,
    Doubt,
    Stand,
    doubted,
    is_moved,
    lying_otherwise,
    speaks_for_moved,
    stand,
    widened,
)
from vision.pose import Pose
from vision.rods import Rods
from vision.setup import Lens, Setup
from vision.sights import Sight
from vision.walk import Fate, NoWalk, Walk, solve_walk

MOST = 12  # looks kept
LEAST = 4  # looks that must carry a solution before it is used
STEEP_RAD = float(np.deg2rad(-45.0))  # from here a phone looks at the rods from above
LOW_RAD = float(np.deg2rad(-35.0))  # and from here on no longer
STEEP_S = 0.3
# Shares of the picture's longer side. Ends that move by more a second smear by 2.7 px of 1280 at an
# exposure of 1/120 s, and leave the tilt sensor behind.
SHARP = 0.25
APART = 0.05  # the four ends together, from every look kept
STAND_S = 0.7  # standing so long, a measured layout is used
PATIENCE_S = 6.0  # standing so long with rods in view, the page goes on without
LAG_S = 0.06  # between a picture and the tilt reading that comes with it
AFRESH = 4  # looks in a row that disagree: the first ones were wrong, or the rods were moved
LOST_S = 0.4  # known rods not found so long: perhaps they lie otherwise
MOST_STAND = 60  # frames of a stand that are averaged
DOUBTING = 3  # frames in a row that disagree, from which what was measured is not used
AGREES = 0.01  # probability from which a later look may refine what is known
AGAIN_S = 0.3  # a second look costs a full search: so often


class Phase(StrEnum):
    """Where the first look is."""

    OFF = "off"  # none asked for, nothing measured
    OVER = "over"  # hold the phone over the rods
    BACK = "back"  # walk back to the tripod
    KNOWN = "known"  # rods and lens measured, used in every frame
    MOVED = "moved"  # the rods were moved since; lens, lengths and bias stay known


@dataclass(frozen=True, slots=True, eq=False)
class FirstLook:
    """The state between frames. `known` is in use in KNOWN; in MOVED its widened form is."""

    phase: Phase = Phase.OFF
    facts: Setup | None = None
    sights: tuple[Sight, ...] = ()
    walk: Walk | None = None
    known: KnownRods | None = None
    wide: KnownRods | None = None
    motion: Motion | None = None
    began_s: float = float("-inf")
    steep_s: float | None = None  # since when the phone has looked down
    armed: bool = True  # a phone that looks down begins a look
    disagreed: int = 0
    doubt: Doubt = field(default_factory=Doubt)
    stand: Stand | None = None  # where the phone stands
    strayed: int = 0  # frames in a row with neither rod in its place
    doubting: bool = False  # what was measured is not used until a view agrees with it again
    seen_s: float = float("-inf")
    looked_s: float = float("-inf")
    finished: int = 0  # looks that ended with a measured layout

    @property
    def collecting(self) -> bool:
        """Whether looks are being taken."""
        return self.phase in (Phase.OVER, Phase.BACK)

    @property
    def sure(self) -> bool:
        """Whether nothing speaks against what is known, nor for something new."""
        return not self.doubting and self.doubt.none and self.steep_s is None

    def seen(self, time_s: float) -> FirstLook:
        """The state after a frame that showed the rods where they were."""
        return replace(self, seen_s=time_s)

    def looked(self, time_s: float) -> FirstLook:
        """The state once a second look has been made at a frame."""
        return replace(self, looked_s=time_s)


def begin(look: FirstLook, time_s: float) -> FirstLook:
    """Start from nothing."""
    return FirstLook(
        Phase.OVER, look.facts, began_s=time_s, motion=look.motion, finished=look.finished
    )


def again(look: FirstLook, time_s: float) -> FirstLook:
    """Start anew; of moved rods, what stays known of them is the prior."""
    wide = look.wide if look.phase is Phase.MOVED else None
    return replace(begin(look, time_s), wide=wide)


def skip(look: FirstLook) -> FirstLook:
    """Go on with what is known, until the phone is raised and looks down once more."""
    if not look.collecting:
        return look
    phase = Phase.OFF if look.wide is None else Phase.MOVED
    return FirstLook(phase, look.facts, wide=look.wide, armed=False, finished=look.finished)


def applied(look: FirstLook, setup: Setup, size: tuple[int, int]) -> Setup:
    """The setup for a frame of `size`, with what the look has measured."""
    known = look.known if look.phase is Phase.KNOWN else None
    if look.phase is Phase.MOVED or (known is not None and look.doubting):
        known = look.wide
    if known is None or look.facts != _facts(setup):
        return setup
    try:
        return setup.knowing(known.at(size))
    except SetupError:
        return setup  # another crop of the sensor: what was measured says nothing of it


def wants_again(look: FirstLook, time_s: float) -> KnownRods | None:
    """What to look for once more (`vision.again`) in a frame without rods; None: do not."""
    if look.collecting and look.walk is not None and time_s - look.looked_s >= AGAIN_S:
        return look.walk.known
    return None


def watch(
    look: FirstLook,
    rods: Rods | None,
    size: tuple[int, int],
    setup: Setup,
    time_s: float,
    pose: Pose | None = None,
) -> FirstLook:
    """One more frame: its believed rods, None without; `setup` with its tilt, nothing known.

    `pose`: the rods' own, solved with whatever `applied` gave.
    """
    facts = _facts(setup)
    if look.facts != facts:
        # Another view, hand, stick or lens: nothing of the old holds.
        phase = Phase.OVER if look.collecting else Phase.OFF
        look = FirstLook(phase, facts, began_s=time_s, armed=look.armed, finished=look.finished)
    pitch = setup.tilt.pitch_rad if setup.tilt is not None else None
    look = _tilted(look, pitch, time_s)
    if rods is None:
        lost = look.phase is Phase.KNOWN and time_s - look.seen_s > LOST_S
        return replace(look, motion=None, doubting=look.doubting or lost)
    look = replace(look, motion=moving(look.motion, rods, size, time_s))
    if look.collecting:
        if pitch is None and pose is not None:
            pitch = float(pose.params[4])
        return _collect(look, rods, size, setup, time_s, pitch)
    if look.phase is Phase.KNOWN:
        return _check(look, rods, size, setup, time_s)
    return replace(look, seen_s=time_s)


def own_lens(look: FirstLook) -> Lens | None:
    """The focal length as this look alone has found it, without a stated lens or a profile.

    None where none was found, or where an earlier look's results helped.
    """
    if look.walk is None or look.facts is None or look.sights[0].setup.known is not None:
        return None
    if look.facts.lens is None:
        return look.walk.known.lens
    free = [replace(s, setup=replace(s.setup, lens=None)) for s in look.sights]
    alone = solve_walk(free)
    return None if isinstance(alone, NoWalk) else alone.known.lens


def _facts(setup: Setup) -> Setup:
    """What all looks must have in common, and nothing else."""
    return Setup(
        view=setup.view,
        handed=setup.handed,
        rod_lengths_m=setup.rod_lengths_m,
        rod_length_sigma=setup.rod_length_sigma,
        lens=setup.lens,
    )


def _tilted(look: FirstLook, pitch_rad: float | None, time_s: float) -> FirstLook:
    """A phone that looks down for a moment begins a look where there is something to measure."""
    if pitch_rad is None or pitch_rad > STEEP_RAD:
        armed = look.armed or (pitch_rad is not None and pitch_rad > LOW_RAD)
        return replace(look, steep_s=None, armed=armed)
    if look.steep_s is None or time_s < look.steep_s:
        return replace(look, steep_s=time_s)
    if not look.armed or time_s - look.steep_s < STEEP_S:
        return look
    return again(look, time_s) if look.phase in (Phase.OFF, Phase.MOVED) else look


def _collect(
    look: FirstLook,
    rods: Rods,
    size: tuple[int, int],
    setup: Setup,
    time_s: float,
    pitch_rad: float | None,
) -> FirstLook:
    assert look.motion is not None
    still_s = look.motion.still_for_s(time_s)
    stands = still_s >= STAND_S
    # Where the phone stands in the end is the most useful look of all: nearer ones are taken too.
    look = _take(look, rods, size, setup, APART / 3 if stands else APART)
    steep = pitch_rad is not None and pitch_rad < STEEP_RAD
    if look.phase is Phase.OVER and look.sights and pitch_rad is not None and pitch_rad < LOW_RAD:
        look = replace(look, phase=Phase.BACK)
    walk = look.walk
    if stands and walk is not None and walk.used >= LEAST and walk.known.angle_measured:
        done = replace(look, phase=Phase.KNOWN, doubt=Doubt(), doubting=False, seen_s=time_s)
        return replace(_knowing(done, walk.known), finished=look.finished + 1)
    if not steep and min(still_s, time_s - look.began_s) >= PATIENCE_S:
        # Somebody who just put the phone up is not kept waiting.
        return replace(skip(look), armed=True, motion=look.motion)
    return look


def _take(
    look: FirstLook, rods: Rods, size: tuple[int, int], setup: Setup, apart: float
) -> FirstLook:
    """Keep this view as a look if it is sharp and new, and solve."""
    assert look.motion is not None
    if look.motion.speed > SHARP:
        return look
    sight = _sight(look, rods, size, setup)
    if sight is None:
        if look.walk is not None:
            return look
        look = replace(look, sights=())  # the phone was turned before anything was measured
        sight = Sight(rods, size, replace(_facts(setup), tilt=setup.tilt, known=look.wide))
    elif any(away(sight, kept) < apart for kept in look.sights):
        return look
    sights = (*look.sights, sight)
    if len(sights) > MOST:
        chosen = spread_out(sights, MOST)
        if len(sights) - 1 not in chosen:
            return look
        sights = tuple(sights[k] for k in chosen)
    if len(sights) < 2:
        return replace(look, sights=sights)
    walk = solve_walk(sights, look.walk)
    if isinstance(walk, NoWalk) or walk.views[-1].fate is Fate.DISAGREES:
        if look.disagreed + 1 < AFRESH:
            return replace(look, disagreed=look.disagreed + 1)
        return replace(look, sights=(sight,), walk=None, disagreed=0)
    return replace(look, sights=sights, walk=walk, disagreed=0)


def _sight(look: FirstLook, rods: Rods, size: tuple[int, int], setup: Setup) -> Sight | None:
    """The view as a look beside those kept: in pixels of their size; None for another shape."""
    assert look.motion is not None
    known = look.sights[0].setup.known if look.sights else look.wide
    tilt = setup.tilt
    if tilt is not None:
        # The lens's turn between picture and reading, no larger than the ends' way says.
        focal = _rough_focal(look, size)
        late = LAG_S * look.motion.speed * max(size) / focal
        tilt = wider(tilt, late)
    base = replace(_facts(setup), tilt=tilt, known=known)
    if not look.sights or look.sights[0].size == size:
        return Sight(rods, size, base)
    want = look.sights[0].size
    factor = want[0] / size[0]
    if abs(want[1] - factor * size[1]) > 1 + 0.005 * want[1]:
        return None
    first, second = (scaled(rod, factor) for rod in rods.both)
    return Sight(replace(rods, first=first, second=second), want, base)


def _rough_focal(look: FirstLook, size: tuple[int, int]) -> float:
    """A focal length in pixels that is good enough to turn pixels into angles."""
    if look.walk is not None and look.walk.known.size == size:
        return look.walk.known.lens.focal_px
    return ASSUMED_FOCAL * max(size)


def _check(
    look: FirstLook, rods: Rods, size: tuple[int, int], setup: Setup, time_s: float
) -> FirstLook:
    """Do the rods lie as measured? If so, a new look may refine it; if surely not, say so."""
    assert look.motion is not None and look.known is not None
    before = look.known
    try:
        asked = setup.knowing(before.at(size))
    except SetupError:
        return replace(look, seen_s=time_s)
    still = look.motion.still_for_s(time_s) >= STEEP_S
    look = replace(look, seen_s=time_s)
    went = _stood(look, rods, size)
    held = look.stand is not None and look.stand.ready
    strayed = look.strayed + 1 if held and went is None else 0
    look = replace(look, strayed=strayed, stand=None if strayed >= STRAYED else look.stand)
    if went is None and not still:
        return look
    seen = agreement(rods, size, asked)
    agrees, says = not seen.moved(FALSE_ALARM), False
    if went:
        says, agrees = not lying_otherwise(rods, size, asked).moved(FALSE_ALARM), False
    elif went is None:
        says = speaks_for_moved(rods, size, asked, seen)
    else:
        agrees = True  # they lie as when they last agreed
    if agrees and (went is False or look.stand is None or not look.stand.ready):
        look = replace(look, stand=_standing(look.stand, rods, size))
    doubt = doubted(look.doubt, says, time_s)
    doubting = (look.doubting and not agrees) or doubt.frames >= DOUBTING
    look = replace(look, doubt=doubt, doubting=doubting)
    if is_moved(look.doubt, time_s):
        return _moved(look)
    if went or seen.probability < AGREES or len(look.sights) >= MOST:
        return look
    finer = _take(look, rods, size, setup, APART)
    if finer.walk is None or finer.walk is look.walk:
        return look  # nothing new, or nothing that agrees
    if finer.walk.known.angle_sigma_rad > before.angle_sigma_rad:
        return look
    return _knowing(finer, finer.walk.known)


def _moved(look: FirstLook) -> FirstLook:
    return FirstLook(
        Phase.MOVED,
        look.facts,
        wide=look.wide,
        motion=look.motion,
        armed=look.armed,
        finished=look.finished,
        seen_s=look.seen_s,
    )


def _standing(before: Stand | None, rods: Rods, size: tuple[int, int]) -> Stand:
    """The stand with one more frame."""
    if before is None or before.size != size:
        return stand(rods, size)
    return before if before.frames >= MOST_STAND else before.more(rods)


def _stood(look: FirstLook, rods: Rods, size: tuple[int, int]) -> bool | None:
    """Whether one rod has left its place beside the other; None where that does not decide."""
    if look.stand is None or not look.stand.ready or look.stand.size != size:
        return None
    aside, along = look.stand.aside(rods), look.stand.along(rods)
    if aside.max() < STAYS:
        return False
    stays = int(aside.argmin())
    goes = aside.max() >= GOES and aside[stays] < STAYS and along[stays] < STAYS_ALONG
    return True if goes else None


def _knowing(look: FirstLook, known: KnownRods) -> FirstLook:
    return replace(look, known=known, wide=widened(known))
