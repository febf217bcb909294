"""Solved jobs made by hand: points where a test wants them, with the uncertainty it wants."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from calib.frames import Array, Pose
from pipeline.datum.deviation import deviation_table
from pipeline.inputs.job import CardOnPoint
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint
from pipeline.results.result import CardRow
from pipeline.sessions.measured import Measured

# An invented van; right sides mirror the left ones.
HALF_MM = {
    "A": (1985.0, 455.0, 318.0),
    "B": (1562.5, 448.0, 305.0),
    "C": (1345.0, 372.5, 142.0),
    "D": (905.0, 390.0, 128.0),
    "E": (560.0, 418.5, 101.0),
    "F": (310.0, 716.0, 148.0),
    "G": (-215.0, 418.5, 101.0),
    "H": (-760.0, 700.0, 150.0),
    "J": (-1130.0, 470.0, 265.0),
    "K": (-1985.0, 487.5, 341.0),
}
SHEET_MM = {
    f"{name} {side}": np.array([x, sign * y, z])
    for name, (x, y, z) in HALF_MM.items()
    for side, sign in (("L", 1.0), ("R", -1.0))
}
BASE = tuple(f"{name} {side}" for name in "EFGH" for side in "LR")


def measured_job(
    places_mm: Mapping[str, Array],
    covariance_mm2: Array,
    sheet_mm: Mapping[str, Array] = SHEET_MM,
    base: Sequence[str] = BASE,
    folder: Path = Path("van"),
    first_card: int = 1,
) -> Measured:
    """A job that measured these points, (3,) each by name "POINT SIDE", in the vehicle frame."""
    names = list(places_mm)
    rows = [
        CardOnPoint(first_card + n, *name.rsplit(" ", 1), 50.0, "") for n, name in enumerate(names)
    ]
    sheet = tuple(
        SheetPoint(*name.rsplit(" ", 1), np.array(place), 3.0, name in base, "")
        for name, place in sheet_mm.items()
    )
    positions = np.array([places_mm[name] for name in names])
    table = deviation_table(
        rows,
        positions,
        covariance_mm2,
        ReferenceSheet(sheet),
        [n for n, name in enumerate(names) if name in base],
        {row.card: 7 for row in rows},
    )
    down = np.array([0.0, 0.0, -1.0])
    return Measured(
        folder=folder,
        title=f"Invented {folder.name}",
        settings={
            "temperature_c": 20.0,
            "body_alpha_per_k": 11.5e-6,
            "tolerance_mm": 3.0,
            "parts": "in",
            "cards": [{"card": r.card, "point": r.point, "side": r.side} for r in rows],
        },
        scaled=True,
        vehicle_from_network=Pose(np.eye(3), np.zeros(3)),
        base=tuple(base),
        points=table.rows,
        covariance_mm2=covariance_mm2,
        cards=tuple(
            CardRow(r.card, "point", place + 50.0 * down, down, np.full(3, 0.1), 7)
            for r, place in zip(rows, positions, strict=True)
        ),
        sheet=sheet,
        photos=(),
        findings=(),
        inputs=(),
        changed=(),
    )


def unscaled(measured: Measured) -> Measured:
    """The same without a bar."""
    return replace(measured, scaled=False)
