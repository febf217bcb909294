"""The cards' known layout as a soft constraint.

A printed card is a flat square, to the accuracy of a printer and of paper on metal. Its dots
therefore lie at c + sx x_k a + sy y_k b + e_k with a, b orthonormal, the layout x_k, y_k known,
and e_k small. Position and direction of the card (six unknowns, nothing known of them) are
projected out; the print scales sx, sy are unknowns of the adjustment, common to all cards, so that
paper never enters the scale of the network.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calib.frames import Array, cross_matrix


@dataclass(frozen=True)
class Layout:
    """Layout of B cards of m points each.

    Attributes
    ----------
    nominal_mm : (B, m, 3) in the card frame, centred, z = 0.
    sd_mm : (B, 3) standard deviation of a point in x, y (print, paper) and z (flatness).
    """

    nominal_mm: Array
    sd_mm: Array


@dataclass(frozen=True)
class LayoutTerms:
    """The constraint linearised: cost e^T M e with e the points' misfit.

    Attributes
    ----------
    misfit_mm : (B, 3 m) points minus their layout, best fitted, network frame.
    information : (B, 3 m, 3 m) M, rigid motions projected out.
    by_scale : (B, 3 m, 2) derivative of the layout by the print scales.
    """

    misfit_mm: Array
    information: Array
    by_scale: Array

    @property
    def squares(self) -> Array:
        """(B,) weighted square of each card's misfit; 3 m - 6 degrees of freedom each."""
        return np.asarray(
            np.einsum("bi,bij,bj->b", self.misfit_mm, self.information, self.misfit_mm)
        )


def layout_terms(layout: Layout, points_mm: Array, print_scale: Array) -> LayoutTerms:
    """Linearise the constraint at points (B, m, 3) and print scales (2,)."""
    count, m, _ = layout.nominal_mm.shape
    scaled = layout.nominal_mm * [print_scale[0], print_scale[1], 1.0]
    network_from_card = best_rotations(scaled, points_mm)
    centre = points_mm.mean(axis=1, keepdims=True)
    fitted = scaled @ network_from_card.transpose(0, 2, 1)
    misfit = points_mm - centre - fitted

    # Information of one point in the network frame, then of all m with six rigid motions free.
    # They move the points themselves, because the axes of the information turn with the card.
    axes = network_from_card
    single = axes * (layout.sd_mm**-2)[:, None, :] @ axes.transpose(0, 2, 1)
    motions = np.concatenate(
        [np.broadcast_to(np.eye(3), (count, m, 3, 3)), -cross_matrix(points_mm - centre)], axis=3
    )
    weighted = single[:, None] @ motions
    flat_weighted = weighted.reshape(count, 3 * m, 6)
    gram = motions.reshape(count, 3 * m, 6).transpose(0, 2, 1) @ flat_weighted
    information = -flat_weighted @ np.linalg.solve(gram, flat_weighted.transpose(0, 2, 1))
    for k in range(m):
        information[:, 3 * k : 3 * k + 3, 3 * k : 3 * k + 3] += single
    by_scale = np.empty((count, m, 3, 2))
    for axis in range(2):
        by_scale[..., axis] = layout.nominal_mm[..., axis, None] * axes[:, None, :, axis]
    return LayoutTerms(misfit.reshape(count, 3 * m), information, by_scale.reshape(count, 3 * m, 2))


def best_rotations(source: Array, target: Array) -> Array:
    """(B, 3, 3) rotations that take centred points (B, m, 3) nearest to others.

    Umeyama, IEEE PAMI 13:376, 1991, without scale.
    """
    centred = target - target.mean(axis=1, keepdims=True)
    u, _, vt = np.linalg.svd(centred.transpose(0, 2, 1) @ source)
    proper = np.broadcast_to(np.eye(3), u.shape).copy()
    proper[:, 2, 2] = np.linalg.det(u @ vt)
    return np.asarray(u @ proper @ vt)
