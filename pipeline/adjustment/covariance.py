"""How sure the adjustment is: cofactors, variance factor, redundancy, outlier tests.

The photos alone leave position, direction and scale of the network open (datum defect 7). The
covariance given is that of inner constraints over all points: the smallest of all (Granshaw,
Bundle adjustment methods in engineering photogrammetry, 1980, from memory). Angles between
points and ratios of their distances do not depend on that choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from calib.frames import Array, cross_matrix
from pipeline.adjustment.bundle import Network, Observations, PhotoColumns, Priors, jacobians
from pipeline.adjustment.cholesky import inverted
from pipeline.adjustment.layout import layout_terms
from pipeline.adjustment.normals import Normals, build_normals, normals_of

DATUM_DEFECT = 7


@dataclass(frozen=True)
class Precision:
    """Cofactors (covariances for variance factor 1) at an optimum.

    Attributes
    ----------
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

    constants: Array
    print_scale: Array
    drift: Array
    shift: Array
    leverage: Array
    residuals: Array
    redundancy: int
    variance_factor: float
    cofactors: Cofactors

    @property
    def stated_factor(self) -> float:
        """What cofactors are multiplied by where an uncertainty is stated: never less than 1.

        Dots that scatter less than their covariances say have errors in common that no residual
        shows (a hand that does not turn evenly, a lens that is not quite as modelled), and those
        do not shrink. (Not to go below the value assumed beforehand: common practice, no source.)
        """
        return max(self.variance_factor, 1.0)

    @cached_property
    def points(self) -> Array:
        """(3 P, 3 P) inner constraints over all points."""
        return inner_constraints(self.cofactors.points, self.cofactors.gauge)

    @cached_property
    def camera_root(self) -> Array:
        """(3 P, k) r; r r^T is what the unknown camera constants add to ``points``."""
        return _camera_root(self.cofactors, 9 * len(self.constants))


@dataclass(frozen=True)
class Cofactors:
    """Cofactors in one datum, which one being left open.

    Only what does not depend on the datum may be read from them: distances, predicted images,
    or anything else once ``gauge`` is projected out. Common are the camera constants and, where
    there is a layout, the two print scales: C unknowns. A photo has p.

    Attributes
    ----------
    points : (3 P, 3 P).
    common : (C, C); common_points : (C, 3 P) between them.
    photos : (F, p, p) of each photo by itself; photo_common : (F, p, C).
    photo_points : (F, p, 3 P).
    gauge : (3 P, 7) what the photos cannot see of the points.
    columns : the unknowns of a photo.
    """

    points: Array
    common: Array
    common_points: Array
    photos: Array
    photo_common: Array
    photo_points: Array
    gauge: Array
    columns: PhotoColumns

    def of_views(self, photo: NDArray[np.intp], constants: NDArray[np.intp]) -> Array:
        """(S, p + c, p + c) of the unknowns of photos (S,) and common ones by number (S, c)."""
        between = self.of_photos_and(self.photo_common, photo, constants)
        common = self.common[constants[:, :, None], constants[:, None, :]]
        return np.concatenate(
            [
                np.concatenate([self.photos[photo], between], axis=2),
                np.concatenate([between.transpose(0, 2, 1), common], axis=2),
            ],
            axis=1,
        )

    def of_views_and_points(
        self, photo: NDArray[np.intp], constants: NDArray[np.intp], points: NDArray[np.intp]
    ) -> Array:
        """(S, p + c, k) between the same unknowns and coordinates of points by number (S, k)."""
        common = self.common_points[constants[:, :, None], points[:, None, :]]
        photos = self.of_photos_and(self.photo_points, photo, points)
        return np.concatenate([photos, common], axis=1)

    def of_photos_and(
        self, mixed: Array, photo: NDArray[np.intp], columns: NDArray[np.intp]
    ) -> Array:
        """(S, p, k) of ``mixed`` (F, p, K): columns (S, k) of photos (S,)."""
        rows = np.arange(self.columns.count)[:, None]
        return np.asarray(mixed[photo[:, None, None], rows, columns[:, None, :]])


def cofactors(network: Network, observations: Observations, priors: Priors) -> Cofactors:
    """A generalised inverse of the normal equations at an optimum found by ``adjust``."""
    return _cofactors(network, build_normals(network, observations, priors), priors)


