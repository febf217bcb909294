"""The reference sheet: the maker's dimensions of the points, typed in from licensed data."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from calib.frames import Array
from pipeline.csv_rows import Row, read_rows
from targets.errors import UserError

SHEET_COLUMNS = (
    "point",
    "side",
    "length_mm",
    "width_mm",
    "height_mm",
    "parts",
    "base",
    "tol_mm",
    "note",
)
"""Columns of sheet.csv; the last three may be empty or absent."""

PARTS = ("in", "out")
"""States of the mechanical parts."""

LARGEST_MM = 30000.0
"""No coordinate on a road vehicle is larger; a larger one is a slip of the pen."""


@dataclass(frozen=True)
class SheetPoint:
    """One reference point of one side.

    Attributes
    ----------
    point, side : name and L, R or C.
    position_mm : (3,) length, width (signed, left +), height in the vehicle frame.
    tol_mm : permitted deviation per axis (the job's tolerance where the sheet gives none).
    base : whether it may carry the datum.
    note : free text.
    """

    point: str
    side: str
    position_mm: Array
    tol_mm: float
    base: bool
    note: str


@dataclass(frozen=True)
class ReferenceSheet:
    """The rows of a sheet that hold for the job's state of the mechanical parts."""

    points: tuple[SheetPoint, ...]


def read_sheet(path: Path, parts: str, tolerance_mm: float) -> ReferenceSheet:
    """Read sheet.csv.

    Every row is checked, those of the other state of the parts too.

    Parameters
    ----------
    path : the file.
    parts : "in" or "out": which rows are wanted.
    tolerance_mm : for rows that give none.

    Returns
    -------
    The points in the order of the file; an LR row gives its left and then its right one. Empty
    when only the header is there.

    Raises
    ------
    UserError : the file, or a row of it, is not as it should be, or no row holds for ``parts``.
    """
    rows = read_rows(path, SHEET_COLUMNS, optional=3)
    wanted: list[SheetPoint] = []
    first_row: dict[tuple[str, str, str], str] = {}
    for row in rows:
        points = _points(row, tolerance_mm)
        state = row.choice("parts", (*PARTS, "both"))
        states = PARTS if state == "both" else (state,)
        for point in points:
            for state in states:
                earlier = first_row.setdefault((point.point, point.side, state), row.where)
                if earlier != row.where:
                    raise UserError(
                        f"point {point.point} {point.side} with parts {state} stands in {earlier} "
                        "already",
                        row.where,
                        "keep one of the two rows",
                    )
        if parts in states:
            wanted += points
    if rows and not wanted:
        raise UserError(
            f"no row holds with the mechanical parts {parts}",
            path.name,
            "mark rows that hold in either state as both, or change parts in job.toml",
        )
    return ReferenceSheet(tuple(wanted))


def _points(row: Row, tolerance_mm: float) -> list[SheetPoint]:
    """The one point of a row, or the two of an LR row."""
    name = row.name("point")
    side = row.choice("side", ("L", "R", "C", "LR"))
    length_mm = row.number("length_mm", -LARGEST_MM, LARGEST_MM)
    width_mm = row.number("width_mm", -LARGEST_MM, LARGEST_MM)
    height_mm = row.number("height_mm", -LARGEST_MM, LARGEST_MM)
    base = row.choice("base", ("yes", "no"), default="no") == "yes"
    tol_mm = row.number("tol_mm", 0.0, LARGEST_MM) if row.text("tol_mm") else tolerance_mm
    if tol_mm == 0.0:
        raise UserError("tol_mm is zero", row.where, "give a tolerance, or leave the cell empty")
    if side != "C" and width_mm < 0.0:
        raise UserError(
            f"width_mm {width_mm:g} is negative",
            row.where,
            "give the half-width without a sign; the side says which way",
        )
    if side != "C" and width_mm == 0.0:
        raise UserError(
            f"width_mm is zero on side {side}", row.where, "a point on the centre line has side C"
        )
    return [
        SheetPoint(
            name,
            one,
            np.array([length_mm, -width_mm if one == "R" else width_mm, height_mm]),
            tol_mm,
            base,
            row.text("note"),
        )
        for one in side  # the letters of LR are its two sides
    ]
