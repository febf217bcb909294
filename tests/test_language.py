"""People are told in their language; files, and what nobody translated, stay as they are."""

from __future__ import annotations

import ast
import gettext
import json
import pickle
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from capture.sightings import Sighting
from pipeline import catalogue, language
from pipeline.catalogue import mo_bytes, read_catalogue, untranslated
from pipeline.findings import CATALOGUE, Finding
from pipeline.inputs.csv_rows import read_rows
from pipeline.inputs.job import read_job
from pipeline.inputs.readings import read_readings
from pipeline.language import LANGUAGES, language_of
from pipeline.report import compare_page, page, paper, plan_page, tape_page, words
from pipeline.report.page import page_html
from pipeline.report.paper import paper_bytes
from pipeline.results.result import Result
from pipeline.results.result_document import result_document
from pipeline.results.tables import points_csv
from pipeline.sessions.compare import compare_sessions
from pipeline.sessions.measured import measured_of, solved_document
from pipeline.sessions.tape import check_tape
from pipeline.shoot.plan import plan_shoot
from pipeline.shoot.safety import cautions
from pipeline.summary import summary_lines
from targets.errors import UserError
from targets.said import Figure, listed, say, say_count
from tests.measured_case import SHEET_MM, measured_job
from tests.report_case import first_points, invented, whole, without_sheet, written
from tests.terminal import refused

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
def test_every_sentence_has_a_translation(code: str) -> None:
    """Every sentence has one; ``python -m pipeline.catalogue`` names those that have none."""
    assert untranslated(code) == []


