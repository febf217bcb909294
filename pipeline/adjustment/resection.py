"""Resection: camera poses from the points that the camera sees, many candidates at once.

OpenCV's own refinement takes one pose at a time, and stops early where a turn of a radian and a
shift of a millimetre count alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array, cross_matrix, rotations

_ITERATIONS = 20
_LEAST_GAIN = 1e-6
"""Relative gain in the sum of squares below which a pose stays as it is."""
_NEAREST_MM = 1.0
"""Points nearer to the camera, or behind it, are taken to lie so far before it."""


def resected(
    rotation: Array, translation: Array, points_mm: Array, rays: Array, used: NDArray[np.bool_]
) -> tuple[Array, Array]:
    """Poses brought to the least squares of rays by Levenberg-Marquardt, all in one product.

    Parameters
    ----------
    rotation : (K, 3, 3) and translation (K, 3): camera_from_points of each candidate.
    points_mm : (K, N, 3), or (1, N, 3) where they are the same for all.
    rays : (K, N, 2) undistorted directions x / z, or (N, 2); where not used they may be nan.
    used : (K, N) which of them count for which candidate.

    Returns
    -------
    rotation, translation : in the same form.
    """
    rotation, translation = rotation.copy(), translation.copy()
    count = len(rotation)
    points_mm = np.broadcast_to(points_mm, (count, *points_mm.shape[1:]))
    rays = np.where(used[..., None], rays, 0.0)
    damping = np.full(count, 1e-3)
    squares, normal, pull = _normals(rotation, translation, points_mm, rays, used)
    moving = np.arange(count)
    for _ in range(_ITERATIONS):
        diagonal = np.einsum("kii->ki", normal[moving])
        damped = normal[moving] + np.eye(6) * (damping[moving, None] * diagonal + 1e-12)[:, None]
        step = np.linalg.solve(damped, pull[moving, :, None])[..., 0]
        turned = rotations(step[:, :3]) @ rotation[moving]
        moved = translation[moving] + step[:, 3:]
        trial = _normals(turned, moved, points_mm[moving], rays[moving], used[moving])
        before = squares[moving]
        better = trial[0] <= before
        at = moving[better]
        rotation[at], translation[at] = turned[better], moved[better]
        for now, then in zip((squares, normal, pull), trial, strict=True):
            now[at] = then[better]
        damping[moving] *= np.where(better, 0.1, 10.0)
        # Less than that is rounding, also where the trial seems worse by it.
        moving = moving[np.abs(before - trial[0]) > _LEAST_GAIN * before]
        if not len(moving):
            break
    return rotation, translation


def _normals(
    rotation: Array, translation: Array, points_mm: Array, rays: Array, used: NDArray[np.bool_]
) -> tuple[Array, Array, Array]:
    """Sum of squares (K,), normal matrix (K, 6, 6), gradient (K, 6) of small turns and shifts."""
    turned = points_mm @ rotation.transpose(0, 2, 1)
    x, y, z = np.moveaxis(turned + translation[:, None], 2, 0)
    inverse = used / np.maximum(z, _NEAREST_MM)  # of those not used 0, and with it all that follows
    ray = np.stack([x * inverse, y * inverse], axis=2)
    by_place = np.zeros((*used.shape, 2, 3))
    by_place[..., 0, 0] = by_place[..., 1, 1] = inverse
    by_place[..., 2] = -ray * inverse[..., None]
    jacobian = np.concatenate([-by_place @ cross_matrix(turned), by_place], axis=3)
    jacobian = jacobian.reshape(len(rotation), -1, 6)
    by_unknown = jacobian.transpose(0, 2, 1)
    residual = (rays - ray).reshape(len(rotation), -1)
    return (
        (residual**2).sum(axis=1),
        by_unknown @ jacobian,
        (by_unknown @ residual[..., None])[..., 0],
    )
