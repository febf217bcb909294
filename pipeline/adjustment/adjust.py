"""Bundle adjustment: photos, dots and camera constants at once.

Minimised is the sum over all dots of rho(|W (measured - predicted)|^2) plus the priors, with W the
whitening matrix of the dot and rho a robust loss, by Levenberg-Marquardt (Triggs et al., Bundle
adjustment: a modern synthesis, 2000, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calib.frames import Array, rotations
from pipeline.adjustment.bundle import Network, Observations, Priors, residuals_px
from pipeline.adjustment.cholesky import solved
from pipeline.adjustment.layout import layout_terms
from pipeline.adjustment.normals import SCALE_HOLD, Normals, build_normals


@dataclass(frozen=True)
class Adjusted:
    """Outcome of an adjustment.

    Attributes
    ----------
    network : the unknowns at the optimum.
    cost : weighted sum of squares (robust loss applied), priors included.
    residuals_px : (N, 2) measured minus predicted.
    converged : whether the last step was negligible.
    iterations : steps taken.
    """

    network: Network
    cost: float
    residuals_px: Array
    converged: bool
    iterations: int


def adjust(
    network: Network,
    observations: Observations,
    priors: Priors,
    robust: float = np.inf,
    max_iterations: int = 50,
    least_gain: float = 1e-10,
) -> Adjusted:
    """Levenberg-Marquardt from ``network`` to the nearest optimum.

    Parameters
    ----------
    robust : scale c of the Cauchy loss c^2 log(1 + s / c^2) in standard deviations; infinite for
        plain least squares.
    least_gain : the relative gain in cost below which an iteration is taken for the last.
    """
    damping = 1e-6
    cost, off_px = _cost(network, observations, priors, robust)
    converged = False
    steps = 0
    for _ in range(max_iterations):
        steps += 1
        normals = build_normals(network, observations, priors, robust, damping)
        accepted = False
        while not accepted and damping < 1e8:
            trial = _step(network, normals, damping)
            trial_cost, trial_off_px = _cost(trial, observations, priors, robust)
            accepted = bool(np.isfinite(trial_cost) and trial_cost <= cost)
            if not accepted:
                damping *= 10.0
                normals = build_normals(network, observations, priors, robust, damping)
        if not accepted:
            converged = True  # no direction leads down: at the optimum to machine precision
            break
        gain = cost - trial_cost
        network, cost, off_px = trial, trial_cost, trial_off_px
        damping = max(damping * 0.1, 1e-12)
        if gain <= least_gain * cost:
            converged = True
            break
    return Adjusted(network, cost, off_px, converged, steps)


def _cost(
    network: Network, observations: Observations, priors: Priors, robust: float
) -> tuple[float, Array]:
    """What is minimised, and the residuals (N, 2) px."""
    off_px = residuals_px(network, observations)
    residual = np.einsum("nij,nj->ni", observations.whitening, off_px)
    squares = (residual**2).sum(axis=1)
    if np.isfinite(robust):
        squares = robust**2 * np.log1p(squares / robust**2)
    off = network.constants - priors.constants
    cost = squares.sum() + np.einsum("gi,gij,gj->", off, priors.information, off)
    moving = priors.drift_sd > 0
    cost += ((network.drift[:, moving] / priors.drift_sd[moving]) ** 2).sum()
    if priors.shift_sd_px > 0:
        cost += ((network.shift_px / priors.shift_sd_px) ** 2).sum()
    if priors.layout and np.isfinite(network.points).all():
        shaped = network.points.reshape(priors.layout.nominal_mm.shape)
        cost += layout_terms(priors.layout, shaped, network.print_scale).squares.sum()
        cost += SCALE_HOLD * (network.print_scale.mean() - 1.0) ** 2
    return float(cost), off_px


def _step(network: Network, normals: Normals, damping: float) -> Network:
    system, free = normals.system, normals.free
    reduced = system.matrix[np.ix_(free, free)]
    diagonal = np.arange(len(reduced))
    reduced[diagonal, diagonal] += damping * np.maximum(reduced[diagonal, diagonal], 1e-12)
    # Units differ by ten orders (px of focal length, k3, mm): equilibrate before solving.
    scale = 1.0 / np.sqrt(np.maximum(reduced[diagonal, diagonal], 1e-30))
    kept = np.zeros(len(free))
    try:
        kept[free] = scale * solved(reduced * scale[:, None] * scale, scale * system.gradient[free])
    except np.linalg.LinAlgError:
        return replace(network, points=np.full_like(network.points, np.nan))
    step = np.empty(len(kept) + normals.gone.size)
    step[normals.kept] = kept
    step[normals.gone] = system.back(kept)
    by_photo, common, points = np.split(step, [normals.photos, normals.photos + normals.common])
    by_photo = by_photo.reshape(len(network.rotation), -1)
    constants, print_scale = np.split(common, [network.constants.size])
    drift, shift = network.drift, network.shift
    if normals.columns.drifts:
        drift = drift + by_photo[:, normals.columns.drift]
    if normals.columns.shifts:
        shift = network.shift_px + by_photo[:, normals.columns.shift]
    return Network(
        rotation=rotations(by_photo[:, :3]) @ network.rotation,
        translation=network.translation + by_photo[:, 3:6],
        drift=drift,
        constants=network.constants + constants.reshape(-1, 9),
        group=network.group,
        points=network.points + points.reshape(-1, 3),
        print_scale=network.print_scale + (print_scale if len(print_scale) else 0.0),
        shift=shift,
    )
