"""The compiled loops say what their Python says, call by call; and so a tracer sees their lines."""

from __future__ import annotations

import importlib
import math
import pkgutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from types import FunctionType, ModuleType
from typing import Any

import cv2
import numpy as np
import pytest
from numba.core.dispatcher import Dispatcher

import vision
from tests.scenes import scenes
from tests.synthetic import SIZE, draw
from tests.vision.pinhole import place
from vision import steady
from vision.find import find, find_first, find_others
from vision.frame import Frame
from vision.framing import frame_swing
from vision.model import residuals
from vision.pose import solve_pose
from vision.rest import landmarks, unmoved
from vision.ribbon import measure
from vision.rods import Rods
from vision.setup import Handed, Setup, View
from vision.track import follow

T, PAIR = "scene_0003.jpg", "scene_0000.jpg"
EACH = 3  # calls of each loop that are held against Python, a hundred times as slow
MODULES = [
    importlib.import_module(f"vision.{m.name}") for m in pkgutil.iter_modules(vision.__path__)
]


def loops_of(module: ModuleType) -> dict[str, Dispatcher]:
    return {k: v for k, v in vars(module).items() if isinstance(v, Dispatcher)}


OWN = {
    f"{m.__name__}.{k}"
    for m in MODULES
    for k, v in loops_of(m).items()
    if v.__module__ == m.__name__
}


@dataclass
class Twice:
    """Does each loop's first few calls twice, compiled and as Python, and compares."""

    calls: Counter[str] = field(default_factory=Counter)
    known: dict[int, Any] = field(default_factory=dict)

    def of(self, loop: Dispatcher) -> Any:
        """What stands in for the loop, wherever it is called from Python."""
        if id(loop) not in self.known:
            self.known[id(loop)] = lambda *given: self.call(loop, given)
        return self.known[id(loop)]

    def call(self, loop: Dispatcher, given: tuple[Any, ...]) -> Any:
        name = f"{loop.__module__}.{loop.__name__}"
        if self.calls[name] >= EACH:
            return loop(*given)
        self.calls[name] += 1
        # The same code, with the loops that it calls in turn done twice as well. Those of the
        # module itself stay as they are: the compiler reads them there.
        around = dict(loop.py_func.__globals__)
        around |= {k: self.of(v) for k, v in around.items() if isinstance(v, Dispatcher)}
        plain = FunctionType(loop.py_func.__code__, around)
        copied = [a.copy() if isinstance(a, np.ndarray) else a for a in given]
        with np.errstate(all="ignore"):  # compiled code does not warn
            want = plain(*copied)
        got = loop(*given)
        same(name, got, want)
        same(
            f"{name}, written into",
            [a for a in given if isinstance(a, np.ndarray)],
            [a for a in copied if isinstance(a, np.ndarray)],
        )
        return got


def same(name: str, got: Any, want: Any) -> None:
    """Equal but for rounding: sums in another order, in single precision."""
    if want is None:
        assert got is None, name
        return
    if isinstance(got, (tuple, list)):
        assert len(got) == len(want), name
        for one, other in zip(got, want, strict=True):
            same(name, one, other)
        return
    got, want = np.asarray(got), np.asarray(want)
    if got.dtype.kind in "biu":
        np.testing.assert_array_equal(got, want, err_msg=name)
        return
    size = np.abs(want[np.isfinite(want)]).max(initial=1.0)
    np.testing.assert_allclose(got, want, rtol=1e-3, atol=1e-4 * size, err_msg=name)


def twice(what: Callable[[], object]) -> set[str]:
    """Calls it compiled, so that nothing is left to compile, then twice; which loops it called."""
    what()
    with pytest.MonkeyPatch.context() as patched:
        both = Twice()
        for module in MODULES:
            for name, loop in loops_of(module).items():
                patched.setattr(module, name, both.of(loop))
        what()
    return set(both.calls)


def small(name: str) -> tuple[Frame, Setup]:
    """A path-traced picture, 480 pixels wide."""
    [scene] = [s for s in scenes() if s.name == name]
    bgr = scene.bgr()
    size = (480, round(240 * bgr.shape[0] / bgr.shape[1]) * 2)
    smaller = np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), np.uint8)
    return Frame.from_bgr(smaller), Setup(view=scene.setup().view)


def found_and_followed(name: str) -> set[str]:
    frame, setup = small(name)

    def search() -> None:
        rods, seen = find_first(frame, setup, accept=-math.inf)
        assert isinstance(rods, Rods)
        find_others(frame, setup, (), seen)
        follow(frame, rods, setup)

    return twice(search)


def placed(view: View) -> set[str]:
    case = draw(np.random.default_rng(3), view)

    def solve() -> None:
        pose = solve_pose(case.rods, SIZE, case.setup)
        residuals(pose.view, pose.params)

    return twice(solve)


def at_the_rim() -> set[str]:
    """Segments that hardly lie in the picture."""
    frame, _ = small(PAIR)
    called: set[str] = set()
    for ends in (
        [[59.0, 2.0], [121.0, 3.0]],
        [[-40.0, -3.0], [60.0, -2.0]],
        [[2.0, 200.0], [1.0, 280.0]],
        [[-200.0, -90.0], [-120.0, -60.0]],
        [[10.0, 10.0], [16.0, 14.0]],
    ):
        at = np.array(ends)
        called |= twice(lambda at=at: measure(frame, at))
    return called


def framed() -> set[str]:
    camera = place(View.FACE_ON, Handed.RIGHT, distance=2.5)
    return twice(lambda: frame_swing(camera.cam_from_ground, camera.focal_px, camera.size, Setup()))


def stood() -> set[str]:
    """Looks of a phone that stands, and one after a step of three pixels."""
    rng = np.random.default_rng(5)
    ends = np.array([[[400.0, 300.0], [900.0, 310.0]], [[640.0, 310.0], [620.0, 660.0]]])
    looks = ends + rng.normal(0, 0.2, (9, 2, 2, 2))
    return twice(lambda: steady._noise_and_step(looks, ends + 3.0))


def rested() -> set[str]:
    """Patches of a picture against itself, and against itself moved on by a pixel."""
    [scene] = [s for s in scenes() if s.name == T]
    frame = scene.frame()
    rods = find(frame, scene.setup(), accept=-math.inf)
    assert isinstance(rods, Rods)
    marks = landmarks(frame.y, rods)
    assert marks is not None

    def compare() -> None:
        assert unmoved(marks, frame.y)
        assert not unmoved(marks, np.roll(frame.y, 1, axis=1))

    return twice(compare)


def test_compiled_and_plain_loops_agree_and_none_is_left_out() -> None:
    called = found_and_followed(T) | found_and_followed(PAIR)
    for view in View:
        called |= placed(view)
    called |= at_the_rim() | framed() | stood() | rested()
    assert OWN - called == set()
