"""Left against right without a sheet: what differs is told, what both sides share cannot be."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from calib.frames import Array
from pipeline.datum.symmetry import CANNOT, Symmetry, symmetry_of
from pipeline.report.page import page_html
from pipeline.report.sides import symmetry_lines
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from pipeline.sessions.measured import read_measured
from pipeline.sessions.sheet_from import sheet_from
from pipeline.summary import summary_lines
from tests.report_case import invented, without_sheet

HALF = {
    "A": (1900.0, 450.0, 320.0),
    "front axle": (1300.0, 380.0, 140.0),
    "C": (600.0, 420.0, 100.0),
    "D": (-300.0, 700.0, 150.0),
    "rear axle": (-1100.0, 470.0, 260.0),
    "F": (-1900.0, 480.0, 340.0),
}
NAMES = tuple(f"{point} {side}" for point in HALF for side in "LR")
CAR = np.array([[x, y * sign, z] for x, y, z in HALF.values() for sign in (1, -1)])
U_MM = 0.2


def compared(
    car: Array, turn: Rotation | None = None, shift: Array | None = None, u_mm: float = 0.1
) -> Symmetry:
    """The car as seen by a network that is turned and shifted."""
    turn = Rotation.from_rotvec([0.3, -0.2, 2.0]) if turn is None else turn
    place = np.array([100.0, -40.0, 900.0]) if shift is None else shift
    up = turn.apply([0.1, -0.05, 1.0])
    found = symmetry_of(NAMES, turn.apply(car) + place, u_mm**2 * np.eye(car.size), up, 0.5, 3.0)
    assert found is not None
    return found


def moved(**shifts: tuple[float, float, float]) -> Array:
    car = CAR.copy()
    for name, shift in shifts.items():
        car[NAMES.index(name.replace("_", " "))] += shift
    return car


def test_a_symmetrical_car_in_its_own_frame() -> None:
    """Widths are true; lengths, heights and level are true but for zeros of our own choice."""
    found = compared(CAR)
    np.testing.assert_allclose(found.positions_mm[:, 1], CAR[:, 1], atol=1e-6)
    assert all(row.used for row in found.pairs)
    assert [row.point for row in found.pairs] == list(HALF)  # from front to rear: x is forward
    assert max(np.abs(row.difference_mm).max() for row in found.pairs) < 1e-6
    for i, j in ((0, 8), (2, 11)):
        true = np.linalg.norm(CAR[i] - CAR[j])
        assert np.linalg.norm(found.positions_mm[i] - found.positions_mm[j]) == pytest.approx(true)


def test_a_hit_corner_does_not_bend_the_plane() -> None:
    """14 mm rearward, 5 inward, 6 up at A left: told so, and nowhere else.

    Rearward and up lean by the level, which no symmetry tells; together they keep their size.
    """
    found = compared(moved(A_L=(-14.0, -5.0, 6.0)))
    assert found.agree
    hit, *others = found.pairs
    length, width, height = hit.difference_mm
    assert width == pytest.approx(-5.0, abs=0.01)
    assert np.hypot(length, height) == pytest.approx(np.hypot(14.0, 6.0), abs=0.01)
    assert length == pytest.approx(-14.0, abs=1.0)
    assert height == pytest.approx(6.0, abs=1.5)
    assert (hit.point, hit.used, hit.verdict) == ("A", False, "out")
    assert {row.verdict for row in others} == {"within"}
    assert max(np.abs(row.difference_mm).max() for row in others) < 1e-2


def test_lengths_of_both_sides_by_hand() -> None:
    """Front axle left 10 mm rearward: sqrt(2390^2 + 120^2) against sqrt(2400^2 + 120^2) mm.

    Heights differ by 120 mm; half tracks stay.
    Diagonals of A and F: sqrt(3800^2 + 930^2 + 20^2), both.
    """
    found = compared(moved(front_axle_L=(-10.0, 0.0, 0.0)))
    by = {(one.what, one.points): one for one in found.comparisons}
    wheelbase = by["wheelbase", ("front axle", "rear axle")]
    assert wheelbase.left_mm == pytest.approx(np.hypot(2390.0, 120.0), abs=0.02)
    assert wheelbase.right_mm == pytest.approx(np.hypot(2400.0, 120.0), abs=0.02)
    assert wheelbase.verdict == "out"
    # Four lengths good to 0.1 mm: U = 2 sqrt(4) 0.1 mm, for the plane turns both sides alike.
    assert wheelbase.U_mm == pytest.approx(0.4, rel=0.02)
    track = by["half track", ("front axle",)]
    assert (track.left_mm, track.right_mm) == pytest.approx((380.0, 380.0), abs=0.02)
    diagonals = by["diagonals", ("A", "F")]
    expected = np.sqrt(3800.0**2 + 930.0**2 + 20.0**2)
    assert (diagonals.left_mm, diagonals.right_mm) == pytest.approx((expected, expected), abs=1e-3)


def test_a_sheared_car_has_unequal_diagonals() -> None:
    """All of the left 8 mm ahead of the right: a rectangle 3800 by 930 mm becomes a diamond.

    No plane fits, which is said; the diagonals tell in any case: 2 x 8 x 3800 / 3912 = 15.54 mm.
    """
    car = CAR.copy()
    car[::2, 0] += 4.0
    car[1::2, 0] -= 4.0
    found = compared(car)
    assert not found.agree
    (diagonals,) = (o for o in found.comparisons if o.points == ("A", "F"))
    assert diagonals.difference_mm == pytest.approx(15.54, abs=0.02)
    assert diagonals.verdict == "out"


def test_what_both_sides_share_does_not_show() -> None:
    """Both front rails sagged by 20 mm: nothing differs, as the stated limits say."""
    found = compared(moved(A_L=(0, 0, -20.0), A_R=(0, 0, -20.0)))
    assert {row.verdict for row in found.pairs} == {"within"}
    assert "both sides share" in CANNOT


angle = st.floats(-3.0, 3.0)
place = st.floats(-5000.0, 5000.0)


@settings(max_examples=15, deadline=None, derandomize=True, database=None)
@given(st.tuples(angle, angle, angle), st.tuples(place, place, place))
def test_nothing_depends_on_how_the_car_stands(
    turned: tuple[float, float, float], shifted: tuple[float, float, float]
) -> None:
    """Any rotation and shift of the network: same places and U to 1e-6."""
    rng = np.random.default_rng(3)
    car = moved(A_L=(-9.0, 4.0, 3.0)) + 0.4 * rng.standard_normal(CAR.shape)
    here = compared(car, Rotation.identity(), np.zeros(3))
    there = compared(car, Rotation.from_rotvec(turned), np.array(shifted))
    np.testing.assert_allclose(there.positions_mm, here.positions_mm, atol=1e-6)
    np.testing.assert_allclose(there.covariance_mm2, here.covariance_mm2, atol=1e-6)
    for one, two in zip(here.pairs, there.pairs, strict=True):
        np.testing.assert_allclose(two.difference_mm, one.difference_mm, atol=1e-6)
        assert two.used == one.used


def test_uncertainty_is_that_of_sampling(rng: np.random.Generator) -> None:
    """50 sound cars that scatter by 0.4 mm and are measured to 0.2: 93 to 98 % within U.

    Of widths' differences, what the car is: its scatter is no error. So U is compared with the
    error of the difference against that of the true plane, y = 0.
    """
    within = []
    for _ in range(50):
        car = CAR + 0.4 * rng.standard_normal(CAR.shape)
        found = compared(car + U_MM * rng.standard_normal(CAR.shape), u_mm=U_MM)
        for row in found.pairs:
            left, right = (car[NAMES.index(f"{row.point} {side}")] for side in "LR")
            true = np.array([left[0] - right[0], left[1] + right[1], left[2] - right[2]])
            within.append(np.abs(row.difference_mm - true) < row.U_mm)
    assert 0.925 < np.mean(within) < 0.985


def test_too_few_pairs_and_pairs_that_share_no_plane(rng: np.random.Generator) -> None:
    covariance = 0.01 * np.eye(12)
    assert symmetry_of(NAMES[:4], CAR[:4], covariance, np.array([0, 0, 1.0]), 0.5, 3.0) is None
    wild = CAR + 60.0 * rng.standard_normal(CAR.shape)
    covariance = 0.01 * np.eye(CAR.size)
    found = symmetry_of(NAMES, wild, covariance, np.array([0, 0, 1.0]), 0.5, 3.0)
    assert found is not None
    assert not found.agree
    assert "within" not in {row.verdict for row in found.pairs}


def test_terminal_page_and_json_tell_it(tmp_path: Path) -> None:
    result, sightings = invented(tmp_path)
    result = replace(without_sheet(result), symmetry=compared(moved(A_L=(-14.0, -5.0, 6.0))))
    lines = symmetry_lines(result)
    assert lines[0].startswith("Left and right of 1 pair out of 6 differ")
    assert lines[1].startswith("  A: length -14.4, width -5.0, height +5.0")
    assert any(line.startswith("Wheelbase front axle to rear axle: 2403.0") for line in lines)
    assert lines[-1] == CANNOT
    assert set(lines) <= set(summary_lines(result, tmp_path / "report.html"))
    page = page_html(result, sightings)
    assert "Left against right" in page
    assert "front axle, rear axle" in page
    document = result_document(result)
    assert document["symmetry"]["pairs"][0]["verdict"] == "out"
    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "result.json").write_text(json_text(document))
    made = sheet_from(read_measured(tmp_path))
    assert made.points == 12
    assert "front axle,R," in made.text
    assert any("A differ left against right" in warning for warning in made.warnings)
