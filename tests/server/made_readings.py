"""Readings made by hand, and a solver that hands them out instead of looking at the picture."""

import json
import math
from dataclasses import dataclass, replace
from importlib import resources

import jsonschema
import numpy as np

from vision.advice import Advice, Move
from vision.effect import Effect
from vision.framing import Cure, Framing, Part
from vision.placement import Layout, Placement
from vision.reading import Evidence, Reading, Verdict
from vision.rods import End, NotFound, Reason, Rod, Rods
from vision.setup import Lens, LensSource, Setup, View

SCHEMA = json.loads(
    resources.files("web").joinpath("schema", "reading.schema.json").read_text(encoding="utf-8")
)
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)

SIGMA = {
    "offset_m": 0.02,
    "distance_m": 0.2,
    "height_m": 0.15,
    "yaw_rad": math.radians(0.3),
    "pitch_rad": math.radians(0.5),
    "roll_rad": math.radians(0.7),
}


def made_rods(setup: Setup, score: float = 5.0) -> Rods:
    first, second = (
        Rod(
            role=role,
            ends_px=np.array(ends, dtype=float),
            ends=(End.SEEN, End.CUT),
            line_sigma_px=0.3,
            end_sigma_px=(1.5, 20.0),
            width_px=3.0,
            score=2.0,
        )
        for role, ends in zip(
            setup.roles, ([[20.126, 30], [100, 31]], [[60, 30], [58, 80]]), strict=True
        )
    )
    return Rods(first, second, score, 1.0)


def made_reading(setup: Setup, rods: Rods | None = None, **changes) -> Reading:
    """A lens 20 cm right of its line, turned 3 degrees left, every object filled in."""
    face_on = setup.view is View.FACE_ON
    reading = Reading(
        setup=setup,
        verdict=Verdict.OFF,
        rods=rods or made_rods(setup),
        placement=Placement(
            offset_m=0.2,
            distance_m=3.5,
            height_m=1.2,
            yaw_rad=math.radians(-3),
            pitch_rad=math.radians(-10),
            roll_rad=math.radians(0.5),
            cov=np.diag([s**2 for s in SIGMA.values()]),
        ),
        layout=Layout(
            angle_rad=math.pi / 2 if face_on else 0.0,
            sigma_rad=math.radians(2),
            measured=False,
            square_offset_m=0.21 if face_on else None,
            square_offset_sigma_m=0.14 if face_on else None,
        ),
        lens=Lens(1065.0, 100.0, LensSource.ASSUMED),
        framing=Framing(False, (Part.CLUB_HEAD_TOP,), Cure.BACK, back_m=0.4),
        effect=Effect(
            ball_shift_m=-0.06 if face_on else None,
            ball_shift_sigma_m=0.01 if face_on else None,
            club_path_shift_m=None if face_on else 0.05,
            club_path_shift_sigma_m=None if face_on else 0.01,
            club_path_deg=None if face_on else 3.0,
            club_path_sigma_deg=None if face_on else 0.6,
            tilt_deg=0.5,
            tilt_sigma_deg=0.7,
        ),
        advice=(
            Advice(Move.SLIDE, "left", amount_m=0.2),
            Advice(Move.TURN, "right", amount_rad=math.radians(3)),
        ),
        evidence=Evidence(0.4, 12.5),
    )
    return replace(reading, **changes)


def not_found(setup: Setup, reason: Reason = Reason.ONE_ROD) -> Reading:
    nothing = dict.fromkeys(("placement", "layout", "lens", "framing", "effect", "evidence"))
    return made_reading(
        setup,
        verdict=Verdict.NOT_FOUND,
        advice=(Advice(Move.FIND, reason.value),),
        **nothing,
        rods=NotFound(reason, (made_rods(setup).first,)),
    )


@dataclass(frozen=True)
class MadeSolver:
    """Finds rods in a picture brighter than black; `scores` says how well each view fits.

    A picture that is white all over makes it fail.
    """

    scores: tuple[tuple[View, float], ...] = ((View.FACE_ON, 5.0), (View.DOWN_THE_LINE, 4.0))
    refused: tuple[View, ...] = ()

    def find(self, frame, setup):
        if frame.y.min() == 255:
            raise ZeroDivisionError("white")
        if frame.y.mean() < 20:
            return NotFound(Reason.TOO_DARK)
        return made_rods(setup, dict(self.scores)[setup.view])

    def conclude(self, rods, size, setup):
        if isinstance(rods, NotFound):
            return not_found(setup, rods.reason)
        if setup.view in self.refused:
            return not_found(setup, Reason.WRONG_LAYOUT)
        return made_reading(setup, rods)


class DyingSolver(MadeSolver):
    """Takes its process with it when the picture is 64 pixels wide, as a crash in C would."""

    def find(self, frame, setup):
        if frame.width == 64:
            import os

            os._exit(9)
        return super().find(frame, setup)
