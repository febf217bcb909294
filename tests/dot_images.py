"""Simulated dots with exact truth: area-sampled ellipses on a card's white corner."""

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from calib.frames import Array
from capture.dot_fit import DotGuess

OVERSAMPLING = 9
OUTWARD = np.array([1.0, 1.0])
"""The card's nearer edges lie this way along the columns of a dot's semi-axes."""


def semi_axes(diameter_px: float, tilt_rad: float, turn_rad: float, card_rad: float = 0.0) -> Array:
    """(2, 2) map of the unit circle onto a dot of that diameter, tilted, the tilt axis turned.

    Its columns lie along the card's sides, which are ``card_rad`` from where the turn has them.
    """
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    turn = np.array([[c, -s], [s, c]])
    c, s = np.cos(card_rad), np.sin(card_rad)
    card = np.array([[c, -s], [s, c]])
    return turn @ np.diag([diameter_px / 2, diameter_px / 2 * np.cos(tilt_rad)]) @ turn.T @ card


def guess_of(centre_px: Array, semi_px: Array) -> DotGuess:
    """One dot expected there."""
    return DotGuess(centre_px[None], semi_px[None], OUTWARD[None])


def outwards(semi_px: Array) -> Array:
    """(2, 2) unit normals, as rows, of the card's two nearer edges."""
    normals = np.linalg.inv(semi_px) * OUTWARD[:, None]
    return np.asarray(normals / np.linalg.norm(normals, axis=1, keepdims=True))


def dot_image(
    semi_px: Array,
    centre_px: Array,
    size_px: int,
    ink: float = 40.0,
    paper: float = 215.0,
    blur_px: float = 0.8,
    slope: tuple[float, float] = (0.0, 0.0),
    beside: tuple[float, float] = (60.0, 60.0),
    tag: float = 40.0,
    cut: float = 0.0,
) -> Array:
    """Noiseless grey image (size, size); pixel centres at integers.

    White paper reaches 1.75 radii from the centre to the card's two nearer edges (7 mm from a dot
    of 4 mm radius), ``cut`` radii farther if the card was cut badly; beyond each edge is something
    else. The other way the tag's corner lies 2.25 radii off along both sides of the card.
    """
    grid = (np.arange(size_px * OVERSAMPLING) + 0.5) / OVERSAMPLING - 0.5
    x, y = np.meshgrid(grid - centre_px[0], grid - centre_px[1])
    by_pixel = np.linalg.inv(semi_px)
    u = by_pixel[0, 0] * x + by_pixel[0, 1] * y
    v = by_pixel[1, 0] * x + by_pixel[1, 1] * y
    grey = np.where(u * u + v * v < 1.0, ink, paper) * (1.0 + slope[0] * x + slope[1] * y)
    out_u, out_v = u * OUTWARD[0], v * OUTWARD[1]
    grey = np.where((out_u < -2.25) & (out_v < -2.25), tag, grey)
    grey = np.where(out_u > 1.75 + cut, beside[0], grey)
    grey = np.where(out_v > 1.75 + cut, beside[1], grey)
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
    own edges left out of it.
    """
    step = 1.0 / OVERSAMPLING
    paper = 215.0
    derivative = []
    for axis in range(2):
        off = np.zeros(2)
        off[axis] = step
        plus, minus = (
            dot_image(
                semi_px, centre_px + o, size_px, blur_px=blur_px, beside=(paper, paper), tag=paper
            )
            for o in (off, -off)
        )
        derivative.append(((plus - minus) / (2 * step)).ravel())
    g = np.array(derivative) / noise
    return np.linalg.inv(g @ g.T)
