"""From the card centre to the hole: along the stem."""

import numpy as np
from numpy.typing import NDArray


def hole_centre(
    card_centre_mm: NDArray[np.float64], card_z: NDArray[np.float64], stem_mm: float
) -> NDArray[np.float64]:
    """Centre of the reference hole, (3,) mm, in the frame of the arguments.

    The card sits square on its stem, so the hole lies ``stem_mm`` behind the card's face, along
    the card's z axis (unit vector, into the card). For a card facing down z points up.

    >>> hole_centre(np.array([10.0, 0.0, 5.0]), np.array([0.0, 0.0, 1.0]), 50.0)
    array([10.,  0., 55.])
    """
    return card_centre_mm + stem_mm * card_z
