"""Dot centres to hundredths of a pixel, each with its covariance.

A dot is fitted as what it is, a dark ellipse of unknown shape behind an unknown blur on paper lit
with an unknown gradient:

    grey(x) = (b + g . (x - c)) (1 - a Phi(-d(x) / s))

with d the distance from the ellipse's edge (positive outside), Phi the normal distribution, s the
blur. The model is symmetric about the centre c, so a wrong blur or shape does not shift c. The
unknowns are found by Gauss-Newton, dots of a like size at a time, each until it rests; what a small
dot cannot determine (its shape, blur and contrast) is held by weak priors. Dots that are small,
flat or much blurred for this go on in ``capture/small_dots.py``; all are corrected for what a
gradient of light does to a blurred edge (``moved_by_light``).

Bound for a disc of diameter D px, contrast A, noise n, blur s: var(centre) >= 4 s n^2 / (sqrt(pi)
A^2 D) (Cramer-Rao bound, derivation in ``tests/test_dots.py``).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
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
    SHAPE_SD,
    held_by_axis,
)
from capture.small_dots import finish_small

_WINDOW_HALF_PX = np.array([5, 6, 7, 9, 11, 13, 16, 19, 23, 28, 34, 41, 50, 60])
_LEAST_BLUR_PX = 0.6
"""A pixel's own width blurs by 0.29 px, a lens in focus by about as much again."""
_LEAST_CONTRAST_GREY, _LEAST_CONTRAST = 15.0, 0.15
_PAPER_REACH = 1.6
"""So much of the card about a dot's centre, in radii, is surely white paper though the dot is only
roughly there."""
_TAG_REACH = 2.1
"""The same from the dot's centre to the nearest corner of the tag, along both sides of the card."""
_BESIDE_PX = 3.0
"""Paper so near to a small dot's edge is used: farther off, strips and dirt begin."""
_EDGE_PX, _NEAR_EDGE_PX = 1.5 * BLUR_PX, 1.0
"""Blurred edge of the paper that is left out: what lies beyond adds less than 7 % of its grey; and
so much where nothing is known of the edge's side, since it is left out all round."""
_SKIRT_PX = 0.7
"""So far about the dot pixels count, as far as they are on the card."""
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


def fit_dots(grey: np.ndarray, guess: DotGuess) -> DotFit:
    """Fit all dots of one photo, grey (H, W) uint8, at their expected places."""
    return finish_small(grey, guess, _fitted(grey, guess, _reach_px(guess), _ALONE))


def fit_cards(grey: np.ndarray, guess: DotGuess) -> DotFit:
    """Fit the dots of cards, four after four, whose places among themselves are known well.

    What moves a card's prediction moves its four dots alike, so they first move together: a dot too
    faint or too flat to be found by itself is led by the others. Then each is fitted by itself, so
    that its place owes nothing to the prediction.
    """
    reach_px = _reach_px(guess).reshape(-1, 4).max(axis=1)
    return finish_small(grey, guess, _fitted(grey, guess, np.repeat(reach_px, 4), _LED))


def _reach_px(guess: DotGuess) -> Array:
    """Half the longer side of each ellipse's bounding box."""
    return np.asarray(np.sqrt((guess.semi_px**2).sum(axis=2)).max(axis=1, initial=0.0))


