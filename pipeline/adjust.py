"""Bundle adjustment: photos, dots and camera constants at once.

Minimised is the sum over all dots of rho(|W (measured - predicted)|^2) plus the priors, with W the
whitening matrix of the dot and rho a robust loss. The points are eliminated first (Schur
complement: they meet only in photos and cameras), the reduced system is solved by
Levenberg-Marquardt (Triggs et al., Bundle adjustment: a modern synthesis, 2000, from memory).

A phone reads its rows one after the other while the hand turns. Each photo may therefore carry a
drift: its pose changes linearly over the rows, exp(tau w) about the camera and tau d along it,
tau running from -1/2 in the first row to +1/2 in the last. A phone that stabilises its image moves
its lens: each photo may also carry a shift of its principal point.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix

from calib.camera import project_with_jacobians
from calib.frames import Array, cross_matrix, rotations
from pipeline.layout import Layout, layout_terms

SCALE_HOLD = 1e8
"""Information of the convention that the mean print scale is 1."""


@dataclass(frozen=True)
class Observations:
    """Measured image points, N of them.

    Attributes
    ----------
    photo, point : (N,) indices; a pair occurs once.
    px : (N, 2).
    whitening : (N, 2, 2) W with W^T W the inverse covariance, 1/px.
    tau : (N,) row time, -1/2 to 1/2.
    """

    photo: NDArray[np.intp]
    point: NDArray[np.intp]
    px: Array
    whitening: Array
    tau: Array

    def subset(self, kept: NDArray[np.bool_]) -> Observations:
        """The observations where ``kept`` (N,) is true."""
        return Observations(
            self.photo[kept],
            self.point[kept],
            self.px[kept],
            self.whitening[kept],
            self.tau[kept],
        )


@dataclass(frozen=True)
class Network:
    """The unknowns.

    Attributes
    ----------
    rotation : (F, 3, 3) and translation (F, 3): camera_from_network of each photo.
    drift : (F, 6) rotation (rad) and translation (mm) of the camera over all rows.
    constants : (G, 9) camera constants; group : (F,) which of them a photo uses.
    points : (P, 3); the points of one card follow each other.
    print_scale : (2,) of the cards in x and y, where their layout is used.
    shift : (F, 2) px by which stabilisation moved each photo's principal point; None for nowhere.
    """

    rotation: Array
    translation: Array
    drift: Array
    constants: Array
    group: NDArray[np.intp]
    points: Array
    print_scale: Array = field(default_factory=lambda: np.ones(2))
    shift: Array | None = None

    @property
    def shift_px(self) -> Array:
        """(F, 2) shift of the principal points, zero where there is none."""
        return np.zeros((len(self.rotation), 2)) if self.shift is None else self.shift


@dataclass(frozen=True)
class PhotoColumns:
    """The unknowns of one photo, in order: small rotation, translation, drift, shift.

    Attributes
    ----------
    drifts, shifts : whether there are drifts (6) and shifts of the principal point (2).
    """

    drifts: bool
    shifts: bool

    @property
    def count(self) -> int:
        """Unknowns of one photo."""
        return 6 + 6 * self.drifts + 2 * self.shifts

    @property
    def drift(self) -> slice:
        """Columns of the drift, none of them without drifts."""
        return slice(6, 6 + 6 * self.drifts)

    @property
    def shift(self) -> slice:
        """Columns of the shift, none of them without shifts."""
        return slice(self.count - 2 * self.shifts, self.count)


@dataclass(frozen=True)
class Priors:
    """What is known beforehand, as means and information (inverse covariance) matrices.

    Attributes
    ----------
    constants : (G, 9) and information (G, 9, 9). A constant that is to stay as it is gets an
        entry in ``fixed`` (9,).
    drift_sd : (6,) standard deviation of the drift, 0 = no drift.
    shift_sd_px : standard deviation of the principal point's shift, 0 = no shift.
    layout : known layout of the cards, or None where points are just points.
    """

    constants: Array
    information: Array
    fixed: NDArray[np.bool_]
    drift_sd: Array
    layout: Layout | None = None
    shift_sd_px: float = 0.0

    @property
    def columns(self) -> PhotoColumns:
        """Which unknowns a photo has."""
        return PhotoColumns(bool(np.any(self.drift_sd > 0)), self.shift_sd_px > 0)

    @staticmethod
    def none(constants: Array) -> Priors:
        """Free constants, no drift."""
        return Priors(
            constants, np.zeros((len(constants), 9, 9)), np.zeros(9, dtype=bool), np.zeros(6)
        )

    @staticmethod
    def hold(constants: Array) -> Priors:
        """Constants as given, no drift."""
        return replace(Priors.none(constants), fixed=np.ones(9, dtype=bool))


@dataclass(frozen=True)
class Normals:
    """Normal equations with the points eliminated; R reduced unknowns (photos, then cameras).

    Attributes
    ----------
    reduced : (R, R) Schur complement, not damped; gradient (R,). Order: photos, camera constants,
        two print scales where a layout is used.
    free : (R,) which reduced unknowns are unknown at all; columns : unknowns of a photo.
    to_blocks : (R, B, 3 m) coupling E of the blocks of points that are eliminated together (m = 1,
        or the points of a card); block_inverse : (B, 3 m, 3 m) V^-1; block_gradient (B, 3 m).
    """

    reduced: Array
    gradient: Array
    free: NDArray[np.bool_]
    columns: PhotoColumns
    to_blocks: Array
    block_inverse: Array
    block_gradient: Array

    @property
    def per_photo(self) -> int:
        """Unknowns of one photo."""
        return self.columns.count


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
    damping = 1e-4
    cost = _cost(network, observations, priors, robust)
    converged = False
    steps = 0
    for _ in range(max_iterations):
        steps += 1
        normals = build_normals(network, observations, priors, robust, damping)
        accepted = False
        while not accepted and damping < 1e8:
            trial = _step(network, normals, damping)
            trial_cost = _cost(trial, observations, priors, robust)
            accepted = bool(np.isfinite(trial_cost) and trial_cost <= cost)
            if not accepted:
                damping *= 10.0
                normals = build_normals(network, observations, priors, robust, damping)
        if not accepted:
            converged = True  # no direction leads down: at the optimum to machine precision
            break
        gain = cost - trial_cost
        network, cost = trial, trial_cost
        damping = max(damping * 0.1, 1e-12)
        if gain <= least_gain * cost:
            converged = True
            break
    return Adjusted(network, cost, residuals_px(network, observations), converged, steps)


def build_normals(
    network: Network,
    observations: Observations,
    priors: Priors,
    robust: float = np.inf,
    damping: float = 0.0,
) -> Normals:
    """Normal equations at ``network``; ``damping`` multiplies the diagonal of the point blocks."""
    photos, groups, points = len(network.rotation), len(network.constants), len(network.points)
    photo, point = observations.photo, observations.point
    by_photo, by_constants, by_point, residual = jacobians(network, observations, priors)
    weight = _robust_weights(residual, robust)
    root = np.sqrt(weight)[:, None, None]
    by_photo, by_constants, by_point = by_photo * root, by_constants * root, by_point * root
    residual = residual * root[:, :, 0]
    p = by_photo.shape[2]
    count = len(photo)
    group = network.group[photo]

    in_photo = _summing(photo, photos)
    in_group = _summing(group, groups)
    in_point = _summing(point, points)
    in_both = _summing(group * points + point, groups * points)
    layout = priors.layout
    size = photos * p + groups * 9 + (2 if layout else 0)
    reduced = np.zeros((size, size))
    gradient = np.zeros(size)
    photo_blocks = in_photo @ _products(by_photo, by_photo)
    mixed_blocks = (in_photo @ _products(by_photo, by_constants)).reshape(photos, p, 9)
    group_blocks = (in_group @ _products(by_constants, by_constants)).reshape(groups, 9, 9)
    first = photos * p
    for f in range(photos):
        rows = slice(f * p, f * p + p)
        g = first + 9 * network.group[f]
        reduced[rows, rows] = photo_blocks[f].reshape(p, p)
        reduced[rows, g : g + 9] = mixed_blocks[f]
        reduced[g : g + 9, rows] = mixed_blocks[f].T
    gradient[:first] = (in_photo @ _products(by_photo, residual[:, :, None])).ravel()
    last = first + 9 * groups
    gradient[first:last] = (in_group @ _products(by_constants, residual[:, :, None])).ravel()
    for g in range(groups):
        rows = slice(first + 9 * g, first + 9 * g + 9)
        reduced[rows, rows] = group_blocks[g] + priors.information[g]
        gradient[rows] += priors.information[g] @ (priors.constants[g] - network.constants[g])
    columns = priors.columns
    first_of_photo = np.arange(photos)[:, None] * p
    for part, now, sd in (
        (columns.drift, network.drift, priors.drift_sd),
        (columns.shift, network.shift_px, np.full(2, priors.shift_sd_px)),
    ):
        own = first_of_photo + np.arange(p)[part]
        if own.size:
            reduced[own, own] += sd**-2
            gradient[own] -= sd**-2 * now

    to_points = np.zeros((size, points, 3))
    view = to_points[:first].reshape(photos, p, points, 3)
    view[photo, :, point, :] = _products(by_photo, by_point).reshape(count, p, 3)
    camera = (in_both @ _products(by_constants, by_point)).reshape(groups, points, 9, 3)
    to_points[first:last] = camera.transpose(0, 2, 1, 3).reshape(groups * 9, points, 3)
    point_blocks = (in_point @ _products(by_point, by_point)).reshape(points, 3, 3)
    point_gradient = (in_point @ _products(by_point, residual[:, :, None])).reshape(points, 3)

    m = layout.nominal_mm.shape[1] if layout else 1
    blocks = points // m
    block_matrix = np.zeros((blocks, 3 * m, 3 * m))
    each = np.arange(m)
    by_pair = block_matrix.reshape(blocks, m, 3, m, 3)
    by_pair[:, each, :, each, :] = point_blocks.reshape(blocks, m, 3, 3).swapaxes(0, 1)
    block_gradient = point_gradient.reshape(blocks, 3 * m)
    to_blocks = to_points.reshape(size, blocks, 3 * m)
    if layout:
        terms = layout_terms(layout, network.points.reshape(blocks, m, 3), network.print_scale)
        pulled = np.einsum("bij,bj->bi", terms.information, terms.misfit_mm)
        by_scale = terms.information @ terms.by_scale
        block_matrix += terms.information
        block_gradient = block_gradient - pulled
        to_blocks[last:] = -by_scale.transpose(2, 0, 1)
        reduced[last:, last:] = np.einsum("bia,bic->ac", terms.by_scale, by_scale)
        gradient[last:] = np.einsum("bia,bi->a", terms.by_scale, pulled)
        # Only the ratio of the print scales can be seen; their mean is 1 by convention, else the
        # network would shrink towards a point, where every misfit is small.
        reduced[last:, last:] += 0.25 * SCALE_HOLD
        gradient[last:] += 0.5 * SCALE_HOLD * (1.0 - network.print_scale.mean())

    diagonal = np.arange(3 * m)
    block_matrix[:, diagonal, diagonal] *= 1.0 + damping
    block_inverse = np.asarray(np.linalg.inv(block_matrix), dtype=float)
    flat = carried_by_blocks(to_blocks, block_inverse)
    reduced -= flat @ to_blocks.reshape(size, points * 3).T
    gradient -= flat @ block_gradient.ravel()
    free = np.ones(size, dtype=bool)
    free[first:last] = np.tile(~priors.fixed, groups)
    return Normals(reduced, gradient, free, columns, to_blocks, block_inverse, block_gradient)


def carried_by_blocks(to_blocks: Array, block_inverse: Array) -> Array:
    """E V^-1, (R, 3 P), of couplings (R, B, 3 m) and inverse blocks (B, 3 m, 3 m)."""
    by_block = to_blocks.transpose(1, 0, 2) @ block_inverse
    return np.ascontiguousarray(by_block.transpose(1, 0, 2)).reshape(len(to_blocks), -1)


def jacobians(
    network: Network, observations: Observations, priors: Priors
) -> tuple[Array, Array, Array, Array]:
    """Whitened derivatives of the predictions and whitened residuals.

    Returns
    -------
    by_photo : (N, 2, p) by a photo's unknowns, see ``PhotoColumns``.
    by_constants : (N, 2, 9).
    by_point : (N, 2, 3).
    residual : (N, 2).
    """
    photo, tau = observations.photo, observations.tau
    at_rest, turn, in_camera = _in_camera(network, observations)
    constants = network.constants[network.group[photo]]
    predicted, by_camera, by_constants = project_with_jacobians(constants, in_camera)
    white = observations.whitening
    by_camera = white @ by_camera
    off_px = observations.px - predicted - network.shift_px[photo]
    residual = np.einsum("nij,nj->ni", white, off_px)
    columns = priors.columns
    by_photo = np.empty((len(photo), 2, columns.count))
    by_rest = by_camera @ turn
    # A small rotation d about the camera: d x_rest = d x (x_rest - translation).
    by_photo[:, :, :3] = -by_rest @ cross_matrix(at_rest - network.translation[photo])
    by_photo[:, :, 3:6] = by_rest
    by_photo[:, :, columns.shift] = white[:, :, : 2 * columns.shifts]
    if columns.drifts:
        # exp(a + d) = exp(a) exp((I - [a] / 2) d) but for terms of the order of a^2.
        half = 0.5 * cross_matrix(tau[:, None] * network.drift[photo, :3])
        by_turn = by_rest @ cross_matrix(at_rest) @ (half - np.eye(3))
        by_photo[:, :, 6:9] = by_turn * tau[:, None, None]
        by_photo[:, :, 9:12] = by_camera * tau[:, None, None]
    return by_photo, white @ by_constants, by_rest @ network.rotation[photo], residual


def residuals_px(network: Network, observations: Observations) -> Array:
    """Measured minus predicted, (N, 2)."""
    _, _, in_camera = _in_camera(network, observations)
    constants = network.constants[network.group[observations.photo]]
    predicted = project_with_jacobians(constants, in_camera)[0]
    return np.asarray(observations.px - predicted - network.shift_px[observations.photo])


def _in_camera(network: Network, observations: Observations) -> tuple[Array, Array, Array]:
    """Points in the camera frame in mid-exposure, the turn since (N, 3, 3), and at their row."""
    photo = observations.photo
    at_rest = np.einsum("nij,nj->ni", network.rotation[photo], network.points[observations.point])
    at_rest = at_rest + network.translation[photo]
    if not network.drift.any():
        return at_rest, np.broadcast_to(np.eye(3), (len(photo), 3, 3)), at_rest
    tau = observations.tau[:, None]
    drift = network.drift[photo]
    turn = rotations(tau * drift[:, :3])
    moved = np.einsum("nij,nj->ni", turn, at_rest) + tau * drift[:, 3:]
    return at_rest, turn, moved


def _cost(network: Network, observations: Observations, priors: Priors, robust: float) -> float:
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
    return float(cost)


def _robust_weights(residual: Array, robust: float) -> Array:
    if not np.isfinite(robust):
        return np.ones(len(residual))
    return 1.0 / (1.0 + (residual**2).sum(axis=1) / robust**2)


def _step(network: Network, normals: Normals, damping: float) -> Network:
    free = normals.free
    reduced = normals.reduced[np.ix_(free, free)]
    diagonal = np.arange(len(reduced))
    reduced[diagonal, diagonal] += damping * np.maximum(reduced[diagonal, diagonal], 1e-12)
    # Units differ by ten orders (px of focal length, k3, mm): equilibrate before solving.
    scale = 1.0 / np.sqrt(np.maximum(reduced[diagonal, diagonal], 1e-30))
    step = np.zeros(len(free))
    try:
        step[free] = scale * np.linalg.solve(
            reduced * scale[:, None] * scale, scale * normals.gradient[free]
        )
    except np.linalg.LinAlgError:
        return replace(network, points=np.full_like(network.points, np.nan))
    back = normals.block_gradient - np.tensordot(step, normals.to_blocks, axes=1)
    moved = np.einsum("bij,bj->bi", normals.block_inverse, back)
    points = network.points + moved.reshape(-1, 3)
    photos, groups = len(network.rotation), len(network.constants)
    p = normals.per_photo
    first, last = photos * p, photos * p + 9 * groups
    by_photo = step[:first].reshape(photos, p)
    drift, shift = network.drift, network.shift
    if normals.columns.drifts:
        drift = drift + by_photo[:, normals.columns.drift]
    if normals.columns.shifts:
        shift = network.shift_px + by_photo[:, normals.columns.shift]
    return Network(
        rotation=rotations(by_photo[:, :3]) @ network.rotation,
        translation=network.translation + by_photo[:, 3:6],
        drift=drift,
        constants=network.constants + step[first:last].reshape(groups, 9),
        group=network.group,
        points=points,
        print_scale=network.print_scale + (step[last:] if len(step) > last else 0.0),
        shift=shift,
    )


def _summing(index: NDArray[np.intp], size: int) -> csr_matrix:
    """Matrix (size, N) that sums rows with the same index."""
    ones = np.ones(len(index))
    return csr_matrix((ones, (index, np.arange(len(index)))), shape=(size, len(index)))


def _products(left: Array, right: Array) -> Array:
    """left^T right of each observation, flattened: (N, a * b) from (N, 2, a) and (N, 2, b)."""
    return np.asarray((left.transpose(0, 2, 1) @ right).reshape(len(left), -1))
