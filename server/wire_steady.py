"""The part of `server.wire` that knows the JSON of a standing phone's mean look at the rods."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from vision.known import SHARED, KnownRods
from vision.rods import End, Rod, Rods
from vision.setup import Lens, LensSource, Role, Setup, Tilt
from vision.steady import Steady


def steady_to_json(steady: Steady | None) -> dict[str, Any] | None:
    """The `steady` object of a record (docs/records.md): pixels of `size`, degrees."""
    if steady is None:
        return None
    tilt, known = steady.setup.tilt, steady.setup.known
    return {
        "size": list(steady.size),
        "looks": steady.looks,
        "seconds": steady.seconds,
        "rods": [
            {
                "role": rod.role.value,
                "ends_px": rod.ends_px.tolist(),
                "ends": [end.value for end in rod.ends],
                "line_sigma_px": float(rod.line_sigma_px),
                "line_reach": float(rod.line_reach),
                "end_sigma_px": [float(s) for s in rod.end_sigma_px],
            }
            for rod in steady.rods.both
        ],
        "tilt": tilt
        and {
            "pitch_deg": math.degrees(tilt.pitch_rad),
            "roll_deg": math.degrees(tilt.roll_rad),
            "sigma_deg": [math.degrees(s) for s in tilt.noise_rad],
            "bias_sigma_deg": math.degrees(tilt.bias_sigma_rad),
        },
        "lens": _lens_to_json(steady.setup.lens),
        "known": known
        and {
            "size": list(known.size),
            "mean": known.mean.tolist(),
            "covariance": known.cov.tolist(),
            "source": known.source.value,
        },
    }


def steady_from_json(obj: dict[str, Any] | None, setup: Setup) -> Steady | None:
    """The look of such an object, under the record's setup. Raises what a spoilt one raises."""
    if obj is None:
        return None
    tilt, known = obj["tilt"], obj["known"]
    first, second = (
        Rod(
            role=Role(rod["role"]),
            ends_px=np.array(rod["ends_px"], np.float64).reshape(2, 2),
            ends=(End(rod["ends"][0]), End(rod["ends"][1])),
            line_sigma_px=float(rod["line_sigma_px"]),
            end_sigma_px=(float(rod["end_sigma_px"][0]), float(rod["end_sigma_px"][1])),
            width_px=0.0,  # not kept: nothing that compares places asks for it
            score=0.0,
            line_reach=float(rod.get("line_reach", 1.0)),  # records of 0.1 have none
        )
        for rod in obj["rods"]
    )
    count = len(SHARED)
    return Steady(
        rods=Rods(first, second, 0.0, 0.0),
        size=(int(obj["size"][0]), int(obj["size"][1])),
        setup=replace(
            setup,
            tilt=tilt
            and Tilt(
                math.radians(tilt["pitch_deg"]),
                math.radians(tilt["roll_deg"]),
                math.radians(tilt["sigma_deg"][0]),
                math.radians(tilt["bias_sigma_deg"]),
                math.radians(tilt["sigma_deg"][1]),
            ),
            lens=_lens_from_json(obj["lens"]),
            known=known
            and KnownRods(
                setup.view,
                setup.handed,
                (int(known["size"][0]), int(known["size"][1])),
                np.array(known["mean"], np.float64).reshape(count),
                np.array(known["covariance"], np.float64).reshape(count, count),
                LensSource(known["source"]),
            ),
        ),
        looks=int(obj["looks"]),
        seconds=float(obj["seconds"]),
    )


def _lens_to_json(lens: Lens | None) -> dict[str, Any] | None:
    if lens is None:
        return None
    return {
        "focal_px": lens.focal_px,
        "sigma_px": lens.sigma_px,
        "source": lens.source.value,
        "k1": lens.k1,
        "k1_sigma": lens.k1_sigma,
        "centre_px": lens.centre_px and list(lens.centre_px),
        "centre_sigma_px": lens.centre_sigma_px,
        "bend": lens.bend and list(lens.bend),
    }


def _lens_from_json(obj: dict[str, Any] | None) -> Lens | None:
    if obj is None:
        return None
    centre, bend = obj["centre_px"], obj["bend"]
    k1_sigma, centre_sigma = obj["k1_sigma"], obj["centre_sigma_px"]
    return Lens(
        float(obj["focal_px"]),
        float(obj["sigma_px"]),
        LensSource(obj["source"]),
        float(obj["k1"]),
        None if k1_sigma is None else float(k1_sigma),
        centre and (float(centre[0]), float(centre[1])),
        None if centre_sigma is None else float(centre_sigma),
        None if bend is None else tuple(float(v) for v in bend),  # type: ignore[arg-type]
    )
