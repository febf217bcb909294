"""Corners of bare square tags from their fitted edges.

A tag's edge is a step from dark (inside) to light (outside) behind an unknown blur:

    grey(u, v) = k(u) + (l(u) - k(u)) Phi((v - e(u)) / s)

with u along the edge (-1 to 1 from corner to corner), v across it (positive outwards, px), Phi the
normal distribution, s the blur, light and dark linear in u, and the edge itself
e(u) = o + a u + q (u^2 - 1/3). The bow q is there because a lens bends the image of an edge: by
k1 h l^2 f px where h is the distance from the image centre and l half the edge, both in focal
lengths. It is held by a prior that grows with the square of the edge's length, so that small tags
stay straight and large ones may bow. Everything is fitted to pixels as they are (nothing is
interpolated), away from the corners; corners are where neighbouring edges meet.

Corner finders that look at the corner itself are pulled inwards by a tenth to half a pixel
(references in ``tests/test_tag_corners.py``), because a blurred corner is round.

What no edge can tell: light that spreads before the camera's tone curve (or ink that spreads on
the paper) moves all four edges of a tag outwards or inwards alike. The tag's centre does not move.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from capture.blurred_step import Pixels, normal

_LEAST_CELL_PX = 2.0
"""Narrower than this a tag's border is no step but a line."""
_ACROSS_SHARE = 0.75
"""Pixels used outside the edge, as a share of the border's width: there, one cell is white."""
_LEAST_INSIDE_PX = 0.8
"""Pixels used inside: up to where the blur of the tag's bits, behind its border, reaches."""
_MOST_ACROSS_PX = 8.0
_BLUR_REACH = 2.5
"""Another step is out of the way beyond half a pixel and so many blurs."""
_CORNER_SHARE = 0.08
"""Left out at each end of an edge at least."""
_ROUGH_COLUMNS, _MOST_COLUMNS = 16, 64
"""Longer edges are sampled with gaps: more would cost time and gain little."""
_COLUMNS = np.array([8, 12, 16, 24, 32, 48, 64])
_ACROSS_BLURS = 3.0
"""Beyond this many blurs (and a pixel) from the step nothing more is learnt of its place."""
_LEAST_COLUMNS = 4
_BLUR_PX, _BLUR_SD_PX, _LEAST_BLUR_PX, _MOST_BLUR_PX = 0.9, 0.6, 0.45, 4.0
"""A pixel's own width blurs by 0.29 px; steeper steps are sharpened ones, which the model meets in
their middle."""
_BOW_SHARE = 0.02
"""Prior of the bow: this times length^2 / longest side of the photo. k1 h l^2 f with k1 = 0.1,
h = 0.6, f = 0.75 of the longest side gives this figure."""
_BLOCKS = 8
_LEAST_NOISE = 0.6
"""Grey levels, as in ``capture.dots``."""
_LEAST_CONTRAST = 20.0
_CONTRAST_SHARE = 0.4
"""Of the strongest edge of the same tag: a weaker step is something that covers the edge."""
_ROUGH_MISFIT, _MISFIT = 0.25, 0.16
"""Rms residual, as a share of the step, beyond which the edge is no clean step. The ringing of
sharpened photos takes up to 0.13."""
_ROUGH_ITERATIONS, _ITERATIONS = 5, 7
_ROUGH_BITS_PX = 1.5
_ROUGH_STEP_PX, _LAST_STEP_PX = 0.3, 0.05
"""The last step of an edge that has come to rest."""
_UNKNOWNS = 8


@dataclass(frozen=True)
class CornerFit:
    """Corners as measured.

    Attributes
    ----------
    corners_px : (N, 4, 2), the order of the guess; the guess itself where an edge is not good.
    covariance_px2 : (N, 4, 2, 2) of each corner by itself. Two corners share an edge, so their
        errors across it are related; the network takes them as independent.
    good : (N, 4) bool: both edges of the corner are clean steps.
    blur_px : (N, 4) blur of each edge, the first from corner 0 to corner 1; nan if not fitted.
    """

    corners_px: Array
    covariance_px2: Array
    good: NDArray[np.bool_]
    blur_px: Array