def _cofactors(network: Network, normals: Normals, priors: Priors) -> Cofactors:
    system = normals.system
    gauge_points = similarities(network.points)
    gauge = np.concatenate([_photo_similarities(network, normals), gauge_points])[normals.kept]
    # With a layout the convention of the mean print scale holds the network's scale already; to
    # hold it twice would feign knowledge of what lies between.
    free = np.flatnonzero(normals.free)
    unheld = gauge[free, : DATUM_DEFECT - bool(priors.layout)]
    spread = np.zeros_like(system.matrix)
    spread[np.ix_(free, free)] = _generalised_inverse(system.matrix[np.ix_(free, free)], unheld)

    mixed = system.mixed(spread)
    count, p = len(network.rotation), normals.columns.count
    first = len(spread) - normals.common
    common = spread[first:, first:]
    if normals.keeps_photos:
        to_points = mixed.reshape(-1, len(spread)).T
        each = np.arange(count)
        return Cofactors(
            points=system.joint(mixed),
            common=common,
            common_points=to_points[first:],
            photos=spread[:first, :first].reshape(count, p, count, p)[each, :, each],
            photo_common=spread[:first, first:].reshape(count, p, -1),
            photo_points=to_points[:first].reshape(count, p, -1),
            gauge=gauge_points,
            columns=normals.columns,
        )
    return Cofactors(
        points=spread[:first, :first],
        common=common,
        common_points=spread[first:, :first],
        photos=system.own(mixed),
        photo_common=mixed[:, :, first:],
        photo_points=mixed[:, :, :first],
        gauge=gauge_points,
        columns=normals.columns,
    )


def precision(network: Network, observations: Observations, priors: Priors) -> Precision:
    """Cofactors at an optimum found by ``adjust``."""
    linear = jacobians(network, observations, priors)
    normals = normals_of(linear, network, observations, priors)
    known = _cofactors(network, normals, priors)
    by_photo, by_constants, by_point, residuals = linear
    last = network.constants.size
    constants = np.stack([known.common[g : g + 9, g : g + 9] for g in range(0, last, 9)])
    print_scale = (
        known.common[last:, last:] if len(known.common) > last else np.full((2, 2), np.nan)
    )

    drift = np.zeros((len(network.rotation), 6))
    shift = np.zeros((len(network.rotation), 2))
    of_photos = np.diagonal(known.photos, axis1=1, axis2=2)
    if known.columns.drifts:
        drift[:] = of_photos[:, known.columns.drift]
    if known.columns.shifts:
        shift[:] = of_photos[:, known.columns.shift]
    redundancy, squares = _redundancy(network, observations, priors)
    squares += float((residuals**2).sum())
    return Precision(
        constants,
        print_scale,
        drift,
        shift,
        _leverages(network, observations, known, by_photo, by_constants, by_point),
        residuals,
        redundancy,
        squares / max(redundancy, 1),
        known,
    )


def _redundancy(network: Network, observations: Observations, priors: Priors) -> tuple[int, float]:
    """Redundancy, and the weighted squares of what the priors contradict."""
    columns = priors.columns
    unknowns = (
        len(network.rotation) * columns.count
        + int((~priors.fixed).sum())
        + network.points.size
        + 2 * bool(priors.layout)
    )
    redundancy = 2 * len(observations.px) - unknowns + DATUM_DEFECT
    squares = 0.0
    if columns.shifts:
        redundancy += network.shift_px.size
        squares += float(((network.shift_px / priors.shift_sd_px) ** 2).sum())
    if columns.drifts:
        moving = priors.drift_sd > 0
        redundancy += int(moving.sum()) * len(network.rotation)
        squares += float(((network.drift[:, moving] / priors.drift_sd[moving]) ** 2).sum())
    if priors.layout:
        shaped = network.points.reshape(priors.layout.nominal_mm.shape)
        terms = layout_terms(priors.layout, shaped, network.print_scale)
        redundancy += (3 * priors.layout.nominal_mm.shape[1] - 6) * len(priors.layout.nominal_mm)
        squares += float(terms.squares.sum())
    for g in range(len(network.constants)):
        off = network.constants[g] - priors.constants[g]
        squares += float(off @ priors.information[g] @ off)
        redundancy += int(np.linalg.matrix_rank(priors.information[g]))
    return redundancy, squares


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


