"""Generalised least squares of all amounts at once.

Unknown are the amounts of every zone and the six of the frame. The weights are the inverse of the
joint covariance of the measured points plus what a sound body may differ from the sheet at each
point (a sixth of its tolerance, ``base_points.build_sd_mm``, pooled with what the points show). As
the frame is unknown in the fit, nothing depends on how the datum weighed the base points, and a
twist or diamond of the centre section is not absorbed by it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2
from scipy.stats import f as fisher

from calib.frames import Array
from pipeline.datum.explanations import SCATTER_FREEDOM
from pipeline.repair.damage_car import Car, Section, three_each

POINT_LEVEL = 0.02
"""Sum of the chances of all points that one is called local damage on a sound vehicle. As only the
one that departs most is ever tried, far fewer are (``tests/benchmarks/damage.py``)."""
_PRIOR_MM = 1000.0
"""Loose prior of every amount: what the points cannot tell gets an uncertainty that says so."""


@dataclass(frozen=True)
class Fit:
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

    car: Car
    odd: tuple[int, ...]
    scatter_mm: Array
    found_mm: Array
    covariance_mm2: Array
    residuals_mm: Array
    weight: Array
    scatter_freedom: float

    def of_section(self, section: Section) -> slice:
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


def fitted(car: Car, odd: tuple[int, ...]) -> Fit:
    """Generalised least squares with the given points going their own way."""
    own = np.zeros((3 * len(car.rows), 3 * len(odd)))
    own[three_each(odd), np.arange(3 * len(odd))] = 1.0
    design = np.hstack([car.by_frame, *(s.by_unknowns for s in car.sections), own])
    factor, scatter_freedom = _scatter_factor(car, odd)
    scatter = factor * car.build_mm
    spread = car.covariance_mm2 + np.diag(scatter**2)
    found, covariance = _least_squares(design, car.deviations_mm, spread)
    inverse = np.linalg.inv(spread)
    weight = inverse - inverse @ design @ covariance @ design.T @ inverse
    rest = car.deviations_mm - design @ found
    return Fit(car, odd, scatter, found, covariance, rest, np.asarray(weight), scatter_freedom)


def _least_squares(design: Array, observed: Array, spread: Array) -> tuple[Array, Array]:
    """Estimate and covariance; the loose prior keeps what nothing tells finite."""
    weighted = np.linalg.solve(spread, design)
    normal = weighted.T @ design + np.eye(design.shape[1]) / _PRIOR_MM**2
    covariance = np.linalg.inv(0.5 * (normal + normal.T))
    return covariance @ (weighted.T @ observed), np.asarray(covariance)


def _scatter_factor(car: Car, odd: tuple[int, ...]) -> tuple[float, float]:
    """How many times the assumed scatter the points that are not odd show, and how sure that is.

    The assumption counts for n = ``SCATTER_FREEDOM`` degrees of freedom: s with
    r^T P(s) r + n / s^2 = f + n - 2, f the degrees that the base points, and each zone whose points
    lie on its straight lines as well as they, have left. Where the scatter outweighs the
    measurement this is the mean of the inverse chi-square posterior of s^2, which makes k = 2
    right (``datum.sheet_scatter_mm``). A zone that is crumpled (its squares against those of the
    base points, Fisher's F at 1 %) says nothing about how bodies are built.

    Returns
    -------
    s, and f + n.
    """
    groups = [_group(car, section, odd) for section in car.sections]
    told = [group for group in groups if group.centre]
    factor = _pooled(car, told)
    base_freedom = SCATTER_FREEDOM + sum(group.freedom for group in told)
    for group in groups:
        if group.centre or group.freedom <= 0:
            continue
        limit = group.freedom * fisher.isf(0.01, group.freedom, base_freedom)
        if group.squares(car, factor) <= limit:
            told.append(group)
    return _pooled(car, told), SCATTER_FREEDOM + sum(group.freedom for group in told)


@dataclass(frozen=True)
class _Group:
    """Points of one section (coordinates) and what its terms and the frame do to them."""

    centre: bool
    kept: Array
    design: Array
    freedom: int

    def squares(self, car: Car, factor: float) -> float:
        """Of its residuals, at this many times the assumed scatter."""
        spread = car.covariance_mm2[np.ix_(self.kept, self.kept)]
        spread = spread + np.diag((factor * car.build_mm[self.kept]) ** 2)
        observed = car.deviations_mm[self.kept]
        found, _ = _least_squares(self.design, observed, spread)
        rest = observed - self.design @ found
        return float(rest @ np.linalg.solve(spread, rest))


def _group(car: Car, section: Section, odd: tuple[int, ...]) -> _Group:
    kept = three_each([i for i in section.points if i not in odd])
    design = np.hstack([car.by_frame, section.by_unknowns])[kept]
    freedom = max(0, len(kept) - int(np.linalg.matrix_rank(design)))
    return _Group(section.frame.zone == "centre", kept, design, freedom)


def _pooled(car: Car, groups: Sequence[_Group]) -> float:
    """The factor s of ``_scatter_factor``."""
    freedom = sum(group.freedom for group in groups)

    def excess(factor: float) -> float:
        squares = sum(group.squares(car, factor) for group in groups)
        return squares + SCATTER_FREEDOM / factor**2 - (freedom + SCATTER_FREEDOM - 2.0)

    return float(brentq(excess, 0.1, 1e4, rtol=1e-3))


def without_odd_points(car: Car) -> Fit:
    """Fit again and again, setting the point free that departs most, while one departs for sure.

    Of a zone at most a third: straight lines through fewer points would tell nothing.
    """
    carried = {i for section in car.sections for i in section.points}
    fit = fitted(car, tuple(i for i in range(len(car.rows)) if i not in carried))
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
        freed = fitted(car, (*fit.odd, max(room, key=lambda i: squares[i])))
        if not departs(freed, freed.odd[-1]):
            return fit
        fit = freed


def departs(fit: Fit, point: int) -> bool:
    """Whether an odd point departs beyond measurement and build scatter."""
    level = POINT_LEVEL / len(fit.car.rows)
    return fit.squares(fit.of_odd(point)) > fit.limit(level, 3)


def misfit_of(fit: Fit, section: Section) -> float:
    """How far the points of a zone lie off its straight lines; 1 where chance explains it."""
    kept = three_each([i for i in section.points if i not in fit.odd])
    freedom = len(kept) - len(section.unknowns)
    if section.frame.zone == "centre":
        freedom -= 6
    if freedom <= 0:
        return 1.0
    spread = fit.car.covariance_mm2[np.ix_(kept, kept)] + np.diag(fit.scatter_mm[kept] ** 2)
    rest = fit.residuals_mm[kept]
    squares = float(rest @ np.linalg.solve(spread, rest))
    return float(np.sqrt(squares / freedom)) if squares > chi2.isf(0.01, freedom) else 1.0
