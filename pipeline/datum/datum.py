"""The vehicle frame: datum plane, centre plane and zero line from undamaged base points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from calib.frames import Array, Pose, cross_matrix, rotations
from pipeline.adjustment.layout import best_rotations

LEAST_BASE_POINTS = 3
_LEAST_SPREAD_MM = 100.0
"""Base points nearer to one line than this do not fix the frame about it."""


@dataclass(frozen=True)
class Datum:
    """The vehicle frame and what carried it.

    Attributes
    ----------
    vehicle_from_network : rigid, no scale.
    positions_mm : (N, 3) all holes in the vehicle frame.
    covariance_mm2 : (3 N, 3 N) of them, the frame's own uncertainty carried through.
    misfit_mm : (B, 3) base points minus sheet.
    rms_mm : rms of the misfit, per coordinate.
    scatter_mm : standard deviation of the base points about the sheet beyond what the measurement
        explains, as few points tell it (``sheet_scatter_mm``); part of ``covariance_mm2``.
    by_holes : (3 N, 3 N) derivative of ``positions_mm`` by the holes in the network frame.
    sheet_root_mm : (3 N, 3 B) r, what the scatter adds to the covariance being r r^T.
    deviation_covariance_mm2 : (3 N, 3 N) of positions minus sheet: ``covariance_mm2`` where the
        sheet states no uncertainty of its own.
    reference_root_mm : (3 N, 3 N) r, what that uncertainty adds to the deviations' covariance
        being r r^T.
    """

    vehicle_from_network: Pose
    positions_mm: Array
    covariance_mm2: Array
    misfit_mm: Array
    rms_mm: float
    scatter_mm: float
    by_holes: Array
    sheet_root_mm: Array
    deviation_covariance_mm2: Array
    reference_root_mm: Array


@dataclass(frozen=True)
class Alternative:
    """What may have carried the frame instead.

    Attributes
    ----------
    probability : that these are the sound base points, and no others.
    base : (B,) indices of the holes.
    sheet_mm : (B, 3) their places on the sheet.
    """

    probability: float
    base: NDArray[np.intp]
    sheet_mm: Array


def fit_frame(
    positions_mm: Array,
    covariance_mm2: Array,
    base: NDArray[np.intp],
    sheet_mm: Array,
    reference_u_mm: Array | None = None,
    scatter_mm: float | None = None,
    alternatives: Sequence[Alternative] = (),
) -> Datum:
    """Weighted fit of base points to the sheet: six degrees, no scale.

    Minimises v^T W v with v = R p + t - q over the base points and W the inverse of their
    covariance plus scatter^2 I, so that base points which disagree with the sheet make every
    figure less sure.

    Parameters
    ----------
    positions_mm, covariance_mm2 : (N, 3) and (3 N, 3 N) holes in the network frame.
    base : (B,) indices of the base points, at least three, not on one line.
    sheet_mm : (B, 3) their places on the sheet.
    reference_u_mm : (N, 3) standard uncertainty of the sheet's figures for all holes, independent
        of each other; none if not given.
    scatter_mm : of the base points about the sheet where it is known; else they tell it.
    alternatives : where it is open which base points are sound, each possible set with its
        probability p, the one chosen included. What the sheet adds to the covariance is then its
        mean over them, and how far their frames lie from the one chosen: the sum of
        p (s^2 F G G^T F^T + d d^T), the second moment about a given point of a mixture, with
        each one's scatter s, gain G and shift d of all points.
    """
    start = closest_pose(positions_mm[base], sheet_mm)
    columns = (3 * base[:, None] + np.arange(3)).ravel()
    u_sheet = np.zeros(positions_mm.size) if reference_u_mm is None else reference_u_mm.ravel()
    upright = np.kron(np.eye(len(base)), start.rotation)
    measured = covariance_mm2[np.ix_(columns, columns)]
    measured = measured + upright.T @ np.diag(u_sheet[columns] ** 2) @ upright
    scatter = scatter_mm
    if scatter is None:
        scatter = sheet_scatter_mm(positions_mm[base], sheet_mm, measured)
    pose, gain = _weighted(positions_mm[base], sheet_mm, measured, scatter, start)

    turned = pose.apply(positions_mm)
    turn = np.kron(np.eye(len(positions_mm)), pose.rotation)
    # y_i = R p_i + t; the base points move the frame by the gain, which takes their shifts to a
    # small rotation and shift.
    frame = by_frame(turned)
    by_base = np.zeros((len(columns), 3 * len(positions_mm)))
    by_base[np.arange(len(columns)), columns] = 1.0
    spread = frame @ gain
    by_holes = (np.eye(3 * len(positions_mm)) - spread @ by_base) @ turn
    sheet_root = scatter * spread
    if alternatives:
        mixed = [
            _other_frame(one, positions_mm, covariance_mm2, u_sheet, pose) for one in alternatives
        ]
        sheet_root = np.hstack([root for root, _ in mixed])
        shares = np.array([one.probability for one in alternatives])
        scatter = float(np.sqrt(shares @ np.square([s for _, s in mixed]) / shares.sum()))
    covariance = by_holes @ covariance_mm2 @ by_holes.T + sheet_root @ sheet_root.T
    # Figures of the sheet shift the frame as base points do, and are subtracted in the end.
    by_sheet = spread @ by_base * u_sheet
    reference_root = by_sheet - np.diag(u_sheet)
    deviations = covariance + reference_root @ reference_root.T
    covariance = covariance + by_sheet @ by_sheet.T
    misfit = turned[base] - sheet_mm
    return Datum(
        pose,
        turned,
        0.5 * (covariance + covariance.T),
        misfit,
        float(np.sqrt((misfit**2).mean())),
        scatter,
        by_holes,
        sheet_root,
        0.5 * (deviations + deviations.T),
        reference_root,
    )


def sheet_scatter_mm(points_mm: Array, sheet_mm: Array, covariance_mm2: Array) -> float:
    """Standard deviation (rms of its posterior) of base points about the sheet, mm.

    No body is built to the sheet exactly. What the base points (B, 3) cannot take up by any rigid
    motion, 3 B - 6 numbers r, has the covariance C of the measurement plus s^2 I. Few numbers do
    not tell s well: the best estimate is often nought, and U would hold too seldom. So the mean
    of s^2 is taken over all s by their likelihood (restricted, of r; Patterson and Thompson,
    Biometrika 58:545, 1971, from memory), with log(s^2 + mean of C) uniform beforehand. For a
    scatter that outweighs the measurement this is r^T r / (f - 2), f = 3 B - 6, the variance of
    Student's t, where the plain mean square is r^T r / f: what makes k = 2 right for few base
    points (GUM, JCGM 100:2008, G.3, lets k grow instead, from memory).
    """
    pose = closest_pose(points_mm, sheet_mm)
    turned = pose.apply(points_mm)
    rigid = by_frame(turned)
    # What is square to all rigid motions.
    complement = np.linalg.svd(rigid)[0][:, 6:]
    turn = np.kron(np.eye(len(points_mm)), pose.rotation)
    measured = complement.T @ turn @ covariance_mm2 @ turn.T @ complement
    return scatter_of(measured, complement.T @ (turned - sheet_mm).ravel())


def scatter_of(covariance_mm2: Array, residuals_mm: Array) -> float:
    """The same of residuals (f,) with covariance (f, f) of the measurement plus s^2 I."""
    own, vectors = np.linalg.eigh(covariance_mm2)
    own = np.maximum(own, 1e-12)  # along the axes in which the measurement is diagonal
    squares = (vectors.T @ residuals_mm) ** 2
    least = float(own.mean())
    largest = max(least, float(squares.sum()))
    total = least * np.exp(np.linspace(0.0, np.log(1e6 * largest / least), 2000))
    each = total[:, None] - least + own
    log_likelihood = -0.5 * (np.log(each) + squares / each).sum(axis=1)
    weight = np.exp(log_likelihood - log_likelihood.max())
    weight[[0, -1]] *= 0.5
    return float(np.sqrt(weight @ (total - least) / weight.sum()))


def expected_scatter_mm(sheet_mm: Array, covariance_mm2: Array, body_sd_mm: float) -> float:
    """What ``sheet_scatter_mm`` will typically find where base points stray by ``body_sd_mm``.

    The squares are put at their expected values; ``covariance_mm2`` (3 B, 3 B) is in the frame
    of the sheet.
    """
    complement = np.linalg.svd(by_frame(sheet_mm))[0][:, 6:]
    measured = complement.T @ covariance_mm2 @ complement
    own, vectors = np.linalg.eigh(measured)
    return scatter_of(measured, vectors @ np.sqrt(np.maximum(own, 0.0) + body_sd_mm**2))


def spread_mm(points_mm: Array) -> float:
    """How far points (B, 3) reach away from their best line: rms distance, mm."""
    centred = points_mm - points_mm.mean(axis=0)
    return float(np.linalg.svd(centred, compute_uv=False)[1] / np.sqrt(len(points_mm)))


def on_one_line(points_mm: Array) -> bool:
    """Whether base points leave the frame free to turn about a line."""
    return spread_mm(points_mm) < _LEAST_SPREAD_MM


def misfit_is_large(
    datum: Datum,
    covariance_mm2: Array,
    base: NDArray[np.intp],
    reference_u_mm: Array | None = None,
) -> bool:
    """Whether the base points disagree with the sheet beyond the measurement (95 %).

    Parameters as in ``fit_frame``.
    """
    freedom = 3 * len(base) - 6
    columns = (3 * base[:, None] + np.arange(3)).ravel()
    measured = covariance_mm2[np.ix_(columns, columns)]
    turn = np.kron(np.eye(len(base)), datum.vehicle_from_network.rotation)
    spread = turn @ measured @ turn.T
    if reference_u_mm is not None:
        spread = spread + np.diag(reference_u_mm[base].ravel() ** 2)
    v = datum.misfit_mm.ravel()
    squares = v @ np.linalg.solve(spread, v)
    return bool(freedom > 0 and squares > chi2.isf(0.05, freedom))


def worst_base_point(datum: Datum, names: Sequence[str]) -> tuple[str, float]:
    """Name and distance of the base point that lies farthest from the sheet."""
    off = np.linalg.norm(datum.misfit_mm, axis=1)
    worst = int(off.argmax())
    return names[worst], float(off[worst])


def closest_pose(points_mm: Array, sheet_mm: Array) -> Pose:
    """reference_from_points: the unweighted rigid fit of points (N, 3) to others."""
    middle = points_mm.mean(axis=0)
    rotation = best_rotations((points_mm - middle)[None], sheet_mm[None])[0]
    return Pose(rotation, sheet_mm.mean(axis=0) - rotation @ middle)


def by_frame(points_mm: Array) -> Array:
    """Derivative (3 N, 6) of points (N, 3) by a small rotation and a shift of their frame."""
    shift = np.broadcast_to(np.eye(3), (len(points_mm), 3, 3))
    return np.concatenate([-cross_matrix(points_mm), shift], axis=2).reshape(-1, 6)


def _other_frame(
    other: Alternative, positions_mm: Array, covariance_mm2: Array, u_sheet_mm: Array, pose: Pose
) -> tuple[Array, float]:
    """(3 N, 3 B + 1) root of what an alternative adds to the covariance, and its scatter, mm.

    ``u_sheet_mm`` : (3 N,) of the sheet's figures; ``pose`` : the frame chosen.
    """
    columns = (3 * other.base[:, None] + np.arange(3)).ravel()
    upright = np.kron(np.eye(len(other.base)), pose.rotation)
    measured = covariance_mm2[np.ix_(columns, columns)]
    measured = measured + upright.T @ np.diag(u_sheet_mm[columns] ** 2) @ upright
    scatter = sheet_scatter_mm(positions_mm[other.base], other.sheet_mm, measured)
    its, gain = _weighted(positions_mm[other.base], other.sheet_mm, measured, scatter, pose)
    shift = its.apply(positions_mm) - pose.apply(positions_mm)
    root = np.column_stack([scatter * by_frame(pose.apply(positions_mm)) @ gain, shift.ravel()])
    return np.sqrt(other.probability) * root, scatter


def _weighted(
    points_mm: Array, sheet_mm: Array, measured: Array, scatter_mm: float, start: Pose
) -> tuple[Pose, Array]:
    """Pose and gain (6, 3 B) of the weighted fit.

    The gain takes shifts of the base points in the vehicle frame to rotation and shift of it.
    """
    pose = start
    for _ in range(20):
        turned = pose.apply(points_mm)
        turn = np.kron(np.eye(len(points_mm)), pose.rotation)
        spread = turn @ measured @ turn.T + scatter_mm**2 * np.eye(len(measured))
        rigid = by_frame(turned)
        normal = np.linalg.solve(spread, rigid).T
        gain = np.linalg.solve(normal @ rigid, normal)
        step = -gain @ (turned - sheet_mm).ravel()
        rotation = rotations(step[:3])
        pose = Pose(rotation @ pose.rotation, rotation @ pose.translation + step[3:])
        if np.abs(step).max() < 1e-10:
            break
    return pose, gain
