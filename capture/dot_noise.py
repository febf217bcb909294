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


def smeared(
    x: Pixels, y: Pixels, residual: Pixels, use: NDArray[np.bool_], plain2: Array, contrast: Array
) -> NDArray[np.bool_]:
    """Whether the residuals of dots (n,) are a picture of something rather than noise.

    Noise differs from pixel to pixel: half the mean square difference of neighbours is its
    variance (von Neumann's ratio). A dot that a moving hand smeared into what lies beside it, a
    hair or an edge of dirt leave more than that, and what they leave shifts the centre.

    Parameters
    ----------
    x, y, residual, use : (n, K) of each pixel, row by row; whether it counts.
    plain2 : (n,) variance of the residuals.
    contrast : (n,) of the dots, grey levels.
    """
    beside = (np.diff(x) == 1.0) & (np.diff(y) == 0.0) & use[:, 1:] & use[:, :-1]
    squares = (np.diff(residual) ** 2 * beside).sum(axis=1)
    noise2 = 0.5 * squares / np.maximum(beside.sum(axis=1), 1)
    more2 = plain2 - noise2
    return np.asarray((more2 > noise2) & (more2 > (_SMEARED * contrast) ** 2))