def _fitted(grey: np.ndarray, guess: DotGuess, reach_px: Array, rules: _Rules) -> DotFit:
    together = rules.together
    count = len(guess.centres_px)
    out = DotFit(
        centres_px=guess.centres_px.copy(),
        covariance_px2=np.full((count, 2, 2), np.nan),
        good=np.zeros(count, dtype=bool),
        blur_px=np.full(count, np.nan),
        contrast=np.full(count, np.nan),
        misfit=np.full(count, np.nan),
    )
    # The paper about the dot that may be used, too.
    window = np.searchsorted(_WINDOW_HALF_PX, 1.6 * reach_px + 2.0)
    height_px, width_px = grey.shape
    x, y = np.rint(guess.centres_px).T
    spots: list[_Spot] = []
    for size, half in enumerate(_WINDOW_HALF_PX):
        inside = (x >= half) & (y >= half) & (x < width_px - half) & (y < height_px - half)
        inside = np.repeat(inside.reshape(-1, together).all(axis=1), together)
        chosen = np.flatnonzero((window == size) & inside)
        if len(chosen):
            spots += _spots(grey, guess, chosen, int(half), rules)
    pixels = np.zeros(count, dtype=np.intp)
    pixels[[spot.dot for spot in spots]] = [len(spot.grey) for spot in spots]
    most = np.repeat(pixels.reshape(-1, together).max(axis=1), together)
    spots.sort(key=lambda spot: (most[spot.dot], spot.dot))
    while spots:
        alike = [s for s in spots if most[s.dot] <= _ALIKE * most[spots[0].dot]]
        _fit(alike, rules, out)
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


def _spots(
    grey: np.ndarray, guess: DotGuess, chosen: NDArray[np.intp], half: int, rules: _Rules
) -> list[_Spot]:
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
    guessed = guess.centres_px[chosen] - corner
    darkest, white, ink = _centroids(pixels, px, py, guessed, shape)
    centre = guessed if rules.led else darkest
    value = np.zeros((len(chosen), _UNKNOWNS))
    value[:, :2] = centre
    value[:, 2:5] = shape[:, [0, 0, 1], [0, 1, 1]]
    value[:, 5] = BLUR_PX
    value[:, 6] = white
    value[:, 9] = np.clip(1.0 - ink / np.maximum(white, 1.0), 0.2, 0.98)

    if rules.led:
        paper, card = _on_paper(px, py, centre, semi, guess.outward[chosen])
    else:
        paper, card = _near_paper(px, py, centre, semi)
    room_px = _SKIRT_PX + _ROOM_PX + _ROOM_SHARE * np.sqrt(squared[:, 1:])
    usable = paper | (card & (_about_edge(px, py, value)[-1] < room_px))
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


def _fit(spots: list[_Spot], rules: _Rules, out: DotFit) -> None:
    """Fit dots of a like size at once; results go into ``out``."""
    count = len(spots)
    pixels = _filled_up(spots)
    value = np.array([spot.value for spot in spots])
    begun, squared = value.copy(), np.array([spot.squared_px2 for spot in spots])
    held = rules.held(begun[:, 2:5])
    moved = np.full(count, np.inf)
    for turn in range(rules.led + _ITERATIONS):
        now = np.flatnonzero((moved >= _LEAST_STEP_PX) | (turn <= rules.led))
        if not len(now):
            break
        step, information = _step(pixels.of(now), value[now], begun[now], held[now])
        if turn < rules.led:
            step[:, :2] = _common(step[:, :2], information, rules.together)
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
    plain2 = plain_noise2(residual, use, _UNKNOWNS)
    neighbours2 = neighbours_noise2(pixels.x, pixels.y, residual, use)
    noise2 = centre_noise2(residual, jacobian[:, :2], plain2)
    normal_matrix = np.matmul(jacobian, jacobian.transpose(0, 2, 1)) / noise2[:, None, None]
    normal_matrix += _prior(value, begun, held)[0]
    normal_matrix[:, range(_UNKNOWNS), range(_UNKNOWNS)] += 1e-9
    every_covariance = np.linalg.inv(normal_matrix)
    covariance = every_covariance[:, :2, :2]

    grey_contrast = value[:, 9] * np.maximum(value[:, 6], 1.0)
    misfit = np.sqrt(plain2) / grey_contrast
    size = _area(value) / _area(begun)
    sd_contrast = np.sqrt(np.abs(every_covariance[:, 9, 9]))
    dot = [spot.dot for spot in spots]
    by_light_px = moved_by_light(value[:, 5], value[:, 6], value[:, 7:9])
    out.centres_px[dot] = value[:, :2] - by_light_px + [spot.corner for spot in spots]
    out.covariance_px2[dot] = covariance * going_together(plain2, neighbours2)[:, None, None]
    out.good[dot] = (
        (moved < 0.05)
        & (np.linalg.norm(value[:, :2] - begun[:, :2], axis=1) < 0.5 * np.sqrt(squared[:, 1]) + 0.5)
        & (grey_contrast > _LEAST_CONTRAST_GREY)
        & (value[:, 9] > _LEAST_CONTRAST)
        & (value[:, 9] > rules.stands_out * sd_contrast)
        & (misfit < rules.most_misfit)
        & (_larger_sd(covariance) < rules.most_sd_px)
        & ~smeared(plain2, neighbours2, grey_contrast)
        & (size > 0.6)
        & (size < 1.6)
        & np.isfinite(covariance).all(axis=(1, 2))
    )
    out.blur_px[dot], out.contrast[dot], out.misfit[dot] = value[:, 5], value[:, 9], misfit


