"""The store of lens profiles: round trips, migrations, broken, locked and newer files."""

import json
import sqlite3
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from server import wire_lens
from server.profiles import MAX_LOOKS, MIGRATIONS, VERSION, ProfileError, Profiles, profiles_file
from vision.errors import SetupError
from vision.profile import LensKey, Look, Made, Profile, from_looks
from vision.setup import LensSource

KEY = LensKey("Android phone", "camera2 0, facing back", 1280, 720)


def profile(name="mine", key=KEY, **kept) -> Profile:
    return Profile(
        **{
            "name": name,
            "key": key,
            "made": Made.BOARD,
            "size": (key.long_px, key.short_px),
            "focal_px": 1010.5,
            "sigma_px": 1.25,
            "centre_px": (644.0, 352.5),
            "centre_sigma_px": 1.5,
            "bend": (0.06, -0.05, 1e-4, -2e-4, 0.01),
            "k1_sigma": 0.004,
            "rms_px": 0.21,
            "held_back_px": 0.3,
            "views": 11,
        }
        | kept
    )


@pytest.fixture
def store(tmp_path):
    return Profiles(tmp_path / "deep" / "profiles.sqlite3")


def test_a_profile_comes_back_as_it_was_kept(store):
    store.save(profile())
    assert store.all() == [profile()]
    assert store.named("mine") == profile()
    assert store.find(KEY) == profile()
    assert Profiles(store.file).find(KEY) == profile()


def test_only_its_owner_may_read_the_file(store):
    store.save(profile())
    assert store.file.stat().st_mode & 0o077 == 0


def test_another_device_lens_or_shape_has_no_profile(store):
    store.save(profile())
    assert store.find(LensKey("other", KEY.lens, 1280, 720)) is None
    assert store.find(LensKey(KEY.device, "front", 1280, 720)) is None
    assert store.find(LensKey(KEY.device, KEY.lens, 1280, 960)) is None


def test_the_same_shape_in_another_size_is_the_same_lens_scaled(store):
    store.save(profile())
    found = store.find(LensKey(KEY.device, KEY.lens, 1920, 1080))
    assert found == profile()
    lens = found.lens_for((1920, 1080))
    assert lens.source is LensSource.PROFILE
    assert lens.focal_px == pytest.approx(1010.5 * 1.5)
    assert lens.centre_px[0] == pytest.approx(644.5 * 1.5 - 0.5)


def test_the_size_itself_goes_before_another_of_its_shape(store):
    other = LensKey(KEY.device, KEY.lens, 1920, 1080)
    store.save(profile("large", other, focal_px=1500.0, centre_px=None, centre_sigma_px=None))
    store.save(profile())
    assert store.find(KEY).name == "mine"
    assert store.find(other).name == "large"


def test_a_phone_held_upright_is_the_same_lens(store):
    lens = profile().lens_for((720, 1280))
    assert lens.focal_px == 1010.5
    # Turned which way is not known: the middle, give or take what it is off it.
    assert lens.centre_px == ((720 - 1) / 2, (1280 - 1) / 2)
    assert lens.centre_sigma_px > abs(352.5 - 359.5)
    assert profile().lens_for((1280, 960)) is None


def test_a_new_calibration_of_a_lens_takes_the_old_ones_place(store):
    store.save(profile())
    store.save(profile("newer", focal_px=1020.0))
    assert [p.name for p in store.all()] == ["newer"]
    store.save(profile("newer", LensKey("b", "c", 640, 480)))
    assert [p.key.device for p in store.all()] == ["b"]


def test_a_name_that_is_not_there_is_said(store):
    with pytest.raises(ProfileError, match="there is none yet"):
        store.named("nobody")
    store.save(profile())
    with pytest.raises(ProfileError, match="there are mine"):
        store.delete("nobody")
    store.delete("mine")
    assert store.all() == []


