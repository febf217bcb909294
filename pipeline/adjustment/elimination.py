"""Normal equations with one family of unknowns eliminated (Schur complement).

In a bundle of rays a photo meets only points and what all photos share, a card only photos and
that: either family may be eliminated block by block (Triggs et al., Bundle adjustment: a modern
synthesis, 2000, from memory). What is left is dense. A block meets only some of the kept unknowns;
blocks that meet the same ones are one part. Where most meet most, as in a job of some forty photos
of one underbody, all are made one part (``in_parts``): one large product costs less there than many
small ones that skip its zeros. Along an object of which each photo shows a small part, the parts
are what keeps time in proportion to the photos.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array

_DENSE_SHARE = 0.06
"""Where the blocks need more than this share of the multiplications of one large product, that
product is the quicker one (measured on 40 photos of 35 cards and 90 of 60, both families: adding
up many small products takes longer than computing them)."""


@dataclass(frozen=True)
class Part:
    """Blocks that meet the same kept unknowns.

    Attributes
    ----------
    blocks : which; columns : (k,) numbers of the kept unknowns that they meet.
    coupling : (b, w, k) normal equations between them, or these carried on.
    """

    blocks: slice
    columns: NDArray[np.intp]
    coupling: Array


@dataclass(frozen=True)
class Blocks:
    """A family of B unknown vectors of w entries that do not meet each other.

    Attributes
    ----------
    matrix : (B, w, w) of the normal equations; gradient : (B, w).
    parts : between them and the kept unknowns, every block in one.
    """

    matrix: Array
    gradient: Array
    parts: Sequence[Part]


@dataclass(frozen=True)
class Eliminated:
    """The kept unknowns' equations, K of them, and the way back to the others.

    Attributes
    ----------
    matrix : (K, K) Schur complement; gradient : (K,).
    inverse : (B, w, w) of the blocks; carried : inverse times coupling, in parts.
    free_step : (B, w) step of the eliminated unknowns where the kept ones stay.
    """

    matrix: Array
    gradient: Array
    inverse: Array
    carried: Sequence[Part]
    free_step: Array

    def back(self, kept: Array) -> Array:
        """(B, w) step of the eliminated unknowns when the kept ones take the step (K,)."""
        step = self.free_step.copy()
        for part in self.carried:
            step[part.blocks] -= part.coupling @ kept[part.columns]
        return step

    def mixed(self, spread: Array) -> Array:
        """(B, w, K) cofactors between eliminated and kept unknowns, whose own are (K, K)."""
        mixed = np.empty((*self.free_step.shape, len(spread)))
        for part in self.carried:
            met = _rows(spread, part.columns)
            mixed[part.blocks] = -(_flat(part) @ met).reshape(*part.coupling.shape[:2], -1)
        return mixed

    def own(self, mixed: Array) -> Array:
        """(B, w, w) cofactors of each block, ``mixed`` as given by the method of that name."""
        own = self.inverse.copy()
        for part in self.carried:
            met = mixed[part.blocks][:, :, part.columns]
            own[part.blocks] -= met @ part.coupling.transpose(0, 2, 1)
        return own

    def joint(self, mixed: Array) -> Array:
        """(B w, B w) cofactors of all eliminated unknowns together."""
        count, width = self.free_step.shape
        between = mixed.reshape(count * width, -1)
        whole = np.empty((count * width, count * width))
        for part in self.carried:
            own = slice(part.blocks.start * width, part.blocks.stop * width)
            whole[:, own] = -_rows(between.T, part.columns).T @ _flat(part).T
        each = np.arange(count)
        whole.reshape(count, width, count, width)[each, :, each, :] += self.inverse
        return whole


def eliminate(matrix: Array, gradient: Array, blocks: Blocks) -> Eliminated:
    """Take the blocks out of the equations (K, K), (K,) of the kept unknowns."""
    root = np.asarray(np.linalg.inv(np.linalg.cholesky(blocks.matrix)), dtype=float)
    back = root.transpose(0, 2, 1)
    inverse = back @ root
    free_step = np.einsum("bij,bj->bi", inverse, blocks.gradient)
    left, pull = matrix.copy(), gradient.copy()
    carried = []
    for part in blocks.parts:
        half = Part(part.blocks, part.columns, root[part.blocks] @ part.coupling)
        carried.append(Part(part.blocks, part.columns, back[part.blocks] @ half.coupling))
        # A matrix by its own transpose takes half the multiplications.
        taken = _flat(half).T @ _flat(half)
        pull[part.columns] -= free_step[part.blocks].ravel() @ _flat(part)
        if len(part.columns) == len(pull):
            left -= taken
        else:
            left[part.columns[:, None], part.columns] -= taken
    return Eliminated(left, pull, inverse, carried, free_step)


def in_parts(met: NDArray[np.bool_]) -> list[tuple[slice, NDArray[np.intp]]]:
    """Blocks of each part and what they meet, from whether each block meets each other one (B, O).

    >>> met = np.array([[True, True], [False, True]])
    >>> [(p.start, p.stop, c.tolist()) for p, c in in_parts(np.pad(met, ((0, 0), (0, 7))))]
    [(0, 1, [0, 1]), (1, 2, [1])]
    >>> [(p.start, p.stop, c.tolist()) for p, c in in_parts(met)]
    [(0, 2, [0, 1])]
    """
    count, others = met.shape
    if (met.sum(axis=1) ** 2).sum() > _DENSE_SHARE * count * others**2:
        return [(slice(0, count), np.arange(others))]
    return [(slice(b, b + 1), np.flatnonzero(own)) for b, own in enumerate(met)]


def _flat(part: Part) -> Array:
    """(b w, k)"""
    return part.coupling.reshape(-1, len(part.columns))


def _rows(matrix: Array, rows: NDArray[np.intp]) -> Array:
    """Those rows; not copied where they are all."""
    return matrix if len(rows) == len(matrix) else matrix[rows]
