"""Answers as a table, CSV or Parquet: a row a file, the columns of docs/clips.md."""

from __future__ import annotations

import csv
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from server.fields import printable
from vision.errors import TeesquareError

Line = dict[str, Any]


class TableError(TeesquareError):
    """A table that cannot be written."""


def _at(*keys: str | int) -> Callable[[Line], Any]:
    """What lies under these keys, None where anything on the way is None."""

    def get(line: Line) -> Any:
        value: Any = line
        for key in keys:
            if value is None:
                return None
            if isinstance(key, int):
                value = value[key] if len(value) > key else None
            else:
                value = value.get(key)
        return value

    return get


def _out(line: Line) -> str | None:
    framing = line.get("framing")
    return None if framing is None else "; ".join(framing["out"])


_PLACE = ("offset_m", "distance_m", "height_m", "yaw_deg", "pitch_deg", "roll_deg")
_EFFECT = (
    "ball_shift_m",
    "ball_shift_sigma_m",
    "club_path_shift_m",
    "club_path_shift_sigma_m",
    "club_path_deg",
    "club_path_sigma_deg",
    "tilt_deg",
    "tilt_sigma_deg",
)
# name, type, where it is in the answer's JSON line
COLUMNS: tuple[tuple[str, type, Callable[[Line], Any]], ...] = (
    ("file", str, _at("file")),
    ("verdict", str, _at("verdict")),
    ("reason", str, _at("reason")),
    ("view", str, _at("view")),
    ("handed", str, _at("handed")),
    ("pictures", int, _at("clip", "pictures")),
    ("found", int, _at("clip", "found")),
    ("used", int, _at("clip", "used")),
    ("camera", str, _at("clip", "camera")),
    ("moved_after", int, _at("clip", "moved", "last_frame")),
    *((name, float, _at("placement", name)) for name in _PLACE),
    *(
        (f"{name.rpartition('_')[0]}_sigma_{name.rpartition('_')[2]}", float, _at("sigma", name))
        for name in _PLACE
    ),
    ("layout_angle_deg", float, _at("layout", "angle_deg")),
    ("layout_sigma_deg", float, _at("layout", "sigma_deg")),
    ("layout_measured", bool, _at("layout", "measured")),
    ("square_offset_m", float, _at("layout", "square_offset_m")),
    ("square_offset_sigma_m", float, _at("layout", "square_offset_sigma_m")),
    ("focal_px", float, _at("lens", "focal_px")),
    ("focal_sigma_px", float, _at("lens", "sigma_px")),
    ("focal_source", str, _at("lens", "source")),
    *((name, float, _at("effect", name)) for name in _EFFECT),
    ("out_of_picture", str, _out),
    ("advice", str, _at("advice", 0, "text")),
    ("clip", str, _at("clip", "text")),
)


def kind_of(path: Path) -> str:
    """`csv` or `parquet`, by the file's ending. Raises TableError; also without pyarrow."""
    kind = path.suffix.lower()
    if kind == ".csv":
        return "csv"
    if kind != ".parquet":
        raise TableError(
            f"--results {printable(str(path))}: give a name that ends in .csv or .parquet"
        )
    try:
        import pyarrow.parquet  # noqa: F401
    except ImportError as wrong:
        raise TableError(
            "Parquet needs pyarrow, which is not installed: pip install 'teesquare[cluster]', or "
            "write a .csv"
        ) from wrong
    return "parquet"


def write(path: Path, lines: Sequence[Line]) -> None:
    """Write the table, in one step, so that there is a whole one or none. Raises TableError."""
    rows = [[_clean(kind, get(line)) for _, kind, get in COLUMNS] for line in lines]
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        (_write_csv if kind_of(path) == "csv" else _write_parquet)(beside, rows)
        beside.replace(path)
    except OSError as wrong:
        beside.unlink(missing_ok=True)
        raise TableError(
            f"{printable(str(path))} cannot be written ({wrong.strerror or wrong}). Nothing is "
            "lost: make room or close it elsewhere, then run the same command again"
        ) from wrong


def _clean(kind: type, value: Any) -> Any:
    if value is None:
        return None
    # A file's name may hold bytes that are no text.
    return kind(value) if kind is not str else value.encode("utf-8", "backslashreplace").decode()


def _write_csv(path: Path, rows: Sequence[Sequence[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)  # RFC 4180
        table.writerow([name for name, _, _ in COLUMNS])
        for row in rows:
            table.writerow([str(v).lower() if isinstance(v, bool) else v for v in row])


def _write_parquet(path: Path, rows: Sequence[Sequence[Any]]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {str: pa.string(), int: pa.int64(), float: pa.float64(), bool: pa.bool_()}
    schema = pa.schema([(name, types[kind]) for name, kind, _ in COLUMNS])
    columns = [
        pa.array([row[k] for row in rows], type=field.type) for k, field in enumerate(schema)
    ]
    pq.write_table(pa.Table.from_arrays(columns, schema=schema), path)
