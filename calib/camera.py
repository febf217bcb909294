"""The camera: perspective projection with Brown-Conrady distortion, as OpenCV defines it.

With x = X/Z, y = Y/Z, r2 = x^2 + y^2 and R = 1 + k1 r2 + k2 r2^2 + k3 r2^3

    u = fx (x R + 2 p1 x y + p2 (r2 + 2 x^2)) + cx
    v = fy (y R + p1 (r2 + 2 y^2) + 2 p2 x y) + cy

(D. C. Brown, Close-range camera calibration, Photogrammetric Engineering 37:855, 1971, from
memory; the form and the order of constants are OpenCV's.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.frames import Array
from targets.errors import UserError

CONSTANTS = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
"""Names and order of the camera constants in every vector and covariance of this project."""


@dataclass(frozen=True)
class Camera:
    """Camera constants of one sensor image size.

    Attributes
    ----------
    width_px, height_px : size of the sensor image.
    constants : (9,) fx, fy, cx, cy in px, k1, k2, p1, p2, k3 (see ``CONSTANTS``).
    """

    width_px: int
    height_px: int
    constants: Array

    @property
    def matrix(self) -> Array:
        """Camera matrix (3, 3) in OpenCV's form, px."""
        fx, fy, cx, cy = self.constants[:4]
        return np.array([[fx, 0.0, cx], [0.0, fy, cy], [0.0, 0.0, 1.0]])

    @property
    def distortion(self) -> Array:
        """(5,) k1, k2, p1, p2, k3."""
        return self.constants[4:]

    def project(self, points_mm: Array) -> Array:
        """Image points (N, 2) px of points (N, 3) in the camera frame.

        Published check: ``tests/test_camera.py`` (Brown-Conrady values of references 1 c).
        """
        return project(self.constants, points_mm)

    def rays(self, points_px: Array) -> Array:
        """Undistorted directions (N, 2) x/z, y/z of image points (N, 2) px.

        Newton's iteration on the distortion, to 1e-12 (OpenCV's default stops 0.15 px short at a
        corner with k1 = -0.3: references section 3).

        Raises
        ------
        UserError : the distortion cannot be inverted there (constants that describe no lens).
        """
        fx, fy, cx, cy = self.constants[:4]
        wanted = (np.asarray(points_px, dtype=float) - [cx, cy]) / [fx, fy]
        rays = wanted.copy()
        for _ in range(50):
            distorted, by_ray = _distort(self.constants, rays)
            off = distorted - wanted
            step = np.linalg.solve(by_ray, off[..., None])[..., 0]
            rays = rays - np.clip(step, -0.2, 0.2)
            if np.abs(off).max(initial=0.0) < 1e-12:
                return rays
        if np.abs(off).max(initial=0.0) < 1e-8:
            return rays
        raise UserError(
            "the camera constants bend the image over itself", "", "calibrate the camera again"
        )


def project(constants: Array, points_mm: Array) -> Array:
    """Image points (..., 2) px of points (..., 3) in the camera frame; constants (..., 9)."""
    points = np.asarray(points_mm, dtype=float)
    distorted, _ = _distort(constants, points[..., :2] / points[..., 2:])
    return distorted * constants[..., :2] + constants[..., 2:4]


def project_with_jacobians(constants: Array, points_mm: Array) -> tuple[Array, Array, Array]:
    """Image points and their derivatives.

    Parameters
    ----------
    constants : (9,) or (N, 9) camera constants.
    points_mm : (N, 3) in the camera frame.

    Returns
    -------
    points_px : (N, 2).
    by_point : (N, 2, 3), px per mm.
    by_constants : (N, 2, 9), px per unit of each constant.
    """
    constants = np.broadcast_to(constants, (len(points_mm), 9))
    inverse_z = 1.0 / points_mm[:, 2]
    rays = points_mm[:, :2] * inverse_z[:, None]
    distorted, by_ray = _distort(constants, rays)
    focal = constants[:, :2]
    points_px = distorted * focal + constants[:, 2:4]

    by_point = np.empty((len(rays), 2, 3))
    by_point[:, :, :2] = by_ray * (focal[:, :, None] * inverse_z[:, None, None])
    by_point[:, :, 2] = -np.einsum("nij,nj->ni", by_point[:, :, :2], rays)

    x, y = rays.T
    r2 = x * x + y * y
    by_constants = np.zeros((len(rays), 2, 9))
    by_constants[:, 0, 0] = distorted[:, 0]
    by_constants[:, 1, 1] = distorted[:, 1]
    by_constants[:, 0, 2] = 1.0
    by_constants[:, 1, 3] = 1.0
    scaled = rays * focal
    for column, power in ((4, 1), (5, 2), (8, 3)):
        by_constants[:, :, column] = scaled * (r2**power)[:, None]
    cross = 2.0 * x * y
    by_constants[:, 0, 6] = focal[:, 0] * cross
    by_constants[:, 1, 6] = focal[:, 1] * (r2 + 2 * y * y)
    by_constants[:, 0, 7] = focal[:, 0] * (r2 + 2 * x * x)
    by_constants[:, 1, 7] = focal[:, 1] * cross
    return points_px, by_point, by_constants


def _distort(constants: Array, rays: Array) -> tuple[Array, Array]:
    """Distorted rays (..., 2) and their derivatives by the undistorted ones (..., 2, 2)."""
    k1, k2, p1, p2, k3 = (constants[..., i] for i in range(4, 9))
    x, y = rays[..., 0], rays[..., 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + r2 * 3.0 * k3))  # d radial / d x = slope * x
    distorted = np.empty(rays.shape)
    distorted[..., 0] = x * radial + 2.0 * p1 * x * y + p2 * (r2 + 2.0 * x * x)
    distorted[..., 1] = y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * x * y
    by_ray = np.empty((*rays.shape, 2))
    by_ray[..., 0, 0] = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
    by_ray[..., 0, 1] = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    by_ray[..., 1, 0] = by_ray[..., 0, 1]
    by_ray[..., 1, 1] = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
    return distorted, by_ray
