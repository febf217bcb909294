"""Normal equations of a bundle: photos, camera constants, print scales, points.

Photos meet only points and what all share, and so do the points of a card: whichever family has
more unknowns is eliminated (``pipeline.adjustment.elimination``), so that neither many photos nor
many cards make the rest large.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from pipeline.adjustment.bundle import Network, Observations, PhotoColumns, Priors, jacobians
from pipeline.adjustment.elimination import Blocks, Eliminated, Part, eliminate, in_parts
from pipeline.adjustment.layout import layout_terms

SCALE_HOLD = 1e8
"""Information of the convention that the mean print scale is 1."""


@dataclass(frozen=True)
class Normals:
    """Normal equations with one family eliminated.

    All unknowns are counted in this order: photos, camera constants, two print scales where a
    layout is used, points.

    Attributes
    ----------
    system : equations of the kept unknowns.
    kept : (K,) which unknowns they are; gone : (B, w) the eliminated ones.
    free : (K,) which of the kept ones are unknown at all.
    columns : unknowns of a photo.
    photos, common : how many unknowns all photos have, and how many they share.
    """

    system: Eliminated
    kept: NDArray[np.intp]
    gone: NDArray[np.intp]
    free: NDArray[np.bool_]
    columns: PhotoColumns
    photos: int
    common: int

    @property
    def keeps_photos(self) -> bool:
        """Whether the points were eliminated, and not the photos."""
        return bool(self.kept[0] == 0)


def build_normals(
    network: Network,
    observations: Observations,
    priors: Priors,
    robust: float = np.inf,
    damping: float = 0.0,
) -> Normals:
    """Normal equations at ``network``; ``damping`` multiplies the eliminated blocks' diagonal."""
    linear = jacobians(network, observations, priors)
    return normals_of(linear, network, observations, priors, robust, damping)


def normals_of(
    linear: tuple[Array, Array, Array, Array],
    network: Network,
    observations: Observations,
    priors: Priors,
    robust: float = np.inf,
    damping: float = 0.0,
) -> Normals:
    """The same where the derivatives at ``network``, ``bundle.jacobians``, are known already."""
    by_photo, by_constants, by_point, residual = linear
    root = np.sqrt(_robust_weights(residual, robust))[:, None, None]
    by_photo, by_constants, by_point = by_photo * root, by_constants * root, by_point * root
    residual = residual * root[:, :, 0]

    of_photos = _sums(
        by_photo, (by_photo, by_constants, residual), observations.photo, len(network.rotation)
    )
    # What a camera's constants and a point have in common, each camera by itself.
    points, groups = len(network.points), len(network.constants)
    group = network.group[observations.photo]
    of_points = [
        each.reshape(groups, points, *each.shape[1:])
        for each in _sums(
            by_point,
            (by_point, by_constants, residual),
            group * points + observations.point,
            groups * points,
        )
    ]
    camera_own, camera_pull = _sums(by_constants, (by_constants, residual), group, groups)
    photos = _of_photos(network, of_photos[0], of_photos[2], priors)
    cards = _of_cards(network, of_points[0].sum(axis=0), of_points[2].sum(axis=0), priors)
    common = _of_common(network, camera_own, camera_pull, priors, cards)
    links = _links(network, _products(by_photo, by_point), of_photos[1], of_points[1], cards)

    size = len(common.gradient)
    photo_unknowns = np.arange(photos.gradient.size)
    common_unknowns = len(photo_unknowns) + np.arange(size)
    point_unknowns = len(photo_unknowns) + size + np.arange(cards.gradient.size)
    kept: _Equations
    gone: _Equations
    if len(photo_unknowns) < len(point_unknowns):
        kept, gone, indices, others = photos, cards, photo_unknowns, point_unknowns
        border, coupling = links.photos_by_common, _to_cards(observations, links)
    else:
        kept, gone, indices, others = cards, photos, point_unknowns, photo_unknowns
        border, coupling = links.cards_by_common, _to_photos(observations, links)
    damped = gone.matrix.copy()
    diagonal = np.arange(damped.shape[1])
    damped[:, diagonal, diagonal] *= 1.0 + damping
    first = len(indices)
    free = np.ones(first + size, dtype=bool)
    free[first : first + network.constants.size] = ~priors.fixed.ravel()
    return Normals(
        eliminate(
            _bordered(kept.matrix, border, common.matrix),
            np.concatenate([kept.gradient.ravel(), common.gradient]),
            Blocks(damped, gone.gradient, coupling),
        ),
        np.concatenate([indices, common_unknowns]),
        others.reshape(gone.gradient.shape),
        free,
        priors.columns,
        len(photo_unknowns),
        size,
    )