def fit_corners(grey: NDArray[np.uint8], guess_px: Array, cells: int) -> CornerFit:
    """Fit the corners of all tags of one photo.

    Parameters
    ----------
    grey : (H, W) uint8.
    guess_px : (N, 4, 2) corners, clockwise as seen, good to two pixels or half a cell.
    cells : cells along a tag's side, its border of one black cell on each side included.
    """
    corners = np.asarray(guess_px, dtype=float)
    # The second round has its windows where the edges are, and no wider than the blur asks for.
    unknown = np.full(corners.shape[:2], np.nan)
    first = _fit_once(grey, corners, cells, unknown, _ROUGH_COLUMNS)
    found = np.asarray(first.good.all(axis=1), dtype=bool)
    moved = np.where(found[:, None, None], first.corners_px, corners)
    blur = np.where(found[:, None], first.blur_px, _BLUR_PX)
    fit = _fit_once(grey, moved, cells, blur, _MOST_COLUMNS)
    # A corner that went far is the corner of something else.
    far_px = 2.0 + 0.5 * _sides_px(corners).min(axis=1) / cells
    near = np.linalg.norm(fit.corners_px - corners, axis=2) < far_px[:, None]
    good: NDArray[np.bool_] = np.logical_and(fit.good, near)
    return CornerFit(
        np.where(good[..., None], fit.corners_px, corners), fit.covariance_px2, good, fit.blur_px
    )


@dataclass(frozen=True)
class _Edges:
    """E edges about which windows of pixels are laid.

    Attributes
    ----------
    middle, along, outward : (E, 2) px.
    half_px : (E,) half length.
    border_px : (E,) width of the black border at the edge.
    clear_px : (E, 2) left out at its start and at its end, because the neighbouring edge, which
        may be near if the corner is acute, blurs into it there.
    """

    middle: Array
    along: Array
    outward: Array
    half_px: Array
    border_px: Array
    clear_px: Array


def _fit_once(
    grey: NDArray[np.uint8],
    corners: Array,
    cells: int,
    blur_px: Array,
    most_columns: int,
) -> CornerFit:
    """One round; ``blur_px`` (N, 4) of each edge as far as known, nan where not."""
    count = len(corners)
    edges = _edges(corners, cells, np.nan_to_num(blur_px.reshape(-1), nan=_BLUR_PX))
    line = np.zeros((4 * count, 3))
    covariance = np.full((4 * count, 3, 3), np.nan)
    contrast = np.zeros(4 * count)
    blur = np.full(4 * count, np.nan)
    major = np.abs(edges.along).max(axis=1, initial=0.0)
    free_px = 2.0 * edges.half_px - edges.clear_px.sum(axis=1)
    columns = np.minimum(free_px * major, most_columns)
    usable = (columns >= _LEAST_COLUMNS) & (edges.border_px >= _LEAST_CELL_PX)
    size = np.searchsorted(_COLUMNS, columns)
    for bucket, most in enumerate(_COLUMNS):
        chosen = np.flatnonzero(usable & (size == bucket))
        if len(chosen):
            line[chosen], covariance[chosen], blur[chosen], contrast[chosen] = _fit_edges(
                grey, edges, chosen, blur_px.reshape(-1)[chosen], int(most)
            )
    by_tag = contrast.reshape(-1, 4)
    strongest = by_tag.max(axis=1, initial=0.0)[:, None]
    good = ((by_tag > 0.0) & (by_tag > _CONTRAST_SHARE * strongest)).reshape(-1)
    return _corners(corners, edges, line, covariance, good, blur)


