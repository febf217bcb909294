"""Dot centres to hundredths of a pixel, each with its covariance.

A dot is fitted as what it is, a dark ellipse of unknown shape behind an unknown blur on paper lit
with an unknown gradient:

    grey(x) = (b + g . (x - c)) (1 - a Phi(-d(x) / s))

with d the distance from the ellipse's edge (positive outside), Phi the normal distribution, s the
blur. The model is symmetric about the centre c, so a wrong blur or shape does not shift c. The
unknowns are found by Gauss-Newton, all dots of one size at a time; what a small dot cannot
determine (its shape, blur and contrast) is held by weak priors.

Bound for a disc of diameter D px, contrast A, noise n, blur s: var(centre) >= 4 s n^2 / (sqrt(pi)
A^2 D) (Cramer-Rao bound, derivation in ``tests/test_dots.py``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from calib.frames import Array

Pixels = NDArray[np.float32]
"""Per-pixel figures: a grey level in 255 needs no more, and the work is bound by memory."""

_WINDOW_HALF_PX = np.array([5, 6, 7, 9, 11, 13, 16, 19, 23, 28, 34, 41, 50, 60])
_BLUR_PX, _BLUR_SD_PX = 0.8, 0.4
_LEAST_BLUR_PX = 0.6
"""A pixel's own width blurs by 0.29 px, a lens in focus by about as much again."""
_CONTRAST, _CONTRAST_SD = 0.8, 0.15
_SHAPE_SD = 0.05
_LIGHT_SLOPE_SD = 0.01
_MISFIT = 0.22
"""Rms residual, as a share of the contrast, beyond which the spot is no clean dot."""
_PAPER_REACH = 1.6
"""White paper about a dot's centre, in radii: the card's edge is 7 mm from a dot of 4 mm radius."""
_EDGE_PX = 1.0
"""Blurred edge of the paper that is left out."""
_LEAST_STEP_PX = 2e-3
_ITERATIONS = 8
_LEAST_NOISE = 0.6
"""Grey levels: rounding (0.29) and what JPEG removes are never seen whole in the residuals."""


@dataclass(frozen=True)
class DotGuess:
    """Where dots are expected.

    Attributes
    ----------
    centres_px : (N, 2) expected centres, good to about half a dot's radius.
    semi_px : (N, 2, 2) matrix that takes the unit circle to the dot's edge about its centre.
    """

    centres_px: Array
    semi_px: Array


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
    good: NDArray[np.bool_]
    blur_px: Array
    contrast: Array
    misfit: Array


def fit_dots(grey: np.ndarray, guess: DotGuess) -> DotFit:
    """Fit all dots of one photo, grey (H, W) uint8, at their expected places."""
    count = len(guess.centres_px)
    out = DotFit(
        centres_px=guess.centres_px.copy(),
        covariance_px2=np.full((count, 2, 2), np.nan),
        good=np.zeros(count, dtype=bool),
        blur_px=np.full(count, np.nan),
        contrast=np.full(count, np.nan),
        misfit=np.full(count, np.nan),
    )
    # Half the bounding box of each ellipse, and of the paper about it that may be used.
    reach_px = np.sqrt((guess.semi_px**2).sum(axis=2)).max(axis=1, initial=0.0)
    window = np.searchsorted(_WINDOW_HALF_PX, 1.6 * reach_px + 2.0)
    height_px, width_px = grey.shape
    for size, half in enumerate(_WINDOW_HALF_PX):
        x, y = np.rint(guess.centres_px).T
        inside = (x >= half) & (y >= half) & (x < width_px - half) & (y < height_px - half)
        chosen = np.flatnonzero((window == size) & inside)
        if len(chosen):
            _fit_window(grey, guess, chosen, int(half), out)
    return out