@dataclass(frozen=True)
class _Equations:
    """Of a family among its own: matrix (B, w, w), gradient (B, w); (C, C), (C,) of the common."""

    matrix: Array
    gradient: Array


@dataclass(frozen=True)
class _CardEquations(_Equations):
    """Those of the cards, and what their layout tells of the two print scales.

    Attributes
    ----------
    by_scale : (B, 2, 3 m) between scales and points; of_scale : (2, 2); pull_of_scale : (2,).
        Without a layout 0 in place of 2.
    """

    by_scale: Array
    of_scale: Array
    pull_of_scale: Array


@dataclass(frozen=True)
class _Links:
    """Normal equations between the families.

    Attributes
    ----------
    photo_point : (N, p, 3) of each observation.
    photos_by_common : (F p, C); cards_by_common : (3 P, C).
    per_photo, per_card : p and 3 m.
    """

    photo_point: Array
    photos_by_common: Array
    cards_by_common: Array
    per_photo: int
    per_card: int


def _of_photos(network: Network, own: Array, pull: Array, priors: Priors) -> _Equations:
    p = pull.shape[1]
    matrix, gradient = own.copy(), pull.copy()
    columns = priors.columns
    for part, now, sd in (
        (columns.drift, network.drift, priors.drift_sd),
        (columns.shift, network.shift_px, np.full(2, priors.shift_sd_px)),
    ):
        held = np.arange(p)[part]
        if held.size:
            matrix[:, held, held] += sd**-2
            gradient[:, held] -= sd**-2 * now
    return _Equations(matrix, gradient)


def _of_cards(network: Network, own: Array, pull: Array, priors: Priors) -> _CardEquations:
    """Of cards where there is a layout, of single points where there is none.

    ``own`` (P, 3, 3) and ``pull`` (P, 3) are what their images say of the points.
    """
    layout = priors.layout
    m = layout.nominal_mm.shape[1] if layout else 1
    count = len(own) // m
    matrix = np.zeros((count, 3 * m, 3 * m))
    each = np.arange(m)
    matrix.reshape(count, m, 3, m, 3)[:, each, :, each, :] = own.reshape(count, m, 3, 3).swapaxes(
        0, 1
    )
    gradient = pull.reshape(count, 3 * m)
    if layout is None:
        return _CardEquations(
            matrix, gradient, np.zeros((count, 0, 3)), np.zeros((0, 0)), np.zeros(0)
        )
    terms = layout_terms(layout, network.points.reshape(count, m, 3), network.print_scale)
    pulled = np.einsum("bij,bj->bi", terms.information, terms.misfit_mm)
    by_scale = terms.information @ terms.by_scale
    return _CardEquations(
        matrix + terms.information,
        gradient - pulled,
        -by_scale.transpose(0, 2, 1),
        np.einsum("bia,bic->ac", terms.by_scale, by_scale),
        np.einsum("bia,bi->a", terms.by_scale, pulled),
    )


def _of_common(
    network: Network, own: Array, pull: Array, priors: Priors, cards: _CardEquations
) -> _Equations:
    """Of the camera constants and, where there is a layout, the print scales."""
    groups = len(network.constants)
    last = 9 * groups
    size = last + len(cards.of_scale)
    matrix, gradient = np.zeros((size, size)), np.zeros(size)
    for g in range(groups):
        rows, information = slice(9 * g, 9 * g + 9), priors.information[g]
        matrix[rows, rows] = own[g] + information
        gradient[rows] = pull[g] + information @ (priors.constants[g] - network.constants[g])
    if priors.layout:
        # Only the ratio of the print scales can be seen; their mean is 1 by convention, else the
        # network would shrink towards a point, where every misfit is small.
        matrix[last:, last:] = cards.of_scale + 0.25 * SCALE_HOLD
        off = 0.5 * SCALE_HOLD * (1.0 - network.print_scale.mean())
        gradient[last:] = cards.pull_of_scale + off
    return _Equations(matrix, gradient)


def _links(
    network: Network,
    photo_point: Array,
    photo_camera: Array,
    point_camera: Array,
    cards: _CardEquations,
) -> _Links:
    """``photo_camera`` (F, p, 9) of each photo, ``point_camera`` (G, P, 3, 9) of each camera."""
    groups, points = point_camera.shape[:2]
    photos, p = photo_camera.shape[:2]
    common = 9 * groups + len(cards.of_scale)
    of_photos = np.zeros((photos, p, common))
    for f, g in enumerate(network.group):
        of_photos[f, :, 9 * g : 9 * g + 9] = photo_camera[f]
    of_points = np.zeros((points, 3, common))
    of_points[:, :, : 9 * groups] = point_camera.transpose(1, 2, 0, 3).reshape(points, 3, -1)
    of_cards = of_points.reshape(len(cards.gradient), -1, common)
    of_cards[:, :, 9 * groups :] = cards.by_scale.transpose(0, 2, 1)
    return _Links(
        photo_point,
        of_photos.reshape(photos * p, common),
        of_cards.reshape(3 * points, common),
        p,
        cards.gradient.shape[1],
    )


