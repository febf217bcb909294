"""How each sighting pulls at its card, and each photo at its camera, the rest of the network held.

All measured dots of placed cards in placed photos take part, also those that the outlier test
dropped. The residuals r of a sighting have the covariance C = s^2 (I + J Q J^T): their own, and
that of the prediction. A rigid motion d of the card alone would leave r - A d, so that
N = A^T C^-1 A and g = A^T C^-1 r say what the sighting wants; they add up over sightings. Likewise
for focal length and principal point of a photo, its pose eliminated. Counting the prediction's
covariance in full makes every test here err on the quiet side.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array, cross_matrix
from capture.sightings import Sighting
from pipeline.adjustment.bundle import Observations, jacobians
from pipeline.adjustment.network import NetworkFound, whitening

ARM_MM = 50.0
"""Small rotations of a card are given as the way of a point this far from its centre."""
GROSS_PX = 20.0
"""From here on linear terms do not tell the way; much less than a card's width in any photo."""


@dataclass(frozen=True)
class Pulls:
    """What S sightings in F photos want.

    Attributes
    ----------
    photo, card : (S,) indices into the network's photos and cards.
    sighting : (S,) index into the sightings given.
    dots : (S,) measured dots; squares : (S,) r^T C^-1 r; off_px : (S,) median distance.
    rest : (S,) r^T C^-1 r of the pair of dots that fits best, the others being ignored.
    card_normal, card_gradient : (S, 6, 6) and (S, 6) for a motion of the card: rotation about its
        centre times ``ARM_MM``, then shift, mm in the network frame.
    camera_normal, camera_gradient : (F, 3, 3) and (F, 3) for a change of the photo's camera:
        relative focal length, principal point x and y in px; cards farther off than ``GROSS_PX``
        have no say.
    """

    photo: NDArray[np.intp]
    card: NDArray[np.intp]
    sighting: NDArray[np.intp]
    dots: NDArray[np.intp]
    squares: Array
    off_px: Array
    rest: Array
    card_normal: Array
    card_gradient: Array
    camera_normal: Array
    camera_gradient: Array


