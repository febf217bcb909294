"""What explains base points that disagree with the sheet: some moved, or the scatter is large.

A test against an assumed scatter of the build leaves out what contradicts it. Where the body is
built less exactly than assumed, what it leaves agrees by selection alone, and an uncertainty taken
from that rest is too small. So both explanations are weighed, and what is left open is carried into
the uncertainty (``datum.fit_frame``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Array

SCATTER_FREEDOM = 8.0
"""Degrees of freedom for which an assumed scatter of the build counts: it is trusted to a quarter,
1 / (2 x 0.25^2) (GUM, JCGM 100:2008, G.4.2, whose example it is, from memory)."""
MOVED_BEFORE = 0.1
"""Probability beforehand that a base point of a damaged car moved (our choice, no source)."""
MOVED_BY_MM = 10.0
"""Standard deviation per axis of how far, if it moved (our choice: millimetres to centimetres)."""


@dataclass(frozen=True)
class Explanation:
    """That these base points moved, and no others.

    Attributes
    ----------
    moved : their indices; () where none moved, and only the scatter of the build is left.
    probability : of this explanation among all that were weighed.
    """

    moved: tuple[int, ...]
    probability: float


def explanations(
    misfit_mm: Array,
    rigid: Array,
    measured_mm2: Array,
    build_mm: Array,
    candidates: Sequence[tuple[int, ...]],
) -> tuple[Explanation, ...]:
    """Weigh the candidates, the likeliest first.

    What no rigid motion takes up of the misfit has, under a candidate M, the covariance
    C + s^2 B + t^2 E: C of the measurement, B of the build as assumed, E one for the coordinates
    of the points in M and nought for others, t = ``MOVED_BY_MM``. Its restricted likelihood is
    averaged over s, whose square is inverse chi-square of ``SCATTER_FREEDOM`` about 1 (the
    conjugate prior of a normal variance), and multiplied by the odds of ``MOVED_BEFORE`` for each
    point in M.

    Parameters
    ----------
    misfit_mm : (3 B,) base points minus sheet, after a fit.
    rigid : (3 B, 6) what small rigid motions do to them.
    measured_mm2 : (3 B, 3 B) covariance of measurement and sheet.
    build_mm : (3 B,) scatter of the build as assumed.
    candidates : indices of the points that moved, each possible set once.
    """
    complement = np.linalg.svd(rigid)[0][:, 6:].T
    # With the build as unit of measure its scatter is s^2 times the identity on every axis.
    root = np.linalg.cholesky(complement @ np.diag(build_mm**2) @ complement.T)
    by_points = np.linalg.solve(root, complement)
    own, axes = np.linalg.eigh(by_points @ measured_mm2 @ by_points.T)
    by_points = axes.T @ by_points
    rest = by_points @ misfit_mm

    scatter = np.geomspace(0.1, 30.0, 100)
    variance = np.maximum(own, 0.0) + scatter[:, None] ** 2  # (S, 3 B - 6)
    prior = -SCATTER_FREEDOM * (np.log(scatter) + 0.5 / scatter**2)
    none_moved = prior - 0.5 * (np.log(variance) + rest**2 / variance).sum(axis=1)
    # A set M adds t^2 W W^T of low rank: Woodbury's formula, with W^T V^-1 W and W^T V^-1 r.
    weight = np.einsum("ki,sk,kj->sij", by_points, 1.0 / variance, by_points)
    pull = (rest / variance) @ by_points
    logs = np.empty(len(candidates))
    for n, moved in enumerate(candidates):
        log = none_moved
        if moved:
            at = (3 * np.array(moved)[:, None] + np.arange(3)).ravel()
            inner = weight[:, at[:, None], at] + np.eye(len(at)) / MOVED_BY_MM**2
            gain = np.linalg.solve(inner, pull[:, at, None])[:, :, 0]
            log = log + 0.5 * (pull[:, at] * gain).sum(axis=1)
            log = log - 0.5 * np.linalg.slogdet(inner * MOVED_BY_MM**2)[1]
        chance = MOVED_BEFORE / (1.0 - MOVED_BEFORE)
        logs[n] = np.logaddexp.reduce(log) + len(moved) * np.log(chance)
    probabilities = np.exp(logs - np.logaddexp.reduce(logs))
    return tuple(
        Explanation(tuple(candidates[n]), float(probabilities[n]))
        for n in np.argsort(-probabilities)
    )
