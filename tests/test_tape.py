"""Tape and tram readings: rules worked by hand, verdicts, causes, what is typed wrongly."""

from __future__ import annotations

import csv
import json
import math
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st

from calib.frames import Pose, rotations
from pipeline.cli import app
from pipeline.inputs.readings import (
    EXAMPLE,
    READING_COLUMNS,
    expected_mm,
    permitted_error_mm,
    read_readings,
)
from pipeline.report.tape_page import tape_html
from pipeline.sessions.measured import Measured, laid_by_symmetry
from pipeline.sessions.tape import (
    TAPE_COLUMNS,
    TapeCheck,
    check_tape,
    tape_exit_code,
    tape_lines,
    write_tape,
)
from targets.errors import UserError
from tests.benchmarks.tape import rates
from tests.measured_case import SHEET_MM, measured_job, unscaled

LEVEL = np.array([[0.0, 0.0, 1.0]] * 2)
COLUMNS = ",".join(READING_COLUMNS)
U_JOB_MM = 0.1


@pytest.fixture
def van() -> Measured:
    return measured_job(dict(SHEET_MM), np.eye(3 * len(SHEET_MM)) * (U_JOB_MM / 2) ** 2)


def checks_of(van: Measured, tmp_path: Path, *rows: str) -> tuple[TapeCheck, ...]:
    path = tmp_path / "readings.csv"
    path.write_text("\n".join([COLUMNS, *rows]) + "\n", encoding="utf-8")
    return check_tape(van, read_readings(path, van.known))


def reading_of(
    a: Sequence[float], b: Sequence[float], mode: str = "centres", holes=(0.0, 0.0), step=0.0
) -> float:
    return expected_mm(np.array([a, b], dtype=float), LEVEL, mode, holes, step)[0]  # type: ignore[arg-type]


# -- rules, by hand (common practice, no source: references of the project, section 8) ------------


def test_edges_of_holes_in_one_plane() -> None:
    a, b = (0.0, 0.0, 100.0), (600.0, 800.0, 100.0)  # 6-8-10: 1000 mm apart
    assert reading_of(a, b, "near edges", (30.0, 20.0)) == pytest.approx(975.0, abs=1e-9)
    assert reading_of(a, b, "far edges", (30.0, 20.0)) == pytest.approx(1025.0, abs=1e-9)
    assert reading_of(a, b, "same edges", (20.0, 20.0)) == pytest.approx(1000.0, abs=1e-9)


def test_edges_stay_in_the_plane_of_their_holes() -> None:
    # 400 along and 300 up: 500 mm. Edges of 20 mm holes: 380 or 420 along, still 300 up.
    a, b = (0.0, 0.0, 0.0), (400.0, 0.0, 300.0)
    near = reading_of(a, b, "near edges", (20.0, 20.0))
    far = reading_of(a, b, "far edges", (20.0, 20.0))
    assert near == pytest.approx(math.sqrt(380.0**2 + 300.0**2), abs=1e-9)
    assert far == pytest.approx(math.sqrt(420.0**2 + 300.0**2), abs=1e-9)
    assert (near + far) / 2.0 == pytest.approx(500.0, abs=0.2)


def test_tram_with_unequal_pointers() -> None:
    # 1200 along and 500 up: 1300 in space. Pointers that differ by the 500 read 1200, the distance
    # in the datum plane; equal pointers read 1300.
    a, b = (0.0, 0.0, 0.0), (1200.0, 0.0, 500.0)
    assert reading_of(a, b, step=500.0) == pytest.approx(1200.0, abs=1e-9)
    assert reading_of(a, b, step=0.0) == pytest.approx(1300.0, abs=1e-9)
    assert math.isnan(reading_of(a, b, step=1400.0))


def test_permitted_errors_of_oiml_r_35_1() -> None:
    # From memory: class I 0.1 + 0.1 L, II 0.3 + 0.2 L, III 0.6 + 0.4 L, L in metres rounded up.
    assert permitted_error_mm(2000.0, "I") == pytest.approx(0.3)
    assert permitted_error_mm(2001.0, "II") == pytest.approx(0.9)
    assert permitted_error_mm(800.0, "III") == pytest.approx(1.0)


