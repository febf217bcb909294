"""From dots to card centres, card normals and hole centres, with covariance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Array, cross_matrix
from pipeline.adjustment.solution import Solution
from pipeline.inputs.job import STEM_U_MM, CardOnPoint
from targets.card import card_of
from targets.mark import is_mark
from targets.stem import hole_centre

_TWIST = np.array([0.5, -0.5, 0.5, -0.5])
"""What four dots can leave a plane by: one diagonal up, the other down."""


@dataclass(frozen=True)
class Holes:
    """Hole centres of the cards that sit on reference points.

    Attributes
    ----------
    rows : their rows of cards.csv.
    positions_mm : (N, 3) in the network frame.
    covariance_mm2 : (3 N, 3 N), seating, stem and flatness included.
    by_dots : (3 N, 12 C) derivative of the positions by the dots of all cards.
    roots_mm : what lies between card and hole, by source: (3 N, k) matrices r, each of which adds
        r r^T to the covariance.
    """

    rows: tuple[CardOnPoint, ...]
    positions_mm: Array
    covariance_mm2: Array
    by_dots: Array
    roots_mm: Mapping[str, Array]


def card_axes(dots_mm: Array) -> Array:
    """(C, 3, 3) rows x, y, z of cards from their dots (C, 4, 3); z into the card."""
    x, y = _sides(dots_mm)
    z = np.cross(x, y)
    z /= np.linalg.norm(z, axis=1, keepdims=True)
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    return np.stack([x, np.cross(z, x), z], axis=1)


def find_holes(
    solution: Solution,
    rows: Sequence[CardOnPoint],
    seating_u_mm: float,
    stem_u_mm: float = STEM_U_MM,
    flatness_mm: float = 0.0,
) -> Holes:
    """Hole centres of the ``rows`` whose cards were measured.

    The covariance is J C J^T with J the derivative of the hole by the card's four dots, plus, each
    card for itself: the seat (the same in every direction), the stem (along its axis), and the
    flatness of the card: dots that do not lie in the plane that is square to the stem turn the
    normal, and the hole at the end of the stem with it.

    Parameters
    ----------
    seating_u_mm : standard uncertainty of the seat, per axis; stem_u_mm of the stem's length.
    flatness_mm : standard deviation of the dots of an 80 mm card about that plane.
    """
    index = {card: i for i, card in enumerate(solution.cards)}
    found = tuple(r for r in rows if r.card in index)
    count = len(found)
    positions = np.zeros((count, 3))
    by_dots = np.zeros((count, 3, solution.dots_mm.size))
    # Block k of a root belongs to card k alone.
    across, along, stem = (np.zeros((count, 3, count, width)) for width in (3, 1, 1))
    flatness = np.zeros((count, 3, count, 4))
    axes = card_axes(solution.dots_mm)
    for n, row in enumerate(found):
        i = index[row.card]
        z = axes[i, 2]
        positions[n] = hole_centre(solution.dots_mm[i].mean(axis=0), z, row.stem_mm)
        own = _by_dots(solution.dots_mm[i], row.stem_mm)
        by_dots[n, :, 12 * i : 12 * i + 12] = own
        across[n, :, n] = seating_u_mm * (np.eye(3) - np.outer(z, z))
        along[n, :, n, 0] = seating_u_mm * z
        stem[n, :, n, 0] = stem_u_mm * z
        flatness[n, :, n] = flatness_mm * card_size(row.card) * (own.reshape(3, 4, 3) @ z)
    flat = by_dots.reshape(3 * count, solution.dots_mm.size)
    roots = {
        name: root.reshape(3 * count, count * root.shape[3])
        for name, root in (
            ("seat across", across),
            ("seat along", along),
            ("stem", stem),
            ("flatness", flatness),
        )
    }
    covariance = flat @ solution.covariance_mm2 @ flat.T
    covariance += sum(root @ root.T for root in roots.values())
    return Holes(found, positions, covariance, flat, roots)


def card_flatness_mm(solution: Solution) -> float:
    """Standard deviation of the dots of an 80 mm card about their plane, as these photos show it.

    Four dots leave a plane by their twist alone, whose variance is that of one dot when each strays
    for itself. Mean over all cards of square plus variance (expectation maximisation, as for the
    drift in ``pipeline.adjustment.network``), so that what the photos cannot tell stays as unsure
    as the adjustment took it to be.
    """
    # Marks sit on no hole and are none of these prints.
    cards = np.flatnonzero([not is_mark(card) for card in solution.cards])
    if not len(cards):
        return 0.0
    size = np.array([card_size(solution.cards[i]) for i in cards])
    twist, rows = card_twists(solution.dots_mm[cards])
    count = len(solution.cards)
    blocks = solution.covariance_mm2.reshape(count, 12, count, 12)
    own = blocks[cards, :, cards, :]
    variance = np.einsum("ci,cij,cj->c", rows, own, rows)
    return float(np.sqrt(((twist**2 + variance) / size**2).mean()))


def card_twists(dots_mm: Array) -> tuple[Array, Array]:
    """Twists (K,) of cards with dots (K, 4, 3), and their derivatives (K, 12) by the dots."""
    rows = _TWIST[:, None] * card_axes(dots_mm)[:, 2][:, None, :]
    return (rows * dots_mm).sum(axis=(1, 2)), rows.reshape(len(dots_mm), 12)


def card_size(card: int) -> float:
    """Size of a card, 1 for one of 80 mm."""
    return card_of(card).width_mm / 80.0


def _sides(dots_mm: Array) -> tuple[Array, Array]:
    """Directions x and y of cards, (..., 3), from the means of opposite sides."""
    left = dots_mm[..., 0, :] + dots_mm[..., 3, :]
    right = dots_mm[..., 1, :] + dots_mm[..., 2, :]
    upper = dots_mm[..., 0, :] + dots_mm[..., 1, :]
    lower = dots_mm[..., 2, :] + dots_mm[..., 3, :]
    return right - left, lower - upper


def _by_dots(dots_mm: Array, stem_mm: float) -> Array:
    """Derivative (3, 12) of centre + stem z by the four dots (4, 3).

    dz = (I - z z^T) / |n| dn,  n = x cross y,  dn = dx cross y + x cross dy.
    """
    x, y = _sides(dots_mm)
    normal = np.cross(x, y)
    length = np.linalg.norm(normal)
    z = normal / length
    turn = (np.eye(3) - np.outer(z, z)) / length
    by_x = turn @ -cross_matrix(y)
    by_y = turn @ cross_matrix(x)
    derivative = np.empty((3, 4, 3))
    for k, (sign_x, sign_y) in enumerate(((-1, -1), (1, -1), (1, 1), (-1, 1))):
        derivative[:, k] = np.eye(3) / 4.0 + stem_mm * (sign_x * by_x + sign_y * by_y)
    return derivative.reshape(3, 12)


def upward(holes: Holes, solution: Solution) -> Array:
    """(3,) roughly upwards in the network frame: most cards face down, and z goes into the card."""
    if not holes.rows:
        return np.array([0.0, 0.0, 1.0])
    index = {card: i for i, card in enumerate(solution.cards)}
    z = card_axes(solution.dots_mm)[[index[r.card] for r in holes.rows], 2]
    return np.asarray(np.median(z, axis=0))
