"""The files for other programs: points.csv, cards.csv and result.json.

Their columns and keys are a public interface: later versions only add.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from pipeline.csv_text import csv_text, number_cell, text_cell
from pipeline.datum.deviation import AXES, DeviationRow
from pipeline.results.provenance import input_hashes
from pipeline.results.result import CardRow, Result
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from targets.atomic import write_text

POINT_COLUMNS = (
    "point",
    "side",
    *(f"{axis}_mm" for axis in AXES),
    *(f"U_{axis}_mm" for axis in AXES),
    *(f"dev_{axis}_mm" for axis in AXES),
    *(f"U_dev_{axis}_mm" for axis in AXES),
    "tol_mm",
    "verdict",
    "base",
    "photos",
)
"""Columns of points.csv."""

CARD_COLUMNS = (
    *("card", "role", "x_mm", "y_mm", "z_mm", "nx", "ny", "nz"),
    *("U_x_mm", "U_y_mm", "U_z_mm", "photos"),
)
"""Columns of cards.csv."""


def write_tables(
    result: Result, folder: Path, hashes: Sequence[tuple[str, str | None]] | None = None
) -> None:
    """Write points.csv, cards.csv and result.json into ``folder`` (made when missing).

    Parameters
    ----------
    result : what one ``solve`` found.
    folder : where to.
    hashes : of the inputs as ``input_hashes`` gives them; worked out here when None.

    Raises
    ------
    UserError : the folder may not be written to.
    """
    write_text(folder / "points.csv", points_csv(result.deviations.rows))
    write_text(folder / "cards.csv", cards_csv(result.cards))
    if hashes is None:
        hashes = input_hashes(result.job, [photo.name for photo in result.photos])
    write_text(folder / "result.json", json_text(result_document(result, hashes)))


def points_csv(rows: Iterable[DeviationRow]) -> str:
    """Text of points.csv: one reference point a row, mm in the vehicle frame, widths signed."""
    return csv_text(
        POINT_COLUMNS,
        (
            [
                text_cell(row.point),
                text_cell(row.side),
                *(
                    number_cell(value)
                    for values in (
                        row.position_mm,
                        row.U_mm,
                        row.deviation_mm,
                        row.U_deviation_mm,
                    )
                    for value in values
                ),
                number_cell(row.tol_mm),
                text_cell(row.verdict),
                "yes" if row.base else "no",
                str(row.photos),
            ]
            for row in rows
        ),
    )


def cards_csv(cards: Iterable[CardRow]) -> str:
    """Text of cards.csv: one measured card a row, mm in the frame of the result.

    Normals have 6 decimals: at 3, the hole at the end of a stem of 80 mm would move by 0.04 mm.
    """
    return csv_text(
        CARD_COLUMNS,
        (
            [
                str(card.card),
                text_cell(card.role),
                *(number_cell(value) for value in card.centre_mm),
                *(number_cell(value, 6) for value in card.normal),
                *(number_cell(value) for value in card.U_mm),
                str(card.photos),
            ]
            for card in cards
        ),
    )