@settings(deadline=None)
@given(
    st.lists(st.floats(-2000, 2000), min_size=6, max_size=6),
    st.sampled_from(["centres", "near edges", "far edges"]),
    st.floats(-100, 100),
)
def test_derivative_is_that_of_differences(ends: list[float], mode: str, step: float) -> None:
    at = np.array(ends).reshape(2, 3)
    if np.linalg.norm((at[1] - at[0])[:2]) < 300.0:
        return

    def read(points: np.ndarray) -> float:
        return expected_mm(points, LEVEL, mode, (20.0, 16.0), step)[0]  # type: ignore[arg-type]

    got = expected_mm(at, LEVEL, mode, (20.0, 16.0), step)[1]  # type: ignore[arg-type]
    for k in range(6):
        shift = np.zeros(6)
        shift[k] = 0.01
        slope = (read(at + shift.reshape(2, 3)) - read(at - shift.reshape(2, 3))) / 0.02
        assert got[k] == pytest.approx(slope, abs=0.04 if mode != "centres" else 1e-4)


# -- verdicts ----------------------------------------------------------------------------------


def test_uncertainty_worked_by_hand(van: Measured, tmp_path: Path) -> None:
    # E L to E R is 837 mm. Half widths: class II 0.5, division 0.5, two hands 0.5 each, 2 K of
    # steel 0.019; u^2 = (4 x 0.25 + 0.0004) / 3 = 0.3335; the job: two ends of 0.05 each, 0.005.
    (check,) = checks_of(van, tmp_path, "E,L,E,R,837,centres,,,,,II,,")
    assert check.expected_mm == pytest.approx(837.0)
    assert pytest.approx(2 * math.sqrt(0.33346 + 0.005), abs=2e-4) == check.U_mm
    assert (check.verdict, check.cause) == ("agrees", "")


def test_agrees_cannot_tell_disagrees(van: Measured, tmp_path: Path) -> None:
    checks = checks_of(
        van,
        tmp_path,
        "E,L,E,R,838,centres,,,,,,,",  # U is 1.16
        "E,L,E,R,838.5,centres,,,,,,,",  # off by more than U, less than 1.5 U
        "E,L,E,R,840,centres,,,,,,,",
    )
    assert [c.verdict for c in checks] == ["agrees", "cannot tell", "disagrees"]
    assert "read it again" in checks[1].cause
    assert tape_exit_code(checks) == 1
    assert tape_exit_code(checks[:1]) == 0


def test_near_and_far_edges_stand_in_for_diameters(van: Measured, tmp_path: Path) -> None:
    # 837 mm between centres, holes of 14 and 20 mm: 820 and 854.
    checks = checks_of(
        van, tmp_path, "E,L,E,R,820,near edges,,,,,,,", "E,R,E,L,854,far edges,,,,,,,"
    )
    assert [c.compared_mm for c in checks] == [837.0, 837.0]
    assert {c.verdict for c in checks} == {"agrees"}


def test_a_steel_tape_on_a_warm_aluminium_body(van: Measured, tmp_path: Path) -> None:
    warm = replace(van, settings={**van.settings, "body_alpha_per_k": 23.1e-6})
    (check,) = checks_of(warm, tmp_path, "A,L,K,L,4000,centres,,,,,I,40,")
    # The body is longer than at 20 C by 4000 x 23.1e-6 x 20 = 1.848, the tape by 0.920.
    assert check.compared_mm == pytest.approx(4000.0 - 0.928, abs=1e-6)
    (check,) = checks_of(van, tmp_path, "A,L,K,L,4000,centres,,,,,I,40,")
    assert check.compared_mm == pytest.approx(4000.0, abs=1e-9)


def test_an_uncertainty_beyond_the_tolerance_decides_nothing(tmp_path: Path) -> None:
    loose = measured_job(dict(SHEET_MM), np.eye(3 * len(SHEET_MM)) * 1.5**2)
    (check,) = checks_of(loose, tmp_path, "E,L,E,R,837,centres,,,,,,,")
    assert check.verdict == "cannot tell"
    assert "tolerance of 3 mm" in check.cause


def test_without_a_bar_nothing_can_be_told(van: Measured, tmp_path: Path) -> None:
    (check,) = checks_of(unscaled(van), tmp_path, "E,L,E,R,837,centres,,,,,,,")
    assert (check.verdict, check.cause) == ("cannot tell", "no bar gave this job its scale")


