"""The card: a square tag that names it, and four dots that are measured.

Card frame: origin at the card centre, x right and y down as printed, z into the card (away from
the viewer), millimetres. Three size classes follow from the id, so that a mix-up is impossible.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from targets.errors import UserError
from targets.said import say

ID_COUNT = 587
"""Number of codes in the 36h11 dictionary."""

TAG_CELLS = 8
"""Cells along a tag's side, its black border of one cell included (36h11: 6 x 6 bits + border)."""

_SIZE_CLASSES = ((range(0, 300), 80.0), (range(300, 450), 40.0), (range(450, ID_COUNT), 160.0))

# Unit layout for a card 80 mm wide; the other classes are this one scaled.
_TAG_MM = 48.0
_DOT_DIAMETER_MM = 8.0
_DOT_OFFSET_MM = 33.0
# Clockwise from the top left as printed, the order in which OpenCV gives tag corners.
_CLOCKWISE = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])


@dataclass(frozen=True)
class Card:
    """One printed card; lengths in mm in the card frame.

    Attributes
    ----------
    id : code of the tag, 0 to 586.
    width_mm : side of the square card.
    tag_mm : side of the tag, black border included.
    dot_diameter_mm : diameter of each dot.
    """

    id: int
    width_mm: float
    tag_mm: float
    dot_diameter_mm: float

    @property
    def dots_mm(self) -> NDArray[np.float64]:
        """Dot centres, (4, 2): top left, top right, bottom right, bottom left as printed."""
        return _CLOCKWISE * (_DOT_OFFSET_MM * self.width_mm / 80.0)

    @property
    def corners_mm(self) -> NDArray[np.float64]:
        """Outer corners of the tag, (4, 2), in the same order."""
        return _CLOCKWISE * (self.tag_mm / 2.0)


@cache
def card_of(card_id: int) -> Card:
    """The card of an id.

    Raises
    ------
    UserError : there is no such card.

    >>> card_of(7).width_mm, card_of(300).width_mm, card_of(586).tag_mm
    (80.0, 40.0, 96.0)
    """
    for ids, width_mm in _SIZE_CLASSES:
        if card_id in ids:
            share = width_mm / 80.0
            return Card(card_id, width_mm, _TAG_MM * share, _DOT_DIAMETER_MM * share)
    raise UserError(
        say("there is no card {card}", card=card_id),
        "",
        say("card ids run from 0 to {last}", last=ID_COUNT - 1),
    )


@cache
def tag_pattern(card_id: int) -> NDArray[np.bool_]:
    """Cells of the tag as printed, (8, 8), True = white, border of one black cell included."""
    import cv2

    card_of(card_id)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    image = np.asarray(cv2.aruco.generateImageMarker(dictionary, card_id, TAG_CELLS, None, 1))
    return image > 127
