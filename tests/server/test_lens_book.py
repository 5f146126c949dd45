"""A phone's lens finds its profile by itself, and a profile that does not fit is left aside."""

import argparse
import dataclasses
import json
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from server import check, wire, words
from server.lens_book import LensBook
from server.profiles import ProfileError, Profiles
from tests.scenes import scenes
from tests.server.live_phone import later_guidance, nothing_found, serving
from tests.server.made_readings import VALIDATOR
from tests.synthetic import SIZE
from vision.errors import SetupError
from vision.live import LiveState, step
from vision.profile import LensKey, Made, Profile
from vision.setup import Lens, LensSource, Setup

KEY = LensKey("Android Model", "camera2 0, facing back", 1280, 720)
CAMERA = {"device": KEY.device, "lens": KEY.lens, "size": [1280, 720]}
SCENE = "scene_0016.jpg"
PROFILE = Profile("mine", KEY, Made.LOOKS, (1280, 720), 1000.0, 10.0, views=4)


@pytest.fixture
def pool():
    with ThreadPoolExecutor(1) as pool:
        yield pool


async def test_a_lens_is_looked_up_once_and_told(pool):
    asked, told = [], []

    def find(key):
        asked.append(key)
        return PROFILE

    book = LensBook(find, told.append)
    for _ in range(3):
        await book.learn(KEY, pool)
    assert asked == [KEY] and len(told) == 1 and "mine" in told[0]
    lens = book.applied(Setup(), KEY, (640, 360)).lens
    assert (lens.focal_px, lens.source) == (500.0, LensSource.PROFILE)
    # Held upright, the same lens; another shape is another crop.
    assert book.applied(Setup(), KEY, (720, 1280)).lens.focal_px == 1000.0
    assert book.applied(Setup(), KEY, (640, 480)).lens is None
    stated = Setup(lens=Lens(900.0, 9.0))
    assert book.applied(stated, KEY, SIZE) is stated
    assert book.applied(Setup(), None, SIZE).lens is None


async def test_an_unknown_lens_is_told_with_what_calibrate_needs(pool):
    told = []
    book = LensBook(lambda key: None, told.append)
    await book.learn(KEY, pool)
    assert KEY.device in told[0] and KEY.lens in told[0] and "calibrate" in told[0]
    assert book.applied(Setup(), KEY, SIZE) == Setup()


async def test_profiles_that_cannot_be_read_are_said_once(pool):
    def find(key):
        raise ProfileError("the lens profiles cannot be used")

    book = LensBook(find)
    with pytest.raises(ProfileError):
        await book.learn(KEY, pool)
    await book.learn(KEY, pool)
    assert book.applied(Setup(), KEY, SIZE) == Setup()


def test_the_pages_camera_is_read_from_its_setup():
    assert wire.setup_from_json({"camera": CAMERA}, Setup()).camera == KEY
    upright = CAMERA | {"size": [720, 1280]}
    assert wire.setup_from_json({"camera": upright}, Setup()).camera == KEY
    assert wire.setup_from_json({"camera": None}, Setup()).camera is None


@pytest.mark.parametrize(
    ("camera", "said"),
    [
        (3, "camera is 3"),
        ({"device": "a"}, "size is null"),
        (CAMERA | {"size": [1, 1]}, "cannot be"),
        (CAMERA | {"lens": 4}, "lens is 4"),
        (CAMERA | {"lens": "x" * 300}, "at most 200"),
        (CAMERA | {"more": 1}, "no value called"),
    ],
)
def test_a_camera_that_cannot_be_is_refused_in_words(camera, said):
    with pytest.raises(SetupError, match=said):
        wire.setup_from_json({"camera": camera}, Setup())


async def test_through_webrtc_the_analysis_gets_the_profile(tmp_path):
    seen = []

    def analyse(state, frame, setup, time_s):
        seen.append(setup)
        return state, nothing_found(setup)

    store = Profiles(tmp_path / "p.sqlite3")
    small = LensKey(KEY.device, KEY.lens, 320, 180)
    store.save(dataclasses.replace(PROFILE, key=small, size=(320, 180), focal_px=250.0))
    told = []
    async with serving(analyse, lenses=store.find, tell=told.append) as (_, phone):
        camera = CAMERA | {"size": [320, 180]}
        phone.send({"type": "setup", "seq": 1, "setup": {"camera": camera}})
        await phone.wait_for(lambda m: m.get("setup_seq") == 1)
        assert seen[-1].lens.focal_px == 250.0
        assert seen[-1].lens.source is LensSource.PROFILE
        assert any("has the profile mine" in sentence for sentence in told)
        # A stated focal length goes before.
        phone.send({"type": "setup", "seq": 2, "setup": {"camera": camera, "focal_px": 300}})
        await phone.wait_for(lambda m: m.get("setup_seq") == 2)
        assert seen[-1].lens.source is LensSource.GIVEN