def _to_cards(observations: Observations, links: _Links) -> list[Part]:
    """Couplings of the cards to photos and what all share."""
    card, row = np.divmod(observations.point, links.per_card // 3)
    border = links.cards_by_common.reshape(-1, links.per_card, links.cards_by_common.shape[1])
    products = links.photo_point.transpose(0, 2, 1)
    photos = len(links.photos_by_common) // links.per_photo
    return _coupled(card, row, observations.photo, photos, products, border)


def _to_photos(observations: Observations, links: _Links) -> list[Part]:
    """Couplings of the photos to points and what all share."""
    border = links.photos_by_common.reshape(-1, links.per_photo, links.photos_by_common.shape[1])
    points = len(links.cards_by_common) // 3
    row = np.zeros_like(observations.photo)
    return _coupled(observations.photo, row, observations.point, points, links.photo_point, border)


def _coupled(
    block: NDArray[np.intp],
    row: NDArray[np.intp],
    other: NDArray[np.intp],
    others: int,
    products: Array,
    border: Array,
) -> list[Part]:
    """Couplings of blocks to others, and to what all share, which are counted after them.

    Parameters
    ----------
    block, row, other : (N,) of each observation: its block, which rows of it, which of the others.
    products : (N, r, q) of r rows of the block and q unknowns of the other.
    border : (B, w, C) of the blocks and what all share.
    """
    count, width, common = border.shape
    r, q = products.shape[1:]
    met = np.zeros((count, others), dtype=bool)
    met[block, other] = True
    parts = []
    for own, known in in_parts(met):
        at = slice(None) if len(known) == others else np.flatnonzero(block == own.start)
        size = own.stop - own.start
        coupling = np.zeros((size, width // r, r, len(known), q))
        place = np.searchsorted(known, other[at])
        coupling[block[at] - own.start, row[at], :, place] = products[at]
        columns = (known[:, None] * q + np.arange(q)).ravel()
        parts.append(
            Part(
                own,
                np.concatenate([columns, others * q + np.arange(common)]),
                np.concatenate([coupling.reshape(size, width, -1), border[own]], axis=2),
            )
        )
    return parts


def _bordered(blocks: Array, border: Array, corner: Array) -> Array:
    """Symmetric matrix of blocks (B, w, w) on the diagonal, a border (B w, C), a corner (C, C)."""
    count, width = blocks.shape[:2]
    size = count * width
    matrix = np.zeros((size + len(corner), size + len(corner)))
    for b in range(count):
        own = slice(b * width, (b + 1) * width)
        matrix[own, own] = blocks[b]
    matrix[:size, size:] = border
    matrix[size:, :size] = border.T
    matrix[size:, size:] = corner
    return matrix


def _robust_weights(residual: Array, robust: float) -> Array:
    if not np.isfinite(robust):
        return np.ones(len(residual))
    return 1.0 / (1.0 + (residual**2).sum(axis=1) / robust**2)


def _products(left: Array, right: Array) -> Array:
    """left^T right of each observation: (N, a, b) from (N, 2, a) and (N, 2, b)."""
    return np.asarray(left.transpose(0, 2, 1) @ right)


def _sums(left: Array, right: Sequence[Array], index: NDArray[np.intp], size: int) -> list[Array]:
    """left^T right, summed over the observations that have the same index.

    (size, a, b) from (N, 2, a) and each (N, 2, b) of ``right``; (size, a) from a (N, 2). What
    belongs together is put into rows of its own and summed by one product.
    """
    order = np.argsort(index, kind="stable")
    first = 2 * np.searchsorted(index[order], np.arange(size + 1))
    rows = left[order].reshape(-1, left.shape[2])
    others = np.concatenate([r.reshape(len(index), 2, -1) for r in right], axis=2)[order]
    others = others.reshape(len(rows), -1)
    sums = np.empty((size, rows.shape[1], others.shape[1]))
    for i, (a, b) in enumerate(pairwise(first)):
        np.matmul(rows[a:b].T, others[a:b], out=sums[i])
    ends = np.cumsum([r[0, 0].size for r in right])[:-1]
    return [
        part if r.ndim == 3 else part[..., 0]
        for part, r in zip(np.split(sums, ends, axis=2), right, strict=True)
    ]
