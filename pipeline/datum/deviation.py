"""Measured points against the reference sheet: deviation, uncertainty, verdict."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from calib.frames import Array
from pipeline.inputs.job import CardOnPoint
from pipeline.inputs.sheet import ReferenceSheet

Verdict = Literal["within", "out", "undecided", "no reference"]
"""within or out: beyond doubt at the stated U; undecided: U reaches over the limit."""

AXES = ("length", "width", "height")


@dataclass(frozen=True)
class DeviationRow:
    """One reference point; (3,) arrays are length, width, height in the vehicle frame, mm.

    Attributes
    ----------
    point, side : name and L, R or C.
    card : id of the card that stood for it.
    position_mm : hole centre; widths signed, left +.
    U_mm : expanded uncertainty (k = 2).
    deviation_mm : measured minus sheet, nan where the sheet does not know the point.
    U_deviation_mm : expanded uncertainty of the deviation.
    tol_mm : permitted deviation per axis, nan without a sheet.
    axis_verdicts : verdict of each axis.
    verdict : "out" if any axis is out, else "undecided" if any is, else "within".
    base : whether this point carried the vehicle frame.
    photos : in how many photos its card was measured.
    """

    point: str
    side: str
    card: int
    position_mm: Array
    U_mm: Array
    deviation_mm: Array
    U_deviation_mm: Array
    tol_mm: float
    axis_verdicts: tuple[Verdict, Verdict, Verdict]
    verdict: Verdict
    base: bool
    photos: int


@dataclass(frozen=True)
class DeviationTable:
    """All measured reference points and their joint covariance.

    Attributes
    ----------
    rows : one per measured point, in the order of ``cards.csv``.
    covariance_mm2 : (3 N, 3 N) of the positions in the vehicle frame.
    of_deviations_mm2 : (3 N, 3 N) of the deviations, with what the sheet itself is unsure; None
        where that of the positions is all.
    """

    rows: tuple[DeviationRow, ...]
    covariance_mm2: Array
    of_deviations_mm2: Array | None = None

    @property
    def deviation_covariance_mm2(self) -> Array:
        """(3 N, 3 N) covariance of the deviations."""
        return self.covariance_mm2 if self.of_deviations_mm2 is None else self.of_deviations_mm2


def verdict_of(deviation_mm: float, U_mm: float, tol_mm: float) -> Verdict:
    """Conformity with a guard band of U on either side of the limit.

    within if |deviation| + U <= tolerance, out if |deviation| - U > tolerance, else undecided
    (decision rule of the earlier editions of ISO 14253-1, from memory).

    >>> verdict_of(2.0, 0.4, 3.0), verdict_of(2.8, 0.4, 3.0), verdict_of(3.5, 0.4, 3.0)
    ('within', 'undecided', 'out')
    """
    if not np.isfinite([deviation_mm, tol_mm]).all():
        return "no reference"
    if abs(deviation_mm) + U_mm <= tol_mm:
        return "within"
    if abs(deviation_mm) - U_mm > tol_mm:
        return "out"
    return "undecided"


def worst_verdict(verdicts: Sequence[Verdict]) -> Verdict:
    """One word for a point: out if any axis is out, else undecided if any is, else within."""
    order: tuple[Verdict, ...] = ("out", "undecided", "no reference")
    return next((word for word in order if word in verdicts), "within")


def deviation_table(
    rows: Sequence[CardOnPoint],
    positions_mm: Array,
    covariance_mm2: Array,
    sheet: ReferenceSheet,
    base: Collection[int],
    photos_of_card: Mapping[int, int],
    deviation_covariance_mm2: Array | None = None,
) -> DeviationTable:
    """Compare hole centres in the vehicle frame, (N, 3) with (3 N, 3 N), with the sheet.

    ``base`` holds the indices of the base points. The deviations are as unsure as the positions,
    unless a covariance of their own says how unsure the sheet is.
    """
    known = {(p.point, p.side): p for p in sheet.points}
    U = 2.0 * np.sqrt(np.diag(covariance_mm2)).reshape(-1, 3)
    compared = covariance_mm2 if deviation_covariance_mm2 is None else deviation_covariance_mm2
    U_compared = 2.0 * np.sqrt(np.diag(compared)).reshape(-1, 3)
    table = []
    for n, row in enumerate(rows):
        reference = known.get((row.point, row.side))
        if reference:
            deviation, tol = positions_mm[n] - reference.position_mm, reference.tol_mm
        else:
            deviation, tol = np.full(3, np.nan), float("nan")
        length, width, height = (
            verdict_of(d, u, tol) for d, u in zip(deviation, U_compared[n], strict=True)
        )
        table.append(
            DeviationRow(
                point=row.point,
                side=row.side,
                card=row.card,
                position_mm=positions_mm[n],
                U_mm=U[n],
                deviation_mm=deviation,
                U_deviation_mm=U_compared[n] if reference else np.full(3, np.nan),
                tol_mm=tol,
                axis_verdicts=(length, width, height),
                verdict=worst_verdict((length, width, height)),
                base=n in base,
                photos=photos_of_card[row.card],
            )
        )
    return DeviationTable(tuple(table), covariance_mm2, compared)


def without_verdicts(table: DeviationTable, cards: Collection[int] | None = None) -> DeviationTable:
    """The table with every verdict undecided, where something makes all figures doubtful.

    ``cards`` : only the rows of these, for cards that did not stay in their place.
    """
    undecided: Verdict = "undecided"
    rows = tuple(
        row
        if row.verdict == "no reference" or (cards is not None and row.card not in cards)
        else replace(row, axis_verdicts=(undecided,) * 3, verdict=undecided)
        for row in table.rows
    )
    return replace(table, rows=rows)
