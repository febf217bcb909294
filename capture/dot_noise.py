"""What the residuals of fitted dots say: how noisy they are, and whether they are noise at all."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from capture.blurred_step import Pixels
from capture.dot_priors import LEAST_NOISE

_SMEARED = 0.06
"""Share of the contrast by which a dot may differ from the model other than by noise. Beyond it
centres were off by 3 to 20 of their standard deviations in photos smeared by 8 to 25 px; of 385
dots in sharp photos, noisy or not, one is."""
_MOST_TOGETHER = 0.9
"""Largest correlation of neighbouring residuals that is reckoned with."""

_OVEREXPOSED_GREY = 254.0
"""A pixel this bright may have been brighter; JPEG moves the brightest a little."""


def overexposed(grey: Pixels, expected: Pixels) -> NDArray[np.bool_]:
    """Pixels (n, K) that are as bright as a photo can show, and expected to be at least that.

    They say no more than that they are bright: to fit them to their grey would put the paper too
    dark there, and draw a dot that is overexposed on one side only by tenths of a pixel.
    """
    return np.asarray((grey >= _OVEREXPOSED_GREY) & (expected >= _OVEREXPOSED_GREY))


def plain_noise2(residual: Pixels, use: NDArray[np.bool_], unknowns: int) -> Array:
    """Variance (n,) of the residuals (n, K), those not in ``use`` being nought."""
    return np.asarray((residual**2).sum(axis=1) / np.maximum(use.sum(axis=1) - unknowns, 4))


def centre_noise2(residual: Pixels, by_centre: Pixels, plain2: Array) -> Array:
    """Variance (n,) of the noise that moves the centres.

    It is the noise at the edge (texture of print, aliasing, sharpening), which may be far above
    that of the plain paper, ``plain2``: a pixel counts as much as it weighs in the centre,
    ``by_centre`` (n, 2, K).
    """
    weight = (by_centre**2).sum(axis=1)
    total = weight.sum(axis=1)
    effective = total**2 / np.maximum((weight**2).sum(axis=1), 1e-9)
    noise2 = (residual**2 * weight).sum(axis=1) / np.maximum(total, 1e-9)
    noise2 *= effective / np.maximum(effective - 7.0, 3.0)
    return np.asarray(np.maximum(noise2, np.maximum(plain2, LEAST_NOISE**2)))


def neighbours_noise2(x: Pixels, y: Pixels, residual: Pixels, use: NDArray[np.bool_]) -> Array:
    """Half the mean square difference (n,) of neighbours' residuals (von Neumann's ratio).

    It is the variance of noise that differs from pixel to pixel, whatever picture lies below it.

    Parameters
    ----------
    x, y, residual, use : (n, K) of each pixel, row by row; whether it counts.
    """
    beside = (np.diff(x) == 1.0) & (np.diff(y) == 0.0) & use[:, 1:] & use[:, :-1]
    squares = (np.diff(residual) ** 2 * beside).sum(axis=1)
    return np.asarray(0.5 * squares / np.maximum(beside.sum(axis=1), 1))


def going_together(plain2: Array, neighbours2: Array) -> Array:
    """By how much (n,) a centre's variance is larger as the residuals of neighbours go together.

    The edge of a shadow, dirt or glare leave a picture in the residuals, which averages out less
    than noise. Along the edge of a dot, which gives its centre, they are taken for an
    autoregressive series with the correlation r of neighbours: the variance of its mean is
    (1 + r) / (1 - r) times that of noise (from memory).

    >>> going_together(np.array([4.0, 4.0]), np.array([4.0, 2.0])).tolist()
    [1.0, 3.0]
    """
    r = np.clip(1.0 - neighbours2 / np.maximum(plain2, 1e-9), 0.0, _MOST_TOGETHER)
    return np.asarray((1.0 + r) / (1.0 - r))


def smeared(plain2: Array, neighbours2: Array, contrast: Array) -> NDArray[np.bool_]:
    """Whether the residuals of dots (n,) are a picture of something rather than noise.

    A dot that a moving hand smeared into what lies beside it, a hair or an edge of dirt leave more
    than noise, and what they leave shifts the centre.

    Parameters
    ----------
    plain2, neighbours2 : (n,) variance of the residuals, and of what differs between neighbours.
    contrast : (n,) of the dots, grey levels.
    """
    more2 = plain2 - neighbours2
    return np.asarray((more2 > neighbours2) & (more2 > (_SMEARED * contrast) ** 2))
