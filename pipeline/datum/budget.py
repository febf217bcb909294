"""The uncertainty budget: how much of each point's U comes from where.

From dots to deviations the way is linear, to the accuracy that matters here: x' = A x + G l for
the scale (l the lengths of the bars), hole = J x', position = C hole for the vehicle frame. What
is unsure at one stage goes through the matrices of those that follow, so the covariance of the
deviations is a sum over sources that are independent of each other (GUM, JCGM 100:2008, 5.1, from
memory). Each is kept as a root r, its share of the covariance being r r^T; only the photos' share
is a full matrix. Base points bring the same sources in through C, and their scatter about the
sheet as one of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Array
from pipeline.adjustment.points import Holes
from pipeline.adjustment.scale import Scaled
from pipeline.adjustment.solution import Solution
from pipeline.datum.datum import Datum
from targets.said import listed, say

SOURCES = {
    "photos": "the measurement of the dots in the photos",
    "camera": "the camera constants, themselves found from photos",
    "bar": "the certificates of the bars",
    "print": "the printer's scale, no bar having been measured",
    "temperature": "the temperature, and the expansion of bars and body",
    "seat across": "the seat of the card in its hole, across its axis",
    "seat along": "the seat of the card in its hole, along its axis",
    "stem": "the length of the stem",
    "flatness": "the flatness of the card, which turns the stem",
    "sheet": "how far the base points are off the sheet themselves",
    "reference": "the figures of the sheet, where it states their uncertainty",
}
"""All sources, and what they are."""

_CAUSES = {
    "seat": ("seat across", "seat along", "stem", "flatness"),
    "photos": ("photos", "camera"),
    "bar": ("bar",),
    "print": ("print",),
    "temperature": ("temperature",),
    "sheet": ("sheet",),
    "reference": ("reference",),
}
"""Sources that have the same remedy."""

_TOLD = {
    "seat": say(
        "The seat of the cards in their holes decides U ({share:.0f} % of its square): better "
        "plugs and flat cards would make it smaller",
        share=0,
    ),
    "photos": say(
        "What the photos can tell decides U ({share:.0f} % of its square): more photos from more "
        "sides, or a lens profile, would make it smaller",
        share=0,
    ),
    "bar": say(
        "The certificate of the bars decides U ({share:.0f} % of its square): longer bars or "
        "better certificates would make it smaller",
        share=0,
    ),
    "print": say(
        "The scale of the printer decides U ({share:.0f} % of its square): a bar would make it "
        "smaller",
        share=0,
    ),
    "temperature": say(
        "The temperature decides U ({share:.0f} % of its square): a thermometer on the car, or a "
        "bar that expands as the body does, would make it smaller",
        share=0,
    ),
    "sheet": say(
        "How far the base points are off the sheet decides U ({share:.0f} % of its square): more "
        "undamaged base points would make it smaller",
        share=0,
    ),
    "reference": say(
        "What the sheet says decides U ({share:.0f} % of its square): a sheet of the maker's "
        "figures, or one from more vehicles, would make it smaller",
        share=0,
    ),
}
"""What each cause is told as; the share is filled in by ``budget_sentence``."""

_LITTLE_SHARE = 0.1
"""Of the variance: without the photos' part U would be 5 % smaller."""

COVERAGE_FACTOR = 2.0
"""U = k u; k = 2 stands for about 95 % (GUM)."""

DECISION_RULE = (
    "within: deviation and U together do not pass the tolerance (acceptance with a guard band of "
    "U, as in the earlier editions of ISO 14253-1); out: the deviation passes it by more than U; "
    "else undecided. Later editions take by default a conformance probability of 95 %, for which "
    "a guard band of about 1.65 u, or 0.82 U, would do. (Both from memory.)"
)
"""How verdicts are given, as ``deviation.verdict_of`` does it."""


@dataclass(frozen=True)
class BudgetRow:
    """Where the uncertainty of one point comes from; (3,) arrays are length, width, height, mm.

    Attributes
    ----------
    point, side : name and L, R or C.
    u_mm : standard uncertainty by source; their squares add up to that of the deviation.
    dominant : the source that contributes most, over all three axes.
    """

    point: str
    side: str
    u_mm: Mapping[str, Array]
    dominant: str

    @property
    def U_mm(self) -> Array:
        """(3,) expanded uncertainty, k = 2."""
        return COVERAGE_FACTOR * np.sqrt(sum((u**2 for u in self.u_mm.values()), np.zeros(3)))


def covariances_by_source(
    free: Solution, camera_root_mm: Array, scaled: Scaled, holes: Holes, datum: Datum
) -> dict[str, Array]:
    """Covariance (3 N, 3 N) of the deviations from the sheet by source, mm^2.

    That of the positions in the vehicle frame is the same but for the last source, ``reference``.

    Parameters
    ----------
    free : the network before the bars.
    camera_root_mm : (12 C, k) r, the camera constants' part of its covariance being r r^T.
    scaled, holes, datum : the stages that follow, each with its linear map.
    """
    by_dots = datum.by_holes @ holes.by_dots
    by_network = by_dots @ scaled.by_dots
    roots = {"camera": by_network @ camera_root_mm}
    roots |= {source: by_dots @ root for source, root in scaled.roots_mm.items()}
    roots |= {source: datum.by_holes @ root for source, root in holes.roots_mm.items()}
    roots["sheet"] = datum.sheet_root_mm
    if datum.reference_root_mm.any():
        roots["reference"] = datum.reference_root_mm
    by_source = {source: root @ root.T for source, root in roots.items()}
    photos = by_network @ free.covariance_mm2 @ by_network.T - by_source["camera"]
    return {"photos": photos, **by_source}


def budget(
    free: Solution, camera_root_mm: Array, scaled: Scaled, holes: Holes, datum: Datum
) -> tuple[BudgetRow, ...]:
    """The budget of each hole; parameters as in ``covariances_by_source``."""
    variances = {
        # A difference of covariances may fall below zero by rounding.
        source: np.maximum(np.diag(covariance), 0.0).reshape(-1, 3)
        for source, covariance in covariances_by_source(
            free, camera_root_mm, scaled, holes, datum
        ).items()
    }
    return tuple(
        BudgetRow(
            point=row.point,
            side=row.side,
            u_mm={source: np.sqrt(v[n]) for source, v in variances.items()},
            dominant=max(variances, key=lambda source: float(variances[source][n].sum())),
        )
        for n, row in enumerate(holes.rows)
    )


def budget_sentence(rows: Sequence[BudgetRow]) -> str:
    """What decides U, how far, and what would make it smaller, in one plain sentence or two.

    Causes that have the same remedy count as one; variances are summed over all points and axes.
    """
    if not rows:
        return ""
    by_source = {
        source: sum(float((row.u_mm[source] ** 2).sum()) for row in rows) for source in rows[0].u_mm
    }
    variance = {
        cause: sum(by_source.get(source, 0.0) for source in sources)
        for cause, sources in _CAUSES.items()
    }
    whole = sum(variance.values())
    if whole <= 0.0:
        return ""
    first = max(variance, key=lambda cause: variance[cause])
    told = say(_TOLD[first].pattern, share=100.0 * variance[first] / whole)
    if first != "photos" and variance["photos"] < _LITTLE_SHARE * whole:
        return say("{told}; more photos would not help.", told=told)
    return listed([told, "."], "")
