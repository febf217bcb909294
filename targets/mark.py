"""Bare tags as ties: marks that others printed, of any of OpenCV's dictionaries but the cards' own.

A mark has no dots: its four corners are measured instead. In sightings, networks and results it
goes by a card id of its own, 1000 and its tag's id, which no card has.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import cv2

FIRST_MARK = 1000
"""Card id of the mark with tag 0."""

CARD_DICTIONARY = "DICT_APRILTAG_36h11"
"""The cards' own: a bare tag of it could not be told from a card."""

# Clockwise from the top left as printed, the order in which OpenCV gives tag corners.
_CLOCKWISE = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])


@dataclass(frozen=True)
class Marks:
    """The marks that a job may find.

    Attributes
    ----------
    dictionary : name as in OpenCV's aruco module, such as "DICT_4X4_50".
    sides_mm : side of the black square by tag id; None where nobody knows it. Other tags are not
        looked for.
    """

    dictionary: str
    sides_mm: Mapping[int, float | None]

    @property
    def cells(self) -> int:
        """Cells along a tag's side, its border of one black cell on each side included.

        >>> Marks("DICT_4X4_50", {}).cells
        6
        """
        return int(dictionary_of(self.dictionary).markerSize) + 2

    def side_mm(self, card: int) -> float | None:
        """Side of the mark with that card id.

        >>> Marks("DICT_4X4_50", {7: 50.0}).side_mm(1007)
        50.0
        """
        return self.sides_mm[card - FIRST_MARK]


def is_mark(card: int) -> bool:
    """Whether a card id stands for a mark.

    >>> is_mark(586), is_mark(1000)
    (False, True)
    """
    return card >= FIRST_MARK


def mark_corners_mm(side_mm: float) -> NDArray[np.float64]:
    """Corners of a mark about its centre, (4, 2): x right, y down as printed."""
    return _CLOCKWISE * side_mm


def dictionary_names() -> list[str]:
    """Names of the dictionaries that come with OpenCV."""
    import cv2

    return sorted(name for name in dir(cv2.aruco) if name.startswith("DICT_"))


@cache
def dictionary_of(name: str) -> "cv2.aruco.Dictionary":
    """The dictionary of that name."""
    import cv2

    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def tag_count(name: str) -> int:
    """Number of tags of a dictionary; their ids begin at 0.

    >>> tag_count("DICT_4X4_1000")
    1000
    """
    return len(dictionary_of(name).bytesList)