def _common(step: Array, information: Array, together: int) -> Array:
    """Steps (n, 2) of the centres replaced by their weighted mean over each card."""
    weight = np.linalg.inv(np.linalg.inv(information)[:, :2, :2])
    pulls = np.matmul(weight, step[..., None]).reshape(-1, together, 2).sum(axis=1)
    mean = np.linalg.solve(weight.reshape(-1, together, 2, 2).sum(axis=1), pulls[..., None])
    return np.repeat(mean[..., 0], together, axis=0)


def _larger_sd(covariance: Array) -> Array:
    """Standard deviation (n,) along the longer axis of each error ellipse."""
    mean = 0.5 * (covariance[:, 0, 0] + covariance[:, 1, 1])
    half = np.hypot(0.5 * (covariance[:, 0, 0] - covariance[:, 1, 1]), covariance[:, 0, 1])
    return np.asarray(np.sqrt(np.abs(mean + half)))


def _near_paper(
    px: Pixels, py: Pixels, centre: Array, semi: Array
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Pixels (n, K) whose white paper about the dot is certain though it may lie half a radius off,
    and those that may be its skirt: all."""
    radii, per_px = _in_radii(px, py, centre, semi)
    paper = np.all((_PAPER_REACH - np.abs(radii)) / per_px > _NEAR_EDGE_PX, axis=1)
    return paper, np.ones_like(paper)


def _on_paper(
    px: Pixels, py: Pixels, centre: Array, semi: Array, outward: Array
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Pixels (n, K) whose white paper about the dot is certain, whatever lies beside the card, and
    pixels that are not touched by what lies there.

    Towards the middle of the card the paper goes on beside the tag, whose corner is 9 mm off in
    both directions.
    """
    radii, per_px = _in_radii(px, py, centre, semi)
    out = radii * outward[..., None]
    on_card = np.all((CARD_REACH - out) / per_px > _EDGE_PX, axis=1)
    on_paper = np.all((_PAPER_REACH - out) / per_px > _EDGE_PX, axis=1)
    on_paper &= np.any((_TAG_REACH + out) / per_px > _EDGE_PX, axis=1)
    on_paper &= np.all((out > -_PAPER_REACH) | ((-out - 1.0) / per_px < _BESIDE_PX), axis=1)
    return on_paper, on_card


def _in_radii(px: Pixels, py: Pixels, centre: Array, semi: Array) -> tuple[Array, Array]:
    """Places (n, 2, K) of pixels along the card's sides, in radii of the dot, and how much of that
    a pixel is (n, 2, 1)."""
    by_pixel = np.linalg.inv(semi)
    off = np.stack([px - centre[:, :1], py - centre[:, 1:]], axis=1)
    return np.matmul(by_pixel, off), np.linalg.norm(by_pixel, axis=2)[..., None]


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


def _step(pixels: _Pixels, value: Array, begun: Array, held: Array) -> tuple[Array, Array]:
    """Gauss-Newton step (n, 10) from ``value``, and the information (n, 10, 10) that it rests on.

    Priors as of ``begun``, the shape ``held`` by weights (n, 3, 3).
    """
    residual, jacobian, use = _model(pixels, value)
    noise2 = np.maximum(plain_noise2(residual, use, _UNKNOWNS), LEAST_NOISE**2)
    jtj = np.matmul(jacobian, jacobian.transpose(0, 2, 1)).astype(float)
    jtr = np.matmul(jacobian, residual[..., None])[..., 0].astype(float)
    prior, pull = _prior(value, begun, held)
    jtj += prior * noise2[:, None, None]
    jtj[:, range(_UNKNOWNS), range(_UNKNOWNS)] += 1e-9
    step = np.linalg.solve(jtj, (jtr + pull * noise2[:, None])[..., None])[..., 0]
    return step, jtj / noise2[:, None, None]


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
    lit = b + gx * dx + gy * dy
    dark = 1 - light
    shade = 1 - a * dark
    expected = lit * shade
    use &= ~overexposed(pixels.grey, expected)
    mask = use.astype(np.float32)
    residual = (pixels.grey - expected) * mask
    dark *= mask
    shade *= mask
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


def _held_as_a_whole(entries: Array) -> Array:
    """Weights (n, 3, 3) of B11, B12, B22, known as a share of the largest of them."""
    sd = SHAPE_SD * np.abs(entries).max(axis=1)
    return np.asarray(np.eye(3) * sd[:, None, None] ** -2)


@dataclass(frozen=True)
class _Rules:
    """How dots are fitted, and when one is good.

    Attributes
    ----------
    together : so many dots in turn belong together; led : iterations in which they move as one,
        from where they are guessed. If 0, the fit begins at the centre of what is dark.
    held : what weights hold the shape, by its entries as guessed.
    most_misfit : rms residual, as a share of the contrast, beyond which the spot is no clean dot.
    most_sd_px : a centre less sure than this in some direction is hardly one of a dot.
    stands_out : by how many standard deviations of it the contrast must differ from nought.
    """

    together: int
    led: int
    held: Callable[[Array], Array]
    most_misfit: float
    most_sd_px: float
    stands_out: float


_ALONE = _Rules(1, 0, _held_as_a_whole, 0.22, 1.0, 0.0)
# Noise alone may spoil a faint dot's picture: what counts is that it stands out. It must be surer,
# since that it is near its place proves little; the caller judges whether it lies where it should.
_LED = _Rules(4, 5, held_by_axis, 0.35, 0.5, 6.0)


def _prior(value: Array, begun: Array, held: Array) -> tuple[Array, Array]:
    """Weights (n, 10, 10) of the priors and their pulls (n, 10), per unit variance."""
    mean = begun.copy()
    mean[:, 5], mean[:, 7:9], mean[:, 9] = BLUR_PX, 0.0, CONTRAST
    alone = np.zeros(value.shape)
    alone[:, 5] = BLUR_SD_PX**-2
    alone[:, 7:9] = (LIGHT_SLOPE_SD * np.maximum(value[:, 6:7], 1.0)) ** -2
    alone[:, 9] = CONTRAST_SD**-2
    pull = alone * (mean - value)
    pull[:, 2:5] = np.matmul(held, (mean - value)[:, 2:5, None])[..., 0]
    weights = np.zeros((*value.shape, _UNKNOWNS))
    weights[:, range(_UNKNOWNS), range(_UNKNOWNS)] = alone
    weights[:, 2:5, 2:5] = held
    return weights, pull


def _area(value: Array) -> Array:
    """Area of the ellipses, (n,), in units of pi."""
    return np.asarray(1.0 / np.maximum(value[:, 2] * value[:, 4] - value[:, 3] ** 2, 1e-12))