def similarities(points_mm: Array) -> Array:
    """(3 P, 7) moves of points (P, 3) that no photo sees: shifts, rotations and scale.

    Applied to photos and points together they change no image.
    """
    moves = np.zeros((len(points_mm), 3, DATUM_DEFECT))
    moves[:, :, :3] = np.eye(3)
    moves[:, :, 3:6] = -cross_matrix(points_mm)
    moves[:, :, 6] = points_mm
    return moves.reshape(-1, DATUM_DEFECT)


def _photo_similarities(network: Network, normals: Normals) -> Array:
    """The same moves of photos, camera constants and print scales, (F p + C, 7)."""
    moves = np.zeros((normals.photos + normals.common, DATUM_DEFECT))
    view = moves[: normals.photos].reshape(len(network.rotation), -1, DATUM_DEFECT)
    view[:, 3:6, :3] = -network.rotation
    view[:, :3, 3:6] = -network.rotation
    view[:, 3:6, 6] = network.translation
    if normals.columns.drifts:
        view[:, 9:12, 6] = network.drift[:, 3:]
    if normals.common > network.constants.size:
        moves[-2:, 6] = network.print_scale
    return moves


def _generalised_inverse(singular: Array, null: Array) -> Array:
    """A symmetric generalised inverse of a matrix whose null space is spanned by ``null``."""
    scale = 1.0 / np.sqrt(np.maximum(np.diag(singular), 1e-30))
    basis, _ = np.linalg.qr(null / scale[:, None])
    filled = singular * scale[:, None] * scale
    filled += np.trace(filled) / len(filled) * basis @ basis.T
    return np.asarray(inverted(filled) * scale[:, None] * scale)


def inner_constraints(cofactors: Array, null: Array) -> Array:
    """S-transformation to inner constraints: (I - G (G^T G)^-1 G^T) applied on both sides.

    With B an orthonormal basis of G, and K = Q B - B (B^T Q B) / 2, that is Q - B K^T - K B^T: one
    pass over a matrix that may be large.
    """
    basis, _ = np.linalg.qr(null)
    moved = cofactors @ basis
    moved -= 0.5 * basis @ (basis.T @ moved)
    return np.asarray(cofactors - np.hstack([basis, moved]) @ np.hstack([moved, basis]).T)


def _camera_root(known: Cofactors, constants: int) -> Array:
    """What unknown camera constants add to the points' cofactors, as a root (3 P, k).

    With the constants, the first so many of the common unknowns, known, the points' cofactors are
    Q_xx - Q_xc Q_cc^-1 Q_cx; the root is that of the second term, for inner constraints. Constants
    that are held fixed add nothing.
    """
    own = known.common[:constants, :constants]
    sd = np.sqrt(np.maximum(np.diag(own), 0.0))
    free = sd > 0
    if not free.any():
        return np.zeros((len(known.points), 0))
    # Units differ by ten orders (px of focal length, k3): equilibrate first.
    values, vectors = np.linalg.eigh(own[np.ix_(free, free)] / np.outer(sd[free], sd[free]))
    kept = values > 1e-12
    mixed = known.common_points[:constants][free] / sd[free, None]
    root = mixed.T @ vectors[:, kept] / np.sqrt(values[kept])
    basis, _ = np.linalg.qr(known.gauge)
    return np.asarray(root - basis @ (basis.T @ root))


def _leverages(
    network: Network,
    observations: Observations,
    known: Cofactors,
    by_photo: Array,
    by_constants: Array,
    by_point: Array,
) -> Array:
    """Cofactors (N, 2, 2) of the whitened predictions: J Q J^T with each observation's unknowns."""
    photo, point = observations.photo, observations.point
    photos, points = np.arange(len(network.rotation)), len(network.points)
    constants = 9 * network.group[:, None] + np.arange(9)
    by_view = np.concatenate([by_photo, by_constants], axis=2)
    by_dot = by_point.transpose(0, 2, 1)
    own = known.of_views(photos, constants)
    # Splitting the last axis copies nothing.
    of_photos = known.photo_points.reshape(len(photos), -1, points, 3)[photo, :, point]
    of_common = known.common_points.reshape(-1, points, 3)[constants[photo], point[:, None]]
    mixed = np.concatenate([of_photos, of_common], axis=1)
    each = np.arange(points)
    of_points = known.points.reshape(points, 3, points, 3)[each, :, each]
    half = by_view @ mixed @ by_dot
    leverage = half + half.transpose(0, 2, 1)
    leverage += by_view @ own[photo] @ by_view.transpose(0, 2, 1)
    leverage += by_point @ of_points[point] @ by_dot
    return np.asarray(leverage)
