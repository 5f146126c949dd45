"""The coach's routes over the records: who may, what comes, what is deleted without a trace."""

import csv
import io
import json
import sqlite3
from dataclasses import replace

import aiohttp
import jsonschema
import pytest

from server import cli, database
from server.app import SESSIONS
from server.config import ServerConfig
from server.drift_row import Row
from server.record import RecordError, person
from server.records import Records
from server.report_page import style_source
from server.serve import running
from tests.server.live_phone import far_away
from tests.server.made_records import BEGUN_S, full_record, made_record, make_newer
from tests.server.made_session import keep, session, still
from tests.server.test_records import SCHEMA
from vision.setup import View


@pytest.fixture
def config(tmp_path):
    return ServerConfig(analyse=far_away, records=tmp_path / "kept" / "records.sqlite")


@pytest.fixture
def store(server):
    return server.app[SESSIONS].records


@pytest.fixture
async def coach(server):
    headers = {"Authorization": f"Bearer {server.coach_token}"}
    async with aiohttp.ClientSession(server.url, headers=headers) as http:
        yield http


async def films(coach, **asked):
    answer = await coach.get("/records/list", params=asked)
    assert answer.status == 200
    return [film["film"] for film in (await answer.json())["films"]]


async def test_the_list_is_narrowed_by_all_that_is_known(store, coach):
    store.begin(made_record("a", "Ada", bay="bay 4"))
    store.begin(made_record("b", "Björn", bay="5", begun_s=BEGUN_S + 90_000))
    store.begin(made_record("c", "", View.DOWN_THE_LINE, bay="", begun_s=BEGUN_S - 90_000))
    got = (await (await coach.get("/records/list")).json())["films"]
    days = {film["film"]: film["day"] for film in got}
    assert [film["film"] for film in got] == ["b", "a", "c"]
    assert await films(coach, text="björn") == ["b"]
    assert await films(coach, player="ADA") == ["a"]
    assert await films(coach, player="", bay="") == ["c"]
    assert await films(coach, bay="BAY 4") == ["a"]
    assert await films(coach, view="down-the-line") == ["c"]
    assert await films(coach, **{"from": days["a"], "to": days["a"]}) == ["a"]
    for wrong in ({"from": "soon"}, {"view": "above"}):
        answer = await coach.get("/records/list", params=wrong)
        assert answer.status == 400 and (await answer.json())["detail"].endswith(".")


async def test_one_record_its_still_and_the_exports(store, coach):
    keep(store, session())
    obj = await (await coach.get("/records/one", params={"film": "film-a"})).json()
    jsonschema.Draft202012Validator(SCHEMA).validate(obj)
    assert len(obj["drift"]) == 40
    got = await coach.get("/records/still", params={"film": "film-a"})
    assert (await got.read(), got.content_type) == (still(), "image/jpeg")
    table = await (await coach.get("/records/export", params={"format": "csv"})).text()
    assert [r["film"] for r in csv.DictReader(io.StringIO(table, newline=""))] == [
        "film-c",
        "film-b",
        "film-a",
    ]
    got = await coach.get("/records/export", params={"view": "face-on"})
    assert "attachment" in got.headers["Content-Disposition"]
    assert [r["film"] for r in json.loads(await got.text())["records"]] == ["film-c", "film-a"]
    for path, status in (
        ("/records/one?film=x", 404),
        ("/records/still?film=x", 404),
        ("/records/still?film=film-c", 404),  # it has none
        ("/records/still?film=../../records", 404),
        ("/records/export?format=xlsx", 400),
        ("/records/report", 400),
        ("/records/report?film=x", 404),
    ):
        answer = await coach.get(path)
        assert answer.status == status, path
        assert (await answer.json())["detail"].endswith(".")


async def test_the_report_comes_with_its_own_strict_policy(store, coach, server):
    keep(store, session())
    got = await coach.get("/records/report", params=[("film", "film-a"), ("film", "film-b")])
    page = await got.text()
    assert got.content_type == "text/html" and "film-film-a" in page and "film-film-c" not in page
    header = got.headers["Content-Security-Policy"]
    assert header.startswith("default-src 'none'; img-src data:; style-src 'sha256-")
    assert got.headers["Cache-Control"] == "no-store"
    got = await coach.get("/records/report", params={"player": "ada", "units": "inches"})
    assert " in right of its line" in await got.text()
    # The page allows the report's style to what it opens, and nothing else.
    async with aiohttp.ClientSession(server.url) as stranger:
        shell = await stranger.get("/records")
        allowed = shell.headers["Content-Security-Policy"]
        assert f"style-src 'self' {style_source()};" in allowed and "unsafe" not in allowed


async def test_a_deletion_says_what_is_gone_and_what_is_not_reached(store, coach):
    keep(store, session())
    store.begin(made_record("other", "someone else"))
    answer = await coach.post("/records/delete", json={"film": "film-a"})
    told = await answer.json()
    assert (told["films"], told["stills"]) == (1, 1)
    assert "1 film (pictures: 1, samples of the drift: 40)" in told["text"][0]
    assert "lie on the phones" in told["text"][1]
    assert (await coach.post("/records/delete", json={"film": "film-a"})).status == 404
    told = await (await coach.post("/records/forget", json={"player": " ADA "})).json()
    assert told["films"] == 2
    assert await films(coach) == ["other"]
    for body, status in (("{", 400), ("[]", 400), ('{"player": 3}', 400), ('{"film": "x"}', 400)):
        headers = {"Content-Type": "application/json"}
        answer = await coach.post("/records/forget", data=body, headers=headers)
        assert answer.status == status
    assert (await coach.post("/records/forget", data="player=Ada")).status == 415


