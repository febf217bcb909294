"""How sure the adjustment is: cofactors, variance factor, redundancy, outlier tests.

The photos alone leave position, direction and scale of the network open (datum defect 7). The
covariance given is that of inner constraints over all points: the smallest of all (Granshaw,
Bundle adjustment methods in engineering photogrammetry, 1980, from memory). Angles between
points and ratios of their distances do not depend on that choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from calib.frames import Array, cross_matrix
from pipeline.adjust import (
    Network,
    Normals,
    Observations,
    Priors,
    build_normals,
    carried_by_blocks,
    jacobians,
)
from pipeline.layout import layout_terms

DATUM_DEFECT = 7


@dataclass(frozen=True)
class Precision:
    """Cofactors (covariances for variance factor 1) at an optimum.

    Attributes
    ----------
    points : (3 P, 3 P) inner constraints over all points.
    camera_root : (3 P, k) r; r r^T is what the unknown camera constants add to ``points``.
    constants : (G, 9, 9) of the camera constants, zero where fixed.
    print_scale : (2, 2), relative to the network's scale; nan without a layout.
    drift : (F, 6) variances of the drifts, zero where there is none.
    shift : (F, 2) variances of the principal points' shifts, zero where there is none.
    leverage : (N, 2, 2) cofactor of the whitened prediction of each observation.
    residuals : (N, 2) whitened.
    redundancy : observations and priors minus unknowns plus datum defect.
    variance_factor : weighted sum of squares over redundancy.
    cofactors : of all unknowns, the datum left open.
    """

    points: Array
    camera_root: Array
    constants: Array
    print_scale: Array
    drift: Array
    shift: Array
    leverage: Array
    residuals: Array
    redundancy: int
    variance_factor: float
    cofactors: Cofactors


@dataclass(frozen=True)
class Cofactors:
    """Cofactors of all unknowns in one datum, which one being left open.

    Only what does not depend on the datum may be read from them: distances, predicted images,
    or anything else once ``gauge`` is projected out.

    Attributes
    ----------
    normals : the normal equations; ``reduced`` (R, R) cofactors of photos, camera constants and
        print scales, ``points`` (3 P, 3 P), ``mixed`` (R, 3 P) between them.
    gauge : (3 P, 7) what the photos cannot see of the points.
    """

    normals: Normals
    reduced: Array
    mixed: Array
    points: Array
    gauge: Array


def cofactors(network: Network, observations: Observations, priors: Priors) -> Cofactors:
    """A generalised inverse of the normal equations at an optimum found by ``adjust``."""
    normals = build_normals(network, observations, priors)
    free = np.flatnonzero(normals.free)
    gauge_reduced, gauge_points = datum_directions(network, normals)
    # With a layout the convention of the mean print scale holds the network's scale already; to
    # hold it twice would feign knowledge of what lies between.
    unheld = gauge_reduced[free, : DATUM_DEFECT - bool(priors.layout)]
    reduced = _generalised_inverse(normals.reduced[np.ix_(free, free)], unheld)
    size = len(normals.free)
    spread = np.zeros((size, size))
    spread[np.ix_(free, free)] = reduced

    count, width = normals.block_inverse.shape[:2]
    carried = carried_by_blocks(normals.to_blocks, normals.block_inverse)
    mixed = -spread @ carried
    points = -carried.T @ mixed
    each = np.arange(count)
    points.reshape(count, width, count, width)[each, :, each, :] += normals.block_inverse
    return Cofactors(normals, spread, mixed, points, gauge_points)


def precision(network: Network, observations: Observations, priors: Priors) -> Precision:
    """Cofactors at an optimum found by ``adjust``."""
    all_of_them = cofactors(network, observations, priors)
    normals, spread = all_of_them.normals, all_of_them.reduced
    points, size = all_of_them.points, len(all_of_them.reduced)
    count, width = normals.block_inverse.shape[:2]
    by_photo, by_constants, by_point, residuals = jacobians(network, observations, priors)
    leverage = _leverages(
        network,
        observations,
        normals,
        spread,
        all_of_them.mixed,
        points,
        by_photo,
        by_constants,
        by_point,
    )
    projected = _inner(points, all_of_them.gauge)

    groups = len(network.constants)
    first = len(network.rotation) * normals.per_photo
    constants = np.stack(
        [
            spread[first + 9 * g : first + 9 * g + 9, first + 9 * g : first + 9 * g + 9]
            for g in range(groups)
        ]
    )
    last = first + 9 * groups
    print_scale = spread[last:, last:] if size > last else np.full((2, 2), np.nan)

    drift = np.zeros((len(network.rotation), 6))
    shift = np.zeros((len(network.rotation), 2))
    of_photos = np.diag(spread)[:first].reshape(-1, normals.per_photo)
    if normals.columns.drifts:
        drift[:] = of_photos[:, normals.columns.drift]
    if normals.columns.shifts:
        shift[:] = of_photos[:, normals.columns.shift]

    free = int(normals.free.sum())
    redundancy = 2 * len(observations.px) - free - 3 * len(network.points) + DATUM_DEFECT
    squares = float((residuals**2).sum())
    if normals.columns.shifts:
        redundancy += network.shift_px.size
        squares += float(((network.shift_px / priors.shift_sd_px) ** 2).sum())
    if normals.columns.drifts:
        moving = priors.drift_sd > 0
        redundancy += int(moving.sum()) * len(network.rotation)
        squares += float(((network.drift[:, moving] / priors.drift_sd[moving]) ** 2).sum())
    if priors.layout:
        shaped = network.points.reshape(priors.layout.nominal_mm.shape)
        terms = layout_terms(priors.layout, shaped, network.print_scale)
        redundancy += (width - 6) * count
        squares += float(terms.squares.sum())
    for g in range(groups):
        off = network.constants[g] - priors.constants[g]
        squares += float(off @ priors.information[g] @ off)
        redundancy += int(np.linalg.matrix_rank(priors.information[g]))
    return Precision(
        projected,
        _camera_root(all_of_them, slice(first, last)),
        constants,
        print_scale,
        drift,
        shift,
        leverage,
        residuals,
        redundancy,
        squares / max(redundancy, 1),
        all_of_them,
    )


def outlier_statistics(found: Precision) -> tuple[Array, float]:
    """Test statistic of each dot, (N,), and its critical value.

    Two-dimensional form of Baarda's test: T = r^T (I - leverage)^-1 r / s^2, compared with the
    chi-square quantile of 2 degrees of freedom at 0.1 %. The scale s^2 comes from the median, so
    that the outliers sought do not hide themselves.
    """
    room = np.eye(2) - found.leverage
    # A dot that nothing checks (no redundancy) cannot be tested and must not look like an outlier.
    trace = np.trace(room, axis1=1, axis2=2)
    testable = trace > 0.02
    statistic = np.zeros(len(room))
    r = found.residuals[testable]
    solved = np.linalg.solve(room[testable] + 1e-6 * np.eye(2), r[..., None])[..., 0]
    statistic[testable] = (r * solved).sum(axis=1)
    if testable.any():
        statistic /= np.median(statistic[testable]) / chi2.ppf(0.5, 2) + 1e-12
    return statistic, float(chi2.isf(0.001, 2))


def datum_directions(network: Network, normals: Normals) -> tuple[Array, Array]:
    """What the photos cannot see: shifts, rotations and scale, as (R, 7) and (3 P, 7).

    A shift, small rotation or scale of the network frame, applied to photos and points together,
    changes no image.
    """
    photos, points = len(network.rotation), len(network.points)
    reduced = np.zeros((len(normals.free), DATUM_DEFECT))
    view = reduced[: photos * normals.per_photo].reshape(photos, normals.per_photo, DATUM_DEFECT)
    view[:, 3:6, :3] = -network.rotation
    view[:, :3, 3:6] = -network.rotation
    view[:, 3:6, 6] = network.translation
    if normals.columns.drifts:
        view[:, 9:12, 6] = network.drift[:, 3:]
    if len(reduced) > photos * normals.per_photo + 9 * len(network.constants):
        reduced[-2:, 6] = network.print_scale
    by_point = np.zeros((points, 3, DATUM_DEFECT))
    by_point[:, :, :3] = np.eye(3)
    by_point[:, :, 3:6] = -cross_matrix(network.points)
    by_point[:, :, 6] = network.points
    return reduced, by_point.reshape(3 * points, DATUM_DEFECT)


def _generalised_inverse(singular: Array, null: Array) -> Array:
    """A symmetric generalised inverse of a matrix whose null space is spanned by ``null``."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(singular), 1e-30))
    basis, _ = np.linalg.qr(null / scale[:, None])
    level = np.trace(singular * scale[:, None] * scale) / len(singular)
    filled = singular * scale[:, None] * scale + level * basis @ basis.T
    inverse = np.linalg.inv(filled)
    return np.asarray(0.5 * (inverse + inverse.T) * scale[:, None] * scale)


