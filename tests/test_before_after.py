"""The section 'before and after', which a comparison puts into the later session's page."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pymupdf
import pytest

from pipeline.language import language_of
from pipeline.report.before_after import section_html
from pipeline.report.page import write_report
from pipeline.results.results_folder import SUMS, sums_text
from pipeline.sentences import with_parts
from pipeline.sessions.compare import compare_sessions
from pipeline.sessions.compare_tables import SENTENCES, comparison_document
from pipeline.sessions.measured import Measured
from pipeline.sessions.verify import verify
from targets.sums import sha256_of
from tests.measured_case import SHEET_MM, measured_job
from tests.report_case import deviation_row, invented, titled, written
from tests.terminal import run

BEFORE_TITLE = "Before <b>& 车"


def session(off_mm: dict[str, tuple[float, float, float]], number: int) -> Measured:
    places = {n: place + np.array(off_mm.get(n, (0.0, 0.0, 0.0))) for n, place in SHEET_MM.items()}
    return measured_job(places, np.eye(3 * len(places)) * 0.01, folder=Path(f"van{number}"))


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_each_point_that_moved_is_told_in_words() -> None:
    """By hand: B L was 3 and 4 off, 5 mm, and is 0 and 2 off, 2 mm: 3 mm nearer, a tolerance of 3.

    C R was right and went 4 mm away.
    """
    before = session({"B L": (-3.0, 0.0, 4.0)}, 1)
    after = session({"B L": (0.0, 0.0, 2.0), "C R": (0.0, -4.0, 0.0)}, 2)
    document = comparison_document(compare_sessions([before, after]))
    text = text_of(section_html(document, language_of("en")))
    assert "2 of 20 points moved: 1 closer to the sheet, 1 farther from it." in text
    assert re.search(r"B L ✓ closer to the sheet 5\.0 2\.0 −3\.0 ± 0\.\d ▲ out ✓ within", text)
    assert re.search(r"C R ▲ farther from the sheet 0\.0 4\.0 \+4\.0 ± 0\.\d ✓ within ▲ out", text)
    assert text.index("C R") < text.index("B L")  # what got worse comes first
    assert "18 other points did not move" in text
    german = text_of(section_html(document, language_of("de")))
    assert "näher am Sollmaß 5,0 2,0 −3,0 ± 0," in german
    old = replace(before, changed=("cards.csv",))
    document = comparison_document(compare_sessions([old, after]))
    told = text_of(section_html(document, language_of("en")))
    assert "Warning: cards.csv changed after 'van1' was solved; run datumshot solve again." in (
        told.replace("&#39;", "'")
    )
    inches = text_of(section_html(document, language_of("en"), in_inches=True))
    assert "0.20 in" in inches  # 5 mm / 25.4


def test_the_file_tells_its_sentences_in_any_language() -> None:
    jobs = [session({"A L": (-12, 0, 0)}, 1), session({"A L": (-2, 0, 0)}, 2)]
    jobs.append(session({"A L": (-5, 0, 0)}, 3))
    document = comparison_document(compare_sessions(jobs))
    read = with_parts(json.loads(json.dumps(document)), SENTENCES)
    german = language_of("de")
    assert section_html(read, german) == section_html(document, german)
    text = text_of(section_html(read, german))
    assert "A L ist zwischen den Sitzungen 2 und 3 um 3,0 ± 0,3 mm zurückgefedert" in text
    assert "Dazwischen liegt 1 Sitzung" in text


def solved(folder: Path, title: str, rearward_mm: float, language: str = "en") -> Path:
    """The invented car as a solved job, its A left so far rearward."""
    result, sightings = invented(folder)
    table = result.deviations
    old = table.rows[0]
    sheet = old.position_mm - old.deviation_mm
    place = sheet - [rearward_mm, 0.0, 0.0]
    row = deviation_row("A", "L", old.card, place, sheet, base=False)
    result = replace(titled(result, title), deviations=replace(table, rows=(row, *table.rows[1:])))
    written(result)
    results = folder / "results"
    write_report(result, sightings, results / "report.html", language=language)
    (results / SUMS).write_text(sums_text(results), encoding="utf-8")
    return folder


def section_of(job: Path) -> str:
    page = (job / "results" / "report.html").read_text(encoding="utf-8")
    (found,) = re.findall(
        "<!-- before and after -->(.*)<!-- end of before and after -->", page, re.DOTALL
    )
    return text_of(found)


def changed_results(job: Path) -> list[str]:
    """What verify says of results that are not as written; this job has no inputs to hold."""
    return [line for line in verify(job).differences if "written" in line or SUMS in line]


@pytest.fixture
def jobs(tmp_path: Path) -> tuple[Path, Path]:
    one = solved(tmp_path / "one", BEFORE_TITLE, 14.0)
    return one, solved(tmp_path / "two", "After", 2.0)


def test_comparing_puts_it_into_the_page_and_into_the_sums(jobs: tuple[Path, Path]) -> None:
    one, two = jobs
    page = two / "results" / "report.html"
    plain = page.read_text(encoding="utf-8")
    assert section_of(two).strip() == ""
    outcome = run("compare", one, two)
    assert outcome.exit_code == 0, outcome.stderr
    assert outcome.stdout.endswith(f"Before and after: in {page}, too\n")
    told = section_of(two)
    assert "1 of 11 points moved: 1 closer to the sheet." in told
    assert "Before is Before &lt;b&gt;&amp; 车 ; after is this job." in told
    assert sha256_of(one / "results" / "result.json") in told
    assert changed_results(two) == []
    # The rest of the page is untouched, and so is that of the session before.
    empty = re.sub("(?s)(<!-- before and after -->).*(<!-- end of)", r"\1\n\2", page.read_text())
    assert empty == plain
    assert section_of(one).strip() == ""


def test_comparing_again_tells_anew(jobs: tuple[Path, Path]) -> None:
    one, two = jobs
    run("compare", one, two)
    first = section_of(two)
    solved(one, "Before", 1.9)
    assert run("compare", one, two).exit_code == 0
    assert "No point moved beyond its uncertainty." in section_of(two)
    assert section_of(two) != first
    assert changed_results(two) == []


def test_a_new_solve_leaves_no_old_comparison(jobs: tuple[Path, Path]) -> None:
    run("compare", *jobs)
    solved(jobs[1], "After", 3.0)
    assert section_of(jobs[1]).strip() == ""


def test_it_speaks_the_language_of_its_page(tmp_path: Path) -> None:
    one, two = (solved(tmp_path / n, n, off, "de") for n, off in (("one", 14.0), ("two", 2.0)))
    assert run("compare", one, two, "--language", "en").exit_code == 0
    assert "Vorher und nachher 1 von 11 Punkten haben sich bewegt" in section_of(two)
    assert '<html lang="en">' in (two / "results" / "compare.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text + " ", "was changed after it was written"),
        (lambda text: text.replace("<!-- end of before and after -->", ""), "older version"),
        (lambda text: None, "cannot be read"),
    ],
)
def test_a_page_that_is_not_as_written_is_left_alone(
    jobs: tuple[Path, Path], change: object, said: str
) -> None:
    page = jobs[1] / "results" / "report.html"
    text = change(page.read_text(encoding="utf-8"))  # type: ignore[operator]
    page.unlink() if text is None else page.write_text(text, encoding="utf-8")
    outcome = run("compare", *jobs)
    assert outcome.exit_code == 0
    assert said in outcome.stdout
    assert (jobs[1] / "results" / "compare.json").exists()
    assert (page.read_text(encoding="utf-8") if page.exists() else None) == text


def test_the_report_on_paper_tells_it_while_it_holds(jobs: tuple[Path, Path]) -> None:
    one, two = jobs

    def paper(*options: str) -> str:
        outcome = run("report", two, "--pdf", *options)
        assert outcome.exit_code == 0, outcome.stderr
        with pymupdf.open(two / "results" / "report.pdf") as pdf:
            return " ".join(" ".join(page.get_text() for page in pdf).split())

    assert "Before and after" not in paper()
    run("compare", one, two)
    told = paper()
    assert "Before and after 1 of 11 points moved: 1 closer to the sheet." in told
    assert "A L ✓ closer to the sheet 14.0 2.0 −12.0 ± 0." in told
    assert "10 other points did not move" in told
    assert sha256_of(one / "results" / "result.json") in told.replace(" ", "")
    assert "A L ✓ näher am Sollmaß 14,0 2,0 −12,0 ± 0," in paper("--language", "de")
    # A comparison of another result, or half a file, is not told.
    file = two / "results" / "compare.json"
    text = file.read_text(encoding="utf-8")
    own = sha256_of(two / "results" / "result.json")
    for other in (text.replace(own, "0" * 64), text[: len(text) // 2], "[]", "{}"):
        file.write_text(other, encoding="utf-8")
        assert "Before and after" not in paper()
