"""Wrong layouts on drawn grounds are told by what is wrong with them, for both views and hands."""

import dataclasses

import cv2
import numpy as np
import pytest

from tests.synthetic import SIZE, camera, draw
from vision.read import conclude
from vision.reading import Verdict
from vision.rods import End, NotFound, Reason, Rod, Rods
from vision.setup import Handed, Lens, Setup, Tilt, View
from vision.wrong import surely_not, why_not

COUNT = 60


def t(rng, *, turn=0.0, mid=0.0, foot=0.0, lean=0.0, length=1.22):
    """(2 rods, 2 ends, 2) in metres, right and forward of the junction; the stem toward the lens.

    `turn` the whole, `lean` the stem, in degrees; `mid`, `foot` shift the stem along and away.
    """
    target = np.array([[-length / 2, 0], [length / 2, 0]])
    stem = np.array([[0, -foot], [0, -foot - length]])
    stem = _turned(stem - [0, -foot], lean + rng.normal(0, 1.5)) + np.array([mid, -foot])
    return _turned(np.stack([target, stem]), turn)


def pair(rng, *, turn=0.0, apart=0.54, shift=0.0, closing=0.0, length=1.22):
    """Two rods along forward, `apart` metres; the first 0 to the side."""
    rod = np.array([[0, length / 2], [0, -length / 2]])
    other = _turned(rod, closing + rng.normal(0, 1.5)) + np.array([apart, shift])
    return _turned(np.stack([rod, other]) - [apart / 2, 0], turn)


def _turned(points, degrees):
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    return points @ np.array([[c, s], [-s, c]])


def seen(rng, ground, setup_of):
    """Pixels (2, 2, 2) of rods on the ground by a lens some metres away, and the setup to go by."""
    for _ in range(200):
        at = np.array([rng.uniform(-0.5, 0.5), -rng.uniform(2.8, 4.2), rng.uniform(0.9, 1.4)])
        heading = np.arctan2(-at[0], -at[1]) + np.deg2rad(rng.normal(0, 2))
        pitch = -np.arctan2(at[2], -at[1]) + np.deg2rad(rng.normal(0, 3))
        roll = np.deg2rad(rng.normal(0, 1.5))
        rvec, tvec = camera(heading, pitch, roll, at)
        points = np.concatenate([ground, np.full((2, 2, 1), 0.006)], axis=-1)
        focal = rng.uniform(850, 1150)
        matrix = np.array([[focal, 0, 639.5], [0, focal, 359.5], [0, 0, 1]])
        px = cv2.projectPoints(points.reshape(-1, 1, 3), rvec, tvec, matrix, None)[0]
        px = px.reshape(2, 2, 2) + rng.normal(0, 1.0, (2, 2, 2))
        if ((px > 15) & (px < np.array(SIZE) - 15)).all():
            return px[rng.permutation(2)], setup_of(pitch, roll, focal)
    raise AssertionError("the rods never fit into the picture")


def setups(view, handed, sensor):
    def of(pitch, roll, focal):
        tilt = Tilt(pitch, roll, np.deg2rad(1.0)) if sensor else None
        lens = Lens(focal, 20.0) if sensor else None
        return Setup(view=view, handed=handed, tilt=tilt, lens=lens)

    return of


WRONG = [
    ("an X", View.FACE_ON, lambda r: t(r, foot=-0.61), Reason.CROSSED),
    ("an X", View.DOWN_THE_LINE, lambda r: t(r, foot=-0.55, turn=20), Reason.CROSSED),
    ("an L", View.FACE_ON, lambda r: t(r, mid=r.choice([-0.58, 0.58])), Reason.CORNER),
    ("an L", View.DOWN_THE_LINE, lambda r: t(r, mid=0.6), Reason.CORNER),
    ("a pair", View.FACE_ON, lambda r: pair(r), Reason.PAIR_LAID),
    ("a pair across", View.FACE_ON, lambda r: pair(r, turn=90), Reason.PAIR_LAID),
    ("a T", View.DOWN_THE_LINE, lambda r: t(r), Reason.T_LAID),
    ("a T from its side", View.DOWN_THE_LINE, lambda r: t(r, turn=90), Reason.T_LAID),
    ("a T from its side", View.FACE_ON, lambda r: t(r, turn=r.choice([-90, 90])), Reason.T_TURNED),
    ("a T from behind", View.FACE_ON, lambda r: t(r, turn=180), Reason.T_TURNED),
    ("a wide pair", View.DOWN_THE_LINE, lambda r: pair(r, apart=1.4), Reason.APART),
    ("a far stem", View.FACE_ON, lambda r: t(r, foot=0.6, length=0.94), Reason.APART),
    ("a slanted cross", View.FACE_ON, lambda r: t(r, lean=45), Reason.WRONG_LAYOUT),
    ("a slanted pair", View.DOWN_THE_LINE, lambda r: t(r, lean=50), Reason.WRONG_LAYOUT),
]


