"""Pictures with the found rods and the numbers drawn on them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import TeesquareError
from vision.reading import Reading, Verdict
from vision.rods import End, NotFound, Rod

_INK = (20, 20, 20)
_PAPER = (244, 250, 250)
_ROD = (0, 200, 255)  # BGR: amber, readable on grass, mat and sand
_SQUARE = (90, 220, 60)
_FONT = cv2.FONT_HERSHEY_SIMPLEX
_SPELLED = str.maketrans(
    {"°": " deg", "±": "+-", "–": "-", "…": "...", "„": '"', "“": '"', "ß": "ss"}
    | {"ä": "ae", "ö": "oe", "ü": "ue", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"}
)


class AnnotateError(TeesquareError):
    """A drawn picture that could not be written."""


def draw(bgr: NDArray[np.uint8], reading: Reading, lines: Sequence[str]) -> NDArray[np.uint8]:
    """A copy of the picture (h, w, 3) with the rods over it and `lines` in a strip below it."""
    height, width = bgr.shape[:2]
    scale = max(width, height) / 1280
    picture = bgr.copy()
    found = reading.rods
    rods = found.seen if isinstance(found, NotFound) else found.both
    colour = _SQUARE if reading.verdict is Verdict.SQUARE else _ROD
    for rod in rods:
        _draw_rod(picture, rod, colour, scale)
    return np.vstack([picture, _strip([_plain(line) for line in lines], width, scale)])


def encode(picture: NDArray[np.uint8]) -> bytes:
    """The picture as JPEG. Raises OSError where it cannot be compressed."""
    done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not done:
        raise OSError("the picture cannot be compressed")
    return data.tobytes()


def save(picture: NDArray[np.uint8], path: Path) -> None:
    """Write a JPEG. Raises AnnotateError."""
    try:
        path.write_bytes(encode(picture))
    except OSError as wrong:
        raise AnnotateError(
            f"the drawn picture {path.name} cannot be written ({wrong.strerror or wrong}): "
            "give another folder to --annotate"
        ) from wrong


def _draw_rod(
    picture: NDArray[np.uint8], rod: Rod, colour: tuple[int, int, int], scale: float
) -> None:
    """A line with a dark border; a seen end is a full disc, one cut or hidden a ring."""
    shift = 4  # sixteenths of a pixel, since a centre line is known to a fraction of one
    a, b = (tuple(int(v) for v in np.rint(end * 2**shift)) for end in rod.ends_px)
    for paint, wide in ((_INK, 5.0), (colour, 2.5)):
        thick = max(1, round(wide * scale))
        cv2.line(picture, a, b, paint, thick, cv2.LINE_AA, shift)
    radius = max(3, round(7 * scale)) << shift
    for at, end in zip((a, b), rod.ends, strict=True):
        inside = colour if end is End.SEEN else _PAPER
        cv2.circle(picture, at, radius, inside, cv2.FILLED, cv2.LINE_AA, shift)
        cv2.circle(picture, at, radius, _INK, max(1, round(2 * scale)), cv2.LINE_AA, shift)
    _label(picture, rod, scale)


def _label(picture: NDArray[np.uint8], rod: Rod, scale: float) -> None:
    height, width = picture.shape[:2]
    size, thick, pad = 0.7 * scale, max(1, round(1.6 * scale)), round(5 * scale)
    (wide, high), _ = cv2.getTextSize(rod.role.value, _FONT, size, thick)
    # Beside a steep rod, above a flat one, and always inside the picture.
    middle = rod.ends_px.mean(axis=0)
    along = np.abs(rod.ends_px[1] - rod.ends_px[0])
    beside = np.array([14, 0]) if along[1] > along[0] else np.array([-wide / 2 / scale, -22])
    x, y = middle + beside * scale
    left = int(np.clip(x, pad, max(pad, width - wide - pad)))
    base = int(np.clip(y, high + pad, max(high + pad, height - pad)))
    cv2.rectangle(
        picture, (left - pad, base - high - pad), (left + wide + pad, base + pad), _PAPER, -1
    )
    cv2.putText(picture, rod.role.value, (left, base), _FONT, size, _INK, thick, cv2.LINE_AA)


def _strip(lines: Sequence[str], width: int, scale: float) -> NDArray[np.uint8]:
    """Text on a pale strip of the picture's width, the first line larger, shrunk to fit."""
    margin = max(4, round(16 * scale))
    rows: list[tuple[str, float, int, int]] = []
    for index, line in enumerate(lines):
        size = (1.2 if index == 0 else 0.75) * scale
        thick = max(1, round((2.4 if index == 0 else 1.5) * scale))
        (wide, high), below = cv2.getTextSize(line, _FONT, size, thick)
        if wide > width - 2 * margin:
            size *= max(0.05, (width - 2 * margin) / wide)
            (wide, high), below = cv2.getTextSize(line, _FONT, size, thick)
        rows.append((line, size, thick, high + below + round(10 * scale)))
    strip = np.full((sum(row[3] for row in rows) + margin, width, 3), _PAPER, np.uint8)
    y = 0
    for line, size, thick, step in rows:
        y += step
        cv2.putText(strip, line, (margin, y), _FONT, size, _INK, thick, cv2.LINE_AA)
    return strip


def _plain(text: str) -> str:
    """In the letters that OpenCV's built-in font has."""
    text = text.translate(_SPELLED)
    return "".join(char if char.isascii() and char.isprintable() else "?" for char in text)
