"""What moved pick-up points mean for the wheels, as page, paper and terminal tell it.

The invented car of ``report_case``: tower A stands 150 mm above arm B, E is a bush of the rear.
By hand, with A L off by (-14.2, -5.5) and A R by (-3.05, +0.9) mm along and to the left, every
other point by (+0.1, -0.1):

    camber left (-5.5 + 0.1) / 150 rad = -2.06 degrees, right (-0.9 - 0.1) / 150 = -0.38 degrees
    caster left (0.1 + 14.2) / 150 rad = +5.46 degrees, right (0.1 + 3.05) / 150 = +1.20 degrees
    wheelbase 0.1 - 0.1 = 0 on both sides
    U of a side = 2 sqrt(2 (0.5^2 + 0.05^2)) / 150 rad = 0.54 degrees, of the difference 0.77
"""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pymupdf
import pytest

from pipeline.datum.deviation import DeviationTable
from pipeline.inputs.sheet import ReferenceSheet
from pipeline.repair.damage import find_damage
from pipeline.repair.suspension import suspension_changes, told_by
from pipeline.report.page import page_html
from pipeline.report.suspension import suspension_document, suspension_lines, suspension_of
from pipeline.results.result import Result
from pipeline.summary import summary_lines
from tests.report_case import invented, written
from tests.terminal import run

SENTENCES = (
    "Front camber: left −2.06 ± 0.54° (top inward), right −0.38 ± 0.54°, left minus right "
    "−1.68 ± 0.77°: left and right differ.",
    "Front caster: left +5.46 ± 0.54° (top rearward), right +1.20 ± 0.54° (top rearward), left "
    "minus right +4.26 ± 0.77°: left and right differ.",
)
ROOT = Path(__file__).resolve().parents[1]
KINDS = {"A": "strut tower", "B": "control arm", "E": "bush"}


def with_pick_ups(result: Result, kinds: dict[str, str] = KINDS) -> Result:
    """The result of a sheet that names these kinds."""
    assert result.job.sheet is not None
    sheet = ReferenceSheet(
        tuple(replace(p, kind=kinds.get(p.point, "")) for p in result.job.sheet.points)
    )
    return replace(
        result,
        job=replace(result.job, sheet=sheet),
        damage=find_damage(result.deviations, sheet, 0.5),
        suspension=suspension_changes(result.deviations, sheet, 0.5),
    )


@pytest.fixture
def case(tmp_path: Path) -> Result:
    return with_pick_ups(invented(tmp_path / "van")[0])


def test_the_terminal_tells_what_changed(case: Result) -> None:
    lines = [line.strip() for line in summary_lines(case, Path("report.html"))]
    at = lines.index("Suspension pick-up points:")
    assert tuple(lines[at + 1 : at + 3]) == SENTENCES
    assert "complements and never replaces a wheel alignment" in lines[at + 3]
    assert not any("Wheelbase:" in line for line in lines)


def test_the_page_has_all_of_it(case: Result) -> None:
    html = page_html(case, ())
    names = "A L, A R, B L, B R".replace(" ", "\u00a0").replace(",\u00a0", ", ")
    for figure in ("−2.06 ± 0.54°", "+5.46 ± 0.54°", "0.0 ± ", names):
        assert figure in html, figure
    assert "complements and never replaces a wheel alignment" in html


def test_the_paper_has_it_too(case: Result) -> None:
    folder = written(case)
    assert run("report", folder, "--pdf").exit_code == 0
    pdf = pymupdf.open(folder / "results" / "report.pdf")
    text = " ".join(" ".join(page.get_text() for page in pdf).split())
    for sentence in (*SENTENCES, "complements and never replaces a wheel alignment"):
        assert sentence in text


def test_result_json_gives_the_changes_back(case: Result) -> None:
    document = json.loads(json.dumps(suspension_document(case.suspension)))
    again = suspension_of(document)
    assert suspension_lines(again) == suspension_lines(case.suspension)
    assert [one.points for one in again] == [one.points for one in case.suspension]


def test_a_change_of_both_sides_alike_is_told_as_such(case: Result) -> None:
    """Both towers 14.2 mm back: caster of both sides +5.46 degrees, no difference."""
    rows = tuple(
        replace(row, deviation_mm=row.deviation_mm * 0 + [-14.2 if row.point == "A" else 0.1, 0, 0])
        for row in case.deviations.rows
    )
    table = DeviationTable(rows, case.deviations.covariance_mm2)
    assert case.job.sheet is not None
    (line,) = (
        line
        for line in suspension_lines(suspension_changes(table, case.job.sheet, 0.5))
        if "caster" in line and "left" in line
    )
    assert line.strip() == (
        "Front caster: left +5.46 ± 0.54° (top rearward), right +5.46 ± 0.54° (top rearward), left "
        "minus right 0.00 ± 0.77°: changed, no difference between the sides shown."
    )


def test_nothing_that_moved_is_one_line_and_no_pick_up_points_is_none(case: Result) -> None:
    rows = tuple(replace(row, deviation_mm=row.deviation_mm * 0) for row in case.deviations.rows)
    table = DeviationTable(rows, case.deviations.covariance_mm2)
    assert case.job.sheet is not None
    sound = suspension_changes(table, case.job.sheet, 0.5)
    assert suspension_lines(sound) == [
        "Suspension pick-up points: no change shown (Front camber, Front caster, Wheelbase)."
    ]
    assert suspension_lines(with_pick_ups(case, {}).suspension) == []


def test_the_demo_tells_what_was_rendered(solved_demo: Path) -> None:
    """Truth of sample_images, by whole angles (scenario.py): front left wheel turned and back."""
    document = json.loads((solved_demo / "results" / "result.json").read_text(encoding="utf-8"))
    truth = json.loads((ROOT / "sample_images" / "truth.json").read_text(encoding="utf-8"))
    changes = suspension_of(document["suspension"])
    assert [one.what for one in changes] == ["camber", "caster", "wheelbase"]
    for one, true in zip(changes, truth["suspension"], strict=True):
        assert (one.axle, one.what) == (true["axle"], true["what"])
        for figure, value in ((one.left, true["left"]), (one.right, true["right"])):
            assert figure is not None
            assert abs(figure.value - value) < 0.5 * figure.U  # U is the build scatter above all
        assert one.left is not None
        assert one.left.shown
        assert one.right is not None
        assert not one.right.shown


@pytest.mark.parametrize(
    ("kinds", "told"),
    [
        (KINDS, ("front camber and caster", "wheelbase")),
        ({"A": "strut tower", "B": "control arm"}, ("front camber and caster",)),
        ({"B": "axle", "E": "axle"}, ("wheelbase",)),
        ({"A": "strut tower", "E": "bush"}, ()),
        ({}, ()),
    ],
)
def test_what_a_sheet_will_tell(case: Result, kinds: dict[str, str], told: tuple[str, ...]) -> None:
    sheet = with_pick_ups(case, kinds).job.sheet
    assert sheet is not None
    assert told_by(sheet) == told
