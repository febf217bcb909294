"""Cards that lie at two places: moved between photos, or two cards with one number.

A card's sightings, in the order of the photos, want one place or, if it was moved, two: one before
and one after (``pipeline.adjustment.pulls``, ``pipeline.faults.change_point``; where the places are
far apart, ``pipeline.adjustment.consensus``). The smaller set of photos is then left out for this
card, so that it cannot spoil the others. Sets that take turns are no motion: two cards have the
same number.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from calib.frames import Array, Pose, cross_matrix
from pipeline.adjustment.consensus import places_of
from pipeline.adjustment.network import NetworkFound
from pipeline.adjustment.pulls import ARM_MM, GROSS_PX, Pulls
from pipeline.adjustment.start import View, ViewsOf
from pipeline.faults.change_point import Change, best_run, change_of

LEAST_MM = 0.2
"""Smaller motions are left to the uncertainty (our choice: the size of a seat's)."""
LEAST_GAIN = 60.0
"""In weighted squares; chance alone makes it 38 once in a million (chi-square, 6 degrees)."""
_ODD = 1e-5
_SPOILT = 1e-4


@dataclass(frozen=True)
class TwoPlaces:
    """A card at two places, or one that the network has at a wrong one.

    Attributes
    ----------
    card : its id.
    odd : photos of the smaller set, which is left out; empty where all agree on ``place``.
    most : photos of the larger set.
    in_turn : whether the sets take turns, so that there are two cards.
    shift_mm, U_mm : way of the dot that moved most, in millimetres of the network, and its
        expanded uncertainty (k = 2); nan where it cannot be told.
    gain : what the second place explains, in weighted squares.
    place : network_from_card in the larger set where the network has it elsewhere, else None.
    between : (last photo before, first photo after) of each change.
    """

    card: int
    odd: tuple[str, ...]
    most: tuple[str, ...]
    in_turn: bool
    shift_mm: float
    U_mm: float
    gain: float
    place: Pose | None
    between: tuple[tuple[str, str], ...]


def cards_at_two_places(
    network: NetworkFound, pulls: Pulls, views: ViewsOf, order: Mapping[str, int]
) -> list[TwoPlaces]:
    """Cards whose photos disagree about where they are.

    Parameters
    ----------
    views : of a card, with the cameras as adjusted.
    order : number of each photo in the order of shooting.
    """
    posed = {
        p: Pose(network.network.rotation[i], network.network.translation[i])
        for i, p in enumerate(network.photos)
    }
    found = []
    rank = np.array([order[p] for p in network.photos])
    for index, card in enumerate(network.cards):
        own = np.flatnonzero(pulls.card == index)
        own = own[np.argsort(rank[pulls.photo[own]], kind="stable")]
        if (pulls.off_px[own] > GROSS_PX).any():
            seen = [v for v in views(card) if v.photo in posed]
            far = _far_apart(card, sorted(seen, key=lambda v: order[v.photo]), posed)
            found += [far] if far else []
        else:
            near = _near(card, index, own, pulls, network)
            found += [near] if near else []
    return found


def _near(
    card: int, index: int, own: NDArray[np.intp], pulls: Pulls, network: NetworkFound
) -> TwoPlaces | None:
    """Places so near to each other that linear terms tell them."""
    odd = pulls.squares[own] > chi2.isf(_ODD, 2 * pulls.dots[own])
    # Two dots in their place: the card has not moved, its other dots are covered or glare.
    spoilt = odd & (pulls.rest[own] <= chi2.isf(_SPOILT, 4))
    own, odd = own[~spoilt], odd[~spoilt]
    normals, gradients = pulls.card_normal[own], pulls.card_gradient[own]
    change = best_run(normals, gradients) if odd.any() else None
    if change is None:
        return None
    if not odd.all():
        turns = change_of(normals, gradients, odd)
        change = turns if turns.gain > 1.3 * change.gain + LEAST_GAIN else change
    points = network.network.points.reshape(-1, 4, 3)[index]
    way, U = _way(change, points - points.mean(axis=0))
    if change.gain < LEAST_GAIN or way < max(LEAST_MM, U):
        return None
    names = [network.photos[i] for i in pulls.photo[own]]
    return _told(card, names, change.inside, way, U, change.gain, None)


def _far_apart(card: int, views: Sequence[View], posed: Mapping[str, Pose]) -> TwoPlaces | None:
    """Places that are pixels apart."""
    photos = [posed[v.photo] for v in views]
    places = places_of(views, photos)
    if not places:
        return None
    most = places[0]
    way = float("nan")
    if len(places) > 1:
        corners = views[0].layout_mm
        apart = most.pose.apply(corners) - places[1].pose.apply(corners)
        way = float(np.linalg.norm(apart, axis=1).max())
    gain = float((~most.agree).sum()) * 1e4
    return _told(card, [v.photo for v in views], ~most.agree, way, float("nan"), gain, most.pose)


def _told(
    card: int,
    names: Sequence[str],
    odd: NDArray[np.bool_],
    way_mm: float,
    U_mm: float,
    gain: float,
    place: Pose | None,
) -> TwoPlaces:
    smaller = odd if 2 * odd.sum() <= len(odd) or place is not None else ~odd
    borders = np.flatnonzero(np.diff(smaller.astype(int)))
    return TwoPlaces(
        card=card,
        odd=tuple(n for n, s in zip(names, smaller, strict=True) if s),
        most=tuple(n for n, s in zip(names, smaller, strict=True) if not s),
        in_turn=len(borders) > 2,
        shift_mm=way_mm,
        U_mm=U_mm,
        gain=gain,
        place=place,
        between=tuple((names[int(b)], names[int(b) + 1]) for b in borders),
    )


def _way(change: Change, arms_mm: Array) -> tuple[float, float]:
    """How far the dot went that went farthest, and its expanded uncertainty."""
    best = (0.0, float("inf"))
    for arm in arms_mm:
        by_motion = np.hstack([-cross_matrix(arm[None])[0] / ARM_MM, np.eye(3)])
        shift = by_motion @ change.difference
        size = float(np.linalg.norm(shift))
        if size > best[0]:
            along = by_motion.T @ shift / size
            best = size, 2.0 * float(np.sqrt(max(float(along @ change.covariance @ along), 0.0)))
    return best
