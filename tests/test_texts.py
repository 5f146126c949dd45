"""The texts of every language: none missing, none left over, the same blanks to fill in.

English is the original. A new text goes to web/texts/en first; these tests then name, for each
other language, the keys that it lacks. Until they are there the English sentence is shown.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

import web
from server.words import languages

TEXTS = Path(web.__file__).parent / "texts"
OTHERS = [name for name in languages() if name != "en"]
BLANK = re.compile(r"\{(\w+)\}")
SOFT_HYPHEN = "\u00ad"


def texts(language: str) -> dict[str, dict[str, str]]:
    """By file, then by key."""
    return {
        path.stem: json.loads(path.read_text(encoding="utf-8"))
        for path in sorted((TEXTS / language).glob("*.json"))
    }


def test_the_page_knows_the_same_languages_as_the_server() -> None:
    code = (TEXTS.parent / "texts.js").read_text(encoding="utf-8")
    listed = re.search(r"LANGUAGES = Object\.freeze\(\{(.*?)\}\)", code)
    assert listed
    assert re.findall(r"(\w+): \"", listed[1]) == list(languages())
    assert len(languages()) >= 2


@pytest.mark.parametrize("language", languages())
def test_no_key_is_there_twice(language: str) -> None:
    for path in (TEXTS / language).glob("*.json"):
        pairs = json.loads(path.read_text(encoding="utf-8"), object_pairs_hook=list)
        keys = [key for key, _ in pairs]
        assert sorted(set(keys)) == sorted(keys), path.name


@pytest.mark.parametrize("language", OTHERS)
def test_nothing_is_missing_and_nothing_left_over(language: str) -> None:
    english, own = texts("en"), texts(language)
    wrong = [f"{language}/{name}.json is missing" for name in english.keys() - own.keys()]
    wrong += [f"{language}/{name}.json is left over" for name in own.keys() - english.keys()]
    for name in english.keys() & own.keys():
        missing = english[name].keys() - own[name].keys()
        left_over = own[name].keys() - english[name].keys()
        wrong += [f"{language}/{name}.json lacks {key!r}" for key in sorted(missing)]
        wrong += [f"{language}/{name}.json has {key!r} left over" for key in sorted(left_over)]
    assert not wrong, "\n".join(sorted(wrong))


@pytest.mark.parametrize("language", OTHERS)
def test_the_blanks_agree_with_the_english_ones(language: str) -> None:
    english, own = texts("en"), texts(language)
    wrong = [
        f"{language}/{name}.json {key!r}: {own[name][key]!r} against {text!r}"
        for name, pairs in english.items()
        for key, text in pairs.items()
        if key in own.get(name, {})
        and sorted(BLANK.findall(own[name][key])) != sorted(BLANK.findall(text))
    ]
    assert not wrong, "\n".join(wrong)


@pytest.mark.parametrize("language", OTHERS)
def test_sentences_are_translated(language: str) -> None:
    english, own = texts("en"), texts(language)
    same = [
        f"{language}/{name}.json {key!r}: {text!r}"
        for name, pairs in english.items()
        for key, text in pairs.items()
        if own.get(name, {}).get(key) == text and len(BLANK.sub("", text).split()) > 2
    ]
    assert not same, "\n".join(same)


@pytest.mark.parametrize("language", languages())
def test_words_in_huge_type_are_short(language: str) -> None:
    """Two metres away: at most 28 letters, and no single word of more than 16 unhyphenated."""
    long = []
    for name, pairs in texts(language).items():
        for key, text in pairs.items():
            if re.search(r"(^|\.)word(\.|$)", key):
                shown = text.replace(SOFT_HYPHEN, "")
                parts = re.split(rf"[\s{SOFT_HYPHEN}-]", text)
                if len(shown) > 28 or max(map(len, parts)) > 16:
                    long.append(f"{language}/{name}.json {key!r}: {text!r}")
    assert not long, "\n".join(long)


@pytest.mark.parametrize("language", OTHERS)
def test_numbers_in_the_texts_have_the_languages_point(language: str) -> None:
    for name, pairs in texts(language).items():
        if (point := texts(language)["page"]["number.point"]) != ".":
            for key, text in pairs.items():
                assert not re.search(r"\d\.\d", text), f"{language}/{name}.json {key!r}"
        assert pairs.get("number.point", point) == point
