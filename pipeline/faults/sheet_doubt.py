"""Whether a row of the sheet may be mistyped: it makes a pair unlike that is alike on the car.

A figure typed wrongly on one side reads like damage of that side. It gives itself away where the
sheet has the two sides of a pair unlike, one of them is out and the other within, and on the
measured car both are alike. A crash hardly ever leaves a pair alike that was built unlike, but an
asymmetrical vehicle may be hit so by chance: it is told as a doubt, nothing is changed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.datum.base_points import build_sd_mm
from pipeline.datum.deviation import DeviationRow
from pipeline.findings import Finding
from pipeline.inputs.sheet import ReferenceSheet
from targets.said import say

_MIRROR = np.array([1.0, -1.0, 1.0])


def sheet_findings(sheet: ReferenceSheet | None, rows: Sequence[DeviationRow]) -> list[Finding]:
    """Pairs that the sheet has unlike and the car has alike, with one side out because of it."""
    on_sheet = {(p.point, p.side): p for p in sheet.points} if sheet else {}
    measured = {(row.point, row.side): row for row in rows}
    findings = []
    for (name, side), left in measured.items():
        right = measured.get((name, "R"))
        if side != "L" or right is None or {left.verdict, right.verdict} != {"out", "within"}:
            continue
        by_sheet = on_sheet[name, "L"].position_mm - on_sheet[name, "R"].position_mm * _MIRROR
        on_car = left.position_mm - right.position_mm * _MIRROR
        tolerance_mm = min(left.tol_mm, right.tol_mm)
        U_mm = np.hypot(
            np.hypot(left.U_mm, right.U_mm), 2.0 * np.sqrt(2.0) * build_sd_mm(tolerance_mm)
        )
        if np.abs(by_sheet).max() <= tolerance_mm or (np.abs(on_car) > U_mm).any():
            continue
        out = "L" if left.verdict == "out" else "R"
        subject = f"{name} {out}"
        findings.append(
            Finding(
                "sheet-doubtful",
                "warning",
                subject,
                say(
                    "The sheet has {point} unlike by {sheet:.1f} mm left and right, but on this "
                    "car both sides are alike within {car:.1f} mm, and only {point} {side} is out.",
                    point=name,
                    side=out,
                    sheet=float(np.abs(by_sheet).max()),
                    car=float(np.abs(on_car).max()),
                ),
                say(
                    "Look the row of {point} {side} up again; leave it if the vehicle is built "
                    "asymmetrical there.",
                    point=name,
                    side=out,
                ),
            )
        )
    return findings
