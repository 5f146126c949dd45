"""The part of `server.wire` that knows the JSON of a film's record (web/schema/record.schema.json).

Metres and degrees outside, radians inside; numbers are not rounded, so that a record that was
exported is as good as the one that was kept.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Sequence
from dataclasses import fields as fields_of
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.drift_row import Row
from server.record import FilmRecord, SpoiltRecord, StartOffset
from server.wire import setup_from_json
from server.wire_drift import log_to_json
from server.wire_steady import steady_from_json, steady_to_json
from vision.effect import Effect
from vision.errors import TeesquareError
from vision.placement import QUANTITIES, Layout, Placement
from vision.profile import LensKey
from vision.setup import Lens, LensSource, Setup

VERSION = 1
KEYS = tuple(name.replace("_rad", "_deg") for name in QUANTITIES)
_OUT = np.array([math.degrees(1.0) if name.endswith("_rad") else 1.0 for name in QUANTITIES])


def record_to_json(record: FilmRecord, drift: bool = True) -> dict[str, Any]:
    """One record as an object; without its drift samples where `drift` is False."""
    place, lens, layout = record.placement, record.lens, record.layout
    return {
        "version": VERSION,
        "film": record.film,
        "begun_s": record.begun_s,
        "ended_s": record.ended_s,
        "begun": iso(record.begun_s),
        "unfinished": record.unfinished,
        "player": record.player,
        "bay": record.bay,
        "phone": record.phone,
        "setup": setup_to_json(record.setup),
        "camera": record.camera
        and {
            "device": record.camera.device,
            "lens": record.camera.lens,
            "size": [record.camera.long_px, record.camera.short_px],
        },
        "lens": lens
        and {
            "focal_px": lens.focal_px,
            "sigma_px": lens.sigma_px,
            "source": lens.source.value,
            "profile": record.profile,
        },
        "size": record.size and list(record.size),
        "rods_px": [[list(end) for end in rod] for rod in record.rods_px],
        "verdict": record.verdict,
        "placement": place and dict(zip(KEYS, (_values(place) * _OUT).tolist(), strict=True)),
        "sigma": place
        and dict(zip(KEYS, (np.sqrt(np.diag(place.cov)) * _OUT).tolist(), strict=True)),
        "covariance": place and (place.cov * np.outer(_OUT, _OUT)).tolist(),
        "shared": None
        if record.shared is None
        else (np.asarray(record.shared) * _OUT[:, None]).tolist(),
        "layout": layout
        and {
            "angle_deg": math.degrees(layout.angle_rad),
            "sigma_deg": math.degrees(layout.sigma_rad),
            "measured": layout.measured,
            "square_offset_m": layout.square_offset_m,
            "square_offset_sigma_m": layout.square_offset_sigma_m,
            "separation_m": layout.separation_m,
            "separation_sigma_m": layout.separation_sigma_m,
        },
        "effect": record.effect
        and {f.name: getattr(record.effect, f.name) for f in fields_of(Effect)},
        "drift": log_to_json(record.drift) if drift else None,
        "worth": None if record.worth is None else dict(record.worth),
        "again": record.again,
        "steady": steady_to_json(record.steady),
        "start_offset": record.offset
        and {
            "film": record.offset.film,
            "offset_s": record.offset.offset_s,
            "sigma_s": record.offset.sigma_s,
        },
        "versions": dict(record.versions),
    }


def record_from_json(obj: object) -> FilmRecord:
    """The record of such an object. Raises SpoiltRecord: from a newer program, or spoilt."""
    if not isinstance(obj, dict):
        raise SpoiltRecord("a record is not an object: give one that this program wrote")
    version = obj.get("version")
    if isinstance(version, int) and version > VERSION:
        raise SpoiltRecord(
            f"this record was written by a newer teesquare (its version is {version}, this one "
            f"knows {VERSION}): update teesquare to read it"
        )
    try:
        return _record(obj)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError, TeesquareError) as wrong:
        raise SpoiltRecord(
            f"a record is spoilt ({type(wrong).__name__}: {wrong}): give one that this program "
            "wrote, or delete it"
        ) from wrong


def _record(obj: dict[str, Any]) -> FilmRecord:
    place, layout, lens = obj["placement"], obj["layout"], obj["lens"]
    camera, offset, effect = obj["camera"], obj["start_offset"], obj["effect"]
    cov = None if place is None else np.array(obj["covariance"], np.float64).reshape(6, 6)
    shared = obj["shared"]
    setup = setup_from_json(obj["setup"], Setup()).setup
    return FilmRecord(
        film=str(obj["film"]),
        begun_s=float(obj["begun_s"]),
        ended_s=_maybe(obj["ended_s"]),
        unfinished=bool(obj["unfinished"]),
        player=str(obj["player"]),
        bay=str(obj["bay"]),
        phone=str(obj["phone"]),
        setup=setup,
        camera=camera
        and LensKey(str(camera["device"]), str(camera["lens"]), *map(int, camera["size"])),
        lens=lens
        and Lens(float(lens["focal_px"]), float(lens["sigma_px"]), LensSource(lens["source"])),
        profile=lens and lens["profile"],
        size=obj["size"] and (int(obj["size"][0]), int(obj["size"][1])),
        rods_px=tuple(
            ((float(a[0]), float(a[1])), (float(b[0]), float(b[1]))) for a, b in obj["rods_px"]
        ),
        verdict=str(obj["verdict"]),
        placement=None
        if place is None or cov is None
        else placement_from(
            np.array([float(place[key]) for key in KEYS]) / _OUT, cov / np.outer(_OUT, _OUT)
        ),
        shared=None
        if shared is None
        else np.array(shared, np.float64).reshape(6, -1) / _OUT[:, None],
        layout=layout
        and Layout(
            math.radians(layout["angle_deg"]),
            math.radians(layout["sigma_deg"]),
            bool(layout["measured"]),
            *(
                _maybe(layout[key])
                for key in (
                    "square_offset_m",
                    "square_offset_sigma_m",
                    "separation_m",
                    "separation_sigma_m",
                )
            ),
        ),
        effect=effect and Effect(**{f.name: _maybe(effect[f.name]) for f in fields_of(Effect)}),  # type: ignore[arg-type]
        drift=rows_from_json(obj.get("drift") or []),
        worth=obj["worth"],
        again=obj["again"],
        # Earlier programs kept none.
        steady=steady_from_json(obj.get("steady"), setup),
        offset=offset
        and StartOffset(str(offset["film"]), float(offset["offset_s"]), float(offset["sigma_s"])),
        versions={str(k): str(v) for k, v in obj["versions"].items()},
    )


def setup_to_json(setup: Setup) -> dict[str, Any]:
    """The protocol's setup object (docs/protocol.md) of what was stated, with the tilt's reading.

    The lens stands beside it in the record; what a first look measured is not in it.
    """
    tilt, player, goal, tol = setup.tilt, setup.player, setup.goal, setup.tolerance
    return {
        "view": setup.view.value,
        "handed": setup.handed.value,
        "line": setup.line.value,
        "rod_lengths_m": {role.value: float(m) for role, m in setup.rod_lengths_m.items()},
        "rod_length_sigma": setup.rod_length_sigma,
        "tilt": tilt
        and {
            "pitch_deg": math.degrees(tilt.pitch_rad),
            "roll_deg": math.degrees(tilt.roll_rad),
            "sigma_deg": math.degrees(tilt.sigma_rad),
            "bias_sigma_deg": math.degrees(tilt.bias_sigma_rad),
        },
        "player_height_m": player.height_m,
        "club": player.club,
        "club_length_m": player.club_length_m,
        "ball_from_toes_m": player.ball_from_toes_m,
        "goal": {
            "height_m": goal.height_m,
            "distance_m": goal.distance_m,
            "framing": goal.framing,
        },
        "tolerance": {
            "offset_m": tol.offset_m,
            "yaw_deg": math.degrees(tol.yaw_rad),
            "roll_deg": math.degrees(tol.roll_rad),
            "layout_deg": math.degrees(tol.layout_rad),
            "height_m": tol.height_m,
            "distance_m": tol.distance_m,
        },
    }


def rows_from_json(rows: Sequence[dict[str, Any]]) -> tuple[Row, ...]:
    """Drift samples as `wire_drift.log_to_json` writes them."""
    out = []
    for row in rows:
        move, turn = row["move_m"], row["turn_deg"]
        six = None if move is None else (*map(float, move), *(math.radians(v) for v in turn))
        sigma = row["sigma_deg"]
        out.append(
            Row(
                float(row["at_s"]),
                str(row["watch"]),
                six,
                _maybe(row["sigma_m"]),
                None if sigma is None else math.radians(sigma),
            )
        )
    return tuple(out)


def record_text(record: FilmRecord) -> str:
    """One record as one line of text, without drift samples: what the store keeps."""
    return json.dumps(record_to_json(record, drift=False), allow_nan=False, ensure_ascii=False)


def record_from_text(text: str, drift: tuple[Row, ...] = ()) -> FilmRecord:
    """The record of such a line. Raises SpoiltRecord."""
    try:
        obj = json.loads(text)
    except ValueError as wrong:
        raise SpoiltRecord("a record is not JSON: delete it, or restore a copy") from wrong
    return replace(record_from_json(obj), drift=drift)


def records_to_json(records: Sequence[FilmRecord]) -> str:
    """Whole records for an export."""
    objects = [record_to_json(record) for record in records]
    return json.dumps({"version": VERSION, "records": objects}, allow_nan=False, indent=1) + "\n"


CSV_COLUMNS = (
    "film,begun,seconds,unfinished,player,bay,view,handed,verdict,"
    + ",".join(KEYS)
    + ","
    + ",".join(f"{key}_sigma" for key in KEYS)
    + ",angle_deg,angle_sigma_deg,ball_shift_m,club_path_shift_m,club_path_deg,tilt_deg"
    ",most_moved_m,most_turned_deg"
).split(",")


def records_to_csv(records: Sequence[FilmRecord]) -> str:
    """One line a film (RFC 4180), for spreadsheets; a name that a sheet would run is quoted."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\r\n")
    table.writerow(CSV_COLUMNS)
    for record in records:
        obj = record_to_json(record, drift=False)
        none = dict.fromkeys(KEYS)
        place, sigma = obj["placement"] or none, obj["sigma"] or none
        layout, effect = obj["layout"] or {}, obj["effect"] or {}
        length = None if record.ended_s is None else record.ended_s - record.begun_s
        moved_m, turned_rad = most_moved(record)
        row = [record.film, obj["begun"], length, record.unfinished]
        row += [_cell(record.player), _cell(record.bay)]
        row += [record.setup.view.value, record.setup.handed.value, record.verdict]
        row += [place[key] for key in KEYS] + [sigma[key] for key in KEYS]
        row += [layout.get("angle_deg"), layout.get("sigma_deg")]
        row += [
            effect.get(key)
            for key in ("ball_shift_m", "club_path_shift_m", "club_path_deg", "tilt_deg")
        ]
        row += [moved_m, None if turned_rad is None else math.degrees(turned_rad)]
        table.writerow(["" if v is None else v for v in row])
    return out.getvalue()


def most_moved(record: FilmRecord) -> tuple[float | None, float | None]:
    """The farthest that the camera stood from its place while filming: metres and radians."""
    six = [row.six for row in record.drift if row.six is not None]
    if not six:
        return None, None
    return max(math.hypot(*s[:3]) for s in six), max(math.hypot(*s[3:]) for s in six)


def placement_from(values: NDArray[np.float64], cov: NDArray[np.float64]) -> Placement:
    """A placement of its six values and their covariance, in metres and radians."""
    offset, distance, height, yaw, pitch, roll = values.tolist()
    return Placement(offset, distance, height, yaw, pitch, roll, cov)


def iso(at_s: float) -> str:
    """A Unix time in UTC, ISO 8601."""
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="seconds")


def _values(place: Placement) -> NDArray[np.float64]:
    return np.array([getattr(place, name) for name in QUANTITIES])


def _cell(text: str) -> str:
    """A leading =, +, - or @ would be run as a formula by spreadsheets."""
    return "'" + text if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _maybe(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]
