"""Verdicts: three words, at stated limits, and the table that carries them."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.datum.deviation import (
    DeviationTable,
    Verdict,
    deviation_table,
    verdict_of,
    without_verdicts,
    worst_verdict,
)
from pipeline.inputs.job import CardOnPoint
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint


@pytest.mark.parametrize(
    ("deviation", "verdict"),
    [
        (0.0, "within"),
        (2.199, "within"),
        (2.201, "undecided"),
        (3.0, "undecided"),
        (3.799, "undecided"),
        (3.801, "out"),
        (50.0, "out"),
    ],
)
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_guard_bands_of_a_published_example(deviation: float, sign: float, verdict: str) -> None:
    """Tolerance +-3 mm, u = 0.4 mm: accepted up to 2.20 mm, rejected beyond 3.80 mm.

    The limit 2.20 is that of the older editions of ISO 14253-1, from memory (references 1 g; the
    edition of 2017 would accept up to 2.34 mm, at 95 % conformance probability).
    """
    assert verdict_of(sign * deviation, 2 * 0.4, 3.0) == verdict


def test_limits_themselves() -> None:
    """Deviation + U just on the tolerance conforms; deviation - U just on it is undecided.

    Figures that binary numbers hold exactly.
    """
    assert verdict_of(2.5, 0.5, 3.0) == "within"
    assert verdict_of(3.5, 0.5, 3.0) == "undecided"
    assert verdict_of(np.nextafter(2.5, 3), 0.5, 3.0) == "undecided"
    assert verdict_of(np.nextafter(3.5, 4), 0.5, 3.0) == "out"
    assert verdict_of(3.0, 0.0, 3.0) == "within"
    # U beyond the tolerance can never accept.
    assert verdict_of(0.0, 3.1, 3.0) == "undecided"


@pytest.mark.parametrize(
    ("deviation", "U", "tolerance", "verdict"),
    [
        (float("nan"), 0.4, 3.0, "no reference"),
        (1.0, 0.4, float("nan"), "no reference"),
        (1.0, float("nan"), 3.0, "undecided"),
        (1.0, float("inf"), 3.0, "undecided"),
    ],
)
def test_what_is_not_known_is_never_accepted_or_rejected(
    deviation: float, U: float, tolerance: float, verdict: str
) -> None:
    assert verdict_of(deviation, U, tolerance) == verdict


@pytest.mark.parametrize(
    ("axes", "word"),
    [
        (("within", "within", "within"), "within"),
        (("within", "undecided", "within"), "undecided"),
        (("undecided", "undecided", "out"), "out"),
        (("out", "within", "within"), "out"),
        (("no reference",) * 3, "no reference"),
    ],
)
def test_one_word_for_a_point(axes: tuple[Verdict, ...], word: str) -> None:
    assert worst_verdict(axes) == word


def _table() -> DeviationTable:
    """A pair of which the left is longer by 5 mm, and a point that the sheet does not know."""
    sheet = ReferenceSheet(
        (
            SheetPoint("A", "R", np.array([100.0, -400.0, 50.0]), 2.0, True, ""),
            SheetPoint("A", "L", np.array([100.0, 400.0, 50.0]), 3.0, False, ""),
        )
    )
    rows = (
        CardOnPoint(7, "A", "L", 0.0, ""),
        CardOnPoint(8, "X", "C", 0.0, ""),
        CardOnPoint(9, "A", "R", 0.0, ""),
    )
    positions = np.array([[105.0, 400.2, 47.4], [1.0, 2.0, 3.0], [99.0, -400.5, 51.9]])
    sd = np.array([0.1, 0.2, 0.3, 1.0, 1.0, 1.0, 0.25, 0.25, 0.25])
    covariance = np.diag(sd**2)
    covariance[0, 6] = covariance[6, 0] = 0.01
    return deviation_table(rows, positions, covariance, sheet, {2}, {7: 5, 8: 3, 9: 12})


def test_table_by_hand() -> None:
    left, unknown, right = _table().rows
    assert (left.point, left.side, left.card, left.photos, left.base) == ("A", "L", 7, 5, False)
    np.testing.assert_allclose(left.deviation_mm, [5.0, 0.2, -2.6])
    np.testing.assert_allclose(left.U_mm, [0.2, 0.4, 0.6])
    np.testing.assert_allclose(left.U_deviation_mm, [0.2, 0.4, 0.6])
    assert left.axis_verdicts == ("out", "within", "undecided")
    assert (left.verdict, left.tol_mm) == ("out", 3.0)

    # Widths are signed: half a millimetre further right is -0.5.
    np.testing.assert_allclose(right.deviation_mm, [-1.0, -0.5, 1.9])
    assert right.axis_verdicts == ("within", "within", "undecided")
    assert (right.verdict, right.tol_mm, right.base, right.photos) == ("undecided", 2.0, True, 12)

    assert unknown.axis_verdicts == ("no reference",) * 3
    assert unknown.verdict == "no reference"
    assert np.isnan([*unknown.deviation_mm, *unknown.U_deviation_mm, unknown.tol_mm]).all()
    np.testing.assert_allclose(unknown.position_mm, [1.0, 2.0, 3.0])
    np.testing.assert_allclose(unknown.U_mm, 2.0)
    assert _table().covariance_mm2[0, 6] == 0.01


def test_without_a_scale_nothing_is_accepted_or_rejected() -> None:
    left, unknown, right = without_verdicts(_table()).rows
    for row in (left, right):
        assert row.axis_verdicts == ("undecided",) * 3
        assert row.verdict == "undecided"
    assert unknown.verdict == "no reference"
    np.testing.assert_allclose(left.deviation_mm, [5.0, 0.2, -2.6])