def _edges(corners: Array, cells: int, blur_px: Array) -> _Edges:
    start = corners.reshape(-1, 2)
    stop = np.roll(corners, -1, axis=1).reshape(-1, 2)
    half = np.linalg.norm(stop - start, axis=1) / 2.0
    along = (stop - start) / np.maximum(2.0 * half, 1e-9)[:, None]
    # Clockwise with y down: the outside lies to the left of the direction of travel.
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1)
    by_tag = along.reshape(-1, 4, 2)
    ahead = np.roll(by_tag, -1, axis=1)
    end_sine = np.abs(by_tag[..., 0] * ahead[..., 1] - by_tag[..., 1] * ahead[..., 0])
    sine = np.stack([np.roll(end_sine, 1, axis=1), end_sine], axis=2).reshape(-1, 2)
    blurred = 0.5 + _BLUR_REACH * blur_px[:, None]
    clear = np.maximum(blurred / np.maximum(sine, 0.1), 2.0 * _CORNER_SHARE * half[:, None])
    border = _border_px(corners, cells)
    return _Edges((start + stop) / 2.0, along, outward, half, border, clear)


def _border_px(corners: Array, cells: int) -> Array:
    """Width of the black border at the middle of each edge, (4 N,), by the tag's homography."""
    a, b, c, d = corners.transpose(1, 0, 2)
    # Heckbert, Fundamentals of texture mapping, 1989 (from memory): unit square to quadrilateral.
    e, f, s = b - c, d - c, a - b + c - d
    area = e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0]
    area = np.where(np.abs(area) < 1e-9, 1e-9, area)
    g = (s[:, 0] * f[:, 1] - s[:, 1] * f[:, 0]) / area
    h = (e[:, 0] * s[:, 1] - e[:, 1] * s[:, 0]) / area
    x, y = b - a + g[:, None] * b, d - a + h[:, None] * d

    def place(u: float, v: float) -> Array:
        return np.asarray((a + x * u + y * v) / (1.0 + g * u + h * v)[:, None])

    cell = 1.0 / cells
    pairs = (
        (place(0.5, 0.0), place(0.5, cell), b - a),
        (place(1.0, 0.5), place(1.0 - cell, 0.5), c - b),
        (place(0.5, 1.0), place(0.5, 1.0 - cell), d - c),
        (place(0.0, 0.5), place(cell, 0.5), a - d),
    )
    widths = []
    for edge, inner, side in pairs:
        off = inner - edge
        across = np.abs(off[:, 0] * side[:, 1] - off[:, 1] * side[:, 0])
        widths.append(across / np.maximum(np.linalg.norm(side, axis=1), 1e-9))
    return np.stack(widths, axis=1).reshape(-1)


def _sides_px(corners: Array) -> Array:
    return np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)


