"""What the photos tell of the printed cards: the printer's scale, and cards that are not flat."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2, f

from calib.frames import Array
from pipeline.adjustment.layout import layout_terms
from pipeline.adjustment.points import card_size, card_twists
from pipeline.adjustment.solution import Solution
from targets.mark import is_mark

if TYPE_CHECKING:
    # The network needs OpenCV, which the files and the page of a result do not.
    from pipeline.adjustment.network import NetworkFound

_BENT_SHARE = 0.001
"""Share of sound cards that are called bent for their misfits together."""
_TWISTED_SHARE = 0.0002
"""And for their twist alone."""
_FLAT_MM = 0.05
"""No card of 80 mm is held to be flatter than this (our choice, half a sheet of paper)."""
_LEAST_CARDS = 8
"""So few tell how flat such cards are."""


@dataclass(frozen=True)
class PrintScale:
    """Printed size of the cards over their nominal size, as (2,): across (x) and up (y).

    Attributes
    ----------
    scale : 1 where the printer is true.
    U : expanded uncertainty (k = 2), mostly that of the bars.
    U_difference : expanded uncertainty of across minus up, which no bar enters.
    """

    scale: Array
    U: Array
    U_difference: float


@dataclass(frozen=True)
class CardShape:
    """How far a card departs from a flat print.

    Attributes
    ----------
    card : id.
    off_mm : how far the dot lies off that fits least, after the best fit.
    squares : weighted sum of squares of all misfits, or of the twist alone if that is odder.
    critical : what a sound card among these hardly ever exceeds.
    """

    card: int
    off_mm: float
    squares: float
    critical: float

    @property
    def bent(self) -> bool:
        """Whether it is bent, damaged or badly printed."""
        return self.squares > self.critical


def applied_scale(free: Solution, scaled: Solution) -> float:
    """True millimetres in one of the network: ratio of the rms distances from the centroid."""
    return float(_size(scaled.dots_mm) / _size(free.dots_mm))


def print_scale(network: NetworkFound, scaled: Solution) -> PrintScale:
    """The printer's scale, from a network and the solution that the bars have scaled.

    The network's unit is such that the mean of both print scales is 1, so the true print scale is
    p s / s0, with p the network's, s0 the size of the network and s that of the scaled solution.
    p / s0 does not depend on that convention, and so its variance comes from any generalised
    inverse. s is taken as independent of it: what they share is the shape of the network,
    which is far better known than either.
    """
    known = network.found.cofactors
    size, by_points = _relative_size(network.network.points)
    p = network.network.print_scale
    # d ln(p / s0) by both print scales, the last of the common unknowns, and by the points.
    by_scale = np.diag(1.0 / p)
    spread = by_scale @ known.common[-2:, -2:] @ by_scale
    cross = by_scale @ (known.common_points[-2:] @ by_points)
    paper = spread - cross[:, None] - cross[None, :] + by_points @ known.points @ by_points
    paper = paper * network.found.stated_factor
    true_size, by_dots = _relative_size(scaled.dots_mm.reshape(-1, 3))
    bars = float(by_dots @ scaled.covariance_mm2 @ by_dots)
    scale = p * true_size / size
    # Where both nearly cancel, as in a network of two photos, rounding can leave less than nothing.
    variance = np.maximum(np.diag(paper), 0.0) + bars
    across_minus_up = scale * [1.0, -1.0]
    of_difference = float(across_minus_up @ (paper + bars * np.ones((2, 2))) @ across_minus_up)
    return PrintScale(
        scale=scale,
        U=2.0 * scale * np.sqrt(variance),
        U_difference=2.0 * float(np.sqrt(max(of_difference, 0.0))),
    )


def card_shapes(network: NetworkFound, scale: float) -> tuple[CardShape, ...]:
    """How flat and square each card is; ``scale`` as given by ``applied_scale``.

    A card has 3 m - 6 misfits (six for four dots), whose weighted squares add up to a chi-square
    variable if it is as good as assumed (``pipeline.adjustment.layout``). Where all cards are worse
    than that, a card is judged by the others: what half of them exceed takes the place of the
    median. One dot out of the plane twists a card, which is one of its misfits only, and most cards
    keep flatter than assumed; so the twist is judged alone, too, see ``_twists``.
    """
    layout = network.priors.layout
    if layout is None:
        return ()
    count, m, _ = layout.nominal_mm.shape
    points = network.network.points.reshape(count, m, 3)
    terms = layout_terms(layout, points, network.network.print_scale)
    freedom = 3 * m - 6
    squares = terms.squares
    cards = [i for i, card in enumerate(network.cards) if not is_mark(card)]
    if not cards:
        return ()
    rough = max(1.0, float(np.median(squares[cards]) / chi2.ppf(0.5, freedom)))
    critical = float(chi2.isf(_BENT_SHARE, freedom)) * rough
    off = np.linalg.norm(terms.misfit_mm.reshape(count, m, 3), axis=2).max(axis=1) * scale
    twist, most = _twists(network, cards)
    shapes = []
    for i, own in zip(cards, twist, strict=True):
        odder = own / most > squares[i] / critical
        ratio = (float(own), most) if odder else (float(squares[i]), critical)
        shapes.append(CardShape(int(network.cards[i]), float(off[i]), *ratio))
    return tuple(shapes)


def _twists(network: NetworkFound, cards: Sequence[int]) -> tuple[Array, float]:
    """Squared twists of cards (K,) over their variance, and what a sound one hardly exceeds.

    The variance is that of the measurement plus that of such cards, the mean of all others: an F
    variable. Several bent cards hide each other here.
    """
    if len(cards) < _LEAST_CARDS:
        return np.zeros(len(cards)), 1.0
    count = len(network.cards)
    twist, rows = card_twists(network.network.points.reshape(count, 4, 3)[cards])
    size = np.array([card_size(network.cards[i]) for i in cards])
    own = network.found.points.reshape(count, 12, count, 12)[cards, :, cards, :]
    measured = network.found.variance_factor * np.einsum("ki,kij,kj->k", rows, own, rows) / size**2
    squares = (twist / size) ** 2
    beyond = squares - measured
    typical = (beyond.sum() - beyond) / (len(cards) - 1)
    variance = measured + np.maximum(typical, _FLAT_MM**2)
    return squares / variance, float(f.isf(_TWISTED_SHARE, 1, len(cards) - 1))


def _size(dots_mm: Array) -> float:
    points = dots_mm.reshape(-1, 3)
    return float(np.linalg.norm(points - points.mean(axis=0)))


def _relative_size(points: Array) -> tuple[float, Array]:
    """Size of points (N, 3) and the derivative (3 N,) of its logarithm."""
    off = points - points.mean(axis=0)
    squares = float((off**2).sum())
    return float(np.sqrt(squares)), (off / squares).ravel()
