"""Normal equations with one family of unknowns eliminated (Schur complement).

In a bundle of rays a photo meets only points and what all photos share, a card only photos and
that: either family may be eliminated block by block (Triggs et al., Bundle adjustment: a modern
synthesis, 2000, from memory). What is left is dense. The coupling is kept dense, too: on today's
machines one large product costs less than many small ones that skip its zeros.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.frames import Array


@dataclass(frozen=True)
class Blocks:
    """A family of B unknown vectors of w entries that do not meet each other.

    Attributes
    ----------
    matrix : (B, w, w) of the normal equations; gradient : (B, w).
    coupling : (B, w, K) normal equations between them and the kept unknowns.
    """

    matrix: Array
    gradient: Array
    coupling: Array


@dataclass(frozen=True)
class Eliminated:
    """The kept unknowns' equations, K of them, and the way back to the others.

    Attributes
    ----------
    matrix : (K, K) Schur complement; gradient : (K,).
    inverse : (B, w, w) of the blocks; carried : (B, w, K) inverse times coupling.
    free_step : (B, w) step of the eliminated unknowns where the kept ones stay.
    """

    matrix: Array
    gradient: Array
    inverse: Array
    carried: Array
    free_step: Array

    def back(self, kept: Array) -> Array:
        """(B, w) step of the eliminated unknowns when the kept ones take the step (K,)."""
        return np.asarray(self.free_step - self.carried @ kept)

    def mixed(self, spread: Array) -> Array:
        """(B, w, K) cofactors between eliminated and kept unknowns, whose own are (K, K)."""
        flat = self.carried.reshape(-1, len(spread))
        return np.asarray(-(flat @ spread).reshape(self.carried.shape))

    def own(self, mixed: Array) -> Array:
        """(B, w, w) cofactors of each block, ``mixed`` as given by the method of that name."""
        return np.asarray(self.inverse - mixed @ self.carried.transpose(0, 2, 1))

    def joint(self, mixed: Array) -> Array:
        """(B w, B w) cofactors of all eliminated unknowns together."""
        count, width, kept = self.carried.shape
        whole = -mixed.reshape(-1, kept) @ self.carried.reshape(-1, kept).T
        each = np.arange(count)
        whole.reshape(count, width, count, width)[each, :, each, :] += self.inverse
        return np.asarray(whole)


def eliminate(matrix: Array, gradient: Array, blocks: Blocks) -> Eliminated:
    """Take the blocks out of the equations (K, K), (K,) of the kept unknowns."""
    kept = len(gradient)
    inverse = np.asarray(np.linalg.inv(blocks.matrix), dtype=float)
    carried = inverse @ blocks.coupling
    free_step = np.einsum("bij,bj->bi", inverse, blocks.gradient)
    coupling = blocks.coupling.reshape(-1, kept)
    return Eliminated(
        matrix - coupling.T @ carried.reshape(-1, kept),
        gradient - free_step.ravel() @ coupling,
        inverse,
        carried,
        free_step,
    )