async def test_a_store_that_fails_is_said_on_the_page_and_guidance_goes_on():
    def analyse(state, frame, setup, time_s):
        return state, nothing_found(setup)

    def find(key):
        raise ProfileError("the lens profiles cannot be used")

    async with serving(analyse, lenses=find) as (_, phone):
        phone.send({"type": "setup", "seq": 1, "setup": {"camera": CAMERA}})
        problem = await phone.of_type("problem")
        assert problem["text"] == "the lens profiles cannot be used"
        await later_guidance(phone)


def t_scene():
    return next(s for s in scenes() if s.name == SCENE)


@pytest.mark.parametrize(("zoom", "changed"), [(1.0, False), (1.6, True)])
def test_a_zoomed_picture_is_noticed_live_and_said(zoom, changed):
    scene = t_scene()
    setup = scene.setup()
    focal_px = setup.lens.focal_px / zoom
    setup = dataclasses.replace(setup, lens=Lens(focal_px, 0.006 * focal_px, LensSource.PROFILE))
    state, frame = LiveState(), scene.frame()
    for k in range(30):
        state, live = step(state, frame, setup, k / 15)
        if k == 10:  # 0.7 s: too soon to say
            assert live.reading.lens.source is LensSource.PROFILE
    reading = live.reading
    stated = wire.Stated(reading.setup)
    message = wire.reading_to_json(reading, stated, None)
    notes = " ".join(words.notes(reading, stated))
    assert message["lens"]["source"] == ("assumed" if changed else "profile")
    assert message["lens"].get("profile_misfit", False) is changed
    assert ("does not fit this lens's profile" in notes) is changed


@pytest.mark.parametrize(("zoom", "changed"), [(1.0, False), (1.6, True)])
def test_check_uses_a_named_profile_and_says_when_it_does_not_fit(
    tmp_path, monkeypatch, capsys, zoom, changed
):
    monkeypatch.setenv("TEESQUARE_PROFILES", str(tmp_path / "p.sqlite3"))
    scene = t_scene()
    focal_px = scene.setup().lens.focal_px / zoom
    key = LensKey("", "", max(scene.size), min(scene.size))
    made = dataclasses.replace(
        PROFILE, key=key, made=Made.BOARD, size=scene.size, focal_px=focal_px, sigma_px=2.0
    )
    Profiles().save(made)
    pitch, roll = (scene.placement[name] for name in ("pitch_deg", "roll_deg"))
    lengths = [f"{rod['role']}={rod['length_m']}" for rod in scene.rods[:2]]
    facts = ["--tilt", f"{pitch},{roll},0.5", "--view", "face-on"]
    for length in lengths:
        facts += ["--rod-length", length]
    photo = str(scene.folder / scene.name)

    assert checked(photo, "--profile", "mine", "--json", *facts) == 0
    line = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(line)
    assert line["lens"]["source"] == ("assumed" if changed else "profile")
    assert line["lens"].get("profile_misfit", False) is changed
    assert checked(photo, "--profile", "mine", *facts) == 0
    report = capsys.readouterr().out
    assert ("does not fit this lens's profile" in report) is changed
    assert ("from the lens's profile" in report) is not changed

    # A stated focal length goes before; another shape of picture and a wrong name are said.
    assert checked(photo, "--profile", "mine", "--focal-px", "1000", "--json", *facts) == 0
    assert json.loads(capsys.readouterr().out)["lens"]["source"] == "given"
    board = str(Path(__file__).parents[1] / "data" / "chessboard" / "left01.jpg")
    assert checked(board, "--profile", "mine", "--json") == 1
    assert "another shape" in json.loads(capsys.readouterr().out)["reason"]
    assert checked(photo, "--profile", "yours") == 2
    assert "there are mine" in capsys.readouterr().err


def checked(*words):
    parser = argparse.ArgumentParser(prog="teesquare check")
    check.add_arguments(parser)
    return check.run(parser.parse_args(words))