def test_first_looks_add_up_to_a_profile(store):
    assert store.add_first_look(KEY, 1000.0, 15.0) is None
    made = store.add_first_look(KEY, 1020.0, 15.0, 0.02, 0.01)
    assert made.made is Made.LOOKS and made.views == 2
    assert made.focal_px == pytest.approx(1010, abs=1)
    assert store.find(KEY) == made
    assert store.find(KEY).lens_for((640, 360)).focal_px == pytest.approx(made.focal_px / 2)
    # A board's profile goes before; forgetting a profile of looks forgets the looks.
    store.save(profile())
    assert store.find(KEY).made is Made.BOARD
    store.delete(made.name)
    assert store.add_first_look(KEY, 1000.0, 15.0) is None
    with pytest.raises(SetupError, match="must be above 0"):
        store.add_first_look(KEY, 1000.0, 0.0)


def test_only_the_newest_looks_are_kept(store):
    for k in range(MAX_LOOKS + 5):
        made = store.add_first_look(KEY, 1000.0 + k, 10.0)
    assert made.views == MAX_LOOKS
    with sqlite3.connect(store.file) as db:
        assert db.execute("SELECT COUNT(*), MIN(focal_px) FROM looks").fetchone() == (30, 1005.0)
    db.close()


def test_many_looks_never_claim_more_than_their_common_fault_allows():
    looks = [Look(1000.0, 8.0)] * 30
    made = from_looks(KEY, looks, "x")
    assert made.sigma_px >= 10.0  # 1 %
    assert from_looks(KEY, [Look(1000.0, 8.0), Look(1300.0, 8.0)], "x") is None
    steady = from_looks(KEY, [*looks, Look(1600.0, 8.0)], "x")
    assert steady.focal_px == pytest.approx(1000.0) and steady.views == 30


def test_the_fused_looks_spread_holds_over_many_draws():
    """Looks with their own noise, a spread between them and a fault that all share (1 % each)."""
    rng = np.random.default_rng(3)
    pulls = []
    for _ in range(2000):
        shared = rng.normal(0, 0.01)
        looks = [
            Look(1000 * np.exp(shared + rng.normal(0, 0.01) + rng.normal(0, own)), 1000 * own)
            for own in rng.uniform(0.005, 0.03, rng.integers(2, 8))
        ]
        made = from_looks(KEY, looks, "x")
        if made is not None:
            pulls.append(np.log(made.focal_px / 1000) / (made.sigma_px / made.focal_px))
    assert len(pulls) > 1950
    assert 0.92 < (np.abs(pulls) < 2).mean() < 0.985


def test_a_file_of_the_first_version_is_brought_up_to_date(store):
    store.file.parent.mkdir(parents=True)
    with sqlite3.connect(store.file) as db:
        db.execute("CREATE TABLE migrations (version INTEGER PRIMARY KEY, done_at TEXT)")
        for statement in MIGRATIONS[0]:
            db.execute(statement)
        db.execute("INSERT INTO migrations VALUES (1, '2026-01-01T00:00:00+00:00')")
        db.execute(
            "INSERT INTO profiles VALUES ('old', 'd', 'l', 640, 480, 'board', 640, 480, 500, 1, "
            "320, 240, 1, 0, 0, 0, 0, 0, 0.01, 0.2, 0.3, 9, '2026-01-01T00:00:00+00:00')"
        )
        db.execute("PRAGMA user_version = 1")
    db.close()
    assert [p.name for p in store.all()] == ["old"]
    store.add_first_look(KEY, 1000.0, 15.0)
    with sqlite3.connect(store.file) as db:
        done = [row[0] for row in db.execute("SELECT version FROM migrations ORDER BY version")]
        assert done == list(range(1, VERSION + 1))
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION,)
    db.close()


def test_a_newer_programs_file_is_left_alone(store):
    store.save(profile())
    with sqlite3.connect(store.file) as db:
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    db.close()
    before = store.file.read_bytes()
    with pytest.raises(ProfileError, match="newer teesquare"):
        store.all()
    assert store.file.read_bytes() == before


