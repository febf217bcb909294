"""How well the photos check each other: the error that could go unseen, and what it would do.

Redundancy numbers are Baarda's: of an error in a dot, the share R = I - leverage (2 x 2, whitened)
shows in its own residual, the rest moves the unknowns. ``covariance.outlier_statistics`` compares
T = r^T R^-1 r / s^2 with its critical value. An error e (in standard deviations) makes T a
non-central chi-square variable of 2 degrees of freedom with non-centrality e^T R e, so the test
finds it with a probability that depends on this one number. Errors whose number is below the one
that is found four times out of five may go unseen. (In one dimension and with R = r this is
delta_0 / sqrt(r), delta_0 = 4.132: Baarda 1968, from memory; w and its bound as in "Calculation
Procedures for Data Snooping", volue-public.github.io.)

s^2 is itself estimated, so the power of the test is that of the non-central F distribution. The
median of N statistics is as sure as a mean square of 0.96 N degrees of freedom would be (variance
of the median of a chi-square of 2 degrees: 4 / N); dots that are checked by R only are worth half
the sum of the traces of R. The critical value stays the chi-square quantile: that of F would be
right if s^2 came from elsewhere, but here the dot tested is among those that s^2 comes from, which
holds T down (tau in place of t). In simulations with 37 to 659 redundancies 0.12 to 0.17 % of good
dots exceed it, where F would make one expect up to 0.5 %.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.stats import chi2, ncf, ncx2

from calib.frames import Array
from pipeline.adjustment.bundle import Network, Observations, Priors, jacobians
from pipeline.adjustment.covariance import Cofactors, Precision

if TYPE_CHECKING:
    # The network needs OpenCV, which the files and the page of a result do not.
    from pipeline.adjustment.network import NetworkFound

SIGNIFICANCE = 0.001
"""Share of good dots that the outlier test gives away, the one of ``outlier_statistics``."""
POWER = 0.8
"""Probability with which an error of the least detectable size is found (Baarda's choice)."""
_MEDIAN_WORTH = 0.48
"""Degrees of freedom of s^2 from the median, per redundancy: 0.96 a dot, two of them a dot."""
_LEAST_REDUNDANCY = 1e-6
_LEAST_TRACE = 0.02
"""Dots that are checked less than this the outlier test passes over, and nothing finds an error."""


@dataclass(frozen=True)
class DotReliability:
    """How well each observed dot is checked; N observations.

    Attributes
    ----------
    room : (N, 2, 2) redundancy blocks, of whitened coordinates; their traces add up to what the
        dots have of the redundancy.
    least : (N,) smaller eigenvalue: the redundancy number of the direction that is checked least.
    detectable_px : (N,) largest error, in any direction, that could go unseen; inf where nothing
        checks the dot.
    error_px : (N, 2) the unseen error that would shift the centre of its own card most.
    shift_mm : (N, 3) that shift, network frame, inner constraints over all dots.
    """

    room: Array
    least: Array
    detectable_px: Array
    error_px: Array
    shift_mm: Array


@dataclass(frozen=True)
class CardReliability:
    """How far an error in one photo could shift a card and go unseen.

    Attributes
    ----------
    card : id.
    redundancy : smallest redundancy number of its dots, 0 (nothing checks it) to 1.
    photo, dot : the dot (0 to 3) whose unseen error would shift the card most.
    error_px : size of that error; inf where nothing checks the dot.
    shift_mm : the card's shift by it; inf likewise.
    """

    card: int
    redundancy: float
    photo: str
    dot: int
    error_px: float
    shift_mm: float


def least_noncentrality(freedom: float = np.inf) -> float:
    """Non-centrality that the two-dimensional test finds with probability ``POWER``.

    Parameters
    ----------
    freedom : degrees of freedom of the s^2 that the statistic is divided by.

    >>> round(least_noncentrality(), 3), round(least_noncentrality(55.0), 3)
    (19.662, 19.979)
    """
    critical = chi2.isf(SIGNIFICANCE, 2)
    if freedom > 1e4:

        def missing(noncentrality: float) -> float:
            return float(ncx2.sf(critical, 2, noncentrality) - POWER)

    else:

        def missing(noncentrality: float) -> float:
            return float(ncf.sf(critical / 2.0, 2, freedom, noncentrality) - POWER)

    # Even with one degree of freedom it lies below a thousand.
    return float(brentq(missing, 1.0, 1000.0))


def dot_reliability(
    network: Network, observations: Observations, priors: Priors, found: Precision
) -> DotReliability:
    """Reliability of each dot at an optimum found by ``adjust``.

    Parameters
    ----------
    network : its points are four to a card.
    found : precision at this optimum.
    """
    room = np.eye(2) - found.leverage
    values, vectors = np.linalg.eigh(0.5 * (room + room.transpose(0, 2, 1)))
    least = np.clip(values[:, 0], 0.0, 1.0)
    checked = (least > _LEAST_REDUNDANCY) & (np.trace(room, axis1=1, axis2=2) > _LEAST_TRACE)
    freedom = max(_MEDIAN_WORTH * float(np.trace(room, axis1=1, axis2=2).sum()), 1.0)
    # In units of the scatter that the dots really have.
    reach = np.sqrt(least_noncentrality(freedom) * found.variance_factor)

    white = observations.whitening
    in_px = white.transpose(0, 2, 1) @ room @ white
    weakest = np.linalg.eigvalsh(in_px)[:, 0]
    # The errors that the test just overlooks lie on the ellipse e^T R e = reach^2.
    root = vectors / np.sqrt(np.where(checked[:, None], values, 1.0))[:, None]
    by_error = _shift_by_error(network, observations, priors, found.cofactors)
    left, sizes, right = np.linalg.svd(by_error @ root, full_matrices=False)
    whitened = reach * np.einsum("nij,nj->ni", root, right[:, 0])
    error_px = np.linalg.solve(white, whitened[..., None])[..., 0]
    shift_mm = reach * sizes[:, :1] * left[:, :, 0]
    never = ~checked
    error_px[never], shift_mm[never] = np.inf, np.inf
    detectable = np.full(len(room), np.inf)
    detectable[checked] = reach / np.sqrt(weakest[checked])
    return DotReliability(room, least, detectable, error_px, shift_mm)


def card_reliability(
    dots: DotReliability,
    observations: Observations,
    dot: NDArray[np.intp],
    photos: Sequence[str],
    cards: Sequence[int],
    scale: float = 1.0,
) -> tuple[CardReliability, ...]:
    """The dot that matters most of each card.

    Parameters
    ----------
    dot : (N,) number of the dot on its card.
    photos, cards : names and ids, as the observations index them.
    scale : true millimetres in one of the network.
    """
    shift = np.linalg.norm(dots.shift_mm, axis=1) * scale
    size = np.linalg.norm(dots.error_px, axis=1)
    card_of_dot = observations.point // 4
    rows = []
    for i, card in enumerate(cards):
        own = np.flatnonzero(card_of_dot == i)
        if not len(own):
            continue
        worst = own[np.argmax(shift[own])]
        rows.append(
            CardReliability(
                card=int(card),
                redundancy=float(dots.least[own].min()),
                photo=photos[observations.photo[worst]],
                dot=int(dot[worst]),
                error_px=float(size[worst]),
                shift_mm=float(shift[worst]),
            )
        )
    return tuple(rows)


def reliability_of(network: NetworkFound, scale: float) -> tuple[CardReliability, ...]:
    """Reliability of each card of an adjusted network; ``scale`` as in ``card_reliability``."""
    dots = dot_reliability(network.network, network.observations, network.priors, network.found)
    return card_reliability(
        dots, network.observations, network.dot, network.photos, network.cards, scale
    )


def _shift_by_error(
    network: Network, observations: Observations, priors: Priors, known: Cofactors
) -> Array:
    """(N, 3, 2) shift of the centre of a dot's own card by a whitened error of the dot.

    Q A^T with Q the cofactors between that centre and all unknowns, and A the dot's rows. The
    centre is taken with inner constraints over all points: shift, turn and scale of the whole
    network, which any one error causes too, are not the card's.
    """
    by_photo, by_constants, by_point, _ = jacobians(network, observations, priors)
    points, cards = len(network.points), len(network.points) // 4
    mean = np.kron(np.eye(cards), np.tile(np.eye(3) / 4.0, 4))
    basis, _ = np.linalg.qr(known.gauge)
    inner = mean - (mean @ basis) @ basis.T
    with_points = (inner @ known.points).reshape(cards, 3, points, 3)
    with_photos = (inner @ known.photo_points.reshape(-1, 3 * points).T).reshape(
        cards, 3, len(known.photos), -1
    )
    with_common = (inner @ known.common_points.T).reshape(cards, 3, -1)

    card, photo = observations.point // 4, observations.photo
    constants = 9 * network.group[photo][:, None] + np.arange(9)
    # An index on either side of a slice comes first: (N, 9, 3).
    by_error = by_photo @ with_photos[card, :, photo].transpose(0, 2, 1)
    by_error += by_constants @ with_common[card[:, None], :, constants]
    by_error += by_point @ with_points[card, :, observations.point].transpose(0, 2, 1)
    return np.asarray(by_error.transpose(0, 2, 1))
