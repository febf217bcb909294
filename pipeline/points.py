"""From dots to card centres, card normals and hole centres, with covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Array, cross_matrix
from pipeline.job import CardOnPoint
from pipeline.solution import Solution
from targets.stem import hole_centre

_U_STEM_MM = 0.05
"""Standard uncertainty of a stem's length (turned or bought part, assumed)."""


@dataclass(frozen=True)
class Holes:
    """Hole centres of the cards that sit on reference points.

    Attributes
    ----------
    rows : their rows of cards.csv.
    positions_mm : (N, 3) in the network frame.
    covariance_mm2 : (3 N, 3 N), seating and stem included.
    """

    rows: tuple[CardOnPoint, ...]
    positions_mm: Array
    covariance_mm2: Array


def card_axes(dots_mm: Array) -> Array:
    """(C, 3, 3) rows x, y, z of cards from their dots (C, 4, 3); z into the card."""
    x, y = _sides(dots_mm)
    z = np.cross(x, y)
    z /= np.linalg.norm(z, axis=1, keepdims=True)
    x = x / np.linalg.norm(x, axis=1, keepdims=True)
    return np.stack([x, np.cross(z, x), z], axis=1)


def find_holes(solution: Solution, rows: Sequence[CardOnPoint], seating_u_mm: float) -> Holes:
    """Hole centres of the ``rows`` whose cards were measured.

    The covariance is J C J^T with J the derivative of the hole by the card's four dots, plus the
    seat (the same in every direction) and the stem (along its axis), each card for itself.
    """
    index = {card: i for i, card in enumerate(solution.cards)}
    found = tuple(r for r in rows if r.card in index)
    positions = np.zeros((len(found), 3))
    by_dots = np.zeros((len(found), 3, solution.dots_mm.size))
    own = np.zeros((len(found), 3, 3))
    axes = card_axes(solution.dots_mm)
    for n, row in enumerate(found):
        i = index[row.card]
        z = axes[i, 2]
        positions[n] = hole_centre(solution.dots_mm[i].mean(axis=0), z, row.stem_mm)
        by_dots[n, :, 12 * i : 12 * i + 12] = _by_dots(solution.dots_mm[i], row.stem_mm)
        own[n] = seating_u_mm**2 * np.eye(3) + _U_STEM_MM**2 * np.outer(z, z)
    flat = by_dots.reshape(3 * len(found), solution.dots_mm.size)
    covariance = flat @ solution.covariance_mm2 @ flat.T
    for n in range(len(found)):
        covariance[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] += own[n]
    return Holes(found, positions, covariance)


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
