"""What is known before a picture is looked at: view, hand, rods, lens, tilt, player, tolerances.

Everything here is stated by the user, a sensor or a profile, or was measured by a first look at
the same rods; nothing is estimated from the picture at hand.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from vision.errors import SetupError
from vision.known import KnownRods
from vision.lens import Lens, LensSource
from vision.view import ROLES, Handed, Line, Role, View

# View and lens with the rest: who reads a setup imports its words from one place.
__all__ = [
    "CLUB_LENGTH_M",
    "CLUB_SPEED_MPS",
    "ROLES",
    "STICK_LENGTH_M",
    "AimPoint",
    "Goal",
    "Handed",
    "Lens",
    "LensSource",
    "Line",
    "Player",
    "Role",
    "Setup",
    "Tilt",
    "Tolerance",
    "View",
]

STICK_LENGTH_M = 1.22  # 48 inch alignment stick; common practice, no source
CLUB_M = 1.17  # a rod shorter than any alignment stick is a club

# Club lengths, grip cap to sole. Common practice (men's standard sets), no source; editable.
CLUB_LENGTH_M: dict[str, float] = {
    "driver": 1.14,
    "3-wood": 1.09,
    "hybrid": 1.02,
    "5-iron": 0.97,
    "7-iron": 0.94,
    "9-iron": 0.91,
    "wedge": 0.89,
    "putter": 0.87,
}


# Speed of the club head at the ball, metres a second. Common practice (men's amateurs), no source;
# editable (docs/trade.md, 14).
CLUB_SPEED_MPS: dict[str, float] = {
    "driver": 42.0,
    "3-wood": 40.0,
    "hybrid": 38.0,
    "5-iron": 36.0,
    "7-iron": 34.0,
    "9-iron": 32.0,
    "wedge": 30.0,
    "putter": 2.0,
}


@dataclass(frozen=True, slots=True)
class Tilt:
    """What the phone's tilt sensor says of the camera: pitch + up, roll + clockwise (radians).

    `sigma_rad` is the reading's noise, `bias_sigma_rad` the spread of the sensor's fixed error.
    `roll_sigma_rad` is the roll's own noise where it is another: gravity says less of the roll the
    more steeply the phone looks down.
    """

    pitch_rad: float
    roll_rad: float
    sigma_rad: float
    bias_sigma_rad: float = 0.0
    roll_sigma_rad: float | None = None

    @property
    def noise_rad(self) -> tuple[float, float]:
        """The reading's noise in pitch and in roll."""
        roll = self.roll_sigma_rad
        return self.sigma_rad, self.sigma_rad if roll is None else roll


