"""Damage by zone in the trade's terms: what happened to front, centre and rear, and to points."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.frames import Array
from pipeline.datum.deviation import DeviationTable, Verdict, verdict_of
from pipeline.inputs.sheet import ReferenceSheet
from pipeline.repair.damage_car import Car, Section, sections_of, three_each
from pipeline.repair.damage_fit import Fit, departs, misfit_of, without_odd_points
from pipeline.repair.damage_naming import AMOUNT_LEVEL, is_turn, picked_terms
from pipeline.repair.damage_terms import END_TERMS, PLACES, Frame, end_change

LEAST_AMOUNT_MM = 1.0
"""Smaller changes are named by no word: half a millimetre is the step of many sheets."""
SECOND_ORDER = 0.1
"""Nor are changes below this share of the zone's largest: what small angles leave out reaches some
4 mm where five terms of 40 mm come together (``tests/benchmarks/damage.py``)."""


@dataclass(frozen=True)
class Term:
    """One term of the trade in one zone, mm.

    Attributes
    ----------
    term : one of ``END_TERMS`` or ``CENTRE_TERMS``.
    near_mm, U_near_mm : amount at the zone's points nearest the centre section (nan where the
        zone has one station only, and in the centre).
    far_mm, U_far_mm : amount at the zone's end; in the centre the one amount there is. Signs: mash
        + longer, diamond left ahead of right, sway + left, width + wider, height + up, twist left
        higher than right (centre: at its front against its rear), side mash left longer than right.
    shown : whether it differs from nought beyond measurement and build scatter.
    verdict : of the larger of the two against the tolerance.
    by_turn : diamond that the zone's turn sideways accounts for, and that is not shown for it.
    """

    term: str
    near_mm: float
    U_near_mm: float
    far_mm: float
    U_far_mm: float
    shown: bool
    verdict: Verdict
    by_turn: bool = False

    @property
    def largest_mm(self) -> tuple[float, float]:
        """Amount and U at the end, or at the nearest points where it is larger there."""
        if np.isfinite(self.near_mm) and abs(self.near_mm) > abs(self.far_mm):
            return self.near_mm, self.U_near_mm
        return self.far_mm, self.U_far_mm


@dataclass(frozen=True)
class Corner:
    """Where one side of the end of front or rear is, at half the width and the datum's height.

    Attributes
    ----------
    side : "L" or "R".
    change_mm, U_mm : (3,) from where it belongs, vehicle frame.
    """

    side: str
    change_mm: Array
    U_mm: Array


@dataclass(frozen=True)
class Carried:
    """Where what happened to front or rear carries one of its points.

    Attributes
    ----------
    point, side : of the sheet.
    change_mm, U_mm : (3,) from where it belongs, vehicle frame, by the zone's amounts alone.
    """

    point: str
    side: str
    change_mm: Array
    U_mm: Array


@dataclass(frozen=True)
class LocalDamage:
    """A point that departs from what its zone does.

    Attributes
    ----------
    point, side : of the sheet.
    zone : the zone it was compared with.
    departure_mm, U_mm : (3,) from where the zone would have carried it, vehicle frame.
    """

    point: str
    side: str
    zone: str
    departure_mm: Array
    U_mm: Array


@dataclass(frozen=True)
class Zone:
    """What happened to one zone.

    Attributes
    ----------
    zone : "front", "centre" or "rear".
    points : names "POINT SIDE" that tell of it.
    frame : what its amounts refer to.
    tolerance_mm : the median tolerance of its points.
    terms : in the order of ``END_TERMS`` or ``CENTRE_TERMS``.
    corners : left and right of its end; none in the centre.
    carried : its points but for those that depart from it; none in the centre.
    misfit : how far its points lie off straight lines, 1 as build scatter lets expect; U of its
        terms has been multiplied by it where it is above.
    """

    zone: str
    points: tuple[str, ...]
    frame: Frame
    tolerance_mm: float
    terms: tuple[Term, ...]
    corners: tuple[Corner, ...]
    carried: tuple[Carried, ...]
    misfit: float


@dataclass(frozen=True)
class Damage:
    """What happened to the vehicle.

    Attributes
    ----------
    zones : those of front, centre, rear that have points.
    local : points that depart from what their zone does, the largest first.
    scatter_mm : standard deviation of a sound body from the sheet that was taken, the mean (rms)
        over the points.
    """

    zones: tuple[Zone, ...]
    local: tuple[LocalDamage, ...]
    scatter_mm: float


def find_damage(
    table: DeviationTable, sheet: ReferenceSheet, stated_sd_mm: float | None = None
) -> Damage | None:
    """Assess the deviations zone by zone; None without three base points to compare with.

    Points that the sheet does not know are left out. A base point belongs to the centre whatever
    its zone. Other points of the centre carry nothing: they only show local damage.

    Parameters
    ----------
    table : deviations in the vehicle frame with their joint covariance.
    sheet : for the zones, and the uncertainty of its own figures.
    stated_sd_mm : scatter of the build where the job states it; else it follows from tolerances.
    """
    known = [i for i, row in enumerate(table.rows) if np.isfinite(row.deviation_mm).all()]
    rows = [table.rows[i] for i in known]
    if sum(row.base for row in rows) < 3:
        return None
    of_sheet = {(p.point, p.side): p for p in sheet.points}
    points = [of_sheet[(row.point, row.side)] for row in rows]
    columns = three_each(known)
    covariance = table.covariance_mm2[np.ix_(columns, columns)]
    covariance = covariance + np.diag(np.concatenate([point.u_mm for point in points]) ** 2)
    car = Car(rows, points, covariance, sections_of(rows, points), stated_sd_mm)
    fit = without_odd_points(car)
    tests = sum(len({term for term, _ in section.unknowns}) for section in car.sections)
    picked = picked_terms(fit)
    zones = tuple(
        _zone(fit, section, AMOUNT_LEVEL / max(tests, 1), picked) for section in car.sections
    )
    return Damage(zones, _local_damage(fit), float(np.sqrt((fit.scatter_mm**2).mean())))


def _zone(fit: Fit, section: Section, level: float, picked: set[tuple[str, str]]) -> Zone:
    """Amounts of a zone with their uncertainty, and which of them are shown at this level."""
    start = fit.of_section(section).start
    at = {key: start + k for k, key in enumerate(section.unknowns)}
    points = [fit.car.points[i] for i in section.points]
    misfit = misfit_of(fit, section)
    U = 2.0 * misfit * np.sqrt(np.diag(fit.covariance_mm2))
    tolerance = float(np.median([point.tol_mm for point in points]))
    nan = float("nan")
    names = tuple(dict.fromkeys(term for term, _ in section.unknowns))
    own_of = {name: [at[name, where] for where in PLACES if (name, where) in at] for name in names}
    largest_mm = float(np.abs(fit.found_mm[start : start + len(at)]).max())
    least_mm = max(LEAST_AMOUNT_MM, SECOND_ORDER * largest_mm)
    differs = {name: fit.squares(own) / misfit**2 for name, own in own_of.items()}
    by_turn = section.frame.zone != "centre" and is_turn(fit, section, at, misfit)
    terms = []
    for name, own in own_of.items():
        worst = max(own, key=lambda k: abs(fit.found_mm[k]))
        differing = (
            differs[name] > fit.limit(level, len(own)) or (section.frame.zone, name) in picked
        )
        shown = differing and abs(fit.found_mm[worst]) >= least_mm
        turned = bool(
            name == "diamond" and shown and by_turn and (section.frame.zone, name) not in picked
        )
        near = at.get((name, "near"))
        terms.append(
            Term(
                name,
                nan if near is None else float(fit.found_mm[near]),
                nan if near is None else float(U[near]),
                float(fit.found_mm[own[-1]]),
                float(U[own[-1]]),
                bool(shown) and not turned,
                verdict_of(float(fit.found_mm[worst]), float(U[worst]), tolerance),
                turned,
            )
        )
    return Zone(
        section.frame.zone,
        tuple(point.name for point in points),
        section.frame,
        tolerance,
        tuple(terms),
        () if section.frame.zone == "centre" else _corners(fit, section, at, misfit),
        () if section.frame.zone == "centre" else _carried(fit, section, misfit),
        misfit,
    )


def _corners(
    fit: Fit, section: Section, at: Mapping[tuple[str, str], int], misfit: float
) -> tuple[Corner, ...]:
    """Both sides of a zone's end."""
    frame = section.frame
    corners = []
    for side, y in (("L", 0.5 * frame.width_mm), ("R", -0.5 * frame.width_mm)):
        place = np.array([frame.end_mm, y, frame.datum_mm])
        by_found = np.zeros((3, len(fit.found_mm)))
        for term in END_TERMS:
            by_found[:, at[term, "far"]] = end_change(place, {}, {term: 1.0}, frame)
        variance = np.diag(by_found @ fit.covariance_mm2 @ by_found.T)
        U = 2.0 * misfit * np.sqrt(variance)
        corners.append(Corner(side, by_found @ fit.found_mm, U))
    return tuple(corners)


def _carried(fit: Fit, section: Section, misfit: float) -> tuple[Carried, ...]:
    """Where a zone's amounts carry its points."""
    own = fit.of_section(section)
    found, spread = fit.found_mm[own], fit.covariance_mm2[own, own]
    points = []
    for i in section.points:
        if i in fit.odd:
            continue
        by_found = section.by_unknowns[three_each([i])]
        U = 2.0 * misfit * np.sqrt(np.diag(by_found @ spread @ by_found.T))
        row = fit.car.rows[i]
        points.append(Carried(row.point, row.side, by_found @ found, U))
    return tuple(points)


def _local_damage(fit: Fit) -> tuple[LocalDamage, ...]:
    found = []
    for i in fit.odd:
        if departs(fit, i):
            at, row = fit.of_odd(i), fit.car.rows[i]
            U = 2.0 * np.sqrt(np.diag(fit.covariance_mm2)[at])
            zone = "centre" if row.base else fit.car.points[i].zone
            found.append(LocalDamage(row.point, row.side, zone, fit.found_mm[at], U))
    return tuple(sorted(found, key=lambda one: -float(np.linalg.norm(one.departure_mm))))
