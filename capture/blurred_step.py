"""The normal distribution, as the blurred edges of dots and tags follow it, for many pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array

Pixels = NDArray[np.float32]
"""Per-pixel figures: a grey level in 255 needs no more, and the work is bound by memory."""

_SCALE = 0.2316419
_TERMS = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)


def normal(z: Pixels) -> tuple[Pixels, Pixels]:
    """Distribution Phi(z) and density of the standard normal.

    Abramowitz and Stegun, Handbook of mathematical functions, 26.2.17 (from memory), off by 7.5e-8
    at most, to which single precision adds: 3e-7 in all. The exact function would take more time
    than the rest of a fit.
    """
    density = np.exp(-0.5 * z * z) * np.float32(1.0 / np.sqrt(2.0 * np.pi))
    t = 1.0 / (1.0 + _SCALE * np.abs(z))
    polynomial = np.full_like(z, _TERMS[-1])
    for term in _TERMS[-2::-1]:
        polynomial *= t
        polynomial += term
    tail = density * t * polynomial
    return 0.5 + np.copysign(0.5 - tail, z), density


def moved_by_light(blur_px: Array, paper: Array, slope: Array) -> Array:
    """By how many px (n, 2) a gradient of light moves what is dark in a blurred picture.

    Light falls before the lens blurs: the blur of b + g . x times a picture p is b + g . x times
    the blurred p plus s^2 g times its gradient (x G = -s^2 grad G), which is p moved by
    -s^2 g / b.

    Parameters
    ----------
    blur_px, paper, slope : s (n,), b (n,) and g (n, 2).
    """
    return np.asarray(-(blur_px**2 / np.maximum(paper, 1.0))[:, None] * slope)
