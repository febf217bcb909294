"""Small dots, flat dots and dots in blurred photos, fitted to the whole picture of a card's corner.

The fit in ``capture/dots.py`` takes the edge of a dot for a straight one and leaves out what may
not be paper. Of a dot that is hardly wider than the blur too little is left, the blur mixes what
lies beside the card into that, and both edges of a flat dot into each other. Here the picture is

    grey(x) = (b + g . (x - c)) (1 - a D(x)) + sum k_j Phi(-e_j(x) / s)

with D the blurred ellipse (``capture/blurred_ellipse.py``), e_j the distance from the card's two
nearer edges, inwards, and k_j how much brighter it is beyond them than on the paper, two more
unknowns. How well a card was cut is not known, so the edges go along with the dot and say nothing
about where it is.

It begins where the other fit ended and goes on only with dots that were good there. Where it does
not come to rest, or leaves a picture of something else, what the other fit found stays: so which
dots are dropped (smeared ones above all) is decided there alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from capture.blurred_ellipse import blurred_ellipse, nodes_for
from capture.blurred_step import Pixels, moved_by_light, normal
from capture.dot_fit import DotFit, DotGuess
from capture.dot_noise import (
    centre_noise2,
    going_together,
    neighbours_noise2,
    overexposed,
    plain_noise2,
    smeared,
)
from capture.dot_priors import (
    BLUR_PX,
    BLUR_SD_PX,
    CARD_REACH,
    CONTRAST,
    CONTRAST_SD,
    LEAST_NOISE,
    LIGHT_SLOPE_SD,
    held_by_axis,
)

_FLAT_PX, _SMALL_PX = 3.0, 3.5
"""Shorter and longer semi-axis below which the other fit lacks paper."""
_NEAR_PX, _NEAR_SHARE, _NEAR_BLURS = 1.0, 0.15, 1.9
"""The other fit uses paper to within so many pixels and so much of the shorter semi-axis from the
card's edge. If that is less than so many blurs, more than 2 % of what lies beyond is in it."""
_BESIDE_PX, _BESIDE_BLURS = 1.0, 3.5
"""Paper so near to the dot's edge is used: fewer and the gradient of light is taken for a shift."""
_INSIDE_PX = 0.5
"""So far from the card's edge pixels count: nearer ones would depend on where it was cut."""
_TAG_REACH, _TAG_BLURS = 2.25, 2.0
"""The tag's nearest corner is 9 mm from the dot of 4 mm radius, along both sides of the card."""
_LEAST_BLUR_PX, _MOST_BLUR_PX = 0.45, 4.0
_BEYOND, _BEYOND_SD = -0.3, 0.5
"""What lies beside the card is darker than its paper, or not: share of the paper's grey."""
_ALIKE = 3.0
"""Dots are fitted together if none has a window more than so many times the area of another."""
_STEPS = 4
_LEAST_STEP_PX = 2e-3
"""Each step is a tenth of the one before or less."""
_UNKNOWNS = 12


def finish_small(grey: np.ndarray, guess: DotGuess, fit: DotFit) -> DotFit:
    """``fit`` of the dots of one photo, grey (H, W) uint8, those in need of it fitted again."""
    out = DotFit(
        centres_px=fit.centres_px.copy(),
        covariance_px2=fit.covariance_px2.copy(),
        good=fit.good.copy(),
        blur_px=fit.blur_px.copy(),
        contrast=fit.contrast.copy(),
        misfit=fit.misfit.copy(),
    )
    squared, axes = np.linalg.eigh(guess.semi_px @ guess.semi_px.transpose(0, 2, 1))
    axis = np.sqrt(np.maximum(squared, 0.25))
    symmetric = np.einsum("nij,nj,nkj->nik", axes, axis, axes)
    near_px = _NEAR_PX + _NEAR_SHARE * axis[:, 0]
    in_need = (axis < [_FLAT_PX, _SMALL_PX]).any(axis=1) | (near_px < _NEAR_BLURS * fit.blur_px)
    blur = np.maximum(fit.blur_px, _LEAST_BLUR_PX)
    # Half a pixel for the centre's.
    half = np.ceil(axis[:, 1] + _BESIDE_PX + _BESIDE_BLURS * blur + 0.5)
    left = np.flatnonzero(fit.good & in_need)
    left = left[np.argsort(half[left], kind="stable")]
    while len(left):
        alike = left[half[left] ** 2 <= _ALIKE * half[left[0]] ** 2]
        nodes = nodes_for(axis[alike, 1], blur[alike]).max()
        corners = _corners(grey, guess, fit, symmetric, alike, int(half[alike].max()))
        _fit(corners, int(nodes), out)
        left = left[len(alike) :]
    return out


