"""Which terms are named: those that differ from nought beyond measurement and build scatter.

The courses of ``damage_courses`` are tried one after another (stepwise regression, Efroymson 1960):
each time the one that is least likely by chance enters, at ``ENTRY_LEVEL``, which is generous, for
of several changes at once one may show only beside the others. Then those that are needless beside
the rest are dropped, the likeliest by chance first, until all that are left pass the strict
``COURSE_LEVEL``. It is shared among the courses of all terms that are not named yet, so that it is
also about the chance that a sound vehicle gets a name (Bonferroni's inequality, step by step after
Holm 1979, with weights); a further course of a term that has its name costs nothing. All sources of
this file are from memory.

The weights: a change as large as the tolerance must be named, so the level is spent where it
decides whether that happens. A course whose change of that size stands d standard deviations above
the noise gets the level sf(d / 2 + c / d), sf the tail of the normal distribution and c such that
the sum is right: no other weights name more of them (Spjotvoll 1972; Wasserman and Roeder 2006).
They follow from the places of the points and the covariance, not from what was found.

The scatter is estimated from what the amounts of all zones leave, and from what the courses kept
leave of those amounts, too, if that is no larger than the first lets expect ("sometimes pool",
Bancroft 1944). Its degrees of freedom make the chances those of Fisher's F.

As no list of courses is complete, the amounts of each term are also tested as they are.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2, norm
from scipy.stats import f as fisher

from calib.frames import Array
from pipeline.repair.damage_car import Section, three_each
from pipeline.repair.damage_courses import Course, courses_of
from pipeline.repair.damage_fit import Fit, misfit_of
from pipeline.repair.damage_terms import PLACES

COURSE_LEVEL = 0.0125
"""Chance that a sound vehicle whose scatter is as likely as assumed has a term named by one of its
courses. How many do: ``tests/benchmarks/damage.py``."""
ENTRY_LEVEL = 0.125
"""The same for entering the set from which what is needless is dropped again, at ``COURSE_LEVEL``:
of several changes at once one may show only beside the others."""
AMOUNT_LEVEL = 0.0025
"""Sum of the chances of the tests of each term's amounts as they are."""
LEAST_SHARE = 0.05
"""No course gets less than this part of an equal share, however plain it would be."""
_POOLED_LEVEL = 0.05
_TURN_LEVEL = 0.001
"""Beyond this chance a diamond is not explained by a turn of its zone."""


def picked_terms(fit: Fit) -> set[tuple[str, str]]:
    """(zone, term) of the courses that explain the deviations."""
    tried = tried_in(fit)
    kept: list[int] = []
    while True:
        evidence = tried.evidence(kept)
        best = int(evidence.argmax())
        if evidence[best] < COURSE_LEVEL / ENTRY_LEVEL:
            break
        kept.append(best)
    while kept:
        own = [float(tried.evidence([k for k in kept if k != one])[one]) for one in kept]
        least = int(np.argmin(own))
        if own[least] >= 1.0:
            break
        del kept[least]
    kept = _without_turns(tried, kept)
    return {tried.courses[k].name for k in kept}


@dataclass(frozen=True)
class Tried:
    """Deviations and courses in units of their noise, beside the frame and the odd points.

    Attributes
    ----------
    courses : (P,) what is tried.
    observed, columns : (3 N,) and (3 N, P).
    shares : (P,) of the level.
    misfits : (P,) of the zone of each course.
    rest_squares, rest_freedom : what all amounts of all zones leave, and the degrees of freedom
        that told of the scatter.
    amounts : how many the zones have.
    """

    courses: list[Course]
    observed: Array
    columns: Array
    shares: Array
    misfits: Array
    rest_squares: float
    rest_freedom: float
    amounts: int

    def evidence(self, kept: Sequence[int]) -> Array:
        """(P,) how many times smaller than its level the chance of each course beside those kept
        is: it may be named from 1."""
        basis = np.linalg.qr(self.columns[:, list(kept)])[0]
        rest = self.columns - basis @ (basis.T @ self.columns)
        left = self.observed - basis @ (basis.T @ self.observed)
        size = (rest**2).sum(axis=0)
        free = np.asarray(size > 1e-6 * (self.columns**2).sum(axis=0))
        free[self._said_otherwise(kept)] = False
        gain = np.where(free, (rest.T @ left) ** 2 / np.where(free, size, 1.0), 0.0)

        # The fit takes the mean of the posterior, n / (n - 2) times the estimate of the variance.
        freedom = np.full(len(gain), self.rest_freedom)
        variance = (freedom - 2.0) / freedom
        more = self.amounts - len(kept) - 1
        if more > 0:
            lack = np.maximum(left @ left - gain - self.rest_squares, 0.0)
            fits = lack / more / variance < fisher.isf(_POOLED_LEVEL, more, self.rest_freedom)
            pooled = (variance * freedom + lack) / (freedom + more)
            variance = np.where(fits, pooled, variance)
            freedom = np.where(fits, freedom + more, freedom)
        chance = fisher.sf(gain / variance / self.misfits**2, 1, freedom)

        named = {self.courses[k].name for k in kept}
        at_stake = self.shares[[course.name not in named for course in self.courses]].sum()
        if at_stake == 0.0:
            return np.zeros(len(gain))
        level = COURSE_LEVEL * self.shares / at_stake
        return np.where(free, level / np.maximum(chance, 1e-300), 0.0)

    def place(self, zone: str, term: str, kind: str = "") -> list[int]:
        """Indices of the courses of a term, or of one kind of them."""
        return [
            k
            for k, course in enumerate(self.courses)
            if course.name == (zone, term) and kind in ("", course.kind)
        ]

    def _said_otherwise(self, kept: Sequence[int]) -> list[int]:
        """Sway that grows and sway that turns: their difference is diamond by another name."""
        barred: list[int] = []
        for k in kept:
            other = {"growing": "turned", "turned": "growing"}.get(self.courses[k].kind, "")
            if self.courses[k].term == "sway" and other:
                barred += self.place(self.courses[k].section.frame.zone, "sway", other)
        return barred


