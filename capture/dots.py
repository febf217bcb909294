"""Dot centres to hundredths of a pixel, each with its covariance.

A dot is fitted as what it is, a dark ellipse of unknown shape behind an unknown blur on paper lit
with an unknown gradient:

    grey(x) = (b + g . (x - c)) (1 - a Phi(-d(x) / s))

with d the distance from the ellipse's edge (positive outside), Phi the normal distribution, s the
blur. The model is symmetric about the centre c, so a wrong blur or shape does not shift c. The
unknowns are found by Gauss-Newton, dots of a like size at a time, each until it rests; what a small
dot cannot determine (its shape, blur and contrast) is held by weak priors.

Bound for a disc of diameter D px, contrast A, noise n, blur s: var(centre) >= 4 s n^2 / (sqrt(pi)
A^2 D) (Cramer-Rao bound, derivation in ``tests/test_dots.py``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from capture.blurred_step import Pixels, normal

_WINDOW_HALF_PX = np.array([5, 6, 7, 9, 11, 13, 16, 19, 23, 28, 34, 41, 50, 60])
_BLUR_PX, _BLUR_SD_PX = 0.8, 0.4
_LEAST_BLUR_PX = 0.6
"""A pixel's own width blurs by 0.29 px, a lens in focus by about as much again."""
_CONTRAST, _CONTRAST_SD = 0.8, 0.15
_SHAPE_SD = 0.05
_LIGHT_SLOPE_SD = 0.01
_MISFIT = 0.22
"""Rms residual, as a share of the contrast, beyond which the spot is no clean dot."""
_SMEARED = 0.06
"""Share of the contrast by which a dot may differ from the model other than by noise. Beyond it
centres were off by 3 to 20 of their standard deviations in photos smeared by 8 to 25 px; of 385
dots in sharp photos, noisy or not, one is."""
_PAPER_REACH = 1.6
"""White paper about a dot's centre, in radii: the card's edge is 7 mm from a dot of 4 mm radius."""
_EDGE_PX = 1.0
"""Blurred edge of the paper that is left out."""
_SKIRT_PX = 0.7
"""So far about the dot pixels count whatever lies beside the card."""
_ROOM_PX, _ROOM_SHARE = 1.0, 0.2
"""How far a dot's edge may move in the fit before pixels are lacking: so much, and so much of its
radius."""
_NOWHERE = 1e4
"""Coordinate of pixels that do not count."""
_ALIKE = 4.0
"""Dots are fitted together if none has more than so many times the pixels of another."""
_LEAST_STEP_PX = 3e-4
"""Then a centre is within 1e-3 px of the optimum, a tenth of what the best dot is sure to."""
_ITERATIONS = 12
_UNKNOWNS = 10
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
    x, y = np.rint(guess.centres_px).T
    spots: list[_Spot] = []
    for size, half in enumerate(_WINDOW_HALF_PX):
        inside = (x >= half) & (y >= half) & (x < width_px - half) & (y < height_px - half)
        chosen = np.flatnonzero((window == size) & inside)
        if len(chosen):
            spots += _spots(grey, guess, chosen, int(half))
    spots.sort(key=lambda spot: len(spot.grey))
    while spots:
        alike = [s for s in spots if len(s.grey) <= _ALIKE * len(spots[0].grey)]
        _fit(alike, out)
        spots = spots[len(alike) :]
    return out


@dataclass(frozen=True)
class _Spot:
    """A dot before the fit.

    Attributes
    ----------
    dot : which one.
    corner : (2,) whole pixel that places are relative to.
    squared_px2 : (2,) of its semi-axes, by the guess, the smaller first.
    value : (10,) unknowns to begin with, see ``_model``.
    grey, x, y, paper : (K,) of each pixel that may be used, and whether it is certainly paper.
    """

    dot: int
    corner: NDArray[np.intp]
    squared_px2: Array
    value: Array
    grey: Pixels
    x: Pixels
    y: Pixels
    paper: NDArray[np.bool_]


