"""How far and which way each point that is out has to travel back.

A length and a direction, no force and no recipe for a pull: how to pull is the business of the
vehicle maker's procedure and of licensed practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.frames import Array
from pipeline.datum.deviation import DeviationTable, Verdict

CAUTIONS = (
    "Nobody stands in line with a chain, clamp or strap under load, nor in its way if it lets go.",
    "Restrain chains and clamps with a safety line that is anchored apart from the pull.",
    "Follow the vehicle maker's procedure: where it may be pulled, what must be replaced instead, "
    "and whether heat is allowed. Licensed practice and local codes come first.",
    "Make a high-voltage battery safe, by a qualified person, before anything is clamped.",
    "Release the load and measure again: a body springs back.",
)
"""Usual cautions at a pull (common practice, no source)."""


@dataclass(frozen=True)
class Correction:
    """The way back of one point, vehicle frame, mm.

    Attributes
    ----------
    point, side : of the sheet.
    travel_mm, U_mm : (3,) sheet minus measured along length, width and height, with its U (k = 2).
    axis_verdicts : which axes are out.
    length_mm, U_length_mm : straight distance to travel, and its U.
    """

    point: str
    side: str
    travel_mm: Array
    U_mm: Array
    axis_verdicts: tuple[Verdict, Verdict, Verdict]
    length_mm: float
    U_length_mm: float


def corrections(table: DeviationTable) -> tuple[Correction, ...]:
    """The way back of every point that is out, the longest first."""
    found = []
    for n, row in enumerate(table.rows):
        if row.verdict != "out":
            continue
        own = table.deviation_covariance_mm2[3 * n : 3 * n + 3, 3 * n : 3 * n + 3]
        length_mm, U_length_mm = length_of(row.deviation_mm, own)
        found.append(
            Correction(
                row.point,
                row.side,
                -row.deviation_mm,
                row.U_deviation_mm,
                row.axis_verdicts,
                length_mm,
                U_length_mm,
            )
        )
    return tuple(sorted(found, key=lambda one: -one.length_mm))


def length_of(vector_mm: Array, covariance_mm2: Array) -> tuple[float, float]:
    """Length of a vector (3,) and its expanded uncertainty: u^2 = e^T C e, e its direction.

    First order (GUM, JCGM 100:2008, 5.1.2, from memory), good where the length is several U. By
    hand: 3 mm back and 4 mm down is 5 mm; with u = 0.1 and 0.2 mm along them
    U = 2 sqrt((0.6 x 0.1)^2 + (0.8 x 0.2)^2) = 0.342 mm.

    >>> spread = np.diag([0.1**2, 0.5**2, 0.2**2])
    >>> length, U = length_of(np.array([-3.0, 0.0, -4.0]), spread)
    >>> length, round(U, 3)
    (5.0, 0.342)
    """
    length_mm = float(np.linalg.norm(vector_mm))
    along = vector_mm / length_mm
    return length_mm, 2.0 * float(np.sqrt(along @ covariance_mm2 @ along))


def way(axis: int, travel_mm: float, side: str) -> str:
    """The way of a travel along one axis, in words.

    >>> way(0, 5.0, "L"), way(1, 5.0, "L"), way(1, 5.0, "R"), way(1, 5.0, "C"), way(2, -1.0, "R")
    ('forward', 'outward', 'inward', 'left', 'down')
    """
    positive = travel_mm > 0
    if axis == 0:
        return "forward" if positive else "rearward"
    if axis == 2:
        return "up" if positive else "down"
    if side in ("L", "R"):
        return "outward" if positive == (side == "L") else "inward"
    return "left" if positive else "right"
