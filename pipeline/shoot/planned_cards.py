"""Where cards and bars go in a planned shoot: on points, as ties between photos, as scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.frames import Array
from pipeline.inputs.job import CardOnPoint, Job
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint
from pipeline.shoot.obstacles import SILL_EDGE_MM
from pipeline.shoot.stations import Extent
from targets.bar import Bar
from targets.said import Said, say

_STEM_MM = 40.0
_BAR_MM = 1200.0
_BAR_U_MM = 0.1
_DOWN = np.array([0.0, 0.0, -1.0])
_OUTWARD = np.radians(60.0)
"""How far cards are turned out from facing down where nobody can get under the car."""
_UPPER_MM = 500.0
"""Points above this height are on the upper body and face outward."""
_OUTER_SHARE = 0.85
"""Points farther out than this share of the half width lie on the sills."""
_ARCHES = {
    (True, True): say("left front wheel arch"),
    (True, False): say("right front wheel arch"),
    (False, True): say("left rear wheel arch"),
    (False, False): say("right rear wheel arch"),
}
"""By (front, left)."""
_ENDS = {
    (True, True): say("front corner"),
    (True, False): say("front bumper"),
    (False, True): say("rear corner"),
    (False, False): say("rear bumper"),
}
"""By (front, at a corner)."""


@dataclass(frozen=True)
class PlannedCard:
    """A card to fix.

    Attributes
    ----------
    card : id; role "point", "base", "tie" or "bar".
    where : its point, or where to stick it.
    centre_mm, normal : vehicle frame.
    """

    card: int
    role: str
    where: str
    centre_mm: Array
    normal: Array


def planned_cards(job: Job, place: str, proposed: list[str]) -> tuple[Job, list[PlannedCard]]:
    """Cards for points, ties and bars, those that the job does not name being proposed.

    Returns the job with them, and adds what was proposed to ``proposed``.
    """
    assert job.sheet is not None
    taken = {r.card for r in job.cards} | {c for bar in job.bars for c in bar.cards}
    large = place == "yard"
    free = (i for i in range(450 if large else 0, 587 if large else 300) if i not in taken)
    rows = {f"{r.point} {r.side}": r for r in job.cards}
    new = 0
    cards = []
    for point in job.sheet.points:
        row = rows.get(point.name)
        if row is None and job.cards:
            continue
        if row is None:
            row = CardOnPoint(next(free), point.point, point.side, _STEM_MM, "")
            rows[point.name] = row
            new += 1
        normal = _facing(point.position_mm, place)
        centre = point.position_mm + row.stem_mm * normal
        role = "base" if point.base else "point"
        cards.append(PlannedCard(row.card, role, point.name, centre, normal))
    if new:
        proposed.append(
            say("cards on {count} points, stems of {stem:.0f} mm", count=new, stem=_STEM_MM)
        )
    job = replace(job, cards=tuple(rows[c.where] for c in cards))
    extent = Extent.of(np.array([c.centre_mm for c in cards]))
    for where, centre, normal in _tie_places(place, extent):
        cards.append(PlannedCard(next(free), "tie", where, centre, normal))
    bars = job.bars
    if not bars:
        bars = tuple(
            Bar((next(free), next(free)), _BAR_MM, _BAR_U_MM, job.body_alpha_per_k)
            for _ in range(2)
        )
        proposed.append(
            say("two bars of {length:.0f} mm (U {U:g} mm)", length=_BAR_MM, U=_BAR_U_MM)
        )
    for n, bar in enumerate(bars):
        where, ends, normal = _bar_place(place, extent, n, bar.length_mm)
        cards += [
            PlannedCard(card, "bar", where, end, normal)
            for card, end in zip(bar.cards, ends, strict=True)
        ]
    return replace(job, bars=bars), cards


def _facing(position_mm: Array, place: str) -> Array:
    """Where a card on a point looks: down, or out to its own side where nobody gets under."""
    side = 1.0 if position_mm[1] >= 0 else -1.0
    if position_mm[2] > _UPPER_MM:
        return np.array([0.0, side, 0.0])
    if place == "yard":
        return np.array([0.0, side * np.sin(_OUTWARD), -np.cos(_OUTWARD)])
    return _DOWN


def _tie_places(place: str, extent: Extent) -> list[tuple[str, Array, Array]]:
    """Where further cards go, so that neighbouring photos share three and more."""
    ties: list[tuple[str, Array, Array]] = []
    if place != "yard":
        for n, share in enumerate(np.linspace(0.04, 0.96, 12)):
            y = (0.35, -0.3, 0.03)[n % 3] * extent.half_mm
            centre = np.array([extent.along(share), y, 0.5 * (extent.low_mm + extent.high_mm)])
            across = (say("left of the middle"), say("right of the middle"), say("middle"))[n % 3]
            where = say("underbody, {across}, {along}", across=across, along=_share_words(share))
            ties.append((where, centre, _DOWN))
    if place == "arches":
        for side, left in ((1.0, True), (-1.0, False)):
            for share, front in ((0.83, True), (0.17, False)):
                for off, up, turn, words in (
                    (-180.0, -150.0, 30.0, say("inner edge, facing down")),
                    (150.0, 0.0, 45.0, say("lip, half down, half out")),
                    (0.0, 450.0, 80.0, say("above the arch, facing out")),
                    (320.0, 250.0, 70.0, say("behind the arch, facing out")),
                ):
                    normal = np.array([0.0, side * np.sin(np.radians(turn)), 0.0])
                    normal[2] = -np.cos(np.radians(turn))
                    centre = np.array(
                        [extent.along(share) + off, side * (extent.half_mm + 60.0), 150.0 + up]
                    )
                    arch = _ARCHES[front, left]
                    where = say("{arch}, {words}", arch=arch, words=words)
                    ties.append((where, centre, normal))
    if place == "yard":
        for side, sill in ((1.0, say("left sill edge")), (-1.0, say("right sill edge"))):
            out = np.array([0.0, side * np.sin(_OUTWARD), -np.cos(_OUTWARD)])
            for share in np.linspace(0.1, 0.9, 5):
                centre = np.array([extent.along(share), side * (extent.half_mm + 30.0), 20.0])
                where = say("{sill}, {along}, turned out", sill=sill, along=_share_words(share))
                ties.append((where, centre, out))
        for end, front in ((1.0, True), (-1.0, False)):
            x = (extent.front_mm + 150.0) if end > 0 else (extent.rear_mm - 150.0)
            for y in (-0.8, -0.27, 0.27, 0.8):
                normal = np.array([end, 0.9 * np.sign(y) * (abs(y) > 0.5), -0.35])
                centre = np.array([x, y * extent.half_mm, 100.0])
                where = say(
                    "{part}, {side}",
                    part=_ENDS[front, abs(y) > 0.5],
                    side=say("left") if y > 0 else say("right"),
                )
                ties.append((where, centre, normal))
    return ties


def _bar_place(
    place: str, extent: Extent, number: int, length_mm: float
) -> tuple[str, tuple[Array, Array], Array]:
    """Where a bar lies: across and along under the car by turns, or along its sides in a yard."""
    middle = 0.5 * (extent.front_mm + extent.rear_mm)
    half = length_mm / 2.0
    if place == "yard":
        side = 1.0 if number % 2 == 0 else -1.0
        normal = np.array([0.0, side * np.sin(_OUTWARD), -np.cos(_OUTWARD)])
        y = side * (extent.half_mm + 60.0)
        ends = (np.array([middle + half, y, -60.0]), np.array([middle - half, y, -60.0]))
        left, right = (
            say("along the left sill, turned out"),
            say("along the right sill, turned out"),
        )
        return left if side > 0 else right, ends, normal
    low = extent.low_mm - 60.0
    if number % 2 == 0:
        x = extent.along(0.72)
        ends = (np.array([x, half, low]), np.array([x, -half, low]))
        return say("across, under the front of the floor"), ends, _DOWN
    x = extent.along(0.4)
    ends = (np.array([x + half, -40.0, low]), np.array([x - half, -40.0, low]))
    return say("along, under the middle of the floor"), ends, _DOWN


def _share_words(share: float) -> Said:
    if share > 0.68:
        return say("front")
    return say("rear") if share < 0.32 else say("middle")


def sill_edge_mm(cards: Sequence[PlannedCard]) -> float:
    """How low the sills reach: as low as the cards on the outermost points."""
    own = [c.centre_mm for c in cards if c.role in ("point", "base")]
    half = max(abs(c[1]) for c in own)
    outer = [float(c[2]) for c in own if abs(c[1]) > _OUTER_SHARE * half and half > 600.0]
    return min(outer) + 30.0 if outer else SILL_EDGE_MM


def generic_sheet(length_mm: float, width_mm: float) -> ReferenceSheet:
    """Pairs of points spread over an underbody of this size; no vehicle's figures."""
    pairs = (
        ("P1", 0.48, 0.62, 320.0, False),
        ("P2", 0.34, 0.60, 250.0, False),
        ("P3", 0.22, 0.55, 130.0, False),
        ("P4", 0.12, 0.56, 100.0, True),
        ("P5", 0.06, 0.96, 150.0, True),
        ("P6", -0.06, 0.56, 100.0, True),
        ("P7", -0.17, 0.94, 150.0, True),
        ("P8", -0.28, 0.62, 260.0, False),
        ("P9", -0.48, 0.65, 340.0, False),
    )
    points = []
    for name, along, across, height_mm, base in pairs:
        for side, sign in (("L", 1.0), ("R", -1.0)):
            place = np.array([along * length_mm, sign * across * width_mm / 2.0, height_mm])
            points.append(SheetPoint(name, side, place, 3.0, base, ""))
    return ReferenceSheet(tuple(points))
