"""The points for a spreadsheet, so that none misreads a figure, wherever it runs.

points.csv has decimal points, which a program set to a decimal comma takes for thousands ("1.234"
becomes 1234) or for a date ("14.2" becomes 14 February), and says nothing. Here every length is a
whole number of micrometres: no decimal sign, nothing to misread. Point and side share one cell
("2-3 L"), because a point "2-3" alone would become a date and "1E5" a number. UTF-8 with a byte
order mark, which spreadsheets take for the sign of UTF-8; commas (RFC 4180). Where the list
separator is a semicolon the lines are split on import, not on a double click.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from pathlib import Path

from pipeline.csv_text import text_cell
from pipeline.datum.deviation import AXES, DeviationRow
from targets.atomic import write_bytes

COLUMNS = (
    "name",
    *(f"{axis}_um" for axis in AXES),
    *(f"U_{axis}_um" for axis in AXES),
    *(f"dev_{axis}_um" for axis in AXES),
    *(f"U_dev_{axis}_um" for axis in AXES),
    "tol_um",
    "verdict",
    "base",
    "card",
    "photos",
)
"""Columns; one micrometre (um) is 0.001 mm."""


def spreadsheet_bytes(rows: Iterable[DeviationRow]) -> bytes:
    """The file: one reference point a row, vehicle frame, widths signed."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        lengths = (*row.position_mm, *row.U_mm, *row.deviation_mm, *row.U_deviation_mm, row.tol_mm)
        writer.writerow(
            [
                text_cell(f"{row.point} {row.side}"),
                *(_micrometres(value) for value in lengths),
                row.verdict,
                "yes" if row.base else "no",
                row.card,
                row.photos,
            ]
        )
    return stream.getvalue().encode("utf-8-sig")


def write_spreadsheet(rows: Iterable[DeviationRow], path: Path) -> None:
    """Write ``spreadsheet_bytes`` to a file.

    Raises
    ------
    UserError : the file cannot be written.
    """
    write_bytes(path, spreadsheet_bytes(rows))


def _micrometres(length_mm: float) -> str:
    return str(round(1000.0 * length_mm)) if math.isfinite(length_mm) else ""
