"""What moved suspension pick-up points mean for camber, caster and wheelbase.

Small-angle geometry of the pick-up points alone (own derivation from the usual definitions of the
angles, which are from memory: camber + top outward, caster + top rearward, seen from the front and
from the side). Per side, with h the height of the upper pick-up points above the lower ones and
dx, dy their deviations (forward +, outward +):

    change of camber = (dy upper - dy lower) / h        rad
    change of caster = (dx lower - dx upper) / h        rad
    change of wheelbase = dx front - dx rear            mm, of the lower pick-up points or axles

Limits: arms, struts, knuckles and bushes are taken as sound, and each wheel as moved by the mean
of its pick-up points; ride height, steering geometry, adjusters and the tilt between them are left
out; angles of a few degrees. It tells where to look. It complements and never replaces a wheel
alignment.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Array
from pipeline.datum.deviation import DeviationTable
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint

AXLES = ("front", "rear")
_LOWER = ("control arm", "bush")
_LEAST_RISE_MM = 100.0
"""Arms of one corner that lie higher than this above the others are its upper arms."""
_SHOWN = 1.5
"""A figure counts beyond 1.5 U, that is k = 3: some ten of them are looked at in a job."""


@dataclass(frozen=True)
class Figure:
    """A figure with its expanded uncertainty (k = 2): degrees for angles, mm for wheelbase."""

    value: float
    U: float

    @property
    def shown(self) -> bool:
        """Whether it differs from nought beyond doubt."""
        return abs(self.value) > _SHOWN * self.U


@dataclass(frozen=True)
class SuspensionChange:
    """What the pick-up points of one axle, or the two sides' wheelbase, have done.

    Attributes
    ----------
    what : "camber", "caster" or "wheelbase".
    axle : "front" or "rear", "" for the wheelbase.
    left, right : change of that side, None where its points are missing.
    difference : left minus right, None where a side is missing.
    points : names "POINT SIDE" it rests on.
    """

    what: str
    axle: str
    left: Figure | None
    right: Figure | None
    difference: Figure | None
    points: tuple[str, ...]


def camber_change_deg(upper_outward_mm: float, lower_outward_mm: float, rise_mm: float) -> float:
    """Change of camber by shifts of the upper and lower pick-up points, degrees, + top outward.

    By hand: a strut tower 10 mm inward, 500 mm above a sound arm: 10 / 500 rad = -1.15 degrees.

    >>> round(camber_change_deg(-10.0, 0.0, 500.0), 2)
    -1.15
    """
    return float(np.degrees((upper_outward_mm - lower_outward_mm) / rise_mm))


def caster_change_deg(upper_forward_mm: float, lower_forward_mm: float, rise_mm: float) -> float:
    """Change of caster, degrees, + top rearward.

    By hand: an arm pushed back by 8 mm, 500 mm below a sound tower: -8 / 500 rad = -0.92 degrees.

    >>> round(caster_change_deg(0.0, -8.0, 500.0), 2)
    -0.92
    """
    return float(np.degrees((lower_forward_mm - upper_forward_mm) / rise_mm))


def suspension_changes(
    table: DeviationTable, sheet: ReferenceSheet, scatter_mm: float
) -> tuple[SuspensionChange, ...]:
    """Changes of both axles and of the wheelbase, as far as points of the right kinds tell.

    Kinds of the sheet: "strut tower" is upper; "control arm" and "bush" are lower, or upper where
    a corner has no strut tower and they lie well above the others; "axle" tells of the wheelbase.

    Parameters
    ----------
    table : deviations and their joint covariance.
    scatter_mm : standard deviation of a sound body from its sheet, per point and axis.
    """
    of_sheet = {(p.point, p.side): p for p in sheet.points}
    corners = _corners(
        {
            i: of_sheet[(row.point, row.side)]
            for i, row in enumerate(table.rows)
            if (row.point, row.side) in of_sheet and np.isfinite(row.deviation_mm).all()
        },
        sheet,
    )
    count = len(table.rows)
    spread = table.deviation_covariance_mm2 + scatter_mm**2 * np.eye(3 * count)
    deviations = np.concatenate([row.deviation_mm for row in table.rows] or [np.zeros(0)])
    names = [f"{row.point} {row.side}" for row in table.rows]

    def change(
        what: str, axle: str, maps: dict[str, Array | None], degrees: bool
    ) -> SuspensionChange | None:
        left, right = maps["L"], maps["R"]
        both = None if left is None or right is None else left - right
        if left is None and right is None:
            return None
        factor = float(np.degrees(1.0)) if degrees else 1.0

        def figure(row: Array | None) -> Figure | None:
            if row is None:
                return None
            used = row != 0.0
            own = row[used]
            return Figure(
                factor * float(own @ deviations[used]),
                2.0 * factor * float(np.sqrt(own @ spread[np.ix_(used, used)] @ own)),
            )

        used = np.zeros(3 * count, dtype=bool)
        for row in (left, right):
            used |= False if row is None else row != 0.0
        rests_on = tuple(names[i] for i in np.flatnonzero(used.reshape(-1, 3).any(axis=1)))
        return SuspensionChange(what, axle, figure(left), figure(right), figure(both), rests_on)

    found = []
    for axle in AXLES:
        for what, axis, sign in (("camber", 1, 1.0), ("caster", 0, -1.0)):
            maps: dict[str, Array | None] = {}
            for side in "LR":
                corner = corners[f"{axle} {side}"]
                outward = -1.0 if axis == 1 and side == "R" else 1.0
                maps[side] = (
                    sign
                    * outward
                    / corner.rise_mm
                    * (_mean(corner.upper, axis, count) - _mean(corner.lower, axis, count))
                    if corner.upper and corner.lower
                    else None
                )
            found.append(change(what, axle, maps, degrees=True))
    lengths: dict[str, Array | None] = {}
    for side in "LR":
        front, rear = corners[f"front {side}"].axle, corners[f"rear {side}"].axle
        lengths[side] = _mean(front, 0, count) - _mean(rear, 0, count) if front and rear else None
    found.append(change("wheelbase", "", lengths, degrees=False))
    return tuple(one for one in found if one is not None)


def told_by(sheet: ReferenceSheet) -> tuple[str, ...]:
    """Of what the sheet's points tell on both sides, once measured: "front camber and caster"."""
    corners = _corners(dict(enumerate(sheet.points)), sheet)

    def both(axle: str, part: str) -> bool:
        return all(getattr(corners[f"{axle} {side}"], part) for side in "LR")

    found = [f"{axle} camber and caster" for axle in AXLES if both(axle, "upper")]
    wheelbase = all(both(axle, "axle") for axle in AXLES)
    return (*found, *(["wheelbase"] if wheelbase else []))