def test_a_point_that_was_not_measured(tmp_path: Path) -> None:
    seen = {name: place for name, place in SHEET_MM.items() if name != "J R"}
    van = measured_job(seen, np.eye(3 * len(seen)) * 0.01)
    checks = checks_of(van, tmp_path, "E,L,J,R,1900,centres,,,,,,,", "E,L,E,R,837,centres,,,,,,,")
    assert [c.verdict for c in checks] == ["cannot tell", "agrees"]
    assert checks[0].cause == "J R was not measured in this job"


def test_without_a_sheet_the_centre_plane_serves(van: Measured, tmp_path: Path) -> None:
    """Distances and edges are the same in whatever frame; only the datum plane is not known."""
    pose = Pose(rotations(np.array([0.4, -0.9, 2.0])), np.array([100.0, -700.0, 300.0]))
    back = pose.inverse()
    count = 3 * len(van.points)
    loose = replace(
        van,
        points=(),
        sheet=(),
        vehicle_from_network=None,
        covariance_mm2=np.zeros((0, 0)),
        cards=tuple(replace(c, normal=back.rotation @ c.normal) for c in van.cards),
        symmetry={
            "vehicle_from_network": {
                "rotation": pose.rotation.tolist(),
                "translation_mm": pose.translation.tolist(),
            },
            "points": [
                {"name": n, "position_mm": p.tolist(), "U_mm": [0.1] * 3}
                for n, p in zip(van.names, van.positions_mm, strict=True)
            ],
            "points_covariance_mm2": {
                "size": count,
                "upper": van.covariance_mm2[np.triu_indices(count)].tolist(),
            },
        },
    )
    rows = ("E,L,J,L,1682,near edges,20,20,,,,,", "A,L,C,L,645.5,centres,,,,,,,")
    with_sheet = checks_of(van, tmp_path, *rows)
    without = checks_of(laid_by_symmetry(loose), tmp_path, *rows)
    for one, two in zip(with_sheet, without, strict=True):
        assert two.expected_mm == pytest.approx(one.expected_mm, abs=1e-9)
        assert pytest.approx(one.U_mm, abs=1e-9) == two.U_mm
        assert one.verdict == two.verdict
    assert "datum plane" in with_sheet[1].cause
    assert "datum plane" not in without[1].cause
    assert laid_by_symmetry(van) is van


def test_rates_of_the_benchmark_in_small() -> None:
    found = rates(25)
    assert 0.93 < found["right"] < 0.995
    assert found["spoilt disagree"] > 0.97
    assert found["cause among those named"] > 0.85


# -- causes ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "cause"),
    [
        ("E,L,G,R,1463,centres,,,,,,,", "wrong hole: it fits E L to H R"),  # by hand: see below
        ("E,L,E,R,853,near edges,18,14,,,,,", "edges: it fits if read between far edges"),
        ("E,L,E,R,837,far edges,18,14,,,,,", "edges: it fits if read between centres"),
        ("E,L,E,R,853,centres,18,14,,,,,", "edges: it fits if read between far edges"),
        ("E,L,E,R,32.95,centres,,,,,,,", "inches and millimetres mixed up"),
        ("E,L,E,R,83.7,centres,,,,,,,", "centimetres typed as millimetres"),
        ("A,L,K,L,3.970,centres,,,,,,,", "metres typed as millimetres"),
        ("E,L,E,R,873,centres,,,,,,,", "two digits exchanged"),
        ("E,L,E,R,937,centres,,,,,,,", "100 mm too long"),
        ("E,L,E,R,843,centres,,,,,,,", "hooked end: bent, worn or not against the edge (+6.0 mm)"),
        ("A,L,C,L,669,centres,,,250,74,,,", "both pointers were equally long"),
        ("A,L,C,L,645.5,centres,,,100,100,,,", "the distance in the datum plane, 645.3 mm"),
    ],
)
def test_the_cause_is_named(van: Measured, tmp_path: Path, row: str, cause: str) -> None:
    # E L to H R: 1320 along, 1118.5 across, 49 up; A L to C L: 640, 82.5 and 176.
    if "wrong hole" in cause:
        row = row.replace("1463", str(round(math.sqrt(1320**2 + 1118.5**2 + 49**2))))
    (check,) = checks_of(van, tmp_path, row)
    assert check.verdict == "disagrees"
    assert cause in check.cause


