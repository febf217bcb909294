"""A sheet made from the car that is held against it is found out; one of another car is not."""

from __future__ import annotations

import numpy as np
import pytest

from calib.frames import rotations
from pipeline.adjustment.points import Holes
from pipeline.faults.own_sheet import own_sheet_findings
from pipeline.inputs.job import CardOnPoint
from pipeline.inputs.sheet import SheetPoint
from tests.measured_case import BASE, SHEET_MM
from tests.stated_job import job_of

U_MM = 0.05


def told(seed: int, built_mm: float, stated_u_mm: float, u_mm: float = U_MM) -> list[str]:
    """Codes for a car whose points differ by ``built_mm`` from the one the sheet was made of.

    Sheet and car are both measured with ``u_mm``; the car stands turned and elsewhere.
    """
    rng = np.random.default_rng(seed)
    true = np.array([SHEET_MM[name] for name in BASE])
    sheet = true + rng.normal(0.0, u_mm, true.shape)
    car = true + rng.normal(0.0, built_mm, true.shape) + rng.normal(0.0, u_mm, true.shape)
    turn = rotations(np.array([0.02, -0.03, 0.7]))
    rows = tuple(CardOnPoint(n, *name.rsplit(" ", 1), 50.0, "") for n, name in enumerate(BASE))
    points = [
        SheetPoint(
            *name.rsplit(" ", 1), place, 3.0, True, "", "centre", "hole", np.full(3, stated_u_mm)
        )
        for name, place in zip(BASE, sheet, strict=True)
    ]
    holes = Holes(
        rows,
        car @ turn.T + [120.0, -40.0, 900.0],
        u_mm**2 * np.eye(3 * len(rows)),
        np.zeros((0, 0)),
        {},
    )
    found = own_sheet_findings(job_of(rows, points), holes, range(len(rows)))
    return [finding.code for finding in found]


def test_the_car_that_the_sheet_was_made_from_is_told() -> None:
    """Chance alone hides it once in a thousand."""
    assert sum(told(seed, 0.0, 0.5) == ["sheet-of-this-car"] for seed in range(200)) >= 198


@pytest.mark.parametrize("built_mm", [0.2, 0.5])
def test_another_car_of_the_type_is_not(built_mm: float) -> None:
    """Bodies that differ by four times the measurement and more, on each axis."""
    assert all(told(seed, built_mm, 0.5) == [] for seed in range(200))


def test_a_makers_sheet_states_no_uncertainty_and_is_left_alone() -> None:
    assert told(1, 0.0, 0.0) == []


def test_a_rough_measurement_tells_nothing() -> None:
    """u of 0.3 mm cannot tell 0.5 mm of build from none."""
    assert told(1, 0.0, 0.5, u_mm=0.3) == []
