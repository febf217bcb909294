"""A reference sheet made from a measured sound vehicle of the same type."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.frames import Array
from pipeline.csv_text import csv_text, text_cell
from pipeline.datum.base_points import build_sd_mm
from pipeline.inputs.sheet import MORE_COLUMNS, SHEET_COLUMNS
from pipeline.sessions.measured import Measured
from targets.errors import UserError
from targets.said import say

_EXTRA_DIGITS = 2


@dataclass(frozen=True)
class SheetMade:
    """Text of a sheet.csv, and what its maker should know.

    Attributes
    ----------
    text : of the file.
    points : how many it holds.
    u_mm : (N, 3) standard uncertainties written.
    warnings : reasons to doubt that the vehicle was sound, one sentence each.
    """

    text: str
    points: int
    u_mm: Array
    warnings: tuple[str, ...]


def sheet_from(measured: Measured) -> SheetMade:
    """The measured points as a sheet.

    The uncertainty of each figure is that of the measurement and, since one vehicle is not the
    type, the scatter of the build: u^2 = (U / 2)^2 + s^2, s a sixth of the tolerance unless the job
    says otherwise (``pipeline.datum.base_points``). What the errors of the points have in common
    (the bar) is stated for each point as if it were its own.

    Raises
    ------
    UserError : nothing was measured, or no bar gave the scale.
    """
    if not measured.scaled:
        raise UserError(
            "no bar gave the scale of this job, so its millimetres are the printer's",
            str(measured.folder),
            "measure the vehicle with a bar",
        )
    places = _places(measured)
    if not places:
        raise UserError(
            "this job has no points with length, width and height",
            str(measured.folder),
            "say in cards.csv which card sits on which point, three pairs or more, and solve again",
        )
    known = {p.name: p for p in measured.sheet}
    stated = measured.settings.get("build_sd_mm")
    table, u_all, warnings = [], [], []
    for name, position_mm, measured_U_mm in places:
        point, side = name.rsplit(" ", 1)
        own = known.get(name)
        tol_mm = own.tol_mm if own else float(measured.settings["tolerance_mm"])
        build_mm = build_sd_mm(tol_mm) if stated is None else float(stated)
        u_mm = np.hypot(measured_U_mm / 2.0, build_mm)
        u_all.append(u_mm)
        length, width, height = position_mm
        table.append(
            [
                text_cell(point),
                side,
                _figure(length),
                _figure(width if side == "C" else abs(width)),
                _figure(height),
                str(measured.settings["parts"]),
                "yes" if own and own.base else "no",
                f"{tol_mm:g}",
                "",
                own.zone if own else "",
                own.kind if own else "",
                *(f"{u:.{_EXTRA_DIGITS}f}" for u in u_mm),
            ]
        )
    out = [f"{row.point} {row.side}" for row in measured.points if row.verdict == "out"]
    if out:
        warnings.append(
            say(
                "{out} were out of tolerance: a sheet is made from a sound vehicle.",
                out=", ".join(out),
            )
        )
    if measured.symmetry is not None:
        differ = [row["point"] for row in measured.symmetry["pairs"] if row["verdict"] == "out"]
        if differ:
            warnings.append(
                say(
                    "{differ} differ left against right by more than the tolerance: a sheet "
                    "is made from a sound vehicle.",
                    differ=", ".join(differ),
                )
            )
        warnings.append(
            say(
                "The vehicle had no sheet: widths are from its own centre plane, zeros "
                "of length and height are the middle of its pairs."
            )
        )
    if not any(cells[6] == "yes" for cells in table):
        warnings.append(
            say(
                "No point is marked as base: write base = yes at six or more holes of "
                "the centre section."
            )
        )
    text = csv_text((*SHEET_COLUMNS, *MORE_COLUMNS), table)
    return SheetMade(text, len(table), np.array(u_all), tuple(warnings))


def _places(measured: Measured) -> list[tuple[str, Array, Array]]:
    """Name, position and U of each point, in the vehicle frame or that of the own centre plane."""
    if measured.points:
        return [(f"{r.point} {r.side}", r.position_mm, r.U_mm) for r in measured.points]
    if measured.symmetry is None:
        return []
    return [
        (one["name"], np.array(one["position_mm"]), np.array(one["U_mm"]))
        for one in measured.symmetry["points"]
    ]


def _figure(value_mm: float) -> str:
    """To a hundredth of a millimetre: finer than any of it is known."""
    return f"{value_mm + 0.0:.2f}"