def test_a_bent_hook_shows_in_several_readings(van: Measured, tmp_path: Path) -> None:
    checks = checks_of(
        van,
        tmp_path,
        "E,L,E,R,841,centres,,,,,,,",
        "A,L,A,R,914,centres,,,,,,,",
        "K,L,K,R,979,centres,,,,,,,",
        "H,L,H,R,1400,centres,,,,,,,",
    )
    assert [c.verdict for c in checks] == [*["disagrees"] * 3, "agrees"]
    assert checks[0].cause.startswith("hooked end: 3 readings are off by the same +4.0 mm")


def test_a_tram_has_no_hook(van: Measured, tmp_path: Path) -> None:
    """E L to E R, 837 mm: 6 mm too long, once by a tape and once by a tram."""
    hooked = "hooked end: bent, worn or not against the edge (+6.0 mm)"
    (tape,) = checks_of(van, tmp_path, "E,L,E,R,843,centres,,,,,,,")
    (tram,) = checks_of(van, tmp_path, "E,L,E,R,843,centres,,,150,150,,,")
    assert (tape.cause, tram.cause) == (hooked, "no single slip explains it")


def test_far_edges_in_every_reading_come_before_a_bent_hook(van: Measured, tmp_path: Path) -> None:
    """Holes of 18 mm, all read between far edges and typed as centres: each 18 mm too long."""
    checks = checks_of(
        van,
        tmp_path,
        "E,L,E,R,855,centres,18,18,,,,,",
        "A,L,A,R,928,centres,18,18,,,,,",
        "K,L,K,R,993,centres,18,18,,,,,",
    )
    for check in checks:
        edges, hook, *_ = check.cause.split("; or ")
        assert edges == "edges: it fits if read between far edges"
        assert hook.startswith("hooked end: 3 readings are off by the same +18.0 mm")
        assert check.cause.count("hooked end") == 1


def test_a_point_that_every_reading_contradicts(van: Measured, tmp_path: Path) -> None:
    off = [f"B,L,{p},{s},{np.linalg.norm(SHEET_MM[f'{p} {s}'] - SHEET_MM['B L'] - [0, 30, 0]):.0f}"
           for p, s in (("E", "R"), ("G", "R"), ("A", "R"))]  # fmt: skip
    checks = checks_of(
        van, tmp_path, *(f"{row},centres,,,,,,," for row in off), "H,L,H,R,1400,centres,,,,,,,"
    )
    assert "every reading to B L disagrees" in checks[0].cause
    assert "A R disagrees" not in checks[2].cause


# -- what is typed -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("E,L,E,X,837,centres,,,,,,,", "to_side 'X' is not known"),
        ("E,L,Q,R,837,centres,,,,,,,", "row 2: point 'Q R' is neither in the sheet nor"),
        ("E,L,E,L,837,centres,,,,,,,", "both ends are 'E L'"),
        ("E,L,E,R,837,middle,,,,,,,", "mode 'middle' is not known"),
        ("E,L,E,R,,centres,,,,,,,", "reading_mm is empty"),
        ('E,L,E,R,"837,5",centres,,,,,,,', "has a comma; write a decimal point"),
        ("E,L,E,R,837,near edges,20,,,,,,", "needs the diameters of both holes"),
        ("E,L,E,R,837,same edges,20,16,,,,,", "between holes of different size"),
        ("E,L,E,R,837,centres,,,100,,,,", "only one of a tram's two pointers has a length"),
        ("E,L,E,R,837,,,,,,,,", "mode is empty; write centres, near edges"),
        ('E,L,E,R,"1,837",centres,,,,,,,', "nothing between thousands"),
        ("E,L,E,R,837,centres,,,,,IV,,", "tape_class 'IV' is not known"),
        ("E,L,E,R,837,centres,,,,,,99,", "temperature_c '99' cannot be"),
    ],
)
def test_rows_that_cannot_be(van: Measured, tmp_path: Path, row: str, said: str) -> None:
    with pytest.raises(UserError, match=r"readings\.csv, row 2: .+; .+\.$") as caught:
        checks_of(van, tmp_path, row)
    assert said in str(caught.value)


