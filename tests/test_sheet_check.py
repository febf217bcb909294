"""What `datumshot sheet` says of a sheet, and makes of a measured vehicle."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline import actions
from pipeline.inputs.sheet import SHEET_COLUMNS, read_sheet
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from pipeline.sessions.measured import read_measured
from pipeline.sessions.sheet_from import sheet_from
from targets.errors import UserError
from tests.report_case import invented

ROOT = Path(__file__).resolve().parents[1]
HEADER = ",".join(SHEET_COLUMNS)


BASE = "E,LR,500,400,100,both,yes,,\nF,LR,-500,500,100,both,yes,,\nG,LR,0,700,150,both,yes,,\n"


def test_the_demos_sheet_is_sound() -> None:
    outcome = actions.check_sheet(ROOT / "sample_images" / "job" / "sheet.csv")
    text = "\n".join(outcome.lines)
    assert outcome.code == 0
    assert "26 points, in millimetres" in text
    # Base points reach from -760 to 560 mm; six pairs lie ahead of them, three behind.
    assert "in or out: 26 points (12 front, 8 centre, 6 rear; 13 left, 13 right)" in text
    assert "they span 1320 mm of length and 1432 mm of width" in text
    assert "Pairs left and right: 13" in text
    # M and N are lower and upper control arm in front, P is a bush at the rear.
    told = "Suspension pick-up points: they tell of camber and caster in front, wheelbase"
    assert told in outcome.lines
    assert outcome.lines[-1] == "Warnings: none"


def test_a_sheet_without_pick_up_points_says_so(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(f"{HEADER}\n{BASE}")
    (line,) = (one for one in actions.check_sheet(path).lines if one.startswith("Suspension"))
    assert line.endswith("so nothing will be said of camber, caster and wheelbase")


@pytest.mark.parametrize(
    ("rows", "warning"),
    [
        ("A,L,1500,400,9,both,no,,\n", "A L has no other side"),
        (
            "A,L,1500,400,9,both,no,,\nA,R,1500.5,400,9,both,no,,\n",
            "A differs by 0.5 mm left against right",
        ),
        ("A,LR,1500,400,9,both,no,,\nQ,L,1502,401,9,both,no,,\n", "A L and Q L lie in the same"),
    ],
)
def test_what_is_odd_is_told(tmp_path: Path, rows: str, warning: str) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(f"{HEADER}\n{rows}{BASE}")
    outcome = actions.check_sheet(path)
    assert outcome.code == 1
    assert any(line.startswith(f"  {warning}") for line in outcome.lines), outcome.lines


@pytest.mark.parametrize(
    ("pairs", "warning"),
    [(1, "2 base points give no vehicle frame"), (2, "4 base points show that one of them moved")],
)
def test_too_few_base_points_are_told(tmp_path: Path, pairs: int, warning: str) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text("\n".join([HEADER, *BASE.splitlines()[:pairs]]))
    outcome = actions.check_sheet(path)
    assert outcome.code == 1
    assert any(line.startswith(f"  {warning}") for line in outcome.lines), outcome.lines


def test_a_sheet_in_centimetres_is_told(tmp_path: Path) -> None:
    """A car of 4 m in centimetres is one of 40 cm; in metres, one of 4 mm, which is refused."""
    path = tmp_path / "sheet.csv"
    figures = [("A", 198.5, 45.5, 31.8), ("E", 56.0, 41.85, 10.1), ("K", -198.5, 48.75, 34.1)]
    for scale, code in ((10.0, 0), (1.0, 1)):
        rows = [f"{n},LR,{x * scale},{y * scale},{z * scale},both,yes,,," for n, x, y, z in figures]
        path.write_text("\n".join([f"{HEADER},zone", *(f"{row}centre" for row in rows)]))
        outcome = actions.check_sheet(path)
        told = [line for line in outcome.lines if "All points lie within 410 mm" in line]
        assert (outcome.code, len(told)) == (code, code), outcome.lines
    rows = [f"{n},LR,{x / 100},{y / 100},{z / 100},both,yes,," for n, x, y, z in figures]
    path.write_text("\n".join([HEADER, *rows]))
    with pytest.raises(UserError, match="lie within 4 mm, which is no vehicle; give millimetres"):
        actions.check_sheet(path)


def test_base_points_on_one_line_are_told(tmp_path: Path) -> None:
    path = tmp_path / "sheet.csv"
    path.write_text(
        f"{HEADER}\nE,C,500,0,100,both,yes,,\nF,C,-500,10,100,both,yes,,\nG,C,0,0,150,both,yes,,\n"
    )
    outcome = actions.check_sheet(path)
    assert any("nearly on one line" in line for line in outcome.lines)


def solved(folder: Path, scaled: bool = True) -> Path:
    (folder / "results").mkdir(parents=True)
    document = result_document(invented(folder)[0], [])
    document["scaled"] = scaled
    (folder / "results" / "result.json").write_text(json_text(document))
    return folder


def test_a_sheet_from_a_measured_vehicle_reads_back(tmp_path: Path) -> None:
    """u^2 = (U / 2)^2 + (3 mm / 6)^2: 0.05, 0.06 and 0.1 mm of measurement beside the build."""
    folder = solved(tmp_path / "van")
    made = sheet_from(read_measured(folder))
    path = tmp_path / "sheet.csv"
    path.write_text(made.text)
    points = {p.name: p for p in read_sheet(path, "in", 3.0).points}
    result, _ = invented(folder)
    assert len(points) == len(result.deviations.rows) == 11
    for row in result.deviations.rows:
        point = points[f"{row.point} {row.side}"]
        np.testing.assert_allclose(point.position_mm, row.position_mm, atol=0.0051)
        np.testing.assert_allclose(point.u_mm, np.hypot([0.05, 0.06, 0.1], 0.5), atol=0.0051)
        assert point.base == row.base
    assert any("A L were out of tolerance" in warning for warning in made.warnings)


@pytest.mark.parametrize("name", ["=A+1", "+x", "-x", "@x", "'=x", "''-1", "'x"])
def test_a_name_that_looks_like_a_formula_reads_back(tmp_path: Path, name: str) -> None:
    """And no cell of the file begins as a formula does, by spreadsheets: = + - @."""
    measured = read_measured(solved(tmp_path / "van"))
    first, *others = measured.points
    made = sheet_from(replace(measured, points=(replace(first, point=name), *others)))
    path = tmp_path / "sheet.csv"
    path.write_text(made.text)
    assert name in [p.point for p in read_sheet(path, "in", 3.0).points]
    assert not any(line.startswith(("=", "+", "-", "@")) for line in made.text.splitlines())


def test_a_sheet_needs_a_scale_and_overwrites_nothing(tmp_path: Path) -> None:
    folder = solved(tmp_path / "van", scaled=False)
    output = tmp_path / "sheet.csv"
    with pytest.raises(UserError, match="no bar gave the scale"):
        actions.make_sheet(folder, output)
    assert not output.exists()
    output.write_text("mine")
    with pytest.raises(UserError, match="exists already"):
        actions.make_sheet(folder, output)
    assert output.read_text() == "mine"
