"""What is known of a dot's picture before it is looked at."""

from __future__ import annotations

import numpy as np

from calib.frames import Array

BLUR_PX, BLUR_SD_PX = 0.8, 0.4
CONTRAST, CONTRAST_SD = 0.8, 0.15
SHAPE_SD = 0.05
LIGHT_SLOPE_SD = 0.01
"""Share of the paper's grey by which light changes from pixel to pixel."""
CARD_REACH = 1.75
"""Card about a dot's centre, in radii: its edge is 7 mm from a dot of 4 mm radius."""
LEAST_NOISE = 0.6
"""Grey levels: rounding (0.29) and what JPEG removes are never seen whole in the residuals."""
_ENTRIES = np.array([[[1.0, 0.0], [0.0, 0.0]], [[0.0, 1.0], [1.0, 0.0]], [[0.0, 0.0], [0.0, 1.0]]])
"""What each of the shape's three unknowns adds to it."""


def held_by_axis(entries: Array) -> Array:
    """Weights (n, 3, 3) of the ``entries`` (n, 3) 11, 12 and 22 of symmetric matrices M.

    M takes an ellipse to the unit circle or back. Each axis of it is known as a share of itself,
    however flat it is: the share is E = M0^-1/2 (M - M0) M0^-1/2, its entries with one standard
    deviation.
    """
    size, axes = np.linalg.eigh(entries[:, [0, 1, 1, 2]].reshape(-1, 2, 2))
    root = np.einsum("nij,nj,nkj->nik", axes, size**-0.5, axes)[:, None]
    by_entry = np.matmul(root, np.matmul(_ENTRIES, root)).reshape(-1, 3, 4)
    return np.asarray(np.matmul(by_entry, by_entry.transpose(0, 2, 1)) / SHAPE_SD**2)
