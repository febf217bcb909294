"""Whether each card sits on the point that cards.csv names: swapped sides, wrong points.

A rigid fit of holes to the sheet that most of them agree with, found over all triples of holes,
does not care about the few that are listed wrongly; these then lie far from their own point and
near another one. Damage moves a point, but hardly ever onto another one of the sheet.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from calib.frames import Array, Pose
from pipeline.adjustment.points import Holes
from pipeline.datum.datum import closest_pose, on_one_line
from pipeline.findings import Finding
from pipeline.inputs.job import CardOnPoint, Job
from targets.said import say

_AGREE_MM = 15.0
_FAR_MM = 30.0
"""So far from its own point, and four times farther than from the other one."""
_NEAR_MM = 100.0
"""Largest distance from the other point: a hit one, on another stem, may be swapped, too."""
_LEAST_POINTS = 5
_ACROSS = {"L": "R", "R": "L", "C": "C"}
_MOST_TRIPLES = 4000
_UNITS = {
    10.0: say("centimetres"),
    1000.0: say("metres"),
    25.4: say("inches"),
    1.0 / 25.4: say("millimetres"),
}
"""What a sheet is in whose distances are so many times too small."""
_SAME_SCALE = 0.02


@dataclass(frozen=True)
class WrongPoint:
    """A card that sits on another point than cards.csv says.

    Attributes
    ----------
    row : of cards.csv; off_mm : distance from its own point.
    other : "POINT SIDE" that it fits; other_off_mm : distance from that.
    """

    row: CardOnPoint
    off_mm: float
    other: str
    other_off_mm: float


@dataclass(frozen=True)
class Assignment:
    """Whether cards sit where cards.csv says.

    Attributes
    ----------
    wrong : cards listed on wrong points.
    exchanged : whether left and right are exchanged throughout.
    agree, known : how many holes fit the sheet together, and how many it knows.
    unit : what the sheet's figures are instead of millimetres, "" where they may be millimetres.
    """

    wrong: tuple[WrongPoint, ...] = ()
    exchanged: bool = False
    agree: int = 0
    known: int = 0
    unit: str = ""

    @property
    def unclear(self) -> bool:
        """Whether no rigid fit brings more than half of the holes to the sheet."""
        return not self.exchanged and 2 * self.agree < self.known


def assignment(job: Job, holes: Holes, up: Array) -> Assignment:
    """Compare holes in any frame with the sheet; nothing is said of fewer than five.

    ``up`` : (3,) roughly upwards in the frame of the holes, as most cards face down. A flat
    underbody with its sides exchanged fits its sheet well enough when laid on its back.
    """
    if job.sheet is None:
        return Assignment()
    sheet = {f"{p.point} {p.side}": p.position_mm for p in job.sheet.points}
    known = [i for i, r in enumerate(holes.rows) if f"{r.point} {r.side}" in sheet]
    if len(known) < _LEAST_POINTS:
        return Assignment()
    rows = [holes.rows[i] for i in known]
    measured = holes.positions_mm[known]
    reference = np.array([sheet[f"{r.point} {r.side}"] for r in rows])
    pose, agree = _agreed(measured, reference, up)
    if 3 * agree < 2 * len(rows):
        # Cards on the other sides fit the places of those; a sheet typed the wrong way round is
        # the mirror image of the car. Of a symmetrical vehicle both are the same.
        mirrored = reference * [1.0, -1.0, 1.0]
        across = np.array(
            [
                sheet.get(f"{r.point} {_ACROSS[r.side]}", place)
                for r, place in zip(rows, mirrored, strict=True)
            ]
        )
        exchanged = max(_agreed(measured, places, up)[1] for places in (across, mirrored))
        if exchanged > 1.5 * agree and 2 * exchanged > len(rows):
            return Assignment(exchanged=True, agree=exchanged, known=len(rows))
    if pose is None or 2 * agree < len(rows):
        return Assignment(agree=agree, known=len(rows), unit=_unit(measured, reference))
    names = list(sheet)
    places = np.array([sheet[n] for n in names])
    found = []
    for row, at, own in zip(rows, pose.apply(measured), reference, strict=True):
        off = float(np.linalg.norm(at - own))
        away = np.linalg.norm(places - at, axis=1)
        nearest = int(away.argmin())
        name = f"{row.point} {row.side}"
        if off > _FAR_MM and away[nearest] < min(_NEAR_MM, off / 4.0) and names[nearest] != name:
            found.append(WrongPoint(row, off, names[nearest], float(away[nearest])))
    return Assignment(tuple(found), False, agree, len(rows))


def _unit(measured_mm: Array, sheet_mm: Array) -> str:
    """The unit of a sheet by the ratio of distances, which most pairs of points must show."""
    first, second = np.triu_indices(len(sheet_mm), 1)
    apart = [np.linalg.norm(x[first] - x[second], axis=1) for x in (measured_mm, sheet_mm)]
    ratios = apart[0][apart[1] > 0.0] / apart[1][apart[1] > 0.0]
    for factor, unit in _UNITS.items():
        if 2 * np.count_nonzero(np.abs(ratios / factor - 1.0) < _SAME_SCALE) > len(ratios):
            return unit
    return ""


def _agreed(measured_mm: Array, sheet_mm: Array, up: Array) -> tuple[Pose | None, int]:
    """The rigid fit, upright, that most holes agree with, and how many do."""
    triples = list(combinations(range(len(measured_mm)), 3))
    if len(triples) > _MOST_TRIPLES:
        step = len(triples) / _MOST_TRIPLES
        triples = [triples[int(k * step)] for k in range(_MOST_TRIPLES)]
    best, most = None, np.zeros(len(measured_mm), dtype=bool)
    for triple in triples:
        some = list(triple)
        sides = [
            np.linalg.norm(x[some] - x[some][[1, 2, 0]], axis=1) for x in (measured_mm, sheet_mm)
        ]
        if np.abs(sides[0] - sides[1]).max() > 2.0 * _AGREE_MM or on_one_line(sheet_mm[some]):
            continue
        pose = closest_pose(measured_mm[some], sheet_mm[some])
        if (pose.rotation @ up)[2] <= 0.0:
            continue
        agree = np.linalg.norm(pose.apply(measured_mm) - sheet_mm, axis=1) < _AGREE_MM
        if agree.sum() > most.sum():
            best, most = pose, agree
        if most.all():
            break
    if best is not None and most.sum() >= 3:
        best = closest_pose(measured_mm[most], sheet_mm[most])
    return best, int(most.sum())


def assignment_findings(found: Assignment) -> list[Finding]:
    """Findings of cards on wrong points; two that fit each other's are told as one."""
    findings, wrong = [], found.wrong
    if found.unclear:
        findings.append(
            Finding(
                "points-unclear",
                "fault",
                "cards.csv",
                say(
                    "However the sheet is laid, only {agree} of {known} holes come within "
                    "{limit:.0f} mm of their points.",
                    agree=found.agree,
                    known=found.known,
                    limit=_AGREE_MM,
                ),
                say(
                    "The sizes of car and sheet differ as if the figures of sheet.csv were {unit}: "
                    "give them in the unit that its header names.",
                    unit=found.unit,
                )
                if found.unit
                else "Check which card sits on which point and side, the length of the bars, and "
                "that this is the sheet of this car.",
            )
        )
    if found.exchanged:
        findings.append(
            Finding(
                "sides-exchanged",
                "fault",
                "cards.csv",
                "The holes fit the sheet only with left and right exchanged.",
                "Left is that of a driver looking forward: exchange L and R in cards.csv or "
                "sheet.csv.",
            )
        )
    told: set[int] = set()
    by_name = {f"{w.row.point} {w.row.side}": w for w in wrong}
    for one in wrong:
        if one.row.card in told:
            continue
        name = f"{one.row.point} {one.row.side}"
        other = by_name.get(one.other)
        if other is not None and other.other == name:
            told |= {one.row.card, other.row.card}
            findings.append(
                Finding(
                    "cards-swapped",
                    "fault",
                    say("cards {one} and {other}", one=one.row.card, other=other.row.card),
                    say(
                        "Card {card} lies {off:.0f} mm from {point} but {other_off:.1f} mm from "
                        "{other_point}, and card {other} the other way round: they are swapped.",
                        card=one.row.card,
                        off=float(one.off_mm),
                        point=name,
                        other_off=float(one.other_off_mm),
                        other_point=one.other,
                        other=other.row.card,
                    ),
                    "Exchange the two rows in cards.csv, if the cards were swapped.",
                    say(
                        "Points {one} and {other} are missing from the result.",
                        one=name,
                        other=one.other,
                    ),
                )
            )
        else:
            told.add(one.row.card)
            findings.append(
                Finding(
                    "card-on-wrong-point",
                    "fault",
                    say("card {card}", card=one.row.card),
                    say(
                        "It lies {off:.0f} mm from {point}, where cards.csv has it, but "
                        "{other_off:.1f} mm from {other}.",
                        off=float(one.off_mm),
                        point=name,
                        other_off=float(one.other_off_mm),
                        other=one.other,
                    ),
                    say("If it sits on {point}, correct its row in cards.csv.", point=one.other),
                    say("Point {point} is missing from the result.", point=name),
                )
            )
    return findings
