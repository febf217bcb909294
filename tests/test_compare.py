"""Sessions compared: movement and its uncertainty, what cancels, what is refused."""

from __future__ import annotations

import csv
import datetime
import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.frames import Array, Pose, rotations
from pipeline.findings import Finding
from pipeline.report.compare_page import compare_html
from pipeline.sessions.compare import Moves, PointMove, compare_sessions, moves
from pipeline.sessions.compare_tables import COMPARE_COLUMNS, compare_lines, write_comparison
from pipeline.sessions.measured import Measured
from targets.errors import UserError
from tests.benchmarks.compare import rates
from tests.measured_case import BASE, SHEET_MM, measured_job, unscaled

NAMES = list(SHEET_MM)
U_MM = 0.1
LEVER_MM = 1000.0


def session(
    off_mm: Mapping[str, Sequence[float]] | None = None,
    number: int = 1,
    base: Sequence[str] = BASE,
    u_mm: float = U_MM,
    without: Sequence[str] = (),
) -> Measured:
    """The van with some points off by (3,), every coordinate known to ``u_mm``, independently."""
    places = {
        name: place + np.array((off_mm or {}).get(name, (0.0, 0.0, 0.0)))
        for name, place in SHEET_MM.items()
        if name not in without
    }
    covariance = np.eye(3 * len(places)) * u_mm**2
    return measured_job(
        places, covariance, base=base, folder=Path(f"van{number}"), first_card=1 + 30 * number
    )


def moved_point(found: Moves, name: str) -> PointMove:
    return next(point for point in found.points if point.name == name)


def rigid(points_mm: Array) -> Array:
    """(3 N, 6) by hand: shifts along the axes, and turns about them by 1 mm at a metre."""
    x, y, z = points_mm.T / LEVER_MM
    nought, one = np.zeros_like(x), np.ones_like(x)
    columns = ((one, nought, nought), (nought, one, nought), (nought, nought, one))
    columns += ((nought, -z, y), (z, nought, -x), (-y, x, nought))
    return np.stack([np.stack(c, axis=1).ravel() for c in columns], axis=1)


# -- figures by hand ---------------------------------------------------------------------------


def test_movement_and_progress_by_hand() -> None:
    # B L was 10 mm rearward and came 4 forward: 40 % of the way, 6 left. C R was right and went 3
    # forward and 4 up: 5 mm worse. A L was 5 low and moved 12 inward: 13 off, 8 worse.
    before = session({"B L": (-10, 0, 0), "A L": (0, 0, -5)})
    after = session({"B L": (-6, 0, 0), "C R": (3, 0, 4), "A L": (0, -12, -5)}, 2)
    found = moves([before, after], 0, 1)
    b, c, a = (moved_point(found, name) for name in ("B L", "C R", "A L"))
    np.testing.assert_allclose(b.shift_mm, [4, 0, 0], atol=1e-9)
    assert b.progress == pytest.approx(0.4, abs=1e-9)
    assert (b.change_mm, b.state) == (pytest.approx(-4.0, abs=1e-9), "closer")
    assert (b.verdict_before, b.verdict_after) == ("out", "out")
    assert c.size_mm == pytest.approx(5.0, abs=1e-9)
    assert (c.change_mm, c.state) == (pytest.approx(5.0, abs=1e-9), "worse")
    assert np.isnan(c.progress)
    assert (a.change_mm, a.state) == (pytest.approx(8.0, abs=1e-9), "worse")
    assert a.progress == pytest.approx(0.0, abs=1e-9)
    assert {p.state for p in found.points if p.name not in ("B L", "C R", "A L")} == {"unmoved"}


def test_uncertainty_by_hand() -> None:
    # In the middle of n base points turns do no harm: u^2 = 2 u0^2 (1 + 1 / n), two sessions, the
    # point itself and the mean of the base points, all independent.
    middle = np.mean([SHEET_MM[name] for name in BASE], axis=0)
    places = {**SHEET_MM, "M C": middle}
    cov = np.eye(3 * len(places)) * U_MM**2
    jobs = [measured_job(places, cov, folder=Path(f"van{n}")) for n in (1, 2)]
    found = moved_point(moves(jobs, 0, 1), "M C")
    np.testing.assert_allclose(found.U_shift_mm, 2 * U_MM * np.sqrt(2 * (1 + 1 / 8)), rtol=1e-6)


