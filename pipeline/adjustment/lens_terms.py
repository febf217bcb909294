"""Which terms of distortion beyond k1 the photos ask for, by an information criterion.

The network is adjusted with all constants free, so that a lens that bends much makes no good dot
look wrong. At that optimum, with estimates t of some terms, their cofactors Q and the variance
factor s^2, holding those terms at nought would raise the weighted sum of squares, priors included,
by t^T Q^-1 t (exactly so in a linear problem; W. H. Greene, Econometric Analysis, section 5.3,
from memory: the test of Wald, equal there to a score test from the other side). Of all choices of
terms that one is taken whose

    BIC = rise / s^2 + k ln n

is least, k being the constants freed and n the measured coordinates (G. Schwarz, Estimating the
dimension of a model, Annals of Statistics 6:461, 1978, from memory). No other adjustment is needed
to choose.

A term that was left out is not known to be nought, only to be smaller than the criterion sees: a
constant alone is left out while |t| < s sqrt(Q ln n). The network goes on with it held at nought,
give or take a third of that square (a rectangular distribution, GUM 4.3.7), so that U does not
feign a knowledge of the lens that nobody has.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calib.camera import CONSTANTS
from calib.frames import Array

EXTRA_TERMS: dict[str, list[int]] = {
    name: [CONSTANTS.index(c) for c in name.split(", ")] for name in ("k2", "p1, p2", "k3")
}
"""Terms that are taken in only if asked for, with the constants of each. Decentring is one term:
its direction is nothing to choose."""
EXTRA_CONSTANTS = np.isin(
    np.arange(len(CONSTANTS)), [i for own in EXTRA_TERMS.values() for i in own]
)
"""(9,) the constants of those terms."""


@dataclass(frozen=True)
class LensTerms:
    """Which extra terms of distortion one camera was given.

    Attributes
    ----------
    taken, left_out : names of terms, see ``EXTRA_TERMS``; left_out ones are held near nought. A
        term of neither was not in question: a lens profile knows it.
    gain : of each term in question, BIC without it minus BIC with it, the others as chosen:
        positive where the photos ask for it.
    information : (9,) with which the constants of left-out terms are held at nought; 0 of others.
    """

    taken: tuple[str, ...]
    left_out: tuple[str, ...]
    gain: Mapping[str, float]
    information: Array


NOTHING_ASKED = LensTerms((), (), {}, np.zeros(len(CONSTANTS)))
"""Of a camera whose constants were all known beforehand, or none of whose photos took part."""


def choose_terms(
    constants: Array,
    cofactors: Array,
    variance_factor: float,
    coordinates: int,
    in_question: NDArray[np.bool_],
) -> LensTerms:
    """The terms that the criterion takes in.

    Parameters
    ----------
    constants : (9,) as adjusted with all of them free; cofactors : (9, 9) of them.
    coordinates : how many this camera measured.
    in_question : (9,) constants of which nothing but the photos tells whether they are there.
    """
    names = [n for n, own in EXTRA_TERMS.items() if in_question[own].all()]
    if not coordinates or not variance_factor > 0.0:
        return NOTHING_ASKED
    price = float(np.log(coordinates))

    def criterion(left_out: tuple[str, ...]) -> float:
        held = [i for name in left_out for i in EXTRA_TERMS[name]]
        freed = sum(len(EXTRA_TERMS[n]) for n in names) - len(held)
        own = cofactors[np.ix_(held, held)]
        # Units differ by orders: equilibrate before solving.
        sd = np.sqrt(np.diag(own))
        z = constants[held] / sd
        return float(z @ np.linalg.solve(own / np.outer(sd, sd), z)) / variance_factor + (
            price * freed
        )

    figures = {
        left_out: criterion(left_out)
        for count in range(len(names) + 1)
        for left_out in combinations(names, count)
    }
    best = min(figures, key=lambda left_out: figures[left_out])

    def gain(name: str) -> float:
        without = tuple(n for n in names if n in best or n == name)
        with_it = tuple(n for n in without if n != name)
        return figures[without] - figures[with_it]

    information = np.zeros(len(CONSTANTS))
    for i in (i for name in best for i in EXTRA_TERMS[name]):
        information[i] = 3.0 / (price * cofactors[i, i])
    return LensTerms(
        tuple(n for n in names if n not in best),
        best,
        {name: gain(name) for name in names},
        information,
    )
