"""A phone's lens measured through WebRTC: pictures of the board in, a profile out."""

import argparse

import av
import pytest

from server import calibrate
from server.calibrate_live import BoardWatch
from server.profiles import Profiles
from tests.server.live_phone import Camera, serving
from tests.vision.test_board_live import FOCAL, SIZE, pictures
from vision.board import Charuco
from vision.errors import SetupError
from vision.profile import LensKey

HELD = 12  # pictures for which the board is held still
KEY = LensKey("Android Model", "back", SIZE[0], SIZE[1])


class BoardCamera(Camera):
    """Shows rendered views of the board, each for a while."""

    def __init__(self):
        super().__init__()
        self.shown = 0

    async def recv(self):
        pts, time_base = await self.next_timestamp()
        grey = pictures()[self.shown // HELD % len(pictures())]
        self.shown += 1
        picture = av.VideoFrame.from_ndarray(grey, format="gray").reformat(format="yuv420p")
        picture.pts, picture.time_base = pts, time_base
        return picture


async def test_a_phone_that_shows_the_board_gets_its_lens_measured(tmp_path, monkeypatch):
    monkeypatch.setattr("tests.server.live_phone.Camera", BoardCamera)
    store, told = Profiles(tmp_path / "p.sqlite3"), []
    watch = BoardWatch(store, "mine", Charuco(), told.append)
    camera = {"device": KEY.device, "lens": KEY.lens, "size": list(SIZE)}
    hello = [{"type": "setup", "seq": 1, "setup": {"camera": camera}}]
    pictures()
    async with serving(watch.analyse, hello, lenses=watch.learn) as (_, phone):
        first = await phone.wait_for(lambda m: m.get("board", {}).get("kept", 0) > 1)
        assert first["verdict"] == "not-found" and first["big"]["unit"] == "views"
        assert "hold still" in first["say"]
        done = await phone.wait_for(lambda m: m.get("board", {}).get("done"), 60)
        assert done["big"]["word"] == "Lens measured" and "focal length 5" in done["say"]
    profile = store.find(KEY)
    assert profile.name == "mine"
    assert profile.focal_px == pytest.approx(FOCAL, rel=0.01)
    assert any("residual" in sentence for sentence in told)


def test_a_live_profile_needs_a_name(tmp_path):
    parser = argparse.ArgumentParser()
    calibrate.add_arguments(parser)
    with pytest.raises(SetupError, match="--name"):
        calibrate.run(parser.parse_args(["--live"]), Profiles(tmp_path / "p.sqlite3"))