@dataclass(frozen=True)
class _Corners:
    """Corners of n cards about dots, in pixels relative to a whole pixel of each.

    Attributes
    ----------
    dots : (n,) which they are; origin : (n, 2) the whole pixel.
    grey, x, y, use : (n, K) of each pixel, and whether it counts.
    normal, reach_px : (n, 2, 2), (n, 2) outward normals of the card's two nearer edges, and how far
        those are from the dot's centre.
    begun : (n, 12) unknowns to begin with, see ``_picture``.
    """

    dots: NDArray[np.intp]
    origin: NDArray[np.intp]
    grey: Pixels
    x: Pixels
    y: Pixels
    use: NDArray[np.bool_]
    normal: Array
    reach_px: Array
    begun: Array


def _corners(
    grey: np.ndarray,
    guess: DotGuess,
    fit: DotFit,
    symmetric: Array,
    dots: NDArray[np.intp],
    half: int,
) -> _Corners:
    """The corners of ``dots`` from windows of 2 half + 1 pixels."""
    origin = np.rint(fit.centres_px[dots]).astype(np.intp)
    centre = fit.centres_px[dots] - origin
    span = np.arange(-half, half + 1)
    px = np.tile(span, 2 * half + 1)
    py = np.repeat(span, 2 * half + 1)
    columns, rows = origin[:, :1] + px, origin[:, 1:] + py
    height_px, width_px = grey.shape
    in_photo = (columns >= 0) & (rows >= 0) & (columns < width_px) & (rows < height_px)

    by_pixel = np.linalg.inv(guess.semi_px[dots])
    per_px = np.linalg.norm(by_pixel, axis=2)
    normals = by_pixel * (guess.outward[dots] / per_px)[..., None]
    reach_px = CARD_REACH / per_px
    off = np.stack([px - centre[:, :1], py - centre[:, 1:]], axis=1)
    out_px = np.matmul(normals, off)
    blur = np.clip(fit.blur_px[dots], _LEAST_BLUR_PX, _MOST_BLUR_PX)
    beside = _beside_px(symmetric[dots], off)
    use = in_photo & (beside < (_BESIDE_PX + _BESIDE_BLURS * blur)[:, None])
    use &= (out_px < reach_px[..., None] - _INSIDE_PX).all(axis=1)
    from_tag_px = (_TAG_REACH / per_px)[..., None] + out_px
    use &= (from_tag_px > (_TAG_BLURS * blur)[:, None, None]).any(axis=1)

    dot, pixel = np.nonzero(use)
    count = use.sum(axis=1)
    slot = np.arange(len(dot)) - np.repeat(np.cumsum(count) - count, count)
    shape = len(dots), int(count.max(initial=1))
    level, x, y = (np.zeros(shape, dtype=np.float32) for _ in range(3))
    counts = np.zeros(shape, dtype=bool)
    level[dot, slot] = grey[rows[dot, pixel], columns[dot, pixel]]
    x[dot, slot], y[dot, slot], counts[dot, slot] = px[pixel], py[pixel], True

    begun = np.zeros((len(dots), _UNKNOWNS))
    begun[:, :2] = centre
    begun[:, 2:5] = symmetric[dots][:, [0, 0, 1], [0, 1, 1]]
    begun[:, 5] = blur
    paper = use & (beside > blur[:, None])
    paper_grey = np.where(paper[dot, pixel], level[dot, slot], 0.0)
    begun[:, 6] = np.bincount(dot, paper_grey, len(dots)) / np.maximum(paper.sum(axis=1), 1)
    begun[:, 9] = fit.contrast[dots]
    begun[:, 10:] = _BEYOND * begun[:, 6:7]
    return _Corners(dots, origin, level, x, y, counts, normals, reach_px, begun)