def tried_in(fit: Fit) -> Tried:
    car = fit.car
    root = np.linalg.cholesky(car.covariance_mm2 + np.diag(fit.scatter_mm**2))
    own = np.zeros((3 * len(car.rows), 3 * len(fit.odd)))
    own[three_each(fit.odd), np.arange(3 * len(fit.odd))] = 1.0
    always = np.linalg.qr(np.linalg.solve(root, np.hstack([car.by_frame, own])))[0]

    def beside(columns_mm: Array) -> Array:
        white = np.linalg.solve(root, columns_mm)
        return white - always @ (always.T @ white)

    courses = courses_of(car)
    columns = beside(np.column_stack([course.by_mm for course in courses]))
    observed = beside(car.deviations_mm)
    amounts, sizes, _ = np.linalg.svd(
        beside(np.hstack([section.by_unknowns for section in car.sections])), full_matrices=False
    )
    amounts = amounts[:, sizes > 1e-6 * sizes[0]]
    rest = observed - amounts @ (amounts.T @ observed)
    of_zone = {section.frame.zone: section for section in car.sections}
    tolerance_mm = {
        zone: float(np.median([car.points[i].tol_mm for i in section.points]))
        for zone, section in of_zone.items()
    }
    misfit = {zone: misfit_of(fit, section) for zone, section in of_zone.items()}
    zones = [course.section.frame.zone for course in courses]
    plain = np.array([tolerance_mm[zone] for zone in zones]) * _sizes(courses, columns)
    return Tried(
        courses,
        observed,
        columns,
        shares_of(plain),
        np.array([misfit[zone] for zone in zones]),
        float(rest @ rest),
        fit.scatter_freedom,
        amounts.shape[1],
    )


def _sizes(courses: Sequence[Course], columns: Array) -> Array:
    """(P,) standard deviations by which 1 mm of each course stands out; diamond beside a turn."""
    size = np.linalg.norm(columns, axis=0)
    for turn, course in enumerate(courses):
        if course.kind != "turned" or size[turn] == 0.0:
            continue
        along = columns[:, turn] / size[turn]
        for k, other in enumerate(courses):
            if other.section is course.section and other.term == "diamond":
                size[k] = np.linalg.norm(columns[:, k] - along * (along @ columns[:, k]))
    return size


def shares_of(plain: Array) -> Array:
    """(P,) shares of the level, sum 1, of courses that stand out by so many standard deviations.

    What stands out most needs least of the level, and so does what is lost in the noise anyway. By
    hand, of 4 and 5 standard deviations: c = 2.4 gives sf(2 + 0.6) + sf(2.5 + 0.48) = 0.0047 +
    0.0014 = 0.0061, about half of 0.0125; they stand to each other as 77 to 23.

    >>> (100 * shares_of(np.array([12.0, 4.0, 5.0, 0.1]))).round().tolist()
    [1.0, 75.0, 23.0, 1.0]
    """

    def levels(c: float) -> Array:
        return np.asarray(np.where(plain < 1.0, 0.0, norm.sf(0.5 * reach + c / reach)))

    reach = np.maximum(plain, 1.0)
    # Two-sided: half of the level on either side. Where all stand out far there is some to spare.
    half = 0.5 * COURSE_LEVEL
    c = 0.0 if levels(0.0).sum() <= half else brentq(lambda c: levels(c).sum() - half, 0.0, 1e4)
    shares = np.maximum(levels(c) / max(levels(c).sum(), 1e-300), LEAST_SHARE / len(plain))
    return np.asarray(shares / shares.sum())


def _without_turns(tried: Tried, kept: list[int]) -> list[int]:
    """Diamond beside a sway that grows is kept if it is needed beside the zone's turn, too."""
    for zone in ("front", "rear"):
        growing, turned = (tried.place(zone, "sway", kind) for kind in ("growing", "turned"))
        diamond = [k for k in tried.place(zone, "diamond") if k in kept]
        if turned and diamond and growing[0] in kept:
            others = [k for k in kept if k not in (*diamond, *growing)] + turned
            if tried.evidence(others)[diamond].max() < 1.0:
                kept = others
    return kept


def is_turn(
    fit: Fit,
    section: Section,
    at: Mapping[tuple[str, str], int],
    misfit: float,
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
    return bool(off @ np.linalg.solve(spread, off) / misfit**2 <= fit.limit(_TURN_LEVEL, 2))
