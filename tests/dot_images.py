"""Simulated dots with exact truth: area-sampled ellipses on a card's white corner."""

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from calib.frames import Array

OVERSAMPLING = 9


def semi_axes(diameter_px: float, tilt_rad: float, turn_rad: float) -> Array:
    """(2, 2) map of the unit circle onto a dot of that diameter, tilted, the tilt axis turned."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turn = np.array([[c, -s], [s, c]])
    return turn @ np.diag([diameter_px / 2, diameter_px / 2 * np.cos(tilt_rad)]) @ turn.T


def dot_image(
    semi_px: Array,
    centre_px: Array,
    size_px: int,
    ink: float = 40.0,
    paper: float = 215.0,
    blur_px: float = 0.8,
    slope: tuple[float, float] = (0.0, 0.0),
    surroundings: float = 60.0,
) -> Array:
    """Noiseless grey image (size, size); pixel centres at integers.

    White paper reaches 1.75 radii from the centre (a card's edge is 7 mm from a dot of 4 mm
    radius); beyond it is something dark.
    """
    grid = (np.arange(size_px * OVERSAMPLING) + 0.5) / OVERSAMPLING - 0.5
    x, y = np.meshgrid(grid - centre_px[0], grid - centre_px[1])
    by_pixel = np.linalg.inv(semi_px)
    u = by_pixel[0, 0] * x + by_pixel[0, 1] * y
    v = by_pixel[1, 0] * x + by_pixel[1, 1] * y
    grey = np.where(u * u + v * v < 1.0, ink, paper) * (1.0 + slope[0] * x + slope[1] * y)
    grey = np.where(np.maximum(np.abs(u), np.abs(v)) < 1.75, grey, surroundings)
    grey = gaussian_filter(grey, blur_px * OVERSAMPLING, truncate=5)
    return grey.reshape(size_px, OVERSAMPLING, size_px, OVERSAMPLING).mean(axis=(1, 3))


def photographed(grey: Array, noise: float, rng: np.random.Generator, jpeg: int = 0) -> np.ndarray:
    """Noise, rounding to 8 bits and, if asked for, JPEG of that quality."""
    noisy = np.clip(np.rint(grey + rng.normal(0.0, noise, grey.shape)), 0, 255).astype(np.uint8)
    if jpeg:
        _, data = cv2.imencode(".jpg", noisy, [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        noisy = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE))
    return noisy


def bound_px2(
    semi_px: Array, centre_px: Array, size_px: int, noise: float, blur_px: float
) -> Array:
    """Cramer-Rao bound (2, 2) of the centre, all else known: (sum of g g^T / noise^2)^-1.

    g is the derivative of the noiseless image by the centre (central differences), the paper's
    own edge left out of it.
    """
    step = 1.0 / OVERSAMPLING
    derivative = []
    for axis in range(2):
        off = np.zeros(2)
        off[axis] = step
        plus, minus = (
            dot_image(semi_px, centre_px + o, size_px, blur_px=blur_px, surroundings=215.0)
            for o in (off, -off)
        )
        derivative.append(((plus - minus) / (2 * step)).ravel())
    g = np.array(derivative) / noise
    return np.linalg.inv(g @ g.T)