def _beside_px(semi: Array, off: Array) -> Array:
    """Distance of places ``off`` (n, 2, K) from the edge of ellipses, outwards, to first order."""
    by_radius = np.linalg.inv(semi)
    radii = np.matmul(by_radius, off)
    rho = np.linalg.norm(radii, axis=1)
    steep = np.linalg.norm(np.matmul(by_radius, radii), axis=1)
    return np.asarray((rho - 1.0) * rho / np.maximum(steep, 1e-6))


def _fit(corners: _Corners, nodes: int, out: DotFit) -> None:
    """Fit dots of a like size at once; results go into ``out``."""
    value, begun = corners.begun.copy(), corners.begun
    held = held_by_axis(begun[:, 2:5])
    shorter = np.linalg.eigvalsh(begun[:, [2, 3, 3, 4]].reshape(-1, 2, 2))[:, :1]
    diagonal = range(_UNKNOWNS)
    for _ in range(_STEPS):
        residual, jacobian, use = _picture(corners, value, nodes)
        noise2 = np.maximum(plain_noise2(residual, use, _UNKNOWNS), LEAST_NOISE**2)
        weights, pull = _prior(value, begun, held)
        normal_matrix = np.matmul(jacobian, jacobian.transpose(0, 2, 1)).astype(float)
        normal_matrix += weights * noise2[:, None, None]
        normal_matrix[:, diagonal, diagonal] += 1e-9
        right = np.matmul(jacobian, residual[..., None])[..., 0] + pull * noise2[:, None]
        step = np.linalg.solve(normal_matrix, right[..., None])[..., 0]
        step[:, :5] = np.clip(step[:, :5], -0.3 * shorter, 0.3 * shorter)
        step[:, 5] = np.clip(step[:, 5], -0.4, 0.4)
        value += step
        value[:, 5] = np.clip(value[:, 5], _LEAST_BLUR_PX, _MOST_BLUR_PX)
        value[:, 9] = np.clip(value[:, 9], 0.05, 1.2)
        moved = np.abs(step[:, :2]).max(axis=1)
        if (moved < _LEAST_STEP_PX).all():
            break

    # After so short a step the picture has changed as its derivatives say.
    residual = residual - np.einsum("nu,nuk->nk", step.astype(np.float32), jacobian)
    plain2 = plain_noise2(residual, use, _UNKNOWNS)
    neighbours2 = neighbours_noise2(corners.x, corners.y, residual, use)
    noise2 = centre_noise2(residual, jacobian[:, :2], plain2)
    normal_matrix = np.matmul(jacobian, jacobian.transpose(0, 2, 1)) / noise2[:, None, None]
    normal_matrix = normal_matrix + _prior(value, begun, held)[0]
    normal_matrix[:, diagonal, diagonal] += 1e-9
    covariance = np.linalg.inv(normal_matrix)[:, :2, :2]
    covariance *= going_together(plain2, neighbours2)[:, None, None]
    contrast = value[:, 9] * np.maximum(value[:, 6], 1.0)
    off_px = np.linalg.norm(value[:, :2] - begun[:, :2], axis=1)
    size = _area(value) / _area(begun)
    settled = (
        (moved < 0.02)
        & (off_px < 0.5 * shorter[:, 0] + 0.5)
        & ~smeared(plain2, neighbours2, contrast)
        & (size > 0.6)
        & (size < 1.6)
        & np.isfinite(covariance).all(axis=(1, 2))
    )
    dots = corners.dots[settled]
    by_light_px = moved_by_light(value[:, 5], value[:, 6], value[:, 7:9])
    out.centres_px[dots] = (value[:, :2] - by_light_px + corners.origin)[settled]
    out.covariance_px2[dots] = covariance[settled]
    out.blur_px[dots], out.contrast[dots] = value[settled, 5], value[settled, 9]
    out.misfit[dots] = (np.sqrt(plain2) / contrast)[settled]