def _fit_window(grey: np.ndarray, guess: DotGuess, chosen: NDArray, half: int, out: DotFit) -> None:
    """Fit the dots ``chosen`` in windows of 2 half + 1 pixels; results go into ``out``."""
    corner = np.rint(guess.centres_px[chosen]).astype(int)
    span = np.arange(-half, half + 1)
    rows = corner[:, 1, None, None] + span[:, None]
    columns = corner[:, 0, None, None] + span
    pixels = grey[rows, columns].reshape(len(chosen), -1).astype(np.float32)
    # Pixel places relative to the window's middle, as (1, K).
    px = np.tile(span, 2 * half + 1)[None].astype(np.float32)
    py = np.repeat(span, 2 * half + 1)[None].astype(np.float32)

    centre = guess.centres_px[chosen] - corner
    # Symmetric B takes the ellipse to the unit circle: B^2 = (A A^T)^-1.
    semi = guess.semi_px[chosen]
    value, vector = np.linalg.eigh(semi @ semi.transpose(0, 2, 1))
    value = np.maximum(value, 0.25)
    expected = np.einsum("nij,nj,nkj->nik", vector, value**-0.5, vector)
    centre, white, ink = _centroids(pixels, px, py, centre, expected)

    on_paper = _on_paper(px, py, centre, semi)
    shape = expected.copy()
    n = len(chosen)
    # Unknowns: centre (2), B11 B12 B22, blur, b, gx, gy, contrast a.
    light = np.stack([white, np.zeros(n), np.zeros(n)], axis=1)
    blur = np.full(n, _BLUR_PX)
    contrast = np.clip(1.0 - ink / np.maximum(white, 1.0), 0.2, 0.98)
    start = centre.copy()
    moved = np.zeros(n)
    for _ in range(_ITERATIONS):
        residual, jacobian, use = _model(
            pixels, px, py, centre, shape, blur, light, contrast, on_paper
        )
        noise2 = np.maximum(_plain_noise2(residual, use), _LEAST_NOISE**2)
        jtj = np.matmul(jacobian, jacobian.transpose(0, 2, 1)).astype(float)
        jtr = np.matmul(jacobian, residual[..., None])[..., 0].astype(float)
        prior, pull = _prior(shape, expected, blur, light, contrast)
        jtj[:, range(10), range(10)] += prior * noise2[:, None] + 1e-9
        step = np.linalg.solve(jtj, (jtr + pull * noise2[:, None])[..., None])[..., 0]
        limit = 0.3 * np.sqrt(value[:, 0])[:, None]
        move = np.clip(step[:, :2], -limit, limit)
        centre = centre + move
        scale = np.abs(shape).max(axis=(1, 2))[:, None] * 0.3
        bend = np.clip(step[:, 2:5], -scale, scale)
        shape = shape + np.stack([bend[:, 0], bend[:, 1], bend[:, 1], bend[:, 2]], 1).reshape(
            n, 2, 2
        )
        blur = np.clip(blur + np.clip(step[:, 5], -0.4, 0.4), _LEAST_BLUR_PX, 4.0)
        light = light + step[:, 6:9]
        contrast = np.clip(contrast + step[:, 9], 0.05, 1.2)
        moved = np.abs(move).max(axis=1)
        # The last tenth are spots that are no dots and wander; they are told by their last step.
        if np.quantile(moved, 0.9) < _LEAST_STEP_PX:
            break

    residual, jacobian, use = _model(pixels, px, py, centre, shape, blur, light, contrast, on_paper)
    # What moves the centre is the noise at the edge (texture of print, aliasing, sharpening), which
    # may be far above that of the plain paper: a pixel counts as much as it weighs in the centre.
    weight = (jacobian[:, :2] ** 2).sum(axis=1)
    total = weight.sum(axis=1)
    effective = total**2 / np.maximum((weight**2).sum(axis=1), 1e-9)
    noise2 = (residual**2 * weight).sum(axis=1) / np.maximum(total, 1e-9)
    noise2 *= effective / np.maximum(effective - 7.0, 3.0)
    noise2 = np.maximum(noise2, np.maximum(_plain_noise2(residual, use), _LEAST_NOISE**2))
    jtj = np.matmul(jacobian, jacobian.transpose(0, 2, 1)) / noise2[:, None, None]
    prior, _ = _prior(shape, expected, blur, light, contrast)
    jtj[:, range(10), range(10)] += prior + 1e-9
    covariance = np.linalg.inv(jtj)[:, :2, :2]

    grey_contrast = contrast * np.maximum(light[:, 0], 1.0)
    misfit = np.sqrt(_plain_noise2(residual, use)) / grey_contrast
    size = np.linalg.det(expected) / np.maximum(np.linalg.det(shape), 1e-12)
    good = (
        (moved < 0.05)
        & (np.linalg.norm(centre - start, axis=1) < 0.5 * np.sqrt(value[:, 1]) + 0.5)
        & (grey_contrast > 15.0)
        & (contrast > 0.15)
        & (misfit < _MISFIT)
        & (size > 0.6)
        & (size < 1.6)
        & np.isfinite(covariance).all(axis=(1, 2))
    )
    out.centres_px[chosen] = centre + corner
    out.covariance_px2[chosen] = covariance
    out.good[chosen] = good
    out.blur_px[chosen] = blur
    out.contrast[chosen] = contrast
    out.misfit[chosen] = misfit


def _on_paper(px: Pixels, py: Pixels, centre: Array, semi: Array) -> NDArray[np.bool_]:
    """Pixels (n, K) whose white paper about the dot is certain, whatever lies beside the card."""
    by_pixel = np.linalg.inv(semi)
    off = np.stack([px - centre[:, :1], py - centre[:, 1:]], axis=1)
    radii = np.matmul(by_pixel, off)
    to_edge_px = (_PAPER_REACH - np.abs(radii)) / np.linalg.norm(by_pixel, axis=2)[..., None]
    return np.asarray((to_edge_px > _EDGE_PX).all(axis=1))