def test_uncertainty_of_progress_by_hand() -> None:
    # Far off by d along one axis, moved by m towards the sheet: p = m / d = (Q - P) / (S - P), so
    # dp = dQ / d + (m - d) / d^2 dP. In the middle of the base points a session's frame is as sure
    # as the mean of its base points, which both move Q'.
    middle = np.mean([SHEET_MM[name] for name in BASE], axis=0)
    cov = np.eye(3 * (len(SHEET_MM) + 1)) * U_MM**2
    sheet = {**SHEET_MM, "M C": middle}
    jobs = [
        measured_job({**SHEET_MM, "M C": middle + [-x, 0, 0]}, cov, sheet, folder=Path(f"van{x}"))
        for x in (10, 4)
    ]
    found = moved_point(moves(jobs, 0, 1), "M C")
    d, m = 10.0, 6.0
    variance = U_MM**2 * ((1 / d) ** 2 * (1 + 2 / 8) + ((m - d) / d**2) ** 2)
    assert found.progress == pytest.approx(0.6, abs=1e-9)
    assert found.U_progress == pytest.approx(2 * np.sqrt(variance), rel=1e-6)


# -- what cancels ------------------------------------------------------------------------------


def test_what_moves_a_whole_session_drops_out() -> None:
    # The scatter of the base points about the sheet moves all points of a job together.
    jobs = [session({"A L": (-9, 2, 1)}), session({"A L": (-4, 1, 1)}, 2)]
    plain = moves(jobs, 0, 1)
    for k, size_mm in ((0, 0.7), (1, 2.0)):
        common = size_mm * rigid(jobs[k].positions_mm)
        jobs[k] = replace(jobs[k], covariance_mm2=jobs[k].covariance_mm2 + common @ common.T)
    loose = moves(jobs, 0, 1)
    for p, q in zip(plain.points, loose.points, strict=True):
        np.testing.assert_allclose(q.shift_mm, p.shift_mm, atol=1e-6)
        # The lever of A L differs by 5 mm between the sessions: 2 mm at a metre turn it by 0.01.
        np.testing.assert_allclose(q.covariance_mm2, p.covariance_mm2, atol=0.01**2)
    assert loose.explained_mm == pytest.approx(plain.explained_mm, rel=1e-6)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(-0.3, 0.3), min_size=3, max_size=3),
    st.lists(st.floats(-500, 500), min_size=3, max_size=3),
)
def test_how_the_car_stands_does_not_matter(turn: list[float], shift: list[float]) -> None:
    before = session({"A L": (-9, 2, 1)})
    after = session({"A L": (-4, 1, 1), "C R": (2, 0, 0)}, 2)
    random = np.random.default_rng(2)
    root = random.normal(0.0, 0.1, (3 * len(NAMES), 3 * len(NAMES)))
    after = replace(after, covariance_mm2=root @ root.T)
    pose = Pose(rotations(np.array(turn)), np.array(shift))
    by = np.kron(np.eye(len(NAMES)), pose.rotation)
    rows = tuple(replace(r, position_mm=pose.apply(r.position_mm[None])[0]) for r in after.points)
    other = replace(after, points=rows, covariance_mm2=by @ after.covariance_mm2 @ by.T)
    for p, q in zip(
        moves([before, after], 0, 1).points, moves([before, other], 0, 1).points, strict=True
    ):
        np.testing.assert_allclose(q.shift_mm, p.shift_mm, atol=1e-6)
        np.testing.assert_allclose(q.U_shift_mm, p.U_shift_mm, rtol=1e-5)


def test_rates_of_the_benchmark_in_small() -> None:
    """A body built to 0.5 mm, through the datum itself: U is the movement's, not the sheet's."""
    found = rates(40)
    assert 0.93 < found["movement within U, by axis"] < 0.975
    assert 0.90 < found["progress within U"] < 0.99
    assert found["points that stayed called moved"] < 0.03
    assert found["moved base point named alone"] > 0.9
    assert found["no base point named where none moved"] > 0.9
    assert found["U of movement / U of a deviation"] < 0.8


# -- base points -------------------------------------------------------------------------------


def test_a_base_point_that_moved_is_named_and_left_out() -> None:
    found = moves([session(), session({"G L": (0, 0, 3), "A L": (5, 0, 0)}, 2)], 0, 1)
    assert found.strayed == ("G L",)
    assert found.perhaps == ()
    assert "G L" not in found.base
    np.testing.assert_allclose(moved_point(found, "G L").shift_mm, [0, 0, 3], atol=1e-9)
    np.testing.assert_allclose(moved_point(found, "A L").shift_mm, [5, 0, 0], atol=1e-9)


