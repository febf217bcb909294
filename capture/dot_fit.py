"""Where dots are expected, and what was measured of them."""

from __future__ import annotations

from dataclasses import dataclass

from numpy import bool_
from numpy.typing import NDArray

from calib.frames import Array


@dataclass(frozen=True)
class DotGuess:
    """Where dots are expected.

    Attributes
    ----------
    centres_px : (N, 2) expected centres, good to about half a dot's radius.
    semi_px : (N, 2, 2) matrix that takes the unit circle to the dot's edge about its centre, its
        columns along the card's two sides.
    outward : (N, 2) along each of the columns of ``semi_px`` 1 or -1: towards the nearer edge of
        the card.
    """

    centres_px: Array
    semi_px: Array
    outward: Array


@dataclass(frozen=True)
class DotFit:
    """Ellipses as measured.

    Attributes
    ----------
    centres_px : (N, 2) centres of the ellipses (not yet corrected for eccentricity).
    covariance_px2 : (N, 2, 2).
    good : (N,) bool: the fit converged on a dot of the expected size, dark enough, clean enough.
    blur_px, contrast, misfit : (N,) blur, dark share of the paper's grey, rms residual as a share
        of the contrast.
    """

    centres_px: Array
    covariance_px2: Array
    good: NDArray[bool_]
    blur_px: Array
    contrast: Array
    misfit: Array