def test_near_edges_cannot_lie_farther_apart_than_far_edges(van: Measured, tmp_path: Path) -> None:
    """Half their sum would be as right exchanged as not; but one of both may be a slip as well."""
    rows = ["E,L,E,R,853,near edges,,,,,,,", "E,R,E,L,821,far edges,,,,,,,"]
    with pytest.raises(UserError, match=r"row 2: near edges 853 mm .* 821 mm apart in .*row 3; ex"):
        checks_of(van, tmp_path, *rows)
    rows = ["E,L,E,R,821,near edges,,,,,,,", "E,R,E,L,853,far edges,,,,,,,"]
    assert [check.verdict for check in checks_of(van, tmp_path, *rows)] == ["agrees", "agrees"]


ODD = ["", "-1", "nan", "=A1", "1e9", "é", "A L"]


def mostly(*usual: str) -> st.SearchStrategy[str]:
    return st.sampled_from([*usual * 40, *ODD])


@settings(deadline=None, max_examples=80)
@given(
    st.lists(
        st.tuples(
            mostly("A", "E", "K"), mostly("L", "R"), mostly("B", "G", "E"), mostly("L", "R"),
            mostly("837", "1e3", "60.5", "3.9"), mostly("centres", "near edges", "far edges"),
            mostly("20", "14"), mostly("20", "14"), mostly("", "100"), mostly("", "100", "2900"),
            mostly("I", "III"), mostly("", "35"), mostly("seen", ""),
        ),
        min_size=1, max_size=3,
    )
)  # fmt: skip
def test_any_table_is_checked_or_told_in_a_sentence(rows: list[tuple[str, ...]]) -> None:
    van = measured_job(dict(SHEET_MM), np.eye(3 * len(SHEET_MM)) * 0.01)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        path.write_text("\n".join([COLUMNS, *map(",".join, rows)]), encoding="utf-8")
        try:
            readings = read_readings(path, van.known)
        except UserError as error:
            event(error.what[:20])
            return
        checks = check_tape(van, readings)
        event("checked")
        assert len(tape_lines(van, checks)) >= len(rows) + 3
        assert all(c.cause for c in checks if c.verdict != "agrees")


def test_an_empty_table(van: Measured, tmp_path: Path) -> None:
    with pytest.raises(UserError, match="there are no readings"):
        checks_of(van, tmp_path)


def test_the_example_can_be_read_and_help_shows_lines_of_it(tmp_path: Path) -> None:
    path = tmp_path / "example.csv"
    path.write_text(EXAMPLE, encoding="utf-8")
    assert len(read_readings(path, list(SHEET_MM))) == EXAMPLE.count("\n") - 1
    (command,) = (c for c in app.registered_commands if c.name == "tape")
    doc = command.callback.__doc__ or ""  # type: ignore[union-attr]
    shown = [line.strip() for line in doc.splitlines() if line.strip().startswith("A,L,")]
    path.write_text(
        "from,from_side,to,to_side,reading_mm,mode,from_hole_mm,to_hole_mm\n" + "\n".join(shown)
    )
    assert len(read_readings(path, list(SHEET_MM))) == len(shown) >= 2


def test_files_and_lines(van: Measured, tmp_path: Path) -> None:
    checks = checks_of(
        replace(van, changed=("cards.csv",)),
        tmp_path,
        "E,L,E,R,837,centres,,,,,,,",
        "A,L,K,L,3900,centres,,,,,,,",
    )
    write_tape(van, checks, tmp_path / "results")
    with (tmp_path / "results" / "tape.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == TAPE_COLUMNS
    assert rows[0]["row"] == "2"
    assert (rows[1]["verdict"], rows[1]["expected_mm"]) == ("disagrees", "3970.200")
    document = json.loads((tmp_path / "results" / "tape.json").read_text(encoding="utf-8"))
    assert document["readings"][1]["typed_mm"] == 3900.0
    html = tape_html(replace(van, title="<b>van</b>"), checks)
    assert "<b>van" not in html
    assert "2 readings: 1 agree, 1 disagree, 0 without a verdict." in html
    assert "▲ disagrees" in html
    assert "−70.2" in html
    assert " in</span>" not in html
    # 3900 - 3970.2 = -70.2 mm is -2.76 inches.
    inches = tape_html(replace(van, settings={**van.settings, "inches": True}), checks)
    assert '<span class="inch">−2.76 in</span>' in inches
    lines = tape_lines(replace(van, changed=("cards.csv",)), checks)
    assert lines[0].startswith("Warning: cards.csv changed")
    assert "2 readings: 1 agree, 1 disagree, 0 without a verdict." in lines