def test_no_finding_is_put_together_where_nobody_can_translate_it() -> None:
    """A text that Python fills in before ``say`` sees it stays English on a German page."""
    left = []
    for path in sorted(Path(catalogue.__file__).parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                continue
            if node.func.id == "Finding":
                told = [part for part in node.args[2:] if isinstance(part, ast.JoinedStr)]
                left += [f"{path.name}, line {part.lineno}" for part in told]
    assert left == []


def built_by_python(part: ast.expr, tree: ast.Module) -> bool:
    """Whether a text is filled in before ``say`` sees it, by an f-string, + or ``format``."""
    for one in catalogue.chosen_from(part):
        if isinstance(one, ast.JoinedStr | ast.BinOp):
            return True
        if isinstance(one, ast.Call) and getattr(one.func, "attr", "") in ("format", "join"):
            return True
        if isinstance(one, ast.Name):  # what a name of this file stands for
            values = [
                node.value
                for node in ast.walk(tree)
                if isinstance(node, ast.Assign)
                and any(isinstance(t, ast.Name) and t.id == one.id for t in node.targets)
            ]
            if any(built_by_python(value, ast.Module([], [])) for value in values):
                return True
    return False


def test_no_error_is_put_together_where_nobody_can_translate_it() -> None:
    left, seen = [], 0
    for path in catalogue.sources():
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            for place in {"UserError": (0, 2), "wrong": (1, 2)}.get(name, ()):
                for part in node.args[place : place + 1]:
                    seen += 1
                    if built_by_python(part, tree):
                        left.append(f"{path.name}, line {part.lineno}")
    assert left == []
    assert seen > 300


def test_errors_are_told_in_german_and_stay_english_in_files(tmp_path: Path) -> None:
    table = tmp_path / "sheet.csv"
    table.write_text("point,side,length\nA,L,1\n", encoding="utf-8")
    with pytest.raises(UserError) as caught:
        read_rows(table, ("point", "side", "length_mm"), 0)
    error = caught.value
    assert str(error) == error.sentence
    assert error.sentence.startswith("sheet.csv, row 1: the column 'length' is not known; the")
    assert GERMAN.put(error.sentence) == (
        "sheet.csv, Zeile 1: die Spalte 'length' ist nicht bekannt; am nächsten kommt "
        "'length_mm'; die erste Zeile lautet point,side,length_mm."
    )


@pytest.mark.parametrize("of", ["option", "job", "system"])
def test_a_command_answers_in_the_language_asked_for(
    of: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "job.toml").write_text(
        'parts = "on"\n' + 'language = "de"\n' * (of == "job"), encoding="utf-8"
    )
    if of == "system":
        monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    for command in ("solve", "look"):
        asked = ("--language", "de") if of == "option" else ()
        told = refused(command, tmp_path, *asked)
        assert '\'on\' ist kein Zustand der Aggregate; schreiben Sie "in" oder "out"' in told


def test_an_unknown_language_is_refused_before_anything_is_done(tmp_path: Path) -> None:
    assert "this language is not known" in refused("new", tmp_path / "van", "--language", "fr")
    assert not (tmp_path / "van").exists()


def test_no_sentence_is_marked_up() -> None:
    """Backticks and asterisks are shown as they stand, on pages and on paper."""
    marked = [message for message in catalogue.messages() if re.search(r"`|\*\*", str(message))]
    assert marked == []


class Asked(gettext.NullTranslations):
    """What a catalogue was asked for in vain."""

    def __init__(self) -> None:
        super().__init__()
        self.missing: set[str] = set()

    def gettext(self, message: str) -> str:
        self.missing.add(message)
        return message

    def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
        self.missing.add(msgid1)
        return msgid1 if n == 1 else msgid2


@pytest.fixture
def missing(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Sentences that German pages asked for and did not get while the test ran."""
    known = GERMAN.catalogue
    asked = Asked()

    class Watched(gettext.NullTranslations):
        def gettext(self, message: str) -> str:
            told = known.gettext(message)
            return told if told != message or message in SAME else asked.gettext(message)

        def ngettext(self, msgid1: str, msgid2: str, n: int) -> str:
            told = known.ngettext(msgid1, msgid2, n)
            same = told in (msgid1, msgid2)
            return asked.ngettext(msgid1, msgid2, n) if same else told

    monkeypatch.setattr(language, "language_of", lambda code: replace(GERMAN, catalogue=Watched()))
    for module in (page, paper, plan_page, tape_page, compare_page):
        monkeypatch.setattr(module, "language_of", language.language_of)
    return asked.missing


SAME = {str(message.id) for message in read_catalogue("de") if message.string == message.id}
"""Words that are the same in German, and patterns of figures alone."""


def job_with_everything(folder: Path) -> tuple[Result, tuple[Sighting, ...]]:
    result, sightings = whole(folder)
    findings = [Finding(code, kind.severities[0], "", "", "") for code, kind in CATALOGUE.items()]
    return replace(result, findings=(*result.findings, *findings)), sightings


def test_every_word_of_the_pages_has_a_translation(tmp_path: Path, missing: set[str]) -> None:
    """Words taken from a table or a variable, too, which reading the code does not find."""
    result, sightings = job_with_everything(tmp_path)
    few = first_points(result, 1)
    for case in (result, without_sheet(result), few, replace(result, scaled=False, bars=())):
        page_html(case, sightings, (("job.toml", None),), "de")
        written(case)
        document = solved_document(case.job.folder)
        paper_bytes(measured_of(case.job.folder, document), document, language="de")
    plan = plan_shoot(result.job, "two-post", None, 0.5)
    told = cautions("two-post", tmp_path)
    plan_page.plan_pdf(plan, told, language="de")
    plan_page.write_plan_page(plan, told, tmp_path / "plan.html", "de")
    jobs = [
        measured_job(
            {n: place + shift * (n == "A L") for n, place in SHEET_MM.items()},
            np.eye(3 * len(SHEET_MM)) * 0.01,
            folder=Path(f"van{shift}"),
        )
        for shift in (9.0, 2.0, 5.0)
    ]
    compare_page.compare_html(compare_sessions(jobs), "de")
    table = tmp_path / "readings.csv"
    table.write_text(
        "from,from_side,to,to_side,reading_mm,mode\nA,L,B,R,837,centres\nB,L,C,R,1000,centres\n",
        encoding="utf-8",
    )
    readings = read_readings(table, jobs[0].known)
    tape_page.tape_html(jobs[0], check_tape(jobs[0], readings), "de")
    invented_here = {text for f in result.findings for text in (f.text, f.remedy, f.subject)}
    invented_here |= set(result.seconds) | {photo.reason for photo in result.photos}
    left = missing - invented_here
    assert {text for text in left if re.search(r"[^\W\d_]", _PLACES.sub("", text))} == set()


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
    (line,) = (
        GERMAN.put(line)
        for line in summary_lines(
            replace(result, job=replace(result.job, inches=True)), Path("report.html")
        )
        if line.startswith("Out, in inches")
    )
    assert line.startswith("Außerhalb, in Zoll: A links 0,559 nach hinten")
    assert not [one for one in summary_lines(result, Path("r")) if "in inches" in one]
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
