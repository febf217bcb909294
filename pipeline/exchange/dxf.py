"""The points for CAD: a DXF file (AC1024) with points, lines and names on layers, in millimetres.

x is length (+ forward), y width (+ left), z height (+ up); without a datum the network frame.
"""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.datum.deviation import DeviationRow
from pipeline.report.words import LOOKS, signed
from pipeline.sessions.measured import Measured
from targets.atomic import write_text

LAYERS = {
    "MEASURED": "hole centres as measured",
    "SHEET": "where the sheet has them",
    "DEVIATION": "lines from the sheet to what was measured, true size",
    "PAIRS": "lines between left and right of a point, as measured",
    "NAMES": "names and deviations in mm (length, width, height)",
    "CARDS": "centres of all cards",
}
"""Layers and what is on them. Measured points and deviations have the colour of their verdict."""

_TEXT_MM = 22.0
_POINT_MM = 14.0
_CROSS_IN_CIRCLE = 34
"""The header variable PDMODE: how points are shown (DXF reference, from memory)."""


def dxf_text(measured: Measured) -> str:
    """The file; angles and units as its header says (millimetres)."""
    import ezdxf
    from ezdxf import colors, units

    drawing = ezdxf.new("R2010", units=units.MM)
    drawing.header["$PDMODE"] = _CROSS_IN_CIRCLE
    drawing.header["$PDSIZE"] = _POINT_MM
    for name, meaning in LAYERS.items():
        drawing.layers.add(name).description = meaning
    model = drawing.modelspace()

    def look(row: DeviationRow, layer: str) -> dict[str, Any]:
        ink = LOOKS[row.verdict].ink
        return {"layer": layer, "true_color": colors.rgb2int(colors.RGB.from_hex(ink))}

    sheet = {(point.point, point.side): point.position_mm for point in measured.sheet}
    for position in sheet.values():
        model.add_point(position, dxfattribs={"layer": "SHEET"})
    left = {row.point: row for row in measured.points if row.side == "L"}
    for row in measured.points:
        model.add_point(row.position_mm, dxfattribs=look(row, "MEASURED"))
        reference = sheet.get((row.point, row.side))
        if reference is not None:
            model.add_line(reference, row.position_mm, dxfattribs=look(row, "DEVIATION"))
        if row.side == "R" and row.point in left:
            other = left[row.point].position_mm
            model.add_line(other, row.position_mm, dxfattribs={"layer": "PAIRS"})
        model.add_text(
            _one_line(_label(row)),
            height=_TEXT_MM,
            dxfattribs={"layer": "NAMES", "insert": row.position_mm + [_POINT_MM, _POINT_MM, 0.0]},
        )
    for card in measured.cards:
        model.add_point(card.centre_mm, dxfattribs={"layer": "CARDS"})
    stream = io.StringIO()
    drawing.write(stream)
    return stream.getvalue()


def write_dxf(measured: Measured, path: Path) -> None:
    """Write ``dxf_text`` to a file.

    Raises
    ------
    UserError : the file cannot be written.
    """
    write_text(path, dxf_text(measured))


def _label(row: DeviationRow) -> str:
    name = f"{row.point} {row.side}"
    if not np.isfinite(row.deviation_mm).all():
        return name
    # A true minus sign is not in every font of a CAD program.
    figures = "  ".join(signed(float(d), 1).replace("−", "-") for d in row.deviation_mm)
    return f"{name}  {figures}"


def _one_line(text: str) -> str:
    """A name as a TEXT entity can carry it: no control signs, no %% (which begins a code)."""
    return re.sub("%(?=%)", "% ", re.sub(r"[\x00-\x1f\x7f]+", " ", text)).replace("^", "^ ")
