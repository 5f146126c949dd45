"""A person who is led back on drawn pictures, through the real core: many seeds, both views."""

import math
from dataclasses import asdict, replace

import av
import numpy as np
import pytest

from server.again_watch import AgainWatch
from server.demo.geometry import Laid, Pose, gravity
from server.demo.scene import Scene, render
from server.messages import AgainSent
from server.planes import frame_from_video
from server.record import record_of
from server.records import Records
from server.who import Who
from server.wire import Stated
from tests.live.drawn_camera import Ground, Person
from tests.server.made_records import CAMERA
from vision import live
from vision.live import LiveState
from vision.same_place import Within
from vision.setup import Handed, Setup, View
from vision.tilt import tilt_from_gravity

EVERY_S = 0.2
WHO = Who("phone-a", "Ada", "4")
BIAS = np.array([0.03, 0.05, -0.06])
SEEDS = [1, *(pytest.param(seed, marks=pytest.mark.nightly) for seed in range(2, 23))]


class Watcher:
    """One session's core without its network."""

    def __init__(self, ground: Ground, records: Records, seed: int) -> None:
        self.ground, self.seed = ground, seed
        self.rng = np.random.default_rng(seed)
        self.watch = AgainWatch(records)
        self.state, self.time_s, self.count = LiveState(), 0.0, 0
        laid = ground.laid
        roles = Setup(view=laid.view).roles
        self.stated = Stated(
            Setup(laid.view, laid.handed, dict.fromkeys(roles, 1.22)), "cm", "en", CAMERA, WHO
        )

    def look(self):
        scene = Scene(laid=self.ground.laid, seed=self.seed)
        picture = render(scene, self.ground.pose, self.count)
        frame = frame_from_video(
            av.VideoFrame.from_ndarray(picture, format="bgr24").reformat(format="yuv420p")
        )
        up = np.array(gravity(self.ground.pose, self.ground.laid)) + BIAS
        tilt = tilt_from_gravity(tuple(up + self.rng.normal(0, 0.02, 3)), 0.0, flipped=False)
        self.count += 1
        self.time_s += EVERY_S
        setup = replace(self.stated.setup, tilt=tilt)
        self.state, seen = live.step(self.state, frame, setup, self.time_s)
        self.reading = seen.reading
        size = (frame.width, frame.height)
        return self.watch.look(self.reading, size, self.time_s, self.stated)


@pytest.mark.timeout(240)
@pytest.mark.parametrize("seed", SEEDS)
def test_led_back_on_drawn_pictures(seed, capsys):
    rng = np.random.default_rng(seed)
    handed = list(Handed)[seed % 2]
    then = Pose(
        rng.uniform(-0.03, 0.03),
        rng.uniform(3.2, 3.6),
        rng.uniform(0.95, 1.1),
        math.radians(rng.uniform(-1, 1)),
        math.radians(rng.uniform(-10, -8)),
        math.radians(rng.uniform(-1, 1)),
    )
    ground = Ground(Laid(View.FACE_ON, handed, lean_rad=rng.normal(0, 0.03)), then)
    records = Records()
    first = Watcher(ground, records, seed)
    for _ in range(20):
        first.look()
    records.begin(
        record_of(
            first.reading,
            (1280, 720),
            film="then",
            begun_s=1.0,
            player="Ada",
            bay="4",
            phone="phone-a",
            camera=CAMERA,
            steady=first.watch.here.steady,
        )
    )
    ground.laid = Laid(View.FACE_ON, handed, lean_rad=rng.normal(0, 0.03), gap_m=0.05)
    far = np.array([0.2, 0.3, 0.12, *np.radians([3, 2, 1.5])])
    moved = np.array(list(asdict(then).values())) + rng.choice([-1, 1], 6) * far
    ground.pose = Pose(*moved.tolist())
    person, now = Person(ground, seed), Watcher(ground, records, seed + 500)
    now.watch.command(AgainSent(1, "lead", "then"))
    rest = 0
    for _ in range(700):
        again = now.look()["again"]
        rest += 1
        if again["verdict"] == "same":
            break
        # Reads for a second, moves, lets go.
        if again["big"] is not None and rest >= 5 and person.obey(again["big"]):
            rest = 0
    left = {k: v - asdict(then)[k] for k, v in asdict(ground.pose).items()}
    shown = {k: round(v * (57.3 if "rad" in k else 100), 2) for k, v in left.items()}
    with capsys.disabled():
        print(f"\nseed {seed}: {len(person.did)} moves, {now.time_s:.0f} s, left {shown}")
    assert again["verdict"] == "same", (again, person.did)
    for name, difference in left.items():
        assert abs(difference) <= getattr(Within(), name), (name, left)
    records.close()