def _mean(points: Sequence[int], axis: int, count: int) -> Array:
    """(3 N,) row that takes deviations to the mean of one axis over some points."""
    row = np.zeros((count, 3))
    row[list(points), axis] = 1.0 / len(points)
    return row.ravel()


@dataclass(frozen=True)
class _Corner:
    """Keys of the points of one wheel: upper and lower ones, and those of the wheelbase."""

    upper: list[int]
    lower: list[int]
    rise_mm: float
    axle: list[int]


def _corners(known: Mapping[int, SheetPoint], sheet: ReferenceSheet) -> dict[str, _Corner]:
    """The four corners, "front L" and so on, by the kinds and places on the sheet."""
    base = [p.position_mm[0] for p in sheet.points if p.base]
    middle = float(np.mean(base)) if base else 0.0
    return {
        f"{axle} {side}": _corner(
            {
                i: p
                for i, p in known.items()
                if p.side == side and (p.position_mm[0] > middle) == (axle == "front")
            }
        )
        for axle in AXLES
        for side in "LR"
    }


def _corner(own: Mapping[int, SheetPoint]) -> _Corner:
    upper = [i for i, p in own.items() if p.kind == "strut tower"]
    arms = [i for i, p in own.items() if p.kind in _LOWER]
    heights = {i: float(own[i].position_mm[2]) for i in (*upper, *arms)}
    if not upper and arms:
        lowest = min(heights[i] for i in arms)
        upper = [i for i in arms if heights[i] - lowest > _LEAST_RISE_MM]
        arms = [i for i in arms if i not in upper]
    rise_mm = (
        float(np.mean([heights[i] for i in upper]) - np.mean([heights[i] for i in arms]))
        if upper and arms
        else 0.0
    )
    if rise_mm < _LEAST_RISE_MM:
        upper = []
    axles = [i for i, p in own.items() if p.kind == "axle"]
    return _Corner(upper, arms, rise_mm, axles or arms)