def _centroids(
    pixels: Pixels, px: Pixels, py: Pixels, centre: Array, shape: Array
) -> tuple[Array, Array, Array]:
    """Intensity-weighted centroids, and the grey of paper and ink, as a start for the fit."""
    for reach in (1.7, 1.4):
        dx = px - centre[:, :1]
        dy = py - centre[:, 1:]
        u = shape[:, 0, 0, None] * dx + shape[:, 0, 1, None] * dy
        v = shape[:, 1, 0, None] * dx + shape[:, 1, 1, None] * dy
        rho2 = u * u + v * v
        near = rho2 < reach**2
        inside = np.where(near, pixels, np.inf)
        inside.sort(axis=1)
        count = near.sum(axis=1)
        row = np.arange(len(pixels))
        white = inside[row, np.maximum((0.85 * count).astype(int) - 1, 0)]
        ink = inside[row, (0.12 * count).astype(int)]
        dark = np.clip(
            (white[:, None] - pixels) / np.maximum(white - ink, 1.0)[:, None] - 0.25, 0, 0.6
        )
        dark = np.where(near, dark, 0.0)
        total = np.maximum(dark.sum(axis=1), 1e-9)
        centre = np.stack([(dark * px).sum(axis=1), (dark * py).sum(axis=1)], 1) / total[:, None]
    return centre, white, ink


def _model(
    pixels: Pixels,
    px: Pixels,
    py: Pixels,
    centre: Array,
    shape: Array,
    blur: Array,
    light: Array,
    contrast: Array,
    paper: NDArray[np.bool_],
) -> tuple[Pixels, Pixels, NDArray[np.bool_]]:
    """Residuals (n, K), the Jacobian (n, 10, K) of the model, and the pixels used (n, K)."""
    x0, y0, b11, b12, b22, s, b, gx, gy, a = (
        column[:, None].astype(np.float32)
        for column in (
            *centre.T,
            shape[:, 0, 0],
            shape[:, 0, 1],
            shape[:, 1, 1],
            blur,
            *light.T,
            contrast,
        )
    )
    dx = px - x0
    dy = py - y0
    u = b11 * dx + b12 * dy
    v = b12 * dx + b22 * dy
    wx = b11 * u + b12 * v
    wy = b12 * u + b22 * v
    rho = np.sqrt(u * u + v * v) + np.float32(1e-6)
    w = np.sqrt(wx * wx + wy * wy) + np.float32(1e-6)
    distance = (rho - 1) * rho / w
    use = paper | (distance < 0.7)
    z = distance / s
    dark = ndtr(-z)
    lit = b + gx * dx + gy * dy
    shade = np.where(use, 1 - a * dark, 0)
    residual = np.where(use, pixels - lit * shade, 0)
    # d grey / d distance
    slope = np.where(use, lit * a * np.exp(-0.5 * z * z) / (s * np.float32(np.sqrt(2 * np.pi))), 0)
    along = slope / w
    jacobian = np.empty((len(pixels), 10, pixels.shape[1]), dtype=np.float32)
    jacobian[:, 0] = -along * wx - gx * shade
    jacobian[:, 1] = -along * wy - gy * shade
    jacobian[:, 2] = along * u * dx
    jacobian[:, 3] = along * (u * dy + v * dx)
    jacobian[:, 4] = along * v * dy
    jacobian[:, 5] = -slope * z
    jacobian[:, 6] = shade
    jacobian[:, 7] = shade * dx
    jacobian[:, 8] = shade * dy
    jacobian[:, 9] = np.where(use, -lit * dark, 0)
    return residual, jacobian, use


def _plain_noise2(residual: Pixels, use: NDArray[np.bool_]) -> Array:
    """Variance of the residuals (n,), the ten unknowns counted."""
    return np.asarray((residual**2).sum(axis=1) / np.maximum(use.sum(axis=1) - 10, 4))


def _prior(
    shape: Array, expected: Array, blur: Array, light: Array, contrast: Array
) -> tuple[Array, Array]:
    """Weights (n, 10) of the priors and their pulls (n, 10), per unit variance."""
    n = len(shape)
    weights = np.zeros((n, 10))
    pull = np.zeros((n, 10))
    sd = _SHAPE_SD * np.abs(expected).max(axis=(1, 2))
    for column, (i, j) in ((2, (0, 0)), (3, (0, 1)), (4, (1, 1))):
        weights[:, column] = sd**-2
        pull[:, column] = (expected[:, i, j] - shape[:, i, j]) * sd**-2
    weights[:, 5] = _BLUR_SD_PX**-2
    pull[:, 5] = (_BLUR_PX - blur) * _BLUR_SD_PX**-2
    slope_sd = _LIGHT_SLOPE_SD * np.maximum(light[:, :1], 1.0)
    weights[:, 7:9] = slope_sd**-2
    pull[:, 7:9] = -light[:, 1:] * slope_sd**-2
    weights[:, 9] = _CONTRAST_SD**-2
    pull[:, 9] = (_CONTRAST - contrast) * _CONTRAST_SD**-2
    return weights, pull