def test_of_four_base_points_it_cannot_be_told_which_one_rose() -> None:
    base = ("E L", "E R", "G L", "G R")
    jobs = [session(base=base), session({"G L": (0, 0, 3)}, 2, base=base)]
    found = moves(jobs, 0, 1)
    # Three points always lie in one plane: any of the four may be the one that left it.
    assert {*found.strayed, *found.perhaps} == set(base)
    assert "too few base points to tell them apart" in "\n".join(
        compare_lines(compare_sessions(jobs))
    )


def test_other_vehicles_are_refused() -> None:
    other = {name: (4.0 * (n % 3), 3.0 * (n % 2), -5.0 * (n % 4)) for n, name in enumerate(BASE)}
    with pytest.raises(
        UserError, match=r"van1 and van2: their base points differ in shape by"
    ) as e:
        moves([session(), session(other, 2)], 0, 1)
    assert "different vehicles" in str(e.value)


def test_swapped_sides_are_refused() -> None:
    places = {
        f"{name[:-1]}{'R' if name.endswith('L') else 'L'}": place
        for name, place in SHEET_MM.items()
    }
    swapped = measured_job(places, np.eye(3 * len(places)) * 0.01, folder=Path("van2"))
    with pytest.raises(UserError, match="cards were swapped"):
        moves([session(), swapped], 0, 1)
    # Four symmetrical base points in one plane fit their mirror image: the car lies on its back.
    base = ("E L", "E R", "G L", "G R")
    flat = measured_job(places, np.eye(60) * 0.01, base=base, folder=Path("van2"))
    with pytest.raises(UserError, match="its back; left and right cards"):
        moves([session(base=base), flat], 0, 1)


def test_jobs_that_cannot_be_compared() -> None:
    one, two = session(), session(number=2)
    with pytest.raises(UserError, match="only one job"):
        compare_sessions([one])
    with pytest.raises(UserError, match="named twice"):
        compare_sessions([one, one])
    with pytest.raises(UserError, match="van2: no bar gave this job its scale"):
        compare_sessions([one, unscaled(two)])
    with pytest.raises(UserError, match="no points in a vehicle frame"):
        compare_sessions([one, replace(two, vehicle_from_network=None)])
    with pytest.raises(UserError, match="share 2 base points"):
        compare_sessions([one, session(number=2, base=("E L", "E R"))])
    line = ("E L", "G L", "E R")
    flat = {**SHEET_MM, "E R": (SHEET_MM["E L"] + SHEET_MM["G L"]) / 2}
    jobs = [measured_job(flat, np.eye(60) * 0.01, flat, line, Path(f"van{n}")) for n in (1, 2)]
    with pytest.raises(UserError, match="lie on one line"):
        compare_sessions(jobs)


# -- sessions and words ------------------------------------------------------------------------


def three() -> list[Measured]:
    return [
        session({"A L": (-12, 0, 0), "B L": (-6, 0, 0)}),
        session({"A L": (-2, 0, 0), "B L": (-1, 0, 0)}, 2),
        session({"A L": (-5, 0, 0), "B L": (-1, 0, 0)}, 3, without=("J R",)),
    ]


def test_spring_back() -> None:
    comparison = compare_sessions(three())
    (back,) = comparison.spring_backs
    assert (back.name, back.earlier, back.later) == ("A L", 1, 2)
    assert back.back_mm == pytest.approx(3.0, abs=1e-9)
    assert 0.2 < back.U_mm < 0.4
    text = "\n".join(compare_lines(comparison))
    assert "A L sprang back by 3.0 ± 0.3 mm between sessions 2 and 3." in text
    assert "Only in session 1: J R." in text
    assert moved_point(comparison.from_first[1], "A L").progress == pytest.approx(7 / 12)


def test_cards_exchanged_between_sessions_are_named() -> None:
    swap = SHEET_MM["A R"] - SHEET_MM["A L"]
    jobs = [session(), session({"A L": swap, "A R": -swap}, 2)]
    text = "\n".join(compare_lines(compare_sessions(jobs)))
    assert "A L lies 910 mm from where it was, to where A R was: its card sits on another" in text
    assert 'class="alarm">A R lies 910 mm' in compare_html(compare_sessions(jobs))


def test_notes_of_what_differs_between_the_jobs() -> None:
    one, two = session(), session(number=2)
    two = replace(
        two,
        settings={**two.settings, "parts": "out"},
        sheet=(replace(two.sheet[0], position_mm=two.sheet[0].position_mm + 1.0), *two.sheet[1:]),
        changed=("cards.csv",),
    )
    lines = compare_lines(compare_sessions([one, two]))
    assert lines[0].startswith("Warning: cards.csv changed after 'van2' was solved")
    assert any(
        "session 1 was measured with the mechanical parts in, session 2 with them out" in line
        for line in lines
    )
    assert any("sheets of sessions 1 and 2 differ at A L;" in line for line in lines)
    assert "No point moved beyond its uncertainty." in "\n".join(lines)


