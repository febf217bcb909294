"""Conventions, stated once: pixels, frames, poses.

Pixels
    The centre of the first pixel of the *sensor* image is (0, 0); x right, y down, as in OpenCV.
    The EXIF orientation tag is never applied to pixels that are measured, because camera
    constants belong to the sensor frame; it only turns pictures shown to people.
Camera frame
    Origin in the perspective centre, x right, y down, z forward, millimetres.
Card frame
    Origin at the card centre, x right and y down as printed, z into the card, millimetres.
Network frame
    Where the adjustment happens: arbitrary position and direction, millimetres as printed until
    the bars have given the scale.
Vehicle frame
    x length (+ forward), y width (+ left), z height above the datum plane (+ up), millimetres at
    20 degrees C.

Transforms are named target_from_source (``camera_from_network``). Angles are radians inside and
degrees for people. Standard uncertainties are ``sd_`` or ``u_``, expanded ones (k = 2) ``U_``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """A rigid transform, target_from_source: x_target = rotation @ x_source + translation.

    Attributes
    ----------
    rotation : (3, 3) proper orthogonal matrix.
    translation : (3,) in the units of the frames (mm).
    """

    rotation: Array
    translation: Array

    @staticmethod
    def identity() -> Pose:
        """The transform that changes nothing."""
        return Pose(np.eye(3), np.zeros(3))

    def apply(self, points: Array) -> Array:
        """Points (..., 3) of the source frame in the target frame."""
        return np.asarray(points @ self.rotation.T + self.translation)

    def inverse(self) -> Pose:
        """source_from_target."""
        return Pose(self.rotation.T, -self.rotation.T @ self.translation)

    def compose(self, other: Pose) -> Pose:
        """target_from_other_source, for ``other`` = source_from_other_source."""
        return Pose(
            self.rotation @ other.rotation, self.rotation @ other.translation + self.translation
        )


def cross_matrix(vectors: Array) -> Array:
    """Matrices (..., 3, 3) of the vectors (..., 3): cross_matrix(a) @ b = a x b.

    >>> cross_matrix(np.array([1.0, 0.0, 0.0])) @ np.array([0.0, 1.0, 0.0])
    array([0., 0., 1.])
    """
    v = np.asarray(vectors, dtype=float)
    out = np.zeros((*v.shape, 3))
    out[..., 0, 1] = -v[..., 2]
    out[..., 0, 2] = v[..., 1]
    out[..., 1, 0] = v[..., 2]
    out[..., 1, 2] = -v[..., 0]
    out[..., 2, 0] = -v[..., 1]
    out[..., 2, 1] = v[..., 0]
    return out


def rotations(vectors_rad: Array) -> Array:
    """Rotation matrices (..., 3, 3) of rotation vectors (..., 3), radians (Rodrigues' formula).

    >>> rotations(np.array([0.0, 0.0, np.pi / 2])).round(6)
    array([[ 0., -1.,  0.],
           [ 1.,  0.,  0.],
           [ 0.,  0.,  1.]])
    """
    v = np.asarray(vectors_rad, dtype=float)
    angle = np.linalg.norm(v, axis=-1)[..., None, None]
    k = cross_matrix(v)
    # sinc keeps both factors exact down to angle 0.
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.asarray(np.eye(3) + first * k + second * (k @ k))
