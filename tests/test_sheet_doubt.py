"""A figure of the sheet that is typed wrongly on one side is told as a doubt, damage is not."""

from __future__ import annotations

import numpy as np
import pytest

from calib.frames import Array
from pipeline.datum.deviation import deviation_table
from pipeline.faults.sheet_doubt import sheet_findings
from pipeline.inputs.job import CardOnPoint
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint
from tests.measured_case import BASE, SHEET_MM


def findings(sheet_mm: dict[str, Array], places_mm: dict[str, Array]) -> list[str]:
    """What is told when the car measures so and the sheet reads so; u is 0.1 mm an axis."""
    names = list(places_mm)
    sheet = ReferenceSheet(
        tuple(
            SheetPoint(*name.rsplit(" ", 1), place, 3.0, name in BASE, "")
            for name, place in sheet_mm.items()
        )
    )
    table = deviation_table(
        [CardOnPoint(n, *name.rsplit(" ", 1), 50.0, "") for n, name in enumerate(names)],
        np.array(list(places_mm.values())),
        0.01 * np.eye(3 * len(names)),
        sheet,
        [n for n, name in enumerate(names) if name in BASE],
        dict.fromkeys(range(len(names)), 7),
    )
    return [f"{f.subject}: {f.text}" for f in sheet_findings(sheet, table.rows)]


def changed(places_mm: dict[str, Array], **by_mm: tuple[float, float, float]) -> dict[str, Array]:
    moved = {name.replace("_", " "): np.array(step) for name, step in by_mm.items()}
    return {name: place + moved.get(name, 0.0) for name, place in places_mm.items()}


def test_a_slip_on_one_side_is_named() -> None:
    """29.5 mm typed off on the right, the car symmetrical."""
    assert findings(changed(SHEET_MM, J_R=(29.5, 0.0, 0.0)), SHEET_MM) == [
        "J R: The sheet has J unlike by 29.5 mm left and right, but on this car both sides are "
        "alike within 0.0 mm, and only J R is out."
    ]
    assert findings(changed(SHEET_MM, K_L=(0.0, 0.0, -9.0)), SHEET_MM)[0].startswith("K L: ")


@pytest.mark.parametrize(
    ("sheet", "car"),
    [
        ({}, {"J_R": (29.5, 0.0, 0.0)}),  # damage of one side, symmetrical sheet
        ({"J_R": (29.5, 0.0, 0.0)}, {"J_R": (29.5, 0.0, 0.0)}),  # asymmetrical and sound
        # Asymmetrical, and hit elsewhere on the same point.
        ({"J_R": (29.5, 0.0, 0.0)}, {"J_R": (29.5, 6.0, 4.0)}),
        ({"J_R": (2.0, 0.0, 0.0)}, {}),  # within the tolerance
    ],
)
def test_damage_and_asymmetrical_vehicles_are_left_alone(
    sheet: dict[str, tuple[float, float, float]], car: dict[str, tuple[float, float, float]]
) -> None:
    assert findings(changed(SHEET_MM, **sheet), changed(SHEET_MM, **car)) == []
