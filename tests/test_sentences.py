"""Sentences in files: told again in any language, and never more than filled in."""

from __future__ import annotations

import json
import string
from pathlib import Path
from typing import Any

import pytest

from pipeline import catalogue
from pipeline.language import language_of
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text, load_result_json
from pipeline.sentences import _SPECS, parts_of, with_parts
from targets.said import Figure, Said, changed, either, listed, say, say_count
from tests.report_case import invented

GERMAN = language_of("de")


def read(document: dict[str, Any]) -> Any:
    return with_parts(json.loads(json.dumps(document)))["answer"][0]


@pytest.mark.parametrize(
    "told",
    [
        say("{far} {way}", far=Figure("3.5"), way=say("inward")),
        say_count(2, "{count} card", "{count} cards"),
        listed([say("{point} left", point="out"), say_count(1, "{count} photo", "{count} photos")]),
        say("hooked end: bent, worn or not against the edge ({off:+.1f} mm)", off=-3.25),
        either([say("two digits exchanged"), say("too long")]),
        say("{axis} ± U", axis=float("nan")),
    ],
)
def test_a_sentence_comes_back_as_it_went(told: Said) -> None:
    document = {"answer": [told], "sentences": parts_of({"answer": [told]})}
    again = read(document)
    assert again == told
    assert isinstance(again, Said)
    assert GERMAN.put(again) == GERMAN.put(told)


def test_result_json_tells_its_answer_in_german(tmp_path: Path) -> None:
    path = tmp_path / "result.json"
    path.write_text(json_text(result_document(invented(tmp_path)[0])), encoding="utf-8")
    first, second = load_result_json(path)["answer"]
    assert GERMAN.put(first).startswith("1 von 11 Punkten ist außerhalb der Toleranz, am weitesten")
    assert GERMAN.put(second) == "Die 4 Basispunkte passen auf 0,2 mm (Effektivwert) zum Maßblatt."


@pytest.mark.parametrize(
    "parts",
    [
        {"say": "Another sentence.", "values": {}},
        {"say": "{a.__class__}", "values": {"a": "x"}},
        {"say": "{a[0]}", "values": {"a": "Plain."}},
        {"say": "{a!r}", "values": {"a": "Plain."}},
        {"say": "{a:>999999999}", "values": {"a": "x"}},
        {"say": "{a:{b}}", "values": {"a": "Plain.", "b": ""}},
        {"say": "{", "values": {}},
        {"say": "{a:.2f}", "values": {"a": "x"}},
        {"say": "{a}", "values": []},
        {"say": "Plain.", "values": {}, "count": True},
        {"values": {}},
        [],
        7,
    ],
)
def test_parts_that_do_not_make_the_sentence_are_not_taken(parts: object) -> None:
    """A file may come from anywhere; patterns of str.format can reach into a program."""
    told = read({"answer": ["Plain."], "sentences": {"Plain.": parts}})
    assert told == "Plain."
    assert not isinstance(told, Said)
    nested = {"say": "{a}", "values": {"a": parts}}
    assert read({"answer": ["Plain."], "sentences": {"Plain.": nested}}) == "Plain."


def test_names_are_never_taken_for_sentences() -> None:
    told = say("{point} left", point="A")
    document = {"answer": [told], "settings": {"title": "A left"}}
    document["sentences"] = parts_of(document)
    assert not isinstance(with_parts(document)["settings"]["title"], Said)


def test_every_sentence_of_the_program_can_be_kept() -> None:
    patterns = [m if isinstance(m, str) else m[1] for m in catalogue.messages()]
    specs = {
        spec
        for pattern in patterns
        if "%(" not in pattern
        for _, name, spec, conversion in string.Formatter().parse(pattern)
        if name and not conversion
    }
    assert specs - {None} <= _SPECS


def test_names_in_a_sentence_can_be_changed() -> None:
    told = say("{photo} shows card {card} at two places.", photo="/home/kim/a.jpg", card=7)
    short = changed(told, lambda part: part.replace("/home/kim/", ""))
    assert short == "a.jpg shows card 7 at two places."
    assert GERMAN.put(short) == "a.jpg zeigt Karte 7 an zwei Stellen."
    assert changed("/home/kim/a.jpg", str.upper) == "/HOME/KIM/A.JPG"