def _fit_edges(
    grey: NDArray[np.uint8],
    edges: _Edges,
    chosen: NDArray[np.intp],
    blur_px: Array,
    most: int,
) -> tuple[Array, Array, Array, Array]:
    """Edges ``chosen`` in windows of ``most`` columns.

    Returns the line (n, 3) as o, a, q, its covariance (n, 3, 3), the blur (n,) and the height of
    the step (n,) in grey levels, 0 where it is no clean one.
    """
    middle, along, outward = edges.middle[chosen], edges.along[chosen], edges.outward[chosen]
    half, border = edges.half_px[chosen], edges.border_px[chosen]
    n = len(chosen)
    # Where the blur is known this is the second round.
    known = np.isfinite(blur_px)
    enough = np.where(known, 1.0 + _ACROSS_BLURS * blur_px, _MOST_ACROSS_PX)
    reach = np.clip(_ACROSS_SHARE * border, 1.6, np.minimum(enough, _MOST_ACROSS_PX))
    bits = np.where(known, 0.5 + _BLUR_REACH * blur_px, _ROUGH_BITS_PX)
    inner = np.clip(border - bits, _LEAST_INSIDE_PX, reach)

    # Columns run along the image axis nearer to the edge, rows across it.
    flat = np.abs(along[:, 0]) >= np.abs(along[:, 1])
    major, minor = np.where(flat, 0, 1), np.where(flat, 1, 0)
    row = np.arange(n)
    clear = edges.clear_px[chosen]
    ends = middle[row, major, None] + along[row, major, None] * np.stack(
        [clear[:, 0] - half, half - clear[:, 1]], axis=1
    )
    lowest, highest = np.ceil(ends.min(axis=1)), np.floor(ends.max(axis=1))
    stride = np.maximum(1.0, np.ceil((highest - lowest + 1.0) / most))
    column = lowest[:, None] + stride[:, None] * np.arange(most)
    present = column <= highest[:, None]
    slope = along[row, minor] / along[row, major]
    level = middle[row, minor, None] + slope[:, None] * (column - middle[row, major, None])
    deep = int(np.ceil((reach / np.abs(along[row, major])).max()))
    across = np.rint(level)[:, :, None] + np.arange(-deep, deep + 1)
    column3 = np.broadcast_to(column[:, :, None], across.shape)
    x = np.where(flat[:, None, None], column3, across)
    y = np.where(flat[:, None, None], across, column3)
    height_px, width_px = grey.shape
    inside = (x >= 0) & (y >= 0) & (x < width_px) & (y < height_px)
    pixels = grey[
        np.clip(y, 0, height_px - 1).astype(np.intp), np.clip(x, 0, width_px - 1).astype(np.intp)
    ].astype(np.float32)
    off_x, off_y = x - middle[:, 0, None, None], y - middle[:, 1, None, None]
    run = (off_x * along[:, 0, None, None] + off_y * along[:, 1, None, None]) / half[:, None, None]
    rise = off_x * outward[:, 0, None, None] + off_y * outward[:, 1, None, None]
    shape = (n, most * (2 * deep + 1))
    u: Pixels = run.reshape(shape).astype(np.float32)
    v: Pixels = rise.reshape(shape).astype(np.float32)
    pixels = pixels.reshape(shape)
    present = np.broadcast_to(present[:, :, None], across.shape).reshape(shape)
    allowed = inside.reshape(shape) & present

    near = (v > -inner[:, None]) & (v < reach[:, None])
    whole = ~(near & ~allowed & present).any(axis=1)
    near &= allowed
    light, dark = _levels(pixels, near)
    # o, a, q, s, l0, l1, k0, k1
    value = np.zeros((n, _UNKNOWNS))
    value[:, 0] = _rough_offset(pixels, near, light, dark, inner, reach)
    value[:, 3] = np.where(known, blur_px, _BLUR_PX)
    value[:, 4], value[:, 6] = light, dark
    longest = max(height_px, width_px)
    bow_sd = np.maximum(_BOW_SHARE * (2.0 * half) ** 2 / longest, 1e-3)
    moved = np.zeros(n)
    for iteration in range(_ITERATIONS if known.any() else _ROUGH_ITERATIONS):
        use, residual, jacobian = _model(pixels, u, v, allowed, value, inner, reach)
        noise2 = np.maximum(_plain_noise2(residual, use), _LEAST_NOISE**2)
        normal, pull = _normal(residual, jacobian, value, noise2, bow_sd)
        step = np.linalg.solve(normal, pull[..., None])[..., 0]
        step[:, :3] = np.clip(step[:, :3], -1.0, 1.0)
        step[:, 3] = np.clip(step[:, 3], -0.4, 0.4)
        # Where the step is steeper than a pixel, full steps may swing about the optimum.
        value = value + (step if iteration < 3 else 0.6 * step)
        value[:, 3] = np.clip(value[:, 3], _LEAST_BLUR_PX, _MOST_BLUR_PX)
        moved = np.abs(step[:, :2]).max(axis=1)
        if np.quantile(moved, 0.9) < 1e-3:
            break

    use, residual, jacobian = _model(pixels, u, v, allowed, value, inner, reach)
    noise2 = _edge_noise2(residual, jacobian, use, most)
    normal, _ = _normal(residual, jacobian, value, noise2, bow_sd)
    covariance = np.asarray(np.linalg.inv(normal)[:, :3, :3], dtype=float)
    contrast = value[:, 4] - value[:, 6]
    misfit = np.sqrt(_plain_noise2(residual, use)) / np.maximum(contrast, 1.0)
    # At its ends, too, the edge must be lighter outside.
    least_contrast = contrast - np.abs(value[:, 5] - value[:, 7])
    good = (
        (moved < np.where(known, _LAST_STEP_PX, _ROUGH_STEP_PX))
        & (least_contrast > _LEAST_CONTRAST)
        & (misfit < np.where(known, _MISFIT, _ROUGH_MISFIT))
        & (np.abs(value[:, 0]) + np.abs(value[:, 1]) < reach + 1.0)
        & (value[:, 3] < 0.6 * reach + 0.5)
        & (use.sum(axis=1) > 3 * _UNKNOWNS)
        & whole
        & np.isfinite(covariance).all(axis=(1, 2))
    )
    return value[:, :3], covariance, value[:, 3], np.asarray(np.where(good, contrast, 0.0))


