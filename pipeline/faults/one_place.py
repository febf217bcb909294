"""Photos that were all taken from nearly one place.

The image of a square fits two tilts (``pipeline.adjustment.start``), and only views from other
sides tell which of them it has. From one place the adjustment may settle on the wrong one: a card
that leans by some 40 degrees instead of none puts the hole at the end of its stem centimetres off,
and no covariance says so, since it is that of the tilt chosen.
"""

from __future__ import annotations

import numpy as np

from pipeline.adjustment.solution import Solution
from pipeline.findings import Finding
from targets.said import say

_ALIKE_RAD = np.radians(3.0)
"""Of 28 simulated jobs of 16 photos whose views of a card differ by up to 2 degrees three had a
card tilted the wrong way, of 56 with 3.4 degrees and more none (jobs as ``one-place-30mm`` of
``tests/benchmarks/faults.py`` makes them)."""
_NARROW_RAD = np.radians(10.0)
"""U is large enough for what so little leaves open, but nobody wants it (our choice)."""


def one_place_findings(solution: Solution) -> list[Finding]:
    """How little the views of the cards differ: a fault where verdicts cannot rest on them.

    Half of the cards may be seen from few sides; where most of them are, it is the photos.
    """
    apart_rad = float(np.median(solution.views_apart_rad))
    if apart_rad > _NARROW_RAD:
        return []
    alike = apart_rad < _ALIKE_RAD
    return [
        Finding(
            "photos-from-one-place",
            "fault" if alike else "warning",
            "photos",
            say(
                "The photos were taken from nearly the same place: the directions from which they "
                "show a card differ by {apart:.1f} degrees.",
                apart=float(np.degrees(apart_rad)),
            ),
            "Take photos from all sides of the car.",
            say(
                "From one place it cannot be told which of two ways a card leans, so there are no "
                "verdicts."
            )
            if alike
            else "",
        )
    ]
