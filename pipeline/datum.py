"""The vehicle frame: datum plane, centre plane and zero line from undamaged base points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from calib.frames import Array, Pose, cross_matrix, rotations

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
        explains (0 when it explains all); part of ``covariance_mm2``.
    by_holes : (3 N, 3 N) derivative of ``positions_mm`` by the holes in the network frame.
    sheet_root_mm : (3 N, 3 B) r, what the scatter adds to the covariance being r r^T.
    """

    vehicle_from_network: Pose
    positions_mm: Array
    covariance_mm2: Array
    misfit_mm: Array
    rms_mm: float
    scatter_mm: float
    by_holes: Array
    sheet_root_mm: Array


def fit_frame(
    positions_mm: Array,
    covariance_mm2: Array,
    base: NDArray[np.intp],
    sheet_mm: Array,
) -> Datum:
    """Weighted fit of base points to the sheet: six degrees, no scale.

    Minimises v^T W v with v = R p + t - q over the base points and W the inverse of their
    covariance plus scatter^2 I. The scatter is raised from zero until v^T W v is what its 3 B - 6
    degrees of freedom allow (Mandel and Paule, Analytical Chemistry 42:1194, 1970, from memory), so
    that base points which disagree with the sheet make every figure less sure.

    Parameters
    ----------
    positions_mm, covariance_mm2 : (N, 3) and (3 N, 3 N) holes in the network frame.
    base : (B,) indices of the base points, at least three, not on one line.
    sheet_mm : (B, 3) their places on the sheet.
    """
    start = _closest(positions_mm[base], sheet_mm)
    columns = (3 * base[:, None] + np.arange(3)).ravel()
    measured = covariance_mm2[np.ix_(columns, columns)]
    freedom = 3 * len(base) - 6
    scatter = 0.0
    pose, squares, gain = _weighted(positions_mm[base], sheet_mm, measured, scatter, start)
    if squares > freedom:
        low, high = 0.0, 1.0
        while _weighted(positions_mm[base], sheet_mm, measured, high, start)[1] > freedom:
            low, high = high, 2.0 * high
        for _ in range(40):
            scatter = 0.5 * (low + high)
            pose, squares, gain = _weighted(positions_mm[base], sheet_mm, measured, scatter, start)
            low, high = (scatter, high) if squares > freedom else (low, scatter)

    turned = pose.apply(positions_mm)
    turn = np.kron(np.eye(len(positions_mm)), pose.rotation)
    # y_i = R p_i + t; the base points move the frame by the gain, which takes their shifts to a
    # small rotation and shift.
    frame = np.concatenate(
        [-cross_matrix(turned), np.broadcast_to(np.eye(3), (len(turned), 3, 3))], axis=2
    ).reshape(-1, 6)
    by_base = np.zeros((len(columns), 3 * len(positions_mm)))
    by_base[np.arange(len(columns)), columns] = 1.0
    spread = frame @ gain
    by_holes = (np.eye(3 * len(positions_mm)) - spread @ by_base) @ turn
    sheet_root = scatter * spread
    covariance = by_holes @ covariance_mm2 @ by_holes.T + sheet_root @ sheet_root.T
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
    )


def spread_mm(points_mm: Array) -> float:
    """How far points (B, 3) reach away from their best line: rms distance, mm."""
    centred = points_mm - points_mm.mean(axis=0)
    return float(np.linalg.svd(centred, compute_uv=False)[1] / np.sqrt(len(points_mm)))


def on_one_line(points_mm: Array) -> bool:
    """Whether base points leave the frame free to turn about a line."""
    return spread_mm(points_mm) < _LEAST_SPREAD_MM


def misfit_is_large(datum: Datum, covariance_mm2: Array, base: NDArray[np.intp]) -> bool:
    """Whether the base points disagree with the sheet beyond the measurement (95 %)."""
    freedom = 3 * len(base) - 6
    columns = (3 * base[:, None] + np.arange(3)).ravel()
    measured = covariance_mm2[np.ix_(columns, columns)]
    turn = np.kron(np.eye(len(base)), datum.vehicle_from_network.rotation)
    v = datum.misfit_mm.ravel()
    squares = v @ np.linalg.solve(turn @ measured @ turn.T, v)
    return bool(freedom > 0 and squares > chi2.isf(0.05, freedom))


def worst_base_point(datum: Datum, names: Sequence[str]) -> tuple[str, float]:
    """Name and distance of the base point that lies farthest from the sheet."""
    off = np.linalg.norm(datum.misfit_mm, axis=1)
    worst = int(off.argmax())
    return names[worst], float(off[worst])


def _closest(points_mm: Array, sheet_mm: Array) -> Pose:
    """Unweighted rigid fit (Umeyama, IEEE PAMI 13:376, 1991, without scale)."""
    mean_p, mean_q = points_mm.mean(axis=0), sheet_mm.mean(axis=0)
    u, _, vt = np.linalg.svd((sheet_mm - mean_q).T @ (points_mm - mean_p))
    rotation = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return Pose(rotation, mean_q - rotation @ mean_p)


def _weighted(
    points_mm: Array, sheet_mm: Array, measured: Array, scatter_mm: float, start: Pose
) -> tuple[Pose, float, Array]:
    """Pose, v^T W v and gain (6, 3 B) of the weighted fit.

    The gain takes shifts of the base points in the vehicle frame to rotation and shift of it.
    """
    pose = start
    for _ in range(20):
        turned = pose.apply(points_mm)
        turn = np.kron(np.eye(len(points_mm)), pose.rotation)
        spread = turn @ measured @ turn.T + scatter_mm**2 * np.eye(len(measured))
        weight = np.linalg.inv(spread)
        v = (turned - sheet_mm).ravel()
        by_frame = np.concatenate(
            [-cross_matrix(turned), np.broadcast_to(np.eye(3), (len(turned), 3, 3))], axis=2
        ).reshape(-1, 6)
        normal = by_frame.T @ weight
        gain = np.linalg.solve(normal @ by_frame, normal)
        step = -gain @ v
        rotation = rotations(step[:3])
        pose = Pose(rotation @ pose.rotation, rotation @ pose.translation + step[3:])
        if np.abs(step).max() < 1e-10:
            break
    return pose, float(v @ weight @ v), gain