async def test_what_the_store_complains_of_is_told_and_harms_nothing(store, coach, monkeypatch):
    store.begin(made_record("old"))
    store.begin(made_record("new"))
    make_newer(store, "new")
    told = await (await coach.get("/records/list")).json()
    assert [f["film"] for f in told["films"]] == ["old"]
    assert told["unread"][0]["film"] == "new" and "newer teesquare" in told["unread"][0]["why"]
    assert (await coach.get("/records/one?film=new")).status == 409
    monkeypatch.setattr(database, "BUSY_S", 0.05)
    other = sqlite3.connect(store.file, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    answer = await coach.post("/records/delete", json={"film": "old"})
    assert answer.status == 503 and "in use by another program" in (await answer.json())["detail"]
    other.rollback()
    other.close()
    assert await films(coach) == ["old"]


def traces(name):
    """What must be nowhere in the bytes: the name as typed and as compared, films, pictures."""
    plain = [name.encode(), person(name).encode(), name.upper().encode()]
    return [*plain, b"theirs-", b"0.123456789", still(name)[:200], still(name)[-200:]]


def bytes_of(folder):
    return b"\n".join(
        str(file.relative_to(folder)).encode() + file.read_bytes()
        for file in folder.rglob("*")
        if file.is_file()
    )


def write_person(store, name):
    """Others around, three films of the person, changed and sampled while others write too."""
    for k in range(40):
        store.begin(made_record(f"other-{k}", f"player {k}"))
    for k, record in enumerate(session(name)):
        record = full_record() if k == 2 else record
        store.begin(replace(record, film=f"theirs-{k}", player=name))
        store.append(f"theirs-{k}", Row(BEGUN_S, "still", (0.123456789,) * 6, 0.1, 0.1))
        store.finish(f"theirs-{k}", BEGUN_S + 1, still(name))
        store.amend(f"theirs-{k}", bay=f"bay of {name}")
        store.keep_still(f"other-{k}", still("somebody else"))


@pytest.mark.parametrize("way", ["command", "route", "route while the command reads"])
async def test_a_forgotten_person_leaves_no_byte(way, config, tmp_path, capsys, monkeypatch):
    name = "Quirina Xylander"
    folder = config.records.parent
    monkeypatch.setenv("TEESQUARE_RECORDS", str(config.records))
    monkeypatch.setattr(database, "BUSY_S", 0.3)
    async with running(config) as server:
        store = server.app[SESSIONS].records
        write_person(store, name)
        # Another connection keeps the log from being folded in by itself.
        other = sqlite3.connect(store.file)
        other.execute("SELECT 1 FROM films").fetchone()
        store.amend("theirs-0", bay="changed once more")
        before = bytes_of(folder)
        missing = [t for t in traces(name) if t not in before and t != name.upper().encode()]
        assert missing == [], "the test would see nothing"
        assert (folder / "records.sqlite-wal").stat().st_size > 0
        if way == "command":
            assert cli.main(["records", "forget", name.upper(), "--yes"]) == 0
            assert (
                "Deleted: 3 films (pictures: 3, samples of the drift: 86)"
                in capsys.readouterr().out
            )
        else:
            if "while" in way:
                other.execute("BEGIN")
                other.execute("SELECT 1 FROM films").fetchone()  # keeps the old state alive
            headers = {"Authorization": f"Bearer {server.coach_token}"}
            async with aiohttp.ClientSession(server.url, headers=headers) as coach:
                answer = await coach.post("/records/forget", json={"player": name.upper()})
                told = await answer.json()
            if "while" in way:
                # Said plainly, and mended by what the sentence names.
                assert answer.status == 503 and "records scrub" in told["detail"]
                other.rollback()
                assert cli.main(["records", "scrub"]) == 0
            else:
                assert answer.status == 200 and told["films"] == 3
        found = bytes_of(folder)
        assert [t for t in traces(name) if t in found] == []
        other.close()
        assert len(store.search()) == 40
    found = bytes_of(folder)
    assert [t for t in traces(name) if t in found] == []
    kept = Records(config.records)
    assert kept.still("other-1") == (still("somebody else"), "image/jpeg")


async def test_a_server_over_a_newer_file_says_so_and_leaves_it_alone(config):
    config.records.parent.mkdir()
    Records(config.records).begin(made_record())
    db = sqlite3.connect(config.records)
    db.execute("PRAGMA user_version = 99")
    db.close()
    before = config.records.read_bytes()
    with pytest.raises(RecordError, match=r"newer teesquare.*TEESQUARE_RECORDS"):
        async with running(config):
            pass
    assert config.records.read_bytes() == before


async def test_a_server_over_a_broken_file_keeps_it_aside_and_begins_anew(config):
    config.records.parent.mkdir()
    config.records.write_bytes(b"no database " * 400)
    said = []
    async with running(replace(config, tell=said.append)) as server:
        server.app[SESSIONS].records.begin(made_record())
    (aside,) = config.records.parent.glob("*.broken-*")
    assert aside.read_bytes() == b"no database " * 400
    assert str(aside) in said[0] and "New ones begin" in said[0]
    assert len(Records(config.records).search()) == 1


async def test_films_that_had_not_ended_are_told_at_the_next_start(config):
    Records(config.records).begin(made_record())
    said = []
    async with running(replace(config, tell=said.append)) as server:
        assert server.app[SESSIONS].records.get("film-1").unfinished
    assert len(said) == 1 and "1 films had not ended" in said[0]