def _inner(cofactors: Array, null: Array) -> Array:
    """S-transformation to inner constraints: (I - G (G^T G)^-1 G^T) applied on both sides."""
    basis, _ = np.linalg.qr(null)
    half = cofactors - basis @ (basis.T @ cofactors)
    return np.asarray(half - (half @ basis) @ basis.T)


def _camera_root(known: Cofactors, constants: slice) -> Array:
    """What unknown camera constants add to the points' cofactors, as a root (3 P, k).

    With the constants known, the points' cofactors are Q_xx - Q_xc Q_cc^-1 Q_cx; the root is that
    of the second term, for inner constraints. Constants that are held fixed add nothing.
    """
    own = known.reduced[constants, constants]
    sd = np.sqrt(np.maximum(np.diag(own), 0.0))
    free = sd > 0
    if not free.any():
        return np.zeros((len(known.points), 0))
    # Units differ by ten orders (px of focal length, k3): equilibrate first.
    values, vectors = np.linalg.eigh(own[np.ix_(free, free)] / np.outer(sd[free], sd[free]))
    kept = values > 1e-12
    mixed = known.mixed[constants][free] / sd[free, None]
    root = mixed.T @ vectors[:, kept] / np.sqrt(values[kept])
    basis, _ = np.linalg.qr(known.gauge)
    return np.asarray(root - basis @ (basis.T @ root))


def _leverages(
    network: Network,
    observations: Observations,
    normals: Normals,
    spread: Array,
    mixed: Array,
    points: Array,
    by_photo: Array,
    by_constants: Array,
    by_point: Array,
) -> Array:
    """Cofactors (N, 2, 2) of the whitened predictions: J Q J^T with each observation's unknowns."""
    p = normals.per_photo
    first = len(network.rotation) * p
    rows = np.concatenate(
        [
            observations.photo[:, None] * p + np.arange(p),
            first + 9 * network.group[observations.photo][:, None] + np.arange(9),
        ],
        axis=1,
    )
    columns = observations.point[:, None] * 3 + np.arange(3)
    outer = np.concatenate([by_photo, by_constants], axis=2)
    cross = mixed[rows[:, :, None], columns[:, None, :]]
    leverage = outer @ spread[rows[:, :, None], rows[:, None, :]] @ outer.transpose(0, 2, 1)
    half = outer @ cross @ by_point.transpose(0, 2, 1)
    leverage += half + half.transpose(0, 2, 1)
    own = points[columns[:, :, None], columns[:, None, :]]
    return np.asarray(leverage + by_point @ own @ by_point.transpose(0, 2, 1))
