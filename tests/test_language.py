"""People are told in their language; files, and what nobody translated, stay as they are."""

from __future__ import annotations

import json
import pickle
import re
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline import catalogue
from pipeline.catalogue import mo_bytes, read_catalogue, untranslated
from pipeline.job import read_job
from pipeline.language import LANGUAGES, Figure, language_of, listed, say, say_count
from pipeline.report import words
from pipeline.report.page import page_html
from pipeline.summary import summary_lines
from pipeline.tables import points_csv, result_document
from targets.errors import UserError
from tests.report_case import first_points, invented, without_sheet

GERMAN = language_of("de")
_PLACES = re.compile(r"\{\w+[^}]*\}|%\(\w+\)s|</?\w+>")
OTHERS = [code for code in LANGUAGES if code != "en"]


def test_a_sentence_stays_text_and_knows_its_parts() -> None:
    told = say("{point} is off by {off:.1f} mm.", point="A", off=3.04)
    assert told == "A is off by 3.0 mm."
    assert json.loads(json.dumps([told])) == ["A is off by 3.0 mm."]
    assert GERMAN.put(pickle.loads(pickle.dumps(told))) == "A is off by 3,0 mm."
    assert language_of("en").put(told) == told


def test_sentences_within_sentences_and_figures_change_and_names_do_not() -> None:
    # A point may be called like a word of ours, or like a pattern.
    for name in ("out", "{0}", "within {x}", "3.5"):
        place = say("{point} left", point=name)
        told = listed([place, say("{far} {way}", far=Figure("3.5"), way=say("inward"))])
        assert told == f"{name} left, 3.5 inward"
        assert GERMAN.put(told) == f"{name} links, 3,5 nach innen"
        assert GERMAN.put(name) == name
    cards = [say_count(n, "{count} card", "{count} cards") for n in (0, 1, 2)]
    assert GERMAN.put_all({"a": cards, "b": ("x", 1.5)}) == {
        "a": ["0 Karten", "1 Karte", "2 Karten"],
        "b": ["x", 1.5],
    }


@pytest.mark.parametrize("code", OTHERS)
def test_the_catalogue_is_compiled_and_keeps_every_value(code: str) -> None:
    read = read_catalogue(code)
    compiled = Path(catalogue.__file__).parent / "languages" / f"{code}.mo"
    assert compiled.read_bytes() == mo_bytes(read), "run python -m pipeline.catalogue"
    for message in read:
        if not message.id:
            continue
        one, many = message.id if isinstance(message.id, tuple) else (message.id, message.id)
        allowed = {frozenset(_PLACES.findall(text)) for text in (one, many)}
        for text in [message.string] if isinstance(message.string, str) else message.string:
            assert not text or frozenset(_PLACES.findall(text)) in allowed, (one, text)


@pytest.mark.parametrize("code", OTHERS)
def test_what_has_no_translation_is_told(code: str) -> None:
    """Nine sentences of ten must have one; the others are named and stay English meanwhile."""
    missing = untranslated(code)
    assert len(missing) < 0.1 * len(catalogue.messages())
    if missing:
        pytest.skip(
            "\n".join([f"no {code} yet:", *(f"  {file}: {text}" for text, file in missing)])
        )


def words_of(html: str) -> str:
    text = re.sub(r"<(style|script).*?</\1>", "", html, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", text))


def test_the_page_speaks_german_with_a_decimal_comma(tmp_path: Path) -> None:
    result, sightings = invented(tmp_path)
    html = page_html(result, sightings, (("job.toml", "ab"),), "de")
    text = words_of(html)
    assert '<html lang="de">' in html
    assert "1 von 11 Punkten ist außerhalb der Toleranz, am weitesten mit 14,2 mm (A links" in text
    assert "▲ außerhalb14,2 nach hinten, 5,5 nach innen, 6,1 nach oben" in text
    assert "−14,20 ± 0,15" in text
    assert "Draufsicht, vorn ist links" in html
    assert "Karte 1, in 7 Fotos" in html
    # The template's own sentences: none is left in English where there is German.
    english = [
        text
        for text, files in catalogue.messages().items()
        if isinstance(text, str) and any(f.startswith("report/sections") for f in files)
    ]
    left = [e for e in english if len(e) > 25 and "%(" not in e and "<" not in e and e in text]
    assert left == []
    assert not re.search(r"\d\.\d+ (?:mm|px|±)", text)


def test_the_summary_speaks_german(tmp_path: Path) -> None:
    result, _ = invented(tmp_path)
    for case in (result, without_sheet(result), first_points(result, 9)):
        lines = [GERMAN.put(line) for line in summary_lines(case, Path("report.html"))]
        assert len(lines) == len(summary_lines(case, Path("report.html")))
        assert any(line.startswith("Punkte: ") for line in lines)
        assert lines[-1] == "Bericht: report.html"
        assert not any(re.search(r"\d\.\d", line) for line in lines)


def test_files_never_change_with_the_language(tmp_path: Path) -> None:
    result, _ = invented(tmp_path)
    german = replace(result, job=replace(result.job, language="de", inches=True))
    assert points_csv(german.deviations.rows) == points_csv(result.deviations.rows)
    assert "," in points_csv(german.deviations.rows)
    for key in ("points", "findings", "bars", "cards"):
        assert result_document(german)[key] == result_document(result)[key]


def test_inches_stand_beside_millimetres(tmp_path: Path) -> None:
    """-14.2 mm / 25.4 mm = -0.559 in; 1885.8 / 25.4 = 74.24."""
    result, sightings = invented(tmp_path)
    assert "0.559" not in words_of(page_html(result, sightings))
    html = page_html(
        replace(result, job=replace(result.job, inches=True)), sightings, language="de"
    )
    assert "−0,559 Zoll" in words_of(html)
    assert "74,24 Zoll" in words_of(html)
    assert "−14,20" in words_of(html)
    assert words.inches(float("nan"), 2) == ""
    assert words.inches(-0.001, 3, with_sign=True) == "0.000 in"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('language = "xx"', "the language 'xx' is not known"),
        ("language = 3", "3 is not a text"),
        ("inches = 1", "1 is neither yes nor no"),
    ],
)
def test_settings_that_cannot_be(tmp_path: Path, line: str, said: str) -> None:
    (tmp_path / "job.toml").write_text(f'parts = "in"\n{line}\n', encoding="utf-8")
    with pytest.raises(UserError) as error:
        read_job(tmp_path)
    assert said in str(error.value)


def test_settings_are_read(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(
        'parts = "in"\nlanguage = "de"\ninches = true\n', encoding="utf-8"
    )
    job = read_job(tmp_path)
    assert (job.language, job.inches) == ("de", True)
    with pytest.raises(UserError, match="not known"):
        language_of("xx")