@dataclass(frozen=True, slots=True)
class AimPoint:
    """The target that the rods are laid to, tapped at `xy_px` in a picture of `size`.

    `size` None: in the picture at hand. `sigma_px` of the tap; None takes a finger's, 4 px in a
    picture 1280 long (common practice, no source). `distance_m` from the rods, None if unknown.
    `moved`: the camera has been moved since the tap, so that it says nothing any more.
    """

    xy_px: tuple[float, float]
    size: tuple[int, int] | None = None
    sigma_px: float | None = None
    distance_m: float | None = None
    moved: bool = False

    def __post_init__(self) -> None:
        if self.distance_m is not None and not self.distance_m > 0:
            raise SetupError(
                f"a target {self.distance_m:g} m away cannot be aimed at: give its distance from "
                "the rods in metres"
            )
        if self.sigma_px is not None and not self.sigma_px >= 0:
            raise SetupError(f"a tap's sigma of {self.sigma_px:g} px is negative: give 0 or more")


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far off still counts as square; `None` leaves a quantity ungoverned.

    Defaults from docs/conventions.md, each editable.
    """

    offset_m: float = 0.05
    yaw_rad: float = 0.03490658503988659  # 2 degrees
    roll_rad: float = 0.03490658503988659  # 2 degrees
    layout_rad: float = 0.017453292519943295  # 1 degree, governed once the layout is measured
    height_m: float | None = 0.10  # governed when the goal states a height
    distance_m: float | None = 0.20  # governed when the goal states a distance
    confidence: float = 0.95


@dataclass(frozen=True, slots=True)
class Goal:
    """Where the user wants the lens. `None`: advised where useful, not governed."""

    height_m: float | None = None
    distance_m: float | None = None
    framing: bool = False  # True: "square" also needs the whole swing in the picture


@dataclass(frozen=True, slots=True)
class Player:
    """The body and club that the picture must hold (lengths in metres).

    `ball_from_toes_m`: ball to toe-line distance; `None` takes it from the club's length.
    `club_speed_mps`: of the club head at the ball; `None` takes it from the club's name.
    """

    height_m: float = 1.78
    club: str = "7-iron"
    club_length_m: float | None = None
    ball_from_toes_m: float | None = None
    club_speed_mps: float | None = None

    @property
    def speed_mps(self) -> float:
        """The club head's speed at the ball, stated or by the club's name."""
        if self.club_speed_mps is not None:
            return self.club_speed_mps
        return CLUB_SPEED_MPS.get(self.club, CLUB_SPEED_MPS["7-iron"])

    @property
    def club_m(self) -> float:
        """Club length, stated or by the club's name."""
        if self.club_length_m is not None:
            return self.club_length_m
        return CLUB_LENGTH_M.get(self.club, CLUB_LENGTH_M["7-iron"])

    @property
    def ball_m(self) -> float:
        """Ball to toe line: 0.32 m (wedge) to 0.62 m (driver). Common practice, no source."""
        if self.ball_from_toes_m is not None:
            return self.ball_from_toes_m
        return 0.32 + (self.club_m - 0.89) * 1.2


@dataclass(frozen=True, slots=True)
class Setup:
    """Everything stated about one phone's place before its pictures are analysed."""

    view: View = View.FACE_ON
    handed: Handed = Handed.RIGHT
    rod_lengths_m: dict[Role, float] = field(default_factory=dict)
    rod_length_sigma: float = 0.01  # relative: sticks are cut to about a centimetre
    lens: Lens | None = None  # None: assumed from the picture's size
    lens_changed: bool = False  # a profile was set aside: the pictures contradict it
    tilt: Tilt | None = None
    line: Line = Line.TOE
    player: Player = field(default_factory=Player)
    goal: Goal = field(default_factory=Goal)
    tolerance: Tolerance = field(default_factory=Tolerance)
    aim: AimPoint | None = None  # None: nobody asks where the rods point
    known: KnownRods | None = None  # measured before: goes before `lens` and `rod_lengths_m`

    def __post_init__(self) -> None:
        known = self.known
        if known is not None and (known.view, known.handed) != (self.view, self.handed):
            raise SetupError(
                f"the rods were measured {known.view.value} for a {known.handed.value}-handed "
                f"golfer, not {self.view.value} {self.handed.value}-handed: look at them again"
            )
        for role, length in self.rod_lengths_m.items():
            if not 0.3 <= length <= 3.0:
                raise SetupError(
                    f"the {role.value} rod's length of {length:g} m is outside 0.3 to 3.0 m: "
                    "give the length of the stick or club in metres"
                )

    @property
    def roles(self) -> tuple[Role, Role]:
        """The two roles of this view's layout: (target, stem) or (toe, ball)."""
        return ROLES[self.view]

    def length_m(self, role: Role) -> float:
        """The measured or stated length of a rod, by default an alignment stick's."""
        if self.known is not None and role in self.roles:
            return self.known.lengths_m[self.roles.index(role)]
        return self.rod_lengths_m.get(role, STICK_LENGTH_M)

    @property
    def clubs(self) -> tuple[bool, bool]:
        """Which of the two rods are clubs, by their lengths, in the order of `roles`."""
        first, second = self.roles
        return self.length_m(first) < CLUB_M, self.length_m(second) < CLUB_M

    @property
    def stated(self) -> bool:
        """Whether both rods' lengths were measured or stated."""
        return all(self.known is not None or role in self.rod_lengths_m for role in self.roles)

    def knowing(self, known: KnownRods) -> Setup:
        """The same with this as what is known of rods and lens. Raises SetupError."""
        return replace(self, known=known)
