"""What the second look was worth: sightings, cards, and how sure the weakest point has become."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from calib.frames import Array
from pipeline.adjustment.covariance import inner_constraints, similarities

if TYPE_CHECKING:  # else the page would load OpenCV
    from pipeline.adjustment.network import NetworkFound

COVERAGE_FACTOR = 2.0
_LEAST_CARDS = 3
"""Fewer have no shape whose precision could be told."""


@dataclass(frozen=True)
class LookedAgain:
    """What a second look changed.

    Both networks are of one stage: all photos held still, millimetres of the printed cards, no
    bars, no datum. U is twice the largest semi-axis of the error ellipsoid of a card's centre,
    inner constraints over the cards that both networks have.

    Attributes
    ----------
    added : sightings that are new or more complete.
    new_cards : cards that only the second look gave a place.
    weakest : the asked card of both networks whose U was the largest, None where there is none;
        U_before_mm and U_after_mm its own.
    weakest_after : the one whose U is the largest now; U_weakest_after_mm its own.
    """

    added: int
    new_cards: tuple[int, ...]
    weakest: int | None
    U_before_mm: float
    U_after_mm: float
    weakest_after: int | None
    U_weakest_after_mm: float


def looked_again(
    before: NetworkFound, after: NetworkFound, added: int, asked: Collection[int]
) -> LookedAgain:
    """Two networks of one stage compared, nothing being adjusted anew.

    Parameters
    ----------
    asked : cards on points, of which the weakest is sought; all of them where none is given.
    """
    common = [card for card in before.cards if card in set(after.cards)]
    new = tuple(card for card in after.cards if card not in set(before.cards))
    of_points = [i for i, card in enumerate(common) if not asked or card in asked]
    if len(common) < _LEAST_CARDS or not of_points:
        return LookedAgain(added, new, None, np.nan, np.nan, None, np.nan)
    U_before, U_after = (largest_U_mm(network, common) for network in (before, after))
    first = max(of_points, key=lambda i: float(U_before[i]))
    last = max(of_points, key=lambda i: float(U_after[i]))
    return LookedAgain(
        added,
        new,
        common[first],
        float(U_before[first]),
        float(U_after[first]),
        common[last],
        float(U_after[last]),
    )


def largest_U_mm(network: NetworkFound, cards: Sequence[int]) -> Array:
    """(C,) expanded uncertainty of these cards' centres in the direction where it is largest.

    Inner constraints over the centres of these cards, so that networks of other cards beside them
    can be compared.
    """
    at = {card: i for i, card in enumerate(network.cards)}
    chosen = [at[card] for card in cards]
    count = len(network.cards)
    dots = network.found.points.reshape(count, 4, 3, count, 4, 3)[chosen][:, :, :, chosen]
    centres = network.network.points.reshape(count, 4, 3).mean(axis=1)[chosen]
    size = 3 * len(chosen)
    spread = inner_constraints(dots.mean(axis=(1, 4)).reshape(size, size), similarities(centres))
    each = np.arange(len(chosen))
    own = spread.reshape(len(chosen), 3, len(chosen), 3)[each, :, each]
    largest = np.linalg.eigvalsh(own)[:, -1] * network.found.stated_factor
    return np.asarray(COVERAGE_FACTOR * np.sqrt(np.maximum(largest, 0.0)))