def _spots(grey: np.ndarray, guess: DotGuess, chosen: NDArray[np.intp], half: int) -> list[_Spot]:
    """The dots ``chosen``, from windows of 2 half + 1 pixels."""
    corner = np.rint(guess.centres_px[chosen]).astype(int)
    span = np.arange(-half, half + 1)
    rows = corner[:, 1, None, None] + span[:, None]
    columns = corner[:, 0, None, None] + span
    pixels = grey[rows, columns].reshape(len(chosen), -1).astype(np.float32)
    # Pixel places relative to the window's middle, as (1, K).
    px = np.tile(span, 2 * half + 1)[None].astype(np.float32)
    py = np.repeat(span, 2 * half + 1)[None].astype(np.float32)

    semi = guess.semi_px[chosen]
    squared, axes = np.linalg.eigh(semi @ semi.transpose(0, 2, 1))
    squared = np.maximum(squared, 0.25)
    # Symmetric B takes the ellipse to the unit circle: B^2 = (A A^T)^-1.
    shape = np.einsum("nij,nj,nkj->nik", axes, squared**-0.5, axes)
    centre, white, ink = _centroids(pixels, px, py, guess.centres_px[chosen] - corner, shape)
    value = np.zeros((len(chosen), _UNKNOWNS))
    value[:, :2] = centre
    value[:, 2:5] = shape[:, [0, 0, 1], [0, 1, 1]]
    value[:, 5] = _BLUR_PX
    value[:, 6] = white
    value[:, 9] = np.clip(1.0 - ink / np.maximum(white, 1.0), 0.2, 0.98)

    paper = _on_paper(px, py, centre, semi)
    room_px = _SKIRT_PX + _ROOM_PX + _ROOM_SHARE * np.sqrt(squared[:, 1:])
    usable = paper | (_about_edge(px, py, value)[-1] < room_px)
    return [
        _Spot(
            int(dot),
            corner[i],
            squared[i],
            value[i],
            pixels[i, usable[i]],
            px[0, usable[i]],
            py[0, usable[i]],
            paper[i, usable[i]],
        )
        for i, dot in enumerate(chosen)
    ]


def _fit(spots: list[_Spot], out: DotFit) -> None:
    """Fit dots of a like size together; results go into ``out``."""
    count = len(spots)
    pixels = _filled_up(spots)
    value = np.array([spot.value for spot in spots])
    begun, squared = value.copy(), np.array([spot.squared_px2 for spot in spots])
    moved = np.full(count, np.inf)
    for _ in range(_ITERATIONS):
        now = np.flatnonzero(moved >= _LEAST_STEP_PX)
        if not len(now):
            break
        step = _step(pixels.of(now), value[now], begun[now])
        limit = 0.3 * np.sqrt(squared[now, :1])
        step[:, :2] = np.clip(step[:, :2], -limit, limit)
        bend = 0.3 * np.abs(value[now, 2:5]).max(axis=1, keepdims=True)
        step[:, 2:5] = np.clip(step[:, 2:5], -bend, bend)
        step[:, 5] = np.clip(step[:, 5], -0.4, 0.4)
        moved[now] = np.abs(step[:, :2]).max(axis=1)
        value[now] += step
        value[:, 5] = np.clip(value[:, 5], _LEAST_BLUR_PX, 4.0)
        value[:, 9] = np.clip(value[:, 9], 0.05, 1.2)

    residual, jacobian, use = _model(pixels, value)
    # What moves the centre is the noise at the edge (texture of print, aliasing, sharpening), which
    # may be far above that of the plain paper: a pixel counts as much as it weighs in the centre.
    weight = (jacobian[:, :2] ** 2).sum(axis=1)
    total = weight.sum(axis=1)
    effective = total**2 / np.maximum((weight**2).sum(axis=1), 1e-9)
    noise2 = (residual**2 * weight).sum(axis=1) / np.maximum(total, 1e-9)
    noise2 *= effective / np.maximum(effective - 7.0, 3.0)
    plain_noise2 = _plain_noise2(residual, use)
    noise2 = np.maximum(noise2, np.maximum(plain_noise2, _LEAST_NOISE**2))
    normal_matrix = np.matmul(jacobian, jacobian.transpose(0, 2, 1)) / noise2[:, None, None]
    normal_matrix[:, range(_UNKNOWNS), range(_UNKNOWNS)] += _prior(value, begun)[0] + 1e-9
    covariance = np.linalg.inv(normal_matrix)[:, :2, :2]

    grey_contrast = value[:, 9] * np.maximum(value[:, 6], 1.0)
    misfit = np.sqrt(plain_noise2) / grey_contrast
    size = _area(value) / _area(begun)
    dot = [spot.dot for spot in spots]
    out.centres_px[dot] = value[:, :2] + [spot.corner for spot in spots]
    out.covariance_px2[dot] = covariance
    out.good[dot] = (
        (moved < 0.05)
        & (np.linalg.norm(value[:, :2] - begun[:, :2], axis=1) < 0.5 * np.sqrt(squared[:, 1]) + 0.5)
        & (grey_contrast > 15.0)
        & (value[:, 9] > 0.15)
        & (misfit < _MISFIT)
        & ~_smeared(pixels, residual, use, grey_contrast)
        & (size > 0.6)
        & (size < 1.6)
        & np.isfinite(covariance).all(axis=(1, 2))
    )
    out.blur_px[dot], out.contrast[dot], out.misfit[dot] = value[:, 5], value[:, 9], misfit


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