def test_a_sheet_of_this_very_car_is_told_first(tmp_path: Path) -> None:
    """What solve found of either session counts; then farther from the sheet is no step back."""
    jobs = [session(), session({"A L": (5, 0, 0)}, 2)]
    told = "The sheet was made from this car itself:"
    without = compare_sessions(jobs)
    assert not any(told in line for line in compare_lines(without))
    assert 'class="answer out"' in compare_html(without)
    for number in (0, 1):
        own = list(jobs)
        finding = Finding("sheet-of-this-car", "warning", "sheet.csv", "It was.")
        own[number] = replace(own[number], findings=(finding,))
        comparison = compare_sessions(own)
        lines = compare_lines(comparison)
        assert lines[2].startswith(told)  # after the names of the two sessions
        assert "1 of 20 points moved: 1 farther from the sheet." in lines[4]
        html = compare_html(comparison)
        assert f'class="answer none">{told}' in html
        assert write_comparison(comparison, tmp_path)["notes"][0].startswith(told)


def test_sessions_named_in_the_wrong_order_are_told() -> None:
    """By the photos' clock, else by job.toml's date; either way the figures are delivered."""
    one, two = session(), session({"A L": (0, 0, 3)}, 2)
    morning, noon = (datetime.datetime(2026, 5, 12, hour, 14) for hour in (10, 12))
    early, late = replace(one, photographed=morning), replace(two, photographed=noon)
    assert "older than" not in "\n".join(compare_lines(compare_sessions([early, late])))
    turned = compare_sessions([late, early])
    lines = compare_lines(turned)
    (told,) = (line for line in lines if "older than" in line)
    assert told == (
        "Warning: session 2 (van1, 2026-05-12 10:14 by its photos) is older than session 1 (van2, "
        "2026-05-12 12:14): name the oldest job first, or every movement has the wrong sign."
    )
    assert any(line.startswith("From session 1 to 2: 1 of 20 points moved") for line in lines)
    assert "is older than session 1" in compare_html(turned)

    def dated(job: Measured, date: str) -> Measured:
        return replace(job, settings={**job.settings, "date": date})

    by_date = compare_sessions([dated(one, "2026-05-13"), dated(two, "2026-05-12")])
    assert any("2026-05-12 by its job.toml) is older" in line for line in compare_lines(by_date))
    for dates in (("2026-05-12", "2026-05-12"), ("2026-05-12", ""), ("", "")):
        jobs = [dated(job, date) for job, date in zip((one, two), dates, strict=True)]
        assert not any("older" in line for line in compare_lines(compare_sessions(jobs)))


def test_files(tmp_path: Path) -> None:
    write_comparison(compare_sessions(three()), tmp_path)
    with (tmp_path / "compare.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert tuple(rows[0]) == COMPARE_COLUMNS
    assert len(rows) == 20 + 19 + 19
    first = rows[0]
    assert (first["point"], first["side"], first["from_session"], first["to_session"]) == (
        *("A", "L", "1", "2"),
    )
    assert (first["move_length_mm"], first["progress_percent"]) == ("10.000", "83.3")
    assert (first["off_before_mm"], first["off_after_mm"]) == ("12.000", "2.000")
    document = json.loads((tmp_path / "compare.json").read_text(encoding="utf-8"))
    assert [(m["from"], m["to"]) for m in document["moves"]] == [(1, 2), (1, 3), (2, 3)]
    assert document["spring_back"][0]["point"] == "A L"


def test_page() -> None:
    jobs = three()
    jobs[1] = replace(jobs[1], title="<script>alert(1)</script>")
    html = compare_html(compare_sessions(jobs))
    assert "<script" not in html
    assert html.count('class="drawing"') == 4
    assert "sprang back by 3.0" in html
    assert "drawn 30 times as large" in html
    assert " in</span>" not in html
    jobs[0] = replace(jobs[0], settings={**jobs[0].settings, "inches": True})
    assert compare_html(compare_sessions(jobs)).count(" in</span>") > 20
    assert "http://" not in html.replace("http://www.w3.org", "")
    # A point that moved has a ring for each of its sessions in the plan, the upright plan and a
    # side view: two points, three sessions.
    for number in "123":
        assert html.count(f">{number}</text>") == 2 * 3
