"""In which language people are spoken to: windows, refusals, reports, the commands' lines."""

import argparse
import ast
import json
import re
from pathlib import Path

import aiohttp
import pytest

import server
import web
from server import cli, doctor, serve
from server.config import ServerConfig
from server.doctor_checks import check_network
from server.language import accepted
from server.records import Records
from server.report_page import report_html
from server.sentence import Sentence, said
from server.words import Plain, texts
from tests.server.made_records import made_record
from tests.server.made_session import session

GERMAN = Plain(language="de")


@pytest.mark.parametrize(
    ("header", "language"),
    [
        # RFC 9110, section 12.5.4: its own example prefers Danish, then any English.
        ("da, en-gb;q=0.8, en;q=0.7", "en"),
        ("da, de;q=0.8, en;q=0.7", "de"),
        ("de-AT,de;q=0.9,en;q=0.8", "de"),
        ("en;q=0.3, de;q=0.4", "de"),
        ("de;q=0, en;q=0.1", "en"),  # section 12.4.2: a weight of 0 is "not acceptable"
        ("", "en"),
        ("fr", "en"),
        ("de;q=x", "en"),
        ("../../etc, *", "en"),
    ],
)
def test_a_browser_says_its_languages(header, language):
    assert accepted(header) == language


def test_a_sentence_is_english_until_it_is_said():
    one = Sentence("doctor.network.address", address="192.168.1.5")
    assert one == "This machine's address is 192.168.1.5." == f"{one}"
    assert one.said(GERMAN) == "Die Adresse dieses Rechners ist 192.168.1.5."  # no decimal point
    waited = Sentence("doctor.open", seconds=2.5)
    assert "2.5 s" in waited and "2,5 s" in waited.said(GERMAN)
    day = Sentence("doctor.date", day=1, month=Sentence("again.month.5"), year=2030)
    until = Sentence("doctor.cert.good", day=day)
    assert until == "The certificate is good until 1 May 2030."
    assert until.said(GERMAN) == "Das Zertifikat gilt bis zum 1. Mai 2030."
    assert said("as it is", GERMAN) == "as it is"


def test_every_sentence_in_the_code_has_its_text_and_every_text_its_sentence():
    english, used = texts("en"), set()
    for file in Path(server.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                used.add(node.value)
    folder = Path(web.__file__).parent / "texts" / "en"
    for name in ("commands", "http"):
        keys = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
        made = {"http.404", "http.405", "http.413", *(k for k in keys if ".mark." in k)}
        made |= {"calibrate.profile.board", "calibrate.profile.looks"}
        assert set(keys) <= used | made, sorted(set(keys) - used - made)
    starts = ("http.", "serve.", "doctor.", "calibrate.", "demo.told.")
    asked = {text for text in used if text.startswith(starts) and re.fullmatch(r"[\w.-]+", text)}
    asked = {text for text in asked if not text.endswith((".", ".py", ".pem", ".key"))}
    assert asked <= english.keys(), sorted(asked - english.keys())


async def test_a_refusal_is_told_in_the_language_of_whoever_asked(server):
    async with aiohttp.ClientSession(server.url) as stranger:
        answer = await stranger.post("/whip", headers={"Accept-Language": "de-DE,de;q=0.9"})
        assert answer.status == 401
        assert "QR-Code auf dem Laptop" in (await answer.json())["detail"]
        answer = await stranger.get("/nothing", headers={"Accept-Language": "de"})
        assert "Unter dieser Adresse ist nichts" in (await answer.json())["detail"]


def test_the_servers_window_speaks_german():
    running = serve.RunningServer("https://127.0.0.1:8443", 8443, "TOKEN", None, None, "COACH")
    config = ServerConfig(host="127.0.0.1")
    text = serve.welcome(running, config, ["192.168.1.20"], GERMAN)
    assert "VORSICHT" in text and "Strg-C beendet den Server." in text
    assert "http://192.168.1.20:8443/board#t=COACH" in text
    assert "CAUTION" not in text


def test_the_doctor_speaks_the_environments_language(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(doctor, "data_dir", lambda: tmp_path)
    monkeypatch.setattr(doctor, "firewalls", lambda port: [])
    monkeypatch.setattr(doctor, "lan_addresses", list)
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    assert cli.main(["doctor", "--port", "9999"]) == 1
    out = capsys.readouterr().out
    assert "NEIN  Dieser Rechner ist in keinem Netz." in out
    assert cli.main(["doctor", "--port", "9999", "--language", "en"]) == 1
    assert "NO  This machine is on no network." in capsys.readouterr().out
    assert check_network([])[0].what == "This machine is on no network."  # logs stay English


def test_the_records_speak_german_and_leave_names_alone(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("TEESQUARE_RECORDS", str(tmp_path / "records.sqlite"))
    store = Records(tmp_path / "records.sqlite")
    store.begin(made_record("film-1", player="Ada 2.0", bay="4.5", ended_s=None))
    assert cli.main(["records", "list", "--language", "de"]) == 0
    out = capsys.readouterr().out
    assert "von vorn" in out and "Ada 2.0" in out and "4.5" in out
    assert "+20,0 ±  3,9 cm" in out
    file = tmp_path / "report 1.5.html"
    assert cli.main(["records", "report", "film-1", "--language", "de", "-o", str(file)]) == 0
    assert str(file) in capsys.readouterr().out
    page = file.read_text(encoding="utf-8")
    assert '<html lang="de">' in page
    assert "Platz 4.5" in page and "Ada 2.0" in page
    assert cli.main(["records", "delete", "film-1", "--yes", "--language", "de"]) == 0
    assert "Gelöscht" in capsys.readouterr().out


def test_a_german_report_has_german_numbers():
    page = report_html(session(), lambda film: None, 1.79e9, GERMAN)
    words = re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.S)
    assert not re.search(r"\d\.\d+ (cm|m|s|°|px)\b|\d\.\d+°", words)
    assert re.search(r"\d,\d cm rechts ihrer Linie", words)
    told = set(re.findall(r"teesquare (\S+)", words))
    assert "0.1.0" in told  # a version is no number


def test_programs_are_spoken_to_in_english(monkeypatch):
    from server.language import chosen

    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    args = argparse.Namespace(language=None)
    assert chosen(args) == "de"
    assert chosen(args, for_machine=True) == "en"
    args.language = "de"
    assert chosen(args, for_machine=True) == "de"
