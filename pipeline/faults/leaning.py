"""Cards that sit askew on their stems: the hole is then not where the card's normal points.

A hole is taken to lie at the end of the stem, square to the card. Card and stem that lean together
do no harm; a card of lean t that is glued askew to a stem of length L puts its hole L sin(t) off.
The photos show the lean and not which of both it is, but the sheet may tell: an upright stem brings
the hole back to its point, and a leaning one does not.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.frames import Array
from pipeline.findings import Finding
from pipeline.inputs.job import CardOnPoint
from targets.said import say

_LEAST_MM = 2.0
"""Points nearer to the sheet than this need no explanation."""
_FITS_MM = 1.5
"""So near to the sheet an upright stem must bring the hole: what stems lean by themselves comes to
this (our choice, as for stems of another length)."""
_LEANS_DEG = 3.0, 5.0
_LEANS_TIMES = 2.0, 4.5
"""An odd lean, and a very odd one, over the standard deviation of the others' (normal in two
directions, so Rayleigh distributed): 14 cards in 100 lean by more than 2 of it, one in 25000 by
more than 4.5."""
_MEDIAN = 1.1774
"""Of a Rayleigh distribution, in standard deviations: sqrt(2 ln 2)."""


def leaning_findings(
    rows: Sequence[CardOnPoint], deviations_mm: Array, normals: Array
) -> list[Finding]:
    """Points that lie off the sheet while their card leans.

    Parameters
    ----------
    deviations_mm : (N, 3) measured minus sheet; normals : (N, 3) into the cards, vehicle frame.
    """
    if not len(rows):
        return []
    upright = np.array([0.0, 0.0, 1.0])
    lean_deg = np.degrees(np.arccos(np.clip(normals @ upright, -1.0, 1.0)))
    sd_deg = float(np.median(lean_deg)) / _MEDIAN
    odd_deg, very_odd_deg = np.maximum(_LEANS_DEG, sd_deg * np.array(_LEANS_TIMES))
    findings = []
    for row, off, z, lean in zip(rows, deviations_mm, normals, lean_deg, strict=True):
        shift = row.stem_mm * (upright - z)
        shift_mm, off_mm = float(np.linalg.norm(shift)), float(np.linalg.norm(off))
        left_mm = float(np.linalg.norm(off + shift))
        if min(off_mm, shift_mm) < _LEAST_MM or lean < odd_deg:
            continue
        told = {
            "lean": float(lean),
            "point": f"{row.point} {row.side}",
            "off": off_mm,
            "left": left_mm,
            "shift": shift_mm,
        }
        own_mm = row.stem_mm * float(np.sin(2.0 * np.radians(sd_deg)))
        if left_mm < min(_FITS_MM + own_mm, 0.5 * off_mm):
            text = say(
                "This card leans by {lean:.1f} degrees, and point {point} lies {off:.1f} mm off; "
                "with an upright stem it would lie {left:.1f} mm off.",
                **told,
            )
        elif lean > very_odd_deg:
            text = say(
                "This card leans by {lean:.1f} degrees, far more than the others. If it sits askew "
                "on its stem, point {point} is off by {shift:.1f} mm.",
                **told,
            )
        else:
            continue
        findings.append(
            Finding(
                "card-tilted",
                "warning",
                say("card {card}", card=row.card),
                text,
                "Look whether the card sits square on its stem; if not, mend it and photograph it "
                "again.",
            )
        )
    return findings