def _picture(
    corners: _Corners, value: Array, nodes: int
) -> tuple[Pixels, Pixels, NDArray[np.bool_]]:
    """Residuals (n, K), the Jacobian (n, 12, K) of the picture, and the pixels used (n, K).

    ``value`` (n, 12): centre (2), the entries 11, 12, 22 of the symmetric matrix that takes the
    unit circle to the ellipse, blur, b, g (2), contrast a, k (2).
    """
    x0, y0, s, b, gx, gy, a = (value[:, i, None].astype(np.float32) for i in (0, 1, *range(5, 10)))
    dx, dy = corners.x - x0, corners.y - y0
    semi = value[:, [2, 3, 3, 4]].reshape(-1, 2, 2)
    dark, by_dot = blurred_ellipse(dx, dy, semi, value[:, 5], nodes)
    lit = b + gx * dx + gy * dy
    shade = 1.0 - a * dark
    jacobian = np.empty((len(value), _UNKNOWNS, dx.shape[1]), dtype=np.float32)
    jacobian[:, :6] = by_dot * (-lit * a)[:, None]
    jacobian[:, 0] -= gx * shade
    jacobian[:, 1] -= gy * shade
    jacobian[:, 6] = shade
    jacobian[:, 7] = shade * dx
    jacobian[:, 8] = shade * dy
    jacobian[:, 9] = -lit * dark
    residual = corners.grey - lit * shade
    for edge in range(2):
        nx, ny = (corners.normal[:, edge, i, None].astype(np.float32) for i in range(2))
        reach = corners.reach_px[:, edge, None].astype(np.float32)
        beyond = value[:, 10 + edge, None].astype(np.float32)
        z = (nx * dx + ny * dy - reach) / s
        mixed, density = normal(z)
        residual -= beyond * mixed
        jacobian[:, 5] -= beyond * density * z / s
        jacobian[:, 10 + edge] = mixed
    use = corners.use & ~overexposed(corners.grey, corners.grey - residual)
    residual *= use
    jacobian *= use[:, None]
    return residual, jacobian, use


def _prior(value: Array, begun: Array, held: Array) -> tuple[Array, Array]:
    """Weights (n, 12, 12) of the priors and their pulls (n, 12), per unit variance."""
    paper = np.maximum(value[:, 6:7], 1.0)
    mean = begun.copy()
    mean[:, 5], mean[:, 7:9], mean[:, 9], mean[:, 10:] = BLUR_PX, 0.0, CONTRAST, _BEYOND * paper
    alone = np.zeros(value.shape)
    alone[:, 5] = BLUR_SD_PX**-2
    alone[:, 7:9] = (LIGHT_SLOPE_SD * paper) ** -2
    alone[:, 9] = CONTRAST_SD**-2
    alone[:, 10:] = (_BEYOND_SD * paper) ** -2
    pull = alone * (mean - value)
    pull[:, 2:5] = np.matmul(held, (mean - value)[:, 2:5, None])[..., 0]
    weights = np.zeros((*value.shape, _UNKNOWNS))
    weights[:, range(_UNKNOWNS), range(_UNKNOWNS)] = alone
    weights[:, 2:5, 2:5] = held
    return weights, pull


def _area(value: Array) -> Array:
    """Area of the ellipses, (n,), in units of pi."""
    return np.asarray(value[:, 2] * value[:, 4] - value[:, 3] ** 2)
