"""Whether the sheet was made from this very car: then it can only tell what has moved since.

``datumshot sheet from`` makes a sheet from a measured vehicle and states the uncertainty of its
figures, in which the scatter of the build is the largest part. Another vehicle of the type differs
from it by that scatter; the same one only by what two measurements differ by. A damaged car held
against its own sheet would read as straight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.stats import chi2

from pipeline.adjustment.points import Holes
from pipeline.datum.base_points import congruence
from pipeline.datum.vehicle_frame import base_points
from pipeline.findings import Finding
from pipeline.inputs.job import Job
from targets.said import say

_BY_CHANCE = 1e-3
"""Two measurements of one car differ by more so rarely."""
_TELLS = 3.0
"""The sheet's uncertainty is so many times that of the measurement, or nothing can be told."""


def own_sheet_findings(job: Job, holes: Holes, base: Sequence[int]) -> list[Finding]:
    """A warning where base points fit a measured sheet as only the car it was made from does.

    With C of the measurement, and the sheet measured as well as this session, v^T (2 C)^-1 v of the
    base points is chi-square of 3 B - 6 degrees of freedom (``base_points.congruence``).

    By hand: 8 base points with u = 0.05 mm against a sheet with u = 0.5 mm. On the same car they
    fit to about sqrt(2) x 0.05 = 0.07 mm on each axis: squares of about 3 x 8 - 6 = 18 in units of
    2 x 0.05^2. Another car that differs by 0.5 mm on each axis gives about
    18 (0.5^2 + 2 x 0.05^2) / (2 x 0.05^2) = 918, which chance never does.

    Parameters
    ----------
    base : indices of the holes that carry the datum.
    """
    known = {(p.point, p.side): p for p in (job.sheet.points if job.sheet else ())}
    marked = [(i, known[holes.rows[i].point, holes.rows[i].side]) for i in base]
    if len(marked) < 3 or not all(point.u_mm.all() for _, point in marked):
        return []
    points = base_points(job, holes, marked)
    measured_u_mm = float(np.sqrt(np.median(np.diag(points.covariance_mm2))))
    sheet_u_mm = float(np.median(points.sheet_u_mm))
    if sheet_u_mm < _TELLS * measured_u_mm:
        return []
    test = congruence(
        replace(
            points,
            covariance_mm2=2.0 * points.covariance_mm2,
            sheet_u_mm=np.zeros_like(points.sheet_u_mm),
            build_mm=np.zeros_like(points.build_mm),
        )
    )
    if chi2.sf(test.statistic, test.freedom) < _BY_CHANCE:
        return []
    return [
        Finding(
            "sheet-of-this-car",
            "warning",
            "sheet.csv",
            say(
                "The base points fit the sheet as closely as two measurements of one car agree, "
                "while another car of the type would be off by some {u:.1f} mm: the sheet was made "
                "from this car.",
                u=sheet_u_mm,
            ),
            "To judge whether the car is straight, take a sheet of a sound car of the type, or "
            "none, so that left is compared with right.",
        )
    ]
