"""What the terminal says of a result, and the exit code."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline.datum.budget import budget_sentence
from pipeline.datum.deviation import without_verdicts
from pipeline.findings import Finding
from pipeline.results.result import BarCheck, Result
from pipeline.results.results_folder import others
from pipeline.summary import exit_code, summary_lines, without_verdict
from tests.report_case import first_points, invented, without_sheet

REPORT = Path("job/results/report.html")


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return invented(tmp_path_factory.mktemp("job"))[0]


def test_a_technician_can_read_it(result: Result) -> None:
    """The invented car: A left moved by (-14.2, -5.5, 6.1), A right by -3.05 with U 0.15."""
    assert summary_lines(result, REPORT) == [
        "Invented car, front left",
        "1 of 11 points is out of tolerance, the largest by 14.2 mm (A left, length); 1 point is "
        "too close to the limit to tell.",
        "The 4 base points fit the sheet to 0.2 mm rms.",
        "Out, in mm: A left 14.2 rearward, 5.5 inward, 6.1 up",
        "Points: 9 within, 1 out, 1 undecided, 0 without a verdict",
        "Uncertainty of deviations (U, k = 2): typically 0.30 mm, at most 0.30 mm (A left)",
        "Cards: 16 measured (11 on points, 2 on bars, 3 ties), U typically 0.11 mm",
        "Scale: bar 90-91 alone; a second bar would check it",
        f"Photos: {len(result.photos) - 1} of {len(result.photos)} used, in 3.5 s; "
        "left out: IMG_0099.jpg: too blurred to measure",
        "Findings: 1 warning, 1 note",
        "  warning: card 11: Card 11 was measured in 2 photos only. Take two more photos of it "
        "from other sides.",
        f"Report: {REPORT}",
    ]


def test_what_the_new_results_moved_away_is_told(tmp_path: Path, result: Result) -> None:
    results = tmp_path / "results"
    (results / "earlier").mkdir(parents=True)
    for name in ("report.pdf", "compare.json", "tape.csv", "tape.html", "result.json", "mine.txt"):
        (results / name).touch()
    moved = others(tmp_path)
    assert moved == ["compare.json", "mine.txt", "report.pdf", "tape.csv", "tape.html"]
    line = summary_lines(result, Path("report.html"), moved)[-2]
    assert line == (
        "Moved to results/earlier, being of the former result: compare.json, mine.txt, report.pdf, "
        "and 2 more"
    )
    assert not any("earlier" in line for line in summary_lines(result, Path("report.html")))


def test_it_stays_short(result: Result) -> None:
    faults = tuple(Finding("x", "fault", f"card {i}", "Gone.", "Look.") for i in range(50))
    rows = tuple(replace(row, verdict="out") for row in result.deviations.rows)
    crowded = replace(
        result,
        findings=faults,
        deviations=replace(result.deviations, rows=rows),
        photos=tuple(replace(photo, used=False, reason="dark") for photo in result.photos),
    )
    lines = summary_lines(crowded, REPORT)
    assert len(lines) <= 15
    assert "Findings: 50 faults" in lines
    assert "  and 47 more" in lines
    assert max(map(len, lines)) < 200
    (out,) = (line for line in lines if line.startswith("Out, in mm: "))
    assert out.count("; ") == 3
    assert out.endswith("; and 8 more")


@pytest.mark.parametrize(
    ("bars", "line"),
    [
        (
            (BarCheck((90, 91), 1200.0, 1200.05, 0.12), BarCheck((7, 8), 900.0, 899.97, 0.1)),
            "Scale: bars 90-91, 7-8, which agree to 0.03 mm, within the uncertainty of 0.10 mm",
        ),
        (
            (BarCheck((90, 91), 1200.0, 1200.05, 0.12), BarCheck((7, 8), 900.0, 899.5, 0.1)),
            "Scale: bars 90-91, 7-8, which disagree by 0.50 mm, beyond the uncertainty of 0.10 mm",
        ),
        (
            (BarCheck((90, 91), 1200.0, float("nan"), float("nan")),),
            "Scale: bar 90-91 alone; a second bar would check it",
        ),
        (
            (BarCheck((90, 91), 1e3, float("nan"), float("nan")), BarCheck((7, 8), 9e2, 9e2, 0.1)),
            "Scale: bars 90-91, 7-8, which agree to 0.00 mm, within the uncertainty of 0.10 mm",
        ),
    ],
)
def test_bars_check_each_other(result: Result, bars: tuple[BarCheck, ...], line: str) -> None:
    assert line in summary_lines(replace(result, bars=bars), REPORT)


def test_nothing_wrong_is_short(result: Result) -> None:
    rows = tuple(row for row in result.deviations.rows if row.point != "A")
    sound = replace(
        result,
        job=replace(result.job, cards=result.job.cards[2:]),
        deviations=replace(result.deviations, rows=rows),
        photos=tuple(photo for photo in result.photos if photo.used),
        findings=(Finding("x", "warning", "", "Something is odd."),),
    )
    lines = summary_lines(sound, REPORT)
    assert lines[1] == "All 9 points are within tolerance."
    assert not any(line.startswith("Out") for line in lines)
    assert f"Photos: {len(sound.photos)} of {len(sound.photos)} used, in 3.5 s" in lines
    assert lines[-3:-1] == ["Findings: 1 warning", "  warning: Something is odd."]
    assert exit_code(sound) == 0


def unscaled(result: Result) -> Result:
    return replace(result, scaled=False, bars=())


def no_frame(result: Result) -> Result:
    return replace(first_points(result, 0), vehicle_from_network=None, base=())


def only_two_points(result: Result) -> Result:
    return first_points(result, 2)


def undecided(result: Result, count: int) -> Result:
    """The first ``count`` points are undecided, the others within."""
    rows = tuple(
        replace(row, verdict="undecided" if n < count else "within")
        for n, row in enumerate(result.deviations.rows)
    )
    return replace(result, deviations=replace(result.deviations, rows=rows))


def without_reference(result: Result) -> Result:
    rows = tuple(replace(row, verdict="no reference") for row in result.deviations.rows)
    return replace(result, deviations=replace(result.deviations, rows=rows))


def holes_without_sheet(result: Result) -> Result:
    return replace(without_sheet(result), job=replace(result.job, sheet=None))


def a_hole_unseen(result: Result) -> Result:
    bare = holes_without_sheet(result)
    return replace(bare, cards=tuple(row for row in bare.cards if row.card != 10))


def nothing_asked(result: Result) -> Result:
    return unscaled(without_sheet(result))


@pytest.mark.parametrize(
    ("change", "code", "silent"),
    [
        (lambda result: result, 0, 0),  # one point is undecided: that is a verdict
        (lambda result: undecided(result, 5), 0, 0),  # of 11: less than half
        (lambda result: undecided(result, 6), 1, 0),
        (unscaled, 1, 0),
        (no_frame, 1, 11),
        (only_two_points, 1, 9),
        (without_reference, 1, 11),
        (holes_without_sheet, 0, 0),
        (a_hole_unseen, 1, 1),
        (without_sheet, 0, 0),
        (nothing_asked, 0, 0),
    ],
)
def test_exit_code_tells_what_has_no_verdict(
    result: Result, change: Callable[[Result], Result], code: int, silent: int
) -> None:
    changed = change(result)
    assert exit_code(changed) == code
    assert len(without_verdict(changed)) == silent


def test_most_points_undecided_are_told_with_what_would_help(result: Result) -> None:
    told = "More than half of the points are undecided, because U is large against the tolerance. "
    assert not any(line.startswith(told) for line in summary_lines(undecided(result, 5), REPORT))
    (line,) = (
        line for line in summary_lines(undecided(result, 6), REPORT) if line.startswith(told)
    )
    assert line == told + budget_sentence(result.budget)


def test_a_sheet_alone_asks_for_a_frame(result: Result) -> None:
    asked = replace(no_frame(result), job=replace(result.job, cards=()))
    assert without_verdict(asked) == []
    assert exit_code(asked) == 1


def test_what_is_missing_is_named(result: Result) -> None:
    lines = summary_lines(unscaled(first_points(result, 9)), REPORT)
    assert any(line.startswith("2 points have no result") for line in lines)
    assert "Points: 7 within, 1 out, 1 undecided, 2 without a verdict (E R, F C)" in lines
    assert (
        "Scale: no bar was measured, so millimetres are the printer's: rely on no verdict" in lines
    )
    lines = summary_lines(a_hole_unseen(result), REPORT)
    assert "Points: 10 of 11 measured; verdicts need a sheet.csv" in lines
    assert not any(line.startswith("Uncertainty") for line in lines)
    lines = summary_lines(replace(without_sheet(result), cards=(), findings=()), REPORT)
    assert {"Cards: none measured", "Findings: none"} <= set(lines)


def test_verdicts_that_were_taken_are_no_matter_of_the_limit(result: Result) -> None:
    taken = without_verdicts(result.deviations)
    answer = summary_lines(replace(unscaled(result), deviations=taken), REPORT)[1]
    assert answer == "No verdict can be given, because no bar gave the scale."
    odd = Finding("points-unclear", "fault", "cards.csv", "No fit.", "")
    answer = summary_lines(replace(result, deviations=taken, findings=(odd,)), REPORT)[1]
    assert answer == "No verdict can be given, because the points fit the sheet in no position."


def test_unknown_uncertainties_are_not_typical(result: Result) -> None:
    first, *rest = result.deviations.rows
    unknown = replace(first, U_deviation_mm=np.full(3, np.nan))
    rows = (unknown, *(replace(row, U_deviation_mm=np.array([0.1, 0.2, 0.15])) for row in rest))
    lines = summary_lines(replace(result, deviations=replace(result.deviations, rows=rows)), REPORT)
    assert any("typically 0.20 mm, at most 0.20 mm" in line for line in lines)