def _levels(pixels: Pixels, near: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Grey outside and inside, (n,): the 85 % and 15 % quantiles of the pixels in use."""
    ordered = np.sort(np.where(near, pixels, np.inf), axis=1)
    count = near.sum(axis=1)
    row = np.arange(len(pixels))
    light = ordered[row, np.maximum((0.85 * count).astype(int) - 1, 0)]
    dark = ordered[row, np.minimum((0.15 * count).astype(int), np.maximum(count - 1, 0))]
    light, dark = np.where(count > 0, light, 0.0), np.where(count > 0, dark, 0.0)
    return light, dark


def _rough_offset(
    pixels: Pixels, near: NDArray[np.bool_], light: Array, dark: Array, inner: Array, outer: Array
) -> Array:
    """Where the step lies across the edge, (n,), by how much of the window is light."""
    share = np.clip((pixels - dark[:, None]) / np.maximum(light - dark, 1.0)[:, None], 0.0, 1.0)
    lit = np.where(near, share, 0.0).sum(axis=1) / np.maximum(near.sum(axis=1), 1)
    return np.asarray(outer - (outer + inner) * lit, dtype=float)


def _model(
    pixels: Pixels,
    u: Pixels,
    v: Pixels,
    allowed: NDArray[np.bool_],
    value: Array,
    inner: Array,
    outer: Array,
) -> tuple[NDArray[np.bool_], Pixels, Pixels]:
    """Pixels in use (n, K), residuals (n, K), Jacobian (n, 8, K) of the model."""
    o, a, q, s, l0, l1, k0, k1 = (c[:, None].astype(np.float32) for c in value.T)
    bend = u * u - np.float32(1 / 3)
    distance = v - (o + a * u + q * bend)
    use = allowed & (distance > -inner[:, None]) & (distance < outer[:, None])
    z = distance / s
    lit, density = normal(z)
    step = l0 - k0 + (l1 - k1) * u
    mask = use.astype(np.float32)
    residual = (pixels - (k0 + k1 * u + step * lit)) * mask
    slope = step * density / s * mask
    lit = lit * mask
    shade = mask - lit
    jacobian = np.empty((len(pixels), _UNKNOWNS, pixels.shape[1]), dtype=np.float32)
    jacobian[:, 0] = -slope
    jacobian[:, 1] = -slope * u
    jacobian[:, 2] = -slope * bend
    jacobian[:, 3] = -slope * z
    jacobian[:, 4] = lit
    jacobian[:, 5] = lit * u
    jacobian[:, 6] = shade
    jacobian[:, 7] = shade * u
    return use, residual, jacobian


def _normal(
    residual: Pixels, jacobian: Pixels, value: Array, noise2: Array, bow_sd: Array
) -> tuple[Array, Array]:
    """Normal matrices (n, 8, 8) and right-hand sides (n, 8), priors of bow and blur included."""
    normal = np.matmul(jacobian, jacobian.transpose(0, 2, 1)).astype(float) / noise2[:, None, None]
    pull = np.matmul(jacobian, residual[..., None])[..., 0].astype(float) / noise2[:, None]
    normal[:, range(_UNKNOWNS), range(_UNKNOWNS)] += 1e-9
    normal[:, 2, 2] += bow_sd**-2
    pull[:, 2] -= value[:, 2] * bow_sd**-2
    normal[:, 3, 3] += _BLUR_SD_PX**-2
    pull[:, 3] += (_BLUR_PX - value[:, 3]) * _BLUR_SD_PX**-2
    return normal, pull


def _plain_noise2(residual: Pixels, use: NDArray[np.bool_]) -> Array:
    """Variance of the residuals (n,), the unknowns counted."""
    count = np.maximum(use.sum(axis=1) - _UNKNOWNS, 4)
    return np.asarray((residual**2).sum(axis=1) / count, dtype=float)


def _edge_noise2(residual: Pixels, jacobian: Pixels, use: NDArray[np.bool_], most: int) -> Array:
    """Variance of a pixel as it counts for the edge's place, (n,).

    Residuals at the step count by their weight there, and if whole stretches of the edge lie off
    together (compression, a wavy edge) the variance grows by as much as their offsets scatter more
    than independent pixels would.
    """
    across = jacobian[:, 0]
    weight = across**2
    total = np.maximum(weight.sum(axis=1), 1e-9)
    effective = total**2 / np.maximum((weight**2).sum(axis=1), 1e-9)
    at_step = (residual**2 * weight).sum(axis=1) / total
    at_step = at_step * effective / np.maximum(effective - 4.0, 3.0)
    noise2 = np.maximum(np.maximum(at_step, _plain_noise2(residual, use)), _LEAST_NOISE**2)

    per_column = (across * residual).reshape(len(residual), most, -1).sum(axis=2)
    weight_column = weight.reshape(len(residual), most, -1).sum(axis=2)
    per_block = np.add.reduceat(per_column, _block_starts(most), axis=1)
    weight_block = np.add.reduceat(weight_column, _block_starts(most), axis=1)
    squares = np.where(weight_block > 0, per_block**2 / np.maximum(weight_block, 1e-9), 0.0)
    freedom = np.maximum((weight_block > 0.05 * total[:, None]).sum(axis=1) - 2.5, 1.0)
    return np.asarray(np.maximum(noise2, squares.sum(axis=1) / freedom), dtype=float)


def _block_starts(most: int) -> NDArray[np.intp]:
    return np.unique(np.linspace(0, most, _BLOCKS, endpoint=False).astype(np.intp))


def _corners(
    guess: Array,
    edges: _Edges,
    line: Array,
    covariance: Array,
    good: NDArray[np.bool_],
    blur: Array,
) -> CornerFit:
    """Corner k of each tag is where edge k - 1 ends and edge k begins."""
    count = len(guess)

    def of_tag(values: np.ndarray) -> np.ndarray:
        return values.reshape(count, 4, *values.shape[1:])

    def before(values: np.ndarray) -> np.ndarray:
        return np.roll(of_tag(values), 1, axis=1)

    place = guess.copy()
    normals = np.empty((count, 4, 2, 2))
    variance = np.empty((count, 4, 2))
    # Newton's method on the two curves; they are so nearly straight that three steps are ample.
    for _ in range(3):
        off = np.empty((count, 4, 2))
        for k, pick in enumerate((before, of_tag)):
            middle, along, outward = pick(edges.middle), pick(edges.along), pick(edges.outward)
            half, curve, spread = pick(edges.half_px), pick(line), pick(covariance)
            from_middle = place - middle
            u = (from_middle * along).sum(axis=2) / half
            o, a, q = curve.transpose(2, 0, 1)
            off[..., k] = (from_middle * outward).sum(axis=2) - (o + a * u + q * (u * u - 1 / 3))
            normals[..., k, :] = outward - ((a + 2.0 * q * u) / half)[..., None] * along
            by_line = np.stack([np.ones_like(u), u, u * u - 1 / 3], axis=2)
            variance[..., k] = np.einsum("nki,nkij,nkj->nk", by_line, spread, by_line)
        both = of_tag(good) & before(good)
        sound = both & (np.abs(np.linalg.det(normals)) > 0.1)
        safe = np.where(sound[..., None, None], normals, np.eye(2))
        inverse = np.linalg.inv(safe)
        move = np.einsum("nkij,nkj->nki", inverse, off)
        place = place - np.where(sound[..., None], move, 0.0)
    spread = np.einsum("nkij,nkj,nklj->nkil", inverse, variance, inverse)
    return CornerFit(place, spread, np.asarray(sound), of_tag(blur))
