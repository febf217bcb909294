"""Measured points against the reference sheet: deviation, uncertainty, verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from calib.frames import Array

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
    """

    rows: tuple[DeviationRow, ...]
    covariance_mm2: Array