@dataclass(frozen=True)
class _Pixels:
    """Pixels of n dots, (n, K) each: grey level, place, whether it is certainly paper."""

    grey: Pixels
    x: Pixels
    y: Pixels
    paper: NDArray[np.bool_]

    def of(self, dots: NDArray[np.intp]) -> _Pixels:
        """Those of some dots."""
        return _Pixels(self.grey[dots], self.x[dots], self.y[dots], self.paper[dots])


def _filled_up(spots: list[_Spot]) -> _Pixels:
    """The pixels of all spots; where one has less than another, far away ones that do not count."""
    shape = len(spots), max(len(spot.grey) for spot in spots)
    grey, x, y = (np.full(shape, level, dtype=np.float32) for level in (0, _NOWHERE, _NOWHERE))
    paper = np.zeros(shape, dtype=bool)
    for i, spot in enumerate(spots):
        for all_of_them, own in ((grey, spot.grey), (x, spot.x), (y, spot.y), (paper, spot.paper)):
            all_of_them[i, : len(own)] = own
    return _Pixels(grey, x, y, paper)


def _step(pixels: _Pixels, value: Array, begun: Array) -> Array:
    """Gauss-Newton step (n, 10) from ``value``; priors as of ``begun``."""
    residual, jacobian, use = _model(pixels, value)
    noise2 = np.maximum(_plain_noise2(residual, use), _LEAST_NOISE**2)
    jtj = np.matmul(jacobian, jacobian.transpose(0, 2, 1)).astype(float)
    jtr = np.matmul(jacobian, residual[..., None])[..., 0].astype(float)
    prior, pull = _prior(value, begun)
    jtj[:, range(_UNKNOWNS), range(_UNKNOWNS)] += prior * noise2[:, None] + 1e-9
    return np.linalg.solve(jtj, (jtr + pull * noise2[:, None])[..., None])[..., 0]


