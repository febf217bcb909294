"""Damage by zone in the trade's terms: sag, kick-up, sway, mash, diamond and twist.

Terms as in Goodheart-Willcox, *Auto Collision Repair and Refinishing* (2017), pp. 71 and 78, as
quoted in search results, the book not at hand: sag is down, kick-up up, mash a change of length,
sidesway (here sway) sideways, twist rails or rocker panels that are not level, diamond a centre
section that is no longer rectangular. The three sections with the centre as their base are from
memory.

Front and rear. The change (dx, dy, dz) of a point at x, y, z, with u from 0 at the points nearest
the centre section to 1 at the zone's end, y / w from -1/2 (right) to 1/2 (left) over the width w of
the zone, and z0 the height of the base points:

    dx = L(u) + D(u) y / w - (z - z0) dH/dx        L mash,          D diamond
    dy = S(u) + W(u) y / w - (z - z0) T(u) / w     S sway,          W width
    dz = H(u) + T(u) y / w                         H sag, kick-up,  T twist

Each of the six is a straight line in u, given by its amounts at the nearest points and at the end:
something bent from a point on grows with distance. D, W and T are left minus right over w. The
last terms of dx and dy are the tilt and roll that go with H and T in a rigid motion (small angles:
at 40 mm over 1 m the second order is 0.8 mm). So the twelve amounts hold the six of a rigid motion,
the shear that is diamond, and what grows along the zone. A zone turned sideways as a whole sets
one side back, too: D = -w dS/dx. That is sway alone, and not called diamond.

Centre. Its base points carry the frame, so its own change of shape is what no rigid motion takes
up. With v from -1/2 (rear) to 1/2 (front) of the base points:

    dx = L v + D y / w + E v y / w                 L mash, D diamond, E mash of the left side alone
    dy = S (1 - 4 v^2) + W y / w - (z - z0) T v / w    S sway (bow), W width
    dz = H (1 - 4 v^2) + T v y / w                 H sag or kick-up of the middle, T twist

All of it, with the six of the frame unknown, is one generalised least squares fit. Its weights are
the inverse of the joint covariance of the measured points plus what a sound body may differ from
the sheet at each point (a sixth of its tolerance, ``base_points.build_sd_mm``, pooled with what the
points show). As the frame is unknown in the fit, nothing depends on how the datum
weighed the base points, and a twist or diamond of the centre section is not absorbed by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2
from scipy.stats import f as fisher

from calib.frames import Array, cross_matrix
from pipeline.base_points import build_sd_mm
from pipeline.deviation import DeviationRow, DeviationTable, Verdict, verdict_of
from pipeline.explanations import SCATTER_FREEDOM
from pipeline.sheet import ZONES, ReferenceSheet, SheetPoint

FALSE_ALARMS = 0.04
"""Sum of the chances of all tests that a term is named on a sound vehicle, half of it by either of
the two ways in which terms are told; half of it again for single points. The tests overlap, so that
less than 2 % of sound vehicles have a term named (``tests/benchmarks/damage.py``)."""
LEAST_AMOUNT_MM = 1.0
"""Smaller changes are named by no word: half a millimetre is the step of many sheets."""
SECOND_ORDER = 0.1
"""Nor are changes below this share of the zone's largest: what small angles leave out reaches some
4 mm where five terms of 40 mm come together (``tests/benchmarks/damage.py``)."""

_PRIOR_MM = 1000.0
"""Loose prior of every amount: what the points cannot tell gets an uncertainty that says so."""
_ONE_STATION_MM = 100.0
"""Points within this length cannot show anything growing along the zone."""
END_TERMS = ("mash", "diamond", "sway", "width", "height", "twist")
"""The six of front and rear; height is sag or kick-up."""
PLACES = ("near", "far")
"""Where amounts of front and rear hold: at the points nearest the centre, at the zone's end."""
CENTRE_TERMS = ("mash", "diamond", "side mash", "sway", "width", "height", "twist")


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
class Frame:
    """What the amounts of a zone refer to, mm, vehicle frame.

    Attributes
    ----------
    zone : "front", "centre" or "rear".
    start_mm : length x of the points nearest the centre section (centre: of its rearmost points).
    end_mm : x of the zone's end (centre: of its foremost points).
    width_mm : w, over which left and right are compared.
    datum_mm : z0, mean height of the base points.
    """

    zone: str
    start_mm: float
    end_mm: float
    width_mm: float
    datum_mm: float

    @property
    def one_station(self) -> bool:
        """Whether its points are too close together to show anything growing along the zone."""
        return abs(self.end_mm - self.start_mm) < _ONE_STATION_MM


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
    misfit : how far its points lie off straight lines, 1 as build scatter lets expect; U of its
        terms has been multiplied by it where it is above.
    """

    zone: str
    points: tuple[str, ...]
    frame: Frame
    tolerance_mm: float
    terms: tuple[Term, ...]
    corners: tuple[Corner, ...]
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


def end_change(
    place_mm: Array, near_mm: Mapping[str, float], far_mm: Mapping[str, float], frame: Frame
) -> Array:
    """(3,) change of a point (3,) of front or rear by the amounts of ``END_TERMS``.

    The formula at the head of this file; mash + is longer, which is forward in front and rearward
    at the rear. Amounts that are left out are nought.

    By hand: the front from x = 1000 to 2000, w = 800, z0 = 100. Kick-up growing from 0 to 10 mm
    tilts it by 10 / 1000: a point at its end, 200 mm above z0, rises by 10 and goes back by
    200 x 0.01 = 2.

    >>> front = Frame("front", 1000.0, 2000.0, 800.0, 100.0)
    >>> end_change(np.array([2000.0, 400.0, 300.0]), {}, {"height": 10.0}, front).tolist()
    [-2.0, 0.0, 10.0]

    Diamond of -6 mm all along, left side behind: its left points, at y = w / 2, go back by 3.

    >>> back = {"diamond": -6.0}
    >>> end_change(np.array([1500.0, 400.0, 300.0]), back, back, front).tolist()
    [-3.0, 0.0, 0.0]

    Twist of 8 mm at the end, left side up: its right point, at y = -400, drops by 4, and, 200 mm
    above z0, the roll of 8 / 800 carries it 2 mm to the right.

    >>> end_change(np.array([2000.0, -400.0, 300.0]), {}, {"twist": 8.0}, front).tolist()
    [0.0, -2.0, -4.0]

    Mash, sway and width: 5 mm shorter, 3 mm to the right, 4 mm narrower; a left point at the end.

    >>> hit = {"mash": -5.0, "sway": -3.0, "width": -4.0}
    >>> end_change(np.array([2000.0, 400.0, 100.0]), {}, hit, front).tolist()
    [-5.0, -5.0, 0.0]
    """
    x, y, z = place_mm
    span = frame.end_mm - frame.start_mm
    u = 1.0 if frame.one_station else (x - frame.start_mm) / span
    mash, diamond, sway, width, height, twist = (
        (1.0 - u) * near_mm.get(term, 0.0) + u * far_mm.get(term, 0.0) for term in END_TERMS
    )
    rise = far_mm.get("height", 0.0) - near_mm.get("height", 0.0)
    tilt = 0.0 if frame.one_station else rise / span
    outward = -1.0 if frame.zone == "rear" else 1.0
    across, above = y / frame.width_mm, z - frame.datum_mm
    return np.array(
        [
            outward * mash + diamond * across - above * tilt,
            sway + width * across - above * twist / frame.width_mm,
            height + twist * across,
        ]
    )


def centre_change(place_mm: Array, amounts_mm: Mapping[str, float], frame: Frame) -> Array:
    """(3,) change of a point (3,) of the centre by the amounts of ``CENTRE_TERMS``.

    By hand: base points from x = -1000 to 1000, w = 1000. Twist of 6 mm: at the front (v = 1/2)
    the left one, at y = 500, stands 6 / 4 = 1.5 mm up and the right one 1.5 down, which is 3 mm of
    difference; at the rear it is 3 mm the other way, 6 mm in all.

    >>> centre = Frame("centre", -1000.0, 1000.0, 1000.0, 0.0)
    >>> centre_change(np.array([1000.0, 500.0, 0.0]), {"twist": 6.0}, centre).tolist()
    [0.0, 0.0, 1.5]
    >>> centre_change(np.array([-1000.0, 500.0, 0.0]), {"twist": 6.0}, centre).tolist()
    [0.0, 0.0, -1.5]

    Diamond of 4 mm puts the left side 2 mm ahead and the right side 2 mm behind, all along. Then
    the diagonals of the four corners, each sqrt(2000^2 + 1000^2) = 2236.1 mm, differ by 2 x 4 x
    2000 / 2236.1 = 7.16 mm (first order).

    >>> corners = np.array([[x, y, 0.0] for x in (1000.0, -1000.0) for y in (500.0, -500.0)])
    >>> corners += [centre_change(corner, {"diamond": 4.0}, centre) for corner in corners]
    >>> diagonals = [np.linalg.norm(corners[a] - corners[b]) for a, b in ((0, 3), (1, 2))]
    >>> round(float(diagonals[0] - diagonals[1]), 2)
    7.16

    Sag of 5 mm: the middle is 5 lower than the ends.

    >>> centre_change(np.array([0.0, 500.0, 0.0]), {"height": -5.0}, centre).tolist()
    [0.0, 0.0, -5.0]
    """
    x, y, z = place_mm
    v = (x - frame.start_mm) / max(frame.end_mm - frame.start_mm, 1.0) - 0.5
    across, above = y / frame.width_mm, z - frame.datum_mm
    bow = 1.0 - 4.0 * v**2
    mash, diamond, side_mash, sway, width, height, twist = (
        amounts_mm.get(term, 0.0) for term in CENTRE_TERMS
    )
    return np.array(
        [
            mash * v + diamond * across + side_mash * v * across,
            sway * bow + width * across - above * twist * v / frame.width_mm,
            height * bow + twist * v * across,
        ]
    )


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
    columns = _three_each(known)
    covariance = table.covariance_mm2[np.ix_(columns, columns)]
    covariance = covariance + np.diag(np.concatenate([point.u_mm for point in points]) ** 2)
    car = _Car(rows, points, covariance, _sections(rows, points), stated_sd_mm)
    fit = _without_odd_points(car)
    tests = sum(len({term for term, _ in section.unknowns}) for section in car.sections)
    picked = _picked(fit)
    zones = tuple(
        _zone(fit, section, 0.5 * FALSE_ALARMS / max(tests, 1), picked) for section in car.sections
    )
    return Damage(zones, _local_damage(fit), float(np.sqrt((fit.scatter_mm**2).mean())))


@dataclass(frozen=True)
class _Section:
    """A zone, its points (indices), and what each amount of 1 mm does to all points, (3 N, k)."""

    frame: Frame
    points: tuple[int, ...]
    unknowns: tuple[tuple[str, str], ...]
    by_unknowns: Array


@dataclass(frozen=True)
class _Car:
    """What is fitted: (N,) points and the (3 N, 3 N) covariance of their measurement."""

    rows: Sequence[DeviationRow]
    points: Sequence[SheetPoint]
    covariance_mm2: Array
    sections: tuple[_Section, ...]
    stated_sd_mm: float | None = None

    @property
    def base(self) -> list[int]:
        """Indices of the base points."""
        return [i for i, row in enumerate(self.rows) if row.base]

    @property
    def deviations_mm(self) -> Array:
        """(3 N,) measured minus sheet."""
        return np.concatenate([row.deviation_mm for row in self.rows])

    @property
    def build_mm(self) -> Array:
        """(3 N,) standard deviation of sound bodies about the sheet, as assumed."""
        if self.stated_sd_mm is not None:
            return np.full(3 * len(self.points), self.stated_sd_mm)
        return np.repeat([build_sd_mm(point.tol_mm) for point in self.points], 3)

    @property
    def by_frame(self) -> Array:
        """(3 N, 6) changes by a turn of 1 mm over a metre and a shift of 1 mm of the frame."""
        places = np.array([point.position_mm for point in self.points])
        places = places - places[self.base].mean(axis=0)
        turn = -cross_matrix(places) / 1000.0
        shift = np.broadcast_to(np.eye(3), turn.shape)
        return np.concatenate([turn, shift], axis=2).reshape(-1, 6)


@dataclass(frozen=True)
class _Fit:
    """Least squares estimate of all amounts.

    Attributes
    ----------
    odd : points that go their own way, each with three unknowns of its own.
    scatter_mm : (3 N,) standard deviation of sound bodies about the sheet that was taken.
    found_mm, covariance_mm2 : unknowns: frame (6), those of the sections in order, odd points.
    residuals_mm : (3 N,).
    scatter_freedom : degrees of freedom that told of the scatter, those of the assumption included.
    weight : (3 N, 3 N) P, what is left of the inverse covariance when all unknowns are estimated.
    """

    car: _Car
    odd: tuple[int, ...]
    scatter_mm: Array
    found_mm: Array
    covariance_mm2: Array
    residuals_mm: Array
    weight: Array
    scatter_freedom: float

    def of_section(self, section: _Section) -> slice:
        """Where the unknowns of a section stand."""
        at = 6
        for other in self.car.sections:
            if other is section:
                break
            at += len(other.unknowns)
        return slice(at, at + len(section.unknowns))

    def of_odd(self, point: int) -> slice:
        """Where the departure of an odd point stands."""
        at = len(self.found_mm) - 3 * len(self.odd) + 3 * self.odd.index(point)
        return slice(at, at + 3)

    def squares_of_points(self) -> Array:
        """(N,) chi-squared of each point going its own way, by its residual (mean-shift test)."""
        count = len(self.car.rows)
        pulls = (self.weight @ self.car.deviations_mm).reshape(count, 3)
        own = self.weight.reshape(count, 3, count, 3)[np.arange(count), :, np.arange(count)]
        shifts = np.linalg.solve(own + np.eye(3) / _PRIOR_MM**2, pulls[:, :, None])[:, :, 0]
        return np.asarray((pulls * shifts).sum(axis=1))

    def limit(self, level: float, freedom: int) -> float:
        """What ``squares`` of so many unknowns that are nought pass at a chance of ``level``.

        So many times Fisher's F: the scatter is known as well as ``scatter_freedom`` says.
        """
        return freedom * float(fisher.isf(level, freedom, self.scatter_freedom))

    def squares(self, at: slice | Sequence[int]) -> float:
        """x^T C^-1 x of some unknowns: chi-squared if they are all nought."""
        x, spread = self.found_mm[at], self.covariance_mm2[at][:, at]
        return float(x @ np.linalg.solve(spread, x))


def _fitted(car: _Car, odd: tuple[int, ...]) -> _Fit:
    """Generalised least squares with the given points going their own way."""
    own = np.zeros((3 * len(car.rows), 3 * len(odd)))
    own[_three_each(odd), np.arange(3 * len(odd))] = 1.0
    design = np.hstack([car.by_frame, *(s.by_unknowns for s in car.sections), own])
    factor, scatter_freedom = _scatter_factor(car, odd)
    scatter = factor * car.build_mm
    spread = car.covariance_mm2 + np.diag(scatter**2)
    found, covariance = _least_squares(design, car.deviations_mm, spread)
    inverse = np.linalg.inv(spread)
    weight = inverse - inverse @ design @ covariance @ design.T @ inverse
    rest = car.deviations_mm - design @ found
    return _Fit(car, odd, scatter, found, covariance, rest, np.asarray(weight), scatter_freedom)


def _least_squares(design: Array, observed: Array, spread: Array) -> tuple[Array, Array]:
    """Estimate and covariance; the loose prior keeps what nothing tells finite."""
    weighted = np.linalg.solve(spread, design)
    normal = weighted.T @ design + np.eye(design.shape[1]) / _PRIOR_MM**2
    covariance = np.linalg.inv(0.5 * (normal + normal.T))
    return covariance @ (weighted.T @ observed), np.asarray(covariance)


def _scatter_factor(car: _Car, odd: tuple[int, ...]) -> tuple[float, float]:
    """How many times the assumed scatter the points that are not odd show, and how sure that is.

    The assumption counts for n = ``SCATTER_FREEDOM`` degrees of freedom: s with
    r^T P(s) r + n / s^2 = f + n - 2, f the degrees that the base points, and each zone whose points
    lie on its straight lines as well as they, have left. Where the scatter outweighs the
    measurement this is the mean of the inverse chi-square posterior of s^2, which makes k = 2
    right (``datum.sheet_scatter_mm``). A zone that is crumpled says
    nothing about how bodies are built.

    Returns
    -------
    s, and f + n.
    """
    groups = [_group(car, section, odd) for section in car.sections]
    told = [group for group in groups if group.centre]
    factor = _pooled(car, told)
    for group in groups:
        if group.centre or group.freedom <= 0:
            continue
        if group.squares(car, factor) <= chi2.isf(0.01, group.freedom):
            told.append(group)
    return _pooled(car, told), SCATTER_FREEDOM + sum(group.freedom for group in told)


@dataclass(frozen=True)
class _Group:
    """Points of one section (coordinates) and what its terms and the frame do to them."""

    centre: bool
    kept: Array
    design: Array
    freedom: int

    def squares(self, car: _Car, factor: float) -> float:
        """Of its residuals, at this many times the assumed scatter."""
        spread = car.covariance_mm2[np.ix_(self.kept, self.kept)]
        spread = spread + np.diag((factor * car.build_mm[self.kept]) ** 2)
        observed = car.deviations_mm[self.kept]
        found, _ = _least_squares(self.design, observed, spread)
        rest = observed - self.design @ found
        return float(rest @ np.linalg.solve(spread, rest))


def _group(car: _Car, section: _Section, odd: tuple[int, ...]) -> _Group:
    kept = _three_each([i for i in section.points if i not in odd])
    design = np.hstack([car.by_frame, section.by_unknowns])[kept]
    freedom = max(0, len(kept) - int(np.linalg.matrix_rank(design)))
    return _Group(section.frame.zone == "centre", kept, design, freedom)


def _pooled(car: _Car, groups: Sequence[_Group]) -> float:
    """The factor s of ``_scatter_factor``."""
    freedom = sum(group.freedom for group in groups)

    def excess(factor: float) -> float:
        squares = sum(group.squares(car, factor) for group in groups)
        return squares + SCATTER_FREEDOM / factor**2 - (freedom + SCATTER_FREEDOM - 2.0)

    return float(brentq(excess, 0.1, 1e4, rtol=1e-3))


def _without_odd_points(car: _Car) -> _Fit:
    """Fit again and again, setting the point free that departs most, while one departs for sure.

    Of a zone at most a third: straight lines through fewer points would tell nothing.
    """
    carried = {i for section in car.sections for i in section.points}
    fit = _fitted(car, tuple(i for i in range(len(car.rows)) if i not in carried))
    while True:
        room = [
            i
            for section in car.sections
            for i in section.points
            if i not in fit.odd
            and sum(j in fit.odd for j in section.points) < len(section.points) // 3
        ]
        if not room:
            return fit
        squares = fit.squares_of_points()
        freed = _fitted(car, (*fit.odd, max(room, key=lambda i: squares[i])))
        if not _departs(freed, freed.odd[-1]):
            return fit
        fit = freed


def _departs(fit: _Fit, point: int) -> bool:
    """Whether an odd point departs beyond measurement and build scatter."""
    level = 0.5 * FALSE_ALARMS / len(fit.car.rows)
    return fit.squares(fit.of_odd(point)) > fit.limit(level, 3)


def _local_damage(fit: _Fit) -> tuple[LocalDamage, ...]:
    found = []
    for i in fit.odd:
        if _departs(fit, i):
            at, row = fit.of_odd(i), fit.car.rows[i]
            U = 2.0 * np.sqrt(np.diag(fit.covariance_mm2)[at])
            zone = "centre" if row.base else fit.car.points[i].zone
            found.append(LocalDamage(row.point, row.side, zone, fit.found_mm[at], U))
    return tuple(sorted(found, key=lambda one: -float(np.linalg.norm(one.departure_mm))))


@dataclass(frozen=True)
class _Pattern:
    """A simple way in which a term comes: it grows from nothing, or is the same all along."""

    section: _Section
    term: str
    by_mm: Array


def _patterns(car: _Car) -> list[_Pattern]:
    """All that may be picked, each (3 N,) the changes by 1 mm of it.

    Sway has a third: the zone turned sideways as a whole, which sets one side back, too.
    """
    found = []
    for section in car.sections:
        of = {key: section.by_unknowns[:, k] for k, key in enumerate(section.unknowns)}
        for term in dict.fromkeys(term for term, _ in section.unknowns):
            far = of[term, "far"]
            found.append(_Pattern(section, term, far))
            if (term, "near") in of:
                found.append(_Pattern(section, term, far + of[term, "near"]))
        if ("sway", "near") in of:
            over = section.frame.width_mm / (section.frame.end_mm - section.frame.start_mm)
            set_back = of["diamond", "near"] + of["diamond", "far"]
            found.append(_Pattern(section, "sway", of["sway", "far"] - over * set_back))
    return found


def _picked(fit: _Fit) -> set[tuple[str, str]]:
    """(zone, term) of the simple patterns that explain the deviations, picked one after another.

    Each time the pattern that explains most, as long as it explains more than chance does of any of
    them (stepwise regression, Efroymson 1960, from memory); at last those that the later ones have
    made needless are dropped. Few unknowns are told better than the twelve of a zone.
    """
    car = fit.car
    root = np.linalg.cholesky(car.covariance_mm2 + np.diag(fit.scatter_mm**2))
    own = np.zeros((3 * len(car.rows), 3 * len(fit.odd)))
    own[_three_each(fit.odd), np.arange(3 * len(fit.odd))] = 1.0
    always = np.linalg.solve(root, np.hstack([car.by_frame, own]))
    patterns = _patterns(car)
    columns = np.linalg.solve(root, np.column_stack([p.by_mm for p in patterns]))
    observed = np.linalg.solve(root, car.deviations_mm)
    limit = fit.limit(0.5 * FALSE_ALARMS / len(patterns), 1)

    def gains(kept: Sequence[int]) -> Array:
        """(P,) what each pattern explains beside those kept, in chi-squared."""
        basis = np.linalg.qr(np.hstack([always, columns[:, list(kept)]]))[0]
        rest = columns - basis @ (basis.T @ columns)
        size = (rest**2).sum(axis=0)
        free = size > 1e-6 * (columns**2).sum(axis=0)
        return np.where(free, (rest.T @ observed) ** 2 / np.where(free, size, 1.0), 0.0)

    kept: list[int] = []
    while True:
        gain = gains(kept)
        best = int(gain.argmax())
        if gain[best] <= limit:
            break
        kept.append(best)
    while kept:
        own_gain = [float(gains([k for k in kept if k != one])[one]) for one in kept]
        least = int(np.argmin(own_gain))
        if own_gain[least] > limit:
            break
        del kept[least]
    return {(patterns[k].section.frame.zone, patterns[k].term) for k in kept}


def _zone(fit: _Fit, section: _Section, level: float, picked: set[tuple[str, str]]) -> Zone:
    """Amounts of a zone with their uncertainty, and which of them are shown at this level."""
    start = fit.of_section(section).start
    at = {key: start + k for k, key in enumerate(section.unknowns)}
    points = [fit.car.points[i] for i in section.points]
    misfit = _misfit(fit, section)
    U = 2.0 * misfit * np.sqrt(np.diag(fit.covariance_mm2))
    tolerance = float(np.median([point.tol_mm for point in points]))
    nan = float("nan")
    names = tuple(dict.fromkeys(term for term, _ in section.unknowns))
    own_of = {name: [at[name, where] for where in PLACES if (name, where) in at] for name in names}
    largest_mm = float(np.abs(fit.found_mm[start : start + len(at)]).max())
    least_mm = max(LEAST_AMOUNT_MM, SECOND_ORDER * largest_mm)
    differs = {name: fit.squares(own) / misfit**2 for name, own in own_of.items()}
    by_turn = section.frame.zone != "centre" and _is_turn(fit, section, at, misfit, level)
    terms = []
    for name, own in own_of.items():
        worst = max(own, key=lambda k: abs(fit.found_mm[k]))
        differing = (
            differs[name] > fit.limit(level, len(own)) or (section.frame.zone, name) in picked
        )
        shown = differing and abs(fit.found_mm[worst]) >= least_mm
        turned = bool(name == "diamond" and shown and by_turn)
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
        misfit,
    )


def _corners(
    fit: _Fit, section: _Section, at: Mapping[tuple[str, str], int], misfit: float
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


def _is_turn(
    fit: _Fit,
    section: _Section,
    at: Mapping[tuple[str, str], int],
    misfit: float,
    level: float,
) -> bool:
    """Whether the zone went sideways and diamond is no more than that turn: D + w dS/dx = 0.

    Sway counts here at 5 % already: what is small and looks like a turn is not called diamond.
    """
    frame = section.frame
    if frame.one_station:
        return False
    sway = [at["sway", where] for where in PLACES]
    if fit.squares(sway) / misfit**2 < chi2.isf(0.05, 2):
        return False
    over = frame.width_mm / (frame.end_mm - frame.start_mm)
    contrasts = np.zeros((2, len(fit.found_mm)))
    for row, where in zip(contrasts, PLACES, strict=True):
        row[at["diamond", where]] = 1.0
        row[sway] = -over, over
    off = contrasts @ fit.found_mm
    spread = contrasts @ fit.covariance_mm2 @ contrasts.T
    return bool(off @ np.linalg.solve(spread, off) / misfit**2 <= fit.limit(level, 2))


def _misfit(fit: _Fit, section: _Section) -> float:
    """How far the points of a zone lie off its straight lines; 1 where chance explains it."""
    kept = _three_each([i for i in section.points if i not in fit.odd])
    freedom = len(kept) - len(section.unknowns)
    if section.frame.zone == "centre":
        freedom -= 6
    if freedom <= 0:
        return 1.0
    spread = fit.car.covariance_mm2[np.ix_(kept, kept)] + np.diag(fit.scatter_mm[kept] ** 2)
    rest = fit.residuals_mm[kept]
    squares = float(rest @ np.linalg.solve(spread, rest))
    return float(np.sqrt(squares / freedom)) if squares > chi2.isf(0.01, freedom) else 1.0


def _sections(rows: Sequence[DeviationRow], points: Sequence[SheetPoint]) -> tuple[_Section, ...]:
    """Front, centre and rear as far as they have points; the centre is its base points."""
    places = np.array([point.position_mm for point in points])
    base = np.array([row.base for row in rows])
    datum_mm = float(places[base, 2].mean())
    sections = []
    for zone in ZONES:
        if zone == "centre":
            own = np.flatnonzero(base)
        else:
            own = np.flatnonzero([p.zone == zone for p in points] & ~base)
        if not len(own):
            continue
        lengths, sides = places[own, 0], np.abs(places[own, 1])
        ends = float(lengths.min()), float(lengths.max())
        frame = Frame(
            zone,
            *(ends[::-1] if zone == "rear" else ends),
            # A zone of points on the centreline has no width; then no difference shows anyhow.
            width_mm=2.0 * float(sides[sides > 0.0].mean()) if sides.any() else 1000.0,
            datum_mm=datum_mm,
        )
        unknowns = _unknowns(frame)
        columns = np.zeros((3 * len(rows), len(unknowns)))
        for k, (term, where) in enumerate(unknowns):
            one = {term: 1.0}
            for i in own:
                columns[3 * i : 3 * i + 3, k] = (
                    centre_change(places[i], one, frame)
                    if zone == "centre"
                    else end_change(
                        places[i],
                        one if where == "near" else {},
                        one if where == "far" else {},
                        frame,
                    )
                )
        sections.append(_Section(frame, tuple(int(i) for i in own), unknowns, columns))
    return tuple(sections)


def _unknowns(frame: Frame) -> tuple[tuple[str, str], ...]:
    """Terms and where their amounts hold; growth along the zone needs two stations."""
    if frame.zone == "centre":
        return tuple((term, "far") for term in CENTRE_TERMS)
    places = PLACES[1:] if frame.one_station else PLACES
    return tuple((term, where) for term in END_TERMS for where in places)


def _three_each(points: Sequence[int]) -> Array:
    """Indices of the coordinates of points."""
    return np.asarray((3 * np.asarray(points, dtype=int)[:, None] + np.arange(3)).ravel())