@pytest.mark.parametrize("spoil", ["text", "torn", "middle"])
def test_a_broken_file_is_kept_aside_and_said(store, spoil):
    for k in range(40):
        store.save(profile(f"p{k}", LensKey("d" * 150, f"l{k}", 1280, 720)))
    data = bytearray(store.file.read_bytes())
    if spoil == "text":
        data[:] = b"not a database at all " * 60
    elif spoil == "torn":
        del data[len(data) // 2 :]
    else:
        data[4096 : len(data) - 4096] = b"\xff" * (len(data) - 8192)
    store.file.write_bytes(data)
    told = []
    again = Profiles(store.file, told.append)
    again.save(profile())
    assert [p.name for p in again.all()] == ["mine"]
    aside = list(store.file.parent.glob("*.broken-*"))
    assert len(aside) == 1 and aside[0].read_bytes() == bytes(data)
    assert len(told) == 1 and str(aside[0]) in told[0]


def test_a_file_in_use_is_said_and_not_waited_for_long(store, monkeypatch):
    store.save(profile())
    monkeypatch.setattr("server.database.BUSY_S", 0.05)
    other = sqlite3.connect(store.file)
    other.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(ProfileError, match="in use by another program"):
            store.save(profile("second"))
    finally:
        other.rollback()
        other.close()
    assert [p.name for p in store.all()] == ["mine"]


def test_a_folder_that_cannot_be_made_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(ProfileError, match="TEESQUARE_PROFILES"):
        Profiles(tmp_path / "file" / "profiles.sqlite3").all()


def test_several_threads_begin_the_same_file_and_lose_nothing(store):
    def save(k):
        Profiles(store.file).save(profile(f"p{k}", LensKey("d", f"l{k}", 1280, 720)))

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(save, range(12)))
    assert len(store.all()) == 12


def test_the_file_can_be_named(monkeypatch, tmp_path):
    monkeypatch.setenv("TEESQUARE_PROFILES", str(tmp_path / "x.sqlite3"))
    assert profiles_file() == tmp_path / "x.sqlite3"
    monkeypatch.delenv("TEESQUARE_PROFILES")
    assert profiles_file().name == "profiles.sqlite3"


def test_an_export_comes_back_whole(store):
    looks = from_looks(KEY, [Look(1000.0, 9.0), Look(1004.0, 9.0)], "looks")
    upright = profile("upright", LensKey("d", "l", 1280, 720), size=(720, 1280))
    text = wire_lens.profiles_to_json([profile(), looks, upright])
    assert wire_lens.profiles_from_json(text) == [profile(), looks, upright]
    assert json.loads(text)["version"] == 1


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda o: "[", "not JSON"),
        (lambda o: "[]", "no lens profiles"),
        (lambda o: json.dumps(o | {"version": 2}), "version is 2"),
        (lambda o: json.dumps(o | {"profiles": 3}), "profiles is 3"),
        (lambda o: _with(o, focal_px=-1), "focal_px is -1"),
        (lambda o: _with(o, size=[1280]), "size is a list"),
        (lambda o: _with(o, size=[1280, 1]), "cannot be"),
        (lambda o: _with(o, name=""), "no name"),
        (lambda o: _with(o, lens="a\nb"), "lens is"),
        (lambda o: _with(o, made="magic"), "made is"),
        (lambda o: _with(o, colour="red"), "no value called"),
        (lambda o: _with(o, distortion={"k9": 1}), "no value called"),
    ],
)
def test_a_spoilt_export_is_refused_in_a_sentence(spoil, said):
    good = json.loads(wire_lens.profiles_to_json([profile()]))
    with pytest.raises(SetupError, match=said):
        wire_lens.profiles_from_json(spoil(good))


def _with(obj, **changed):
    return json.dumps(obj | {"profiles": [obj["profiles"][0] | changed]})