@pytest.mark.parametrize("sensor", [True, False], ids=["sensor", "no sensor"])
@pytest.mark.parametrize("handed", list(Handed))
@pytest.mark.parametrize(("name", "view", "lay", "reason"), WRONG, ids=lambda v: str(v)[:22])
def test_what_is_wrong_is_told(name, view, lay, reason, handed, sensor):
    rng = np.random.default_rng(WRONG.index((name, view, lay, reason)))
    told = []
    for _ in range(COUNT):
        px, setup = seen(rng, lay(rng), setups(view, handed, sensor))
        told.append(why_not(px, SIZE, setup))
    share = told.count(reason) / COUNT
    # Without a sensor the tilt is a guess, and so is part of the answer; a wrong one is rare.
    assert share >= (0.95 if sensor else 0.7), (name, {r.value: told.count(r) for r in set(told)})
    others = [r for r in told if r not in (reason, Reason.WRONG_LAYOUT)]
    assert len(others) <= (0.05 if sensor else 0.15) * COUNT, others


@pytest.mark.parametrize("sensor", [True, False], ids=["sensor", "no sensor"])
@pytest.mark.parametrize("handed", list(Handed))
@pytest.mark.parametrize(
    ("view", "lay"), [(View.FACE_ON, t), (View.DOWN_THE_LINE, pair)], ids=["T", "pair"]
)
def test_the_layout_asked_for_is_never_blamed(view, lay, handed, sensor):
    rng = np.random.default_rng(3)
    told = [why_not(*_shown(rng, lay, view, handed, sensor)) for _ in range(COUNT)]
    assert set(told) <= {Reason.UNSURE, Reason.WRONG_LAYOUT}
    assert told.count(Reason.UNSURE) >= 0.9 * COUNT


def _shown(rng, lay, view, handed, sensor):
    px, setup = seen(rng, lay(rng), setups(view, handed, sensor))
    return px, SIZE, setup


def test_two_halves_of_one_rod_are_one_rod():
    rng = np.random.default_rng(4)
    half = np.array([[[-0.61, 0], [-0.05, 0]], [[0.05, 0.01], [0.61, 0.01]]])
    px, setup = seen(rng, half, setups(View.FACE_ON, Handed.RIGHT, True))
    assert why_not(px, SIZE, setup) is Reason.ONE_ROD


def test_lines_above_the_horizon_are_no_rods_on_the_ground():
    setup = Setup(tilt=Tilt(0.0, 0.0, 0.01))
    sky = np.array([[[100.0, 50], [600, 60]], [[300, 20], [310, 200]]])
    assert why_not(sky, SIZE, setup) is Reason.WRONG_LAYOUT


SURE = [case for case in WRONG if case[3] is not Reason.WRONG_LAYOUT]


@pytest.mark.parametrize(("name", "view", "lay", "reason"), SURE, ids=lambda v: str(v)[:22])
def test_wrong_layouts_are_refused_even_where_the_finder_took_them(name, view, lay, reason):
    rng = np.random.default_rng(5)
    for _ in range(10):
        px, setup = seen(rng, lay(rng), setups(view, Handed.RIGHT, True))
        rods = [
            Rod(role, ends, (End.SEEN, End.SEEN), 0.3, (1.5, 1.5), 3.0, 3.0)
            for role, ends in zip(setup.roles, px, strict=True)
        ]
        reading = conclude(Rods(rods[0], rods[1], 5.0, -20.0), SIZE, setup)
        assert reading.verdict is Verdict.NOT_FOUND
        assert isinstance(reading.rods, NotFound)
        assert reading.rods.reason is reason
        assert reading.advice[0].direction == reason.value


@pytest.mark.parametrize("handed", list(Handed))
@pytest.mark.parametrize("view", list(View))
def test_a_rod_with_a_covered_end_is_not_refused(view, handed):
    rng = np.random.default_rng(6)
    for number in range(200):
        know = {} if number % 2 else {"know_tilt": None, "know_focal": False}
        case = draw(rng, view, handed=handed, **know)
        ends = case.rods.ends_px
        if number % 3:
            rod, end = rng.integers(2, size=2)
            ends[rod, end] += rng.uniform(0, 0.6) * (ends[rod, 1 - end] - ends[rod, end])
        assert surely_not(ends, SIZE, case.setup) is None


@pytest.mark.parametrize("handed", list(Handed))
def test_a_stem_that_seems_to_run_on_beyond_the_target_rod_is_not_refused(handed):
    rng = np.random.default_rng(7)
    for _ in range(100):
        case = draw(rng, View.FACE_ON, handed=handed)
        ends = case.rods.ends_px
        # A leg behind it, of the same lightness: upright, so longer than the eye would think.
        ends[1, 0] += rng.uniform(0.8, 1.4) * (ends[1, 0] - ends[1, 1])
        assert surely_not(ends, SIZE, case.setup) is not Reason.CROSSED


@pytest.mark.parametrize("stated", [True, False])
def test_with_lengths_known_a_foot_in_clutter_is_told_from_a_cross(stated):
    """A stem seen on for a third of its length, across the target rod and along a shoe, say.

    It is too long by as much as a stick is longer than a club: only stated lengths tell.
    """
    rng, crossed = np.random.default_rng(8), []
    for _ in range(40):
        case = draw(rng, View.FACE_ON)
        setup = case.setup if stated else dataclasses.replace(case.setup, rod_lengths_m={})
        assert setup.stated is stated
        ends = case.rods.ends_px
        ends[1, 0] += 0.35 * (ends[1, 0] - ends[1, 1])
        crossed.append(surely_not(ends, SIZE, setup) is Reason.CROSSED)
    assert not any(crossed) if stated else any(crossed)