def _model(pixels: _Pixels, value: Array) -> tuple[Pixels, Pixels, NDArray[np.bool_]]:
    """Residuals (n, K), the Jacobian (n, 10, K) of the model, and the pixels used (n, K).

    ``value`` (n, 10): centre (2), B11, B12, B22, blur, b, g (2), contrast a; B takes the ellipse to
    the unit circle.
    """
    s, b, gx, gy, a = (column[:, None].astype(np.float32) for column in value[:, 5:].T)
    dx, dy, u, v, wx, wy, w, distance = _about_edge(pixels.x, pixels.y, value)
    use = pixels.paper | (distance < _SKIRT_PX)
    z = distance / s
    light, density = normal(z)
    mask = use.astype(np.float32)
    dark = (1 - light) * mask
    lit = b + gx * dx + gy * dy
    shade = mask - a * dark
    residual = pixels.grey * mask - lit * shade
    # d grey / d distance
    slope = lit * density * mask * (a / s)
    along = slope / w
    jacobian = np.empty((len(value), _UNKNOWNS, dx.shape[1]), dtype=np.float32)
    jacobian[:, 0] = -along * wx - gx * shade
    jacobian[:, 1] = -along * wy - gy * shade
    jacobian[:, 2] = along * u * dx
    jacobian[:, 3] = along * (u * dy + v * dx)
    jacobian[:, 4] = along * v * dy
    jacobian[:, 5] = -slope * z
    jacobian[:, 6] = shade
    jacobian[:, 7] = shade * dx
    jacobian[:, 8] = shade * dy
    jacobian[:, 9] = -lit * dark
    return residual, jacobian, use


def _about_edge(x: Pixels, y: Pixels, value: Array) -> tuple[Pixels, ...]:
    """Of pixels (n, K): from the centre d, B d, B B d and its length, distance from the edge."""
    x0, y0, b11, b12, b22 = (column[:, None].astype(np.float32) for column in value[:, :5].T)
    dx = x - x0
    dy = y - y0
    u = b11 * dx + b12 * dy
    v = b12 * dx + b22 * dy
    wx = b11 * u + b12 * v
    wy = b12 * u + b22 * v
    rho = np.sqrt(u * u + v * v) + np.float32(1e-6)
    w = np.sqrt(wx * wx + wy * wy) + np.float32(1e-6)
    return dx, dy, u, v, wx, wy, w, (rho - 1) * rho / w


def _plain_noise2(residual: Pixels, use: NDArray[np.bool_]) -> Array:
    """Variance of the residuals (n,), the ten unknowns counted."""
    return np.asarray((residual**2).sum(axis=1) / np.maximum(use.sum(axis=1) - _UNKNOWNS, 4))


def _smeared(
    pixels: _Pixels, residual: Pixels, use: NDArray[np.bool_], grey_contrast: Array
) -> NDArray[np.bool_]:
    """Whether the residuals of dots (n,) are a picture of something rather than noise.

    Noise differs from pixel to pixel: half the mean square difference of neighbours is its
    variance (von Neumann's ratio). A dot that a moving hand smeared into what lies beside it, a
    hair or an edge of dirt leave more than that, and what they leave shifts the centre.
    """
    beside = (np.diff(pixels.x) == 1.0) & (np.diff(pixels.y) == 0.0) & use[:, 1:] & use[:, :-1]
    squares = (np.diff(residual) ** 2 * beside).sum(axis=1)
    noise2 = 0.5 * squares / np.maximum(beside.sum(axis=1), 1)
    more2 = _plain_noise2(residual, use) - noise2
    return np.asarray((more2 > noise2) & (more2 > (_SMEARED * grey_contrast) ** 2))


def _prior(value: Array, begun: Array) -> tuple[Array, Array]:
    """Weights (n, 10) of the priors and their pulls (n, 10), per unit variance."""
    mean = begun.copy()
    mean[:, 5], mean[:, 7:9], mean[:, 9] = _BLUR_PX, 0.0, _CONTRAST
    weights = np.zeros(value.shape)
    weights[:, 2:5] = (_SHAPE_SD * np.abs(begun[:, 2:5]).max(axis=1, keepdims=True)) ** -2
    weights[:, 5] = _BLUR_SD_PX**-2
    weights[:, 7:9] = (_LIGHT_SLOPE_SD * np.maximum(value[:, 6:7], 1.0)) ** -2
    weights[:, 9] = _CONTRAST_SD**-2
    return weights, weights * (mean - value)


def _area(value: Array) -> Array:
    """Area of the ellipses, (n,), in units of pi."""
    return np.asarray(1.0 / np.maximum(value[:, 2] * value[:, 4] - value[:, 3] ** 2, 1e-12))
