"""Whether a stem may have another length than cards.csv says.

No photo sees a stem. A wrong one shifts its point along the card's normal by the difference to the
true one, and three things can give it away: the sheet, where another stem brings the point back to
its place; the base points, where another stem makes them agree; and cards.csv itself, where one
pair alone has unlike stems. Damage can do the same: it is told as a doubt, nothing is changed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from calib.frames import Array
from pipeline.datum.base_points import FALSE_ALARM, BaseChoice, BasePoints, congruence
from pipeline.datum.deviation import DeviationRow
from pipeline.findings import Finding
from pipeline.inputs.job import CardOnPoint, Job
from targets.said import listed, say, say_count

_FITS = 0.01
"""With the true stem a sound point is farther from its place than this share of chance allows."""
_EXPLAINS = 1e-6
"""And the listed one leaves it off by what chance does so rarely."""
_ROUND_MM = 10.0
"""Stems that no other card of the job has are thought of in steps of this (common practice, no
source)."""
_OTHER_PAIRS = 4
"""So many other pairs with equal stems make unlike ones odd (our choice)."""


@dataclass(frozen=True)
class PointOnStem:
    """A point that the sheet knows, in the vehicle frame.

    Attributes
    ----------
    listed : its row of cards.csv; row : its row of the deviations.
    spread_mm2 : (3, 3) covariance of the deviation of a sound point, scatter of the build included.
    normal : (3,) into the card.
    """

    listed: CardOnPoint
    row: DeviationRow
    spread_mm2: Array
    normal: Array

    @property
    def along_mm(self) -> float:
        """How far it lies off along its stem."""
        return float(self.row.deviation_mm @ self.normal)

    def squares(self, stem_mm: float) -> float:
        """Weighted squares of its deviation had its stem this length; chi-square of 3 if sound."""
        off = self.row.deviation_mm + (stem_mm - self.listed.stem_mm) * self.normal
        return float(off @ np.linalg.solve(self.spread_mm2, off))

    def explained_by(self, stem_mm: float) -> bool:
        """Whether this stem brings it to its place, from which the listed one keeps it."""
        squares = self.squares(stem_mm)
        gain = self.squares(self.listed.stem_mm) - squares
        return bool(squares < chi2.isf(_FITS, 3) and gain > chi2.isf(_EXPLAINS, 1))


def stem_findings(job: Job, points: Sequence[PointOnStem]) -> list[Finding]:
    """Points that another stem would bring to their places on the sheet.

    A stem that another card of the job has is believed at once; any other one only in whole
    centimetres, and only if no second point lies off along its stem alone, as those of a sagged
    section do.
    """
    stems = {row.stem_mm for row in job.cards}
    off_along = [p for p in points if p.explained_by(p.listed.stem_mm - p.along_mm)]
    findings = []
    for point in off_along:
        likely = stems - {point.listed.stem_mm}
        if len(off_along) == 1:
            whole = round((point.listed.stem_mm - point.along_mm) / _ROUND_MM) * _ROUND_MM
            likely |= {whole} if whole > 0 else set()
        near = sorted((s for s in likely if point.explained_by(s)), key=point.squares)
        if near:
            findings.append(_of_point(point, near[0]))
    return findings


def base_stem_findings(
    job: Job, points: BasePoints, rows: Sequence[CardOnPoint], normals: Array, choice: BaseChoice
) -> list[Finding]:
    """Stems that would make base points agree of which it cannot be told which moved.

    Parameters
    ----------
    points, rows : the base points tested, and their rows of cards.csv.
    normals : (B, 3) into their cards, network frame.
    """
    if not choice.doubtful and not (job.base is not None and choice.left_out):
        return []
    stems = sorted({row.stem_mm for row in job.cards})
    fitting = []
    for k, row in enumerate(rows):
        for stem in stems:
            positions = points.positions_mm.copy()
            positions[k] += (stem - row.stem_mm) * normals[k]
            whole = congruence(replace(points, positions_mm=positions))
            if stem != row.stem_mm and whole.probability >= FALSE_ALARM:
                fitting.append((whole.statistic, row, stem))
    if not fitting:
        return []
    fitting.sort(key=lambda one: one[0])
    explanations = [
        say(
            "{stem:g} mm in place of {listed:g} mm under {point} (card {card})",
            stem=stem,
            listed=row.stem_mm,
            point=f"{row.point} {row.side}",
            card=row.card,
        )
        for _, row, stem in fitting
    ]
    cards = list(dict.fromkeys(row.card for _, row, _ in fitting))
    return [
        Finding(
            "stem-doubtful",
            "warning",
            say_count(
                len(cards), "card {cards}", "cards {cards}", cards=", ".join(map(str, cards))
            ),
            say_count(
                len(fitting),
                "Another stem would make all base points agree with the sheet: {stems}. Either it "
                "is wrong, or a base point has moved.",
                "Another stem would make all base points agree with the sheet, the likeliest "
                "first: {stems}. Either one of them is wrong, or a base point has moved.",
                stems=listed(explanations),
            ),
            "Measure the stem, and correct stem_mm in cards.csv if it is wrong.",
            "If a stem is wrong, the vehicle frame is bent by it, and with it every figure.",
        )
    ]


def pair_stem_findings(job: Job, rows: Sequence[DeviationRow]) -> list[Finding]:
    """The one pair with unlike stems, all others being alike, unless both its points are in place.

    A typing error leaves such a pair, and no damage hides it.
    """
    pairs: dict[str, dict[str, CardOnPoint]] = defaultdict(dict)
    for row in job.cards:
        pairs[row.point][row.side] = row
    whole = [(p["L"], p["R"]) for p in pairs.values() if "L" in p and "R" in p]
    odd = [(left, right) for left, right in whole if left.stem_mm != right.stem_mm]
    if len(odd) != 1 or len(whole) <= _OTHER_PAIRS:
        return []
    left, right = odd[0]
    within = {row.card for row in rows if row.verdict == "within"}
    if {left.card, right.card} <= within:
        return []
    return [
        Finding(
            "stem-doubtful",
            "warning",
            say("cards {left} and {right}", left=left.card, right=right.card),
            say(
                "By cards.csv point {point} has a stem of {left:g} mm on the left (card "
                "{left_card}) and of {right:g} mm on the right (card {right_card}), while the "
                "other {count} pairs have the same on both sides.",
                point=left.point,
                left=left.stem_mm,
                right=right.stem_mm,
                left_card=left.card,
                right_card=right.card,
                count=len(whole) - 1,
            ),
            "Measure the stem, and correct stem_mm in cards.csv if it is wrong.",
        )
    ]


def _of_point(point: PointOnStem, stem_mm: float) -> Finding:
    row = point.listed
    then = point.row.deviation_mm + (stem_mm - row.stem_mm) * point.normal
    return Finding(
        "stem-doubtful",
        "warning",
        say("card {card}", card=row.card),
        say(
            "Point {point} lies {along:+.1f} mm off along its stem and hardly across it. Either it "
            "has moved that much, or it has a stem of {stem:g} mm in place of {listed:g} mm: then "
            "it lies {then:.1f} mm off.",
            point=f"{row.point} {row.side}",
            along=point.along_mm,
            stem=stem_mm,
            listed=row.stem_mm,
            then=float(np.linalg.norm(then)),
        ),
        "Measure the stem, and correct stem_mm in cards.csv if it is wrong.",
    )