def pulls_of(
    network: NetworkFound, sightings: Sequence[Sighting], height_px: Sequence[int]
) -> Pulls:
    """Pulls of all sightings whose photo and card have a place; ``height_px`` of each camera."""
    photo_at = {p: i for i, p in enumerate(network.photos)}
    card_at = {c: i for i, c in enumerate(network.cards)}
    placed = [
        (i, photo_at[s.photo], card_at[s.card])
        for i, s in enumerate(sightings)
        if s.photo in photo_at and s.card in card_at and s.measured.any()
    ]
    count = len(placed)
    observations, first = observed(network, sightings, placed, height_px)
    unknowns, known = network.network, network.found.cofactors
    by_photo, by_constants, by_point, residual = jacobians(unknowns, observations, network.priors)
    off = np.linalg.norm(
        np.linalg.solve(observations.whitening, residual[..., None])[..., 0], axis=1
    )
    centres = unknowns.points.reshape(-1, 4, 3).mean(axis=1)
    arms = unknowns.points[observations.point] - centres[observations.point // 4]
    by_card = np.concatenate([by_point @ -cross_matrix(arms) / ARM_MM, by_point], axis=2)
    fx_fy = unknowns.constants[unknowns.group[observations.photo], :2]
    by_focal = np.einsum("nij,nj->ni", by_constants[:, :, :2], fx_fy)
    by_camera = np.concatenate([by_focal[:, :, None], by_constants[:, :, 2:4]], axis=2)

    table = np.array(placed, dtype=np.intp).reshape(-1, 3)
    p = known.columns.count
    factor = network.found.stated_factor
    dots = np.diff(first)
    squares, off_px, rest = np.zeros(count), np.zeros(count), np.zeros(count)
    card_normal, card_gradient = np.zeros((count, 6, 6)), np.zeros((count, 6))
    own = np.zeros((len(network.photos), p + 3, p + 3))
    own_gradient = np.zeros((len(network.photos), p + 3))
    # Sightings of as many dots at once.
    for n in np.unique(dots):
        s = np.flatnonzero(dots == n)
        rows = first[s][:, None] + np.arange(n)
        photo = table[s, 1]
        at = (3 * observations.point[rows][..., None] + np.arange(3)).reshape(len(s), -1)
        constants = 9 * unknowns.group[photo][:, None] + np.arange(9)
        by_others = np.concatenate([by_photo, by_constants], axis=2)[rows]
        by_others = by_others.reshape(len(s), 2 * n, -1)
        by_dots = np.zeros((len(s), n, 2, n, 3))
        by_dots[:, np.arange(n), :, np.arange(n)] = by_point[rows].swapaxes(0, 1)
        by_dots = by_dots.reshape(len(s), 2 * n, 3 * n)
        of_dots = _turned(by_dots)
        half = by_others @ known.of_views_and_points(photo, constants, at) @ of_dots
        predicted = by_others @ known.of_views(photo, constants) @ _turned(by_others)
        predicted += half + _turned(half)
        predicted += by_dots @ known.points[at[:, :, None], at[:, None, :]] @ of_dots
        # Hardly determined dots have a covariance that no inverse survives: they want nothing.
        covariance = factor * (np.eye(2 * n) + predicted)
        weight = np.linalg.pinv(covariance, 1e-10, True)
        r = residual[rows].reshape(len(s), 2 * n, 1)
        rest[s] = _best_pair(r[..., 0], covariance)
        squares[s] = (_turned(r) @ weight @ r)[:, 0, 0]
        off_px[s] = np.median(off[rows], axis=1)
        a = by_card[rows].reshape(len(s), 2 * n, 6)
        card_normal[s] = _turned(a) @ weight @ a
        card_gradient[s] = (_turned(a) @ weight @ r)[..., 0]
        b = np.concatenate([by_photo, by_camera], axis=2)[rows].reshape(len(s), 2 * n, -1)
        near = off_px[s] < GROSS_PX
        weighted = (_turned(b) @ weight)[near]
        np.add.at(own, photo[near], weighted @ b[near])
        np.add.at(own_gradient, photo[near], (weighted @ r[near])[..., 0])
    normal, gradient = _without_pose(network, own, own_gradient)
    return Pulls(
        table[:, 1],
        table[:, 2],
        table[:, 0],
        dots,
        squares,
        off_px,
        rest,
        card_normal,
        card_gradient,
        normal,
        gradient,
    )


def observed(
    network: NetworkFound,
    sightings: Sequence[Sighting],
    placed: Sequence[tuple[int, int, int]],
    height_px: Sequence[int],
) -> tuple[Observations, NDArray[np.intp]]:
    """All measured dots of sightings given as (sighting, photo, card), and where each begins."""
    rows = [
        (photo, 4 * card + k, i, k)
        for i, photo, card in placed
        for k in range(4)
        if sightings[i].measured[k]
    ]
    table = np.array(rows, dtype=np.intp).reshape(-1, 4)
    px = np.array([sightings[i].dots_px[k] for _, _, i, k in rows]).reshape(-1, 2)
    covariance = np.array([sightings[i].covariance_px2[k] for _, _, i, k in rows])
    height = np.asarray(height_px, dtype=float)[network.network.group[table[:, 0]]]
    counts = [int(sightings[i].measured.sum()) for i, _, _ in placed]
    first = np.concatenate([[0], np.cumsum(counts)]).astype(np.intp)
    return (
        Observations(
            table[:, 0],
            table[:, 1],
            px,
            whitening(covariance.reshape(-1, 2, 2)),
            px[:, 1] / height - 0.5,
        ),
        first,
    )


def _best_pair(residual: Array, covariance: Array) -> Array:
    """Least r^T C^-1 r of any two dots of each sighting, (S,); of one where it has no more.

    ``residual`` (S, 2 n), ``covariance`` (S, 2 n, 2 n).
    """
    dots = residual.shape[1] // 2
    pairs = np.array(list(combinations(range(dots), min(2, dots))))
    own = (2 * pairs[:, :, None] + np.arange(2)).reshape(len(pairs), -1)
    inverse = np.linalg.pinv(covariance[:, own[:, :, None], own[:, None, :]], 1e-10, True)
    r = residual[:, own]
    return np.asarray(np.einsum("spi,spij,spj->sp", r, inverse, r).min(axis=1))


def _turned(matrices: Array) -> Array:
    """Transposes of matrices (S, a, b)."""
    return matrices.transpose(0, 2, 1)


def _without_pose(network: NetworkFound, normal: Array, gradient: Array) -> tuple[Array, Array]:
    """Normal equations of the three camera changes of each photo, its own unknowns eliminated."""
    columns = network.priors.columns
    p = columns.count
    held = np.full(p, 1e-9)
    held[columns.drift] = (
        network.priors.drift_sd[: columns.drift.stop - columns.drift.start] ** -2.0
    )
    held[columns.shift] = network.priors.shift_sd_px**-2.0 if columns.shifts else 0.0
    pose = normal[:, :p, :p] + np.diag(held)
    carried = np.linalg.solve(pose, normal[:, :p, p:]).transpose(0, 2, 1)
    return (
        normal[:, p:, p:] - carried @ normal[:, :p, p:],
        gradient[:, p:] - np.einsum("fij,fj->fi", carried, gradient[:, :p]),
    )
