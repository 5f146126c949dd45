"""A session of films made by hand, with drift, worth and a still that can be recognised."""

import math
from dataclasses import replace

import cv2
import numpy as np

from server.drift_row import Row
from server.record import FilmRecord
from tests.server.made_records import BEGUN_S, full_record, made_record
from vision.effect import film_effect
from vision.placement import Placement
from vision.setup import View

WORTH = {
    "size": [1920, 1080],
    "fps": 58.9,
    "promised_fps": 60.0,
    "speed_mps": 34.0,
    "travel_m": 0.5772,
    "exposure_s": 0.002,
    "blur_m": 0.068,
    "against_light": True,
    "light_stops": 3.4,
    "shake_deg": 0.041,
    "shake_sigma_deg": 0.004,
    "shake_ball_m": 0.0024,
}
MOVED_AT_S = 10.0


def square_place(offset_m: float = 0.004) -> Placement:
    sigma = (0.008, 0.03, 0.02, math.radians(0.2), math.radians(0.3), math.radians(0.3))
    return Placement(offset_m, 3.4, 1.0, 0.003, math.radians(-10), 0.002, np.diag(np.square(sigma)))


def watched(record: FilmRecord, moved_m: float | None = 0.05, seconds: float = 20.0) -> FilmRecord:
    """A film of 20 s with a sample every half second; moved to the right at second 10."""
    rng = np.random.default_rng(7)
    rows = []
    for k in range(round(seconds * 2)):
        at_s = 0.5 * k + 0.2
        six = rng.normal(0, [0.001, 0.002, 0.002, 0.0004, 0.0004, 0.0004])
        watch = "still"
        if moved_m is not None and at_s >= MOVED_AT_S:
            six[0] += moved_m
            watch = "moved"
        rows.append(Row(record.begun_s + at_s, watch, tuple(map(float, six)), 0.001, 0.0004))
    return replace(record, drift=tuple(rows), ended_s=record.begun_s + seconds)


def session(player: str = "Ada", bay: str = "bay 4") -> list[FilmRecord]:
    """Three films of one day: a moved one, a still one from down the line, an unfinished one."""
    first = watched(made_record("film-a", player, bay=bay))
    place = square_place()
    effect = film_effect(place, first.layout, first.setup)
    first = replace(first, placement=place, effect=effect, verdict="square", worth=WORTH)
    second = made_record("film-b", player, View.DOWN_THE_LINE, bay=bay, begun_s=BEGUN_S + 300)
    second = watched(second, None)
    third = replace(
        full_record(), film="film-c", player=player, bay=bay, begun_s=BEGUN_S + 600, drift=()
    )
    return [first, second, replace(third, ended_s=None, unfinished=True)]


def still(text: str = "still") -> bytes:
    """A picture with a text in it, JPEG, whose comment (marker COM) holds the text too."""
    picture = np.full((360, 640, 3), 150, np.uint8)
    cv2.line(picture, (90, 250), (560, 256), (0, 200, 255), 5)
    cv2.line(picture, (320, 252), (300, 350), (0, 200, 255), 5)
    cv2.putText(picture, text[:30], (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 1.2, (0, 0, 0), 2)
    data = cv2.imencode(".jpg", picture)[1].tobytes()
    words = text.encode()
    return data[:2] + b"\xff\xfe" + (len(words) + 2).to_bytes(2, "big") + words + data[2:]


def keep(store, films, text: str = "still") -> None:
    """All films with their samples; a still for each finished one."""
    for film in films:
        store.begin(film)
        if film.ended_s is not None:
            store.keep_still(film.film, still(text))
