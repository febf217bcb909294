"""A card's whole face where it is expected: how like it the photo is, and by how far it is off.

A card too small, too steep, too dim or too blurred for a search still looks like itself: tag and
dots together are hundreds of pixels whose pattern is known once its place is known. Correlated with
the photo about that place, they tell beyond doubt whether this card, and no other, is there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from capture.plane import homography, projected
from targets.card import TAG_CELLS, Card, card_of, tag_pattern

_PER_CARD = 160
"""Pixels across the drawn face: twelve to a tag's cell at least."""
_FINE = 2
"""Drawn so many times finer than the photo, then averaged."""
_LARGEST_PX = 400.0
"""A card larger than this in the photo needs no help."""
_LEAST_LIKENESS, _LEAST_NAMED = 0.55, 0.05
"""Of places with no card, or with another one, none or one in hundreds reaches the first, or the
second: ``tests/test_face.py``."""


@dataclass(frozen=True)
class FaceMatch:
    """The best place near the expected one.

    Attributes
    ----------
    shift_px : (2,) from the expected place, to a tenth of a pixel or so.
    likeness : correlation of the photo with the face there, 1 at most; nan: not tried.
    named : by how much that is more than with the same face without its code; nan where the best
        place lies at the border of the search, so that it may be a better one's flank.
    """

    shift_px: Array
    likeness: float
    named: float

    @property
    def sure(self) -> bool:
        """Whether this card is there."""
        return self.likeness >= _LEAST_LIKENESS and self.named >= _LEAST_NAMED


def match_face(
    grey: NDArray[np.uint8], card_id: int, corners_px: Array, blur_px: float, search_px: int
) -> FaceMatch:
    """Look for a card within ``search_px`` of where its tag's corners (4, 2) are expected.

    The likeness is the coefficient of correlation over the card's area, so brightness and contrast
    do not matter.
    """
    card = card_of(card_id)
    nothing = FaceMatch(np.zeros(2), float("nan"), float("nan"))
    image_from_card = homography(card.corners_mm, corners_px)
    half = card.width_mm / 2
    outline = projected(image_from_card, half * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1.0]]))
    low = np.floor(outline.min(axis=0)).astype(int) - 1
    high = np.ceil(outline.max(axis=0)).astype(int) + 2
    first, last = low - search_px, high + search_px
    height_px, width_px = grey.shape
    outside = (first < 0).any() or last[0] > width_px or last[1] > height_px
    if outside or (high - low).max() > _LARGEST_PX:
        return nothing
    face, plain, area = _expected(card, image_from_card, low, high, blur_px)
    part = grey[first[1] : last[1], first[0] : last[0]].astype(np.float32)
    found = cv2.matchTemplate(part, face, cv2.TM_CCOEFF_NORMED, mask=area)
    found = np.where(np.isfinite(found) & (np.abs(found) <= 1.001), found, -1.0)
    row, column = np.unravel_index(int(found.argmax()), found.shape)
    if min(row, column) == 0 or max(row, column) == 2 * search_px:
        return FaceMatch(np.zeros(2), float(found[row, column]), float("nan"))
    shift = np.array([column, row], dtype=float) - search_px
    for axis, line in enumerate(
        (found[row, column - 1 : column + 2], found[row - 1 : row + 2, column])
    ):
        before, at, after = line
        shift[axis] += 0.5 * (before - after) / min(before - 2.0 * at + after, -1e-6)
    here = part[row : row + len(face), column : column + face.shape[1]][area > 0]
    named = float(found[row, column] - np.corrcoef(here, plain[area > 0])[0, 1])
    return FaceMatch(shift, float(found[row, column]), named)


def _expected(
    card: Card, image_from_card: Array, low: NDArray, high: NDArray, blur_px: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """The face as the photo should show it between two pixels, the same without the code, and
    where it is card (0 or 1)."""
    per_mm = _PER_CARD / card.width_mm
    # Pixel centres at integers in all three: face, fine picture, photo.
    to_mm = np.array([[1 / per_mm, 0, 0.5 / per_mm], [0, 1 / per_mm, 0.5 / per_mm], [0, 0, 1]])
    to_mm[:2, 2] -= card.width_mm / 2
    to_part = np.array([[1.0, 0, -low[0]], [0, 1.0, -low[1]], [0, 0, 1]])
    fine = np.array([[_FINE, 0, (_FINE - 1) / 2], [0, _FINE, (_FINE - 1) / 2], [0, 0, 1.0]])
    size = high - low
    h = fine @ to_part @ image_from_card @ to_mm
    whole = (int(size[0]) * _FINE, int(size[1]) * _FINE)
    drawn = cv2.warpPerspective(_faces(card.id), h, whole, borderMode=cv2.BORDER_REPLICATE)
    area = cv2.warpPerspective(np.ones((_PER_CARD, _PER_CARD), np.float32), h, whole)
    small = (int(size[0]), int(size[1]))
    area = cv2.resize(area, small, interpolation=cv2.INTER_AREA)
    drawn = cv2.GaussianBlur(
        cv2.resize(drawn, small, interpolation=cv2.INTER_AREA), (0, 0), blur_px
    )
    face, plain = np.ascontiguousarray(drawn.transpose(2, 0, 1), np.float32)
    return face, plain, np.asarray(area > 0.99, np.float32)


@cache
def _faces(card_id: int) -> NDArray[np.float32]:
    """The printed face, paper 1 and ink 0, with its code and with grey in its place, (P, P, 2)."""
    card = card_of(card_id)
    axis = ((np.arange(_PER_CARD) + 0.5) / _PER_CARD - 0.5) * card.width_mm
    x, y = np.meshgrid(axis, axis)
    cell = np.stack([x, y], axis=-1) / (card.tag_mm / TAG_CELLS) + TAG_CELLS / 2
    column, row = np.clip(cell.astype(int), 0, TAG_CELLS - 1).transpose(2, 0, 1)
    in_tag = np.maximum(np.abs(x), np.abs(y)) < card.tag_mm / 2
    code = tag_pattern(card_id).astype(np.float32)
    plain = code.copy()
    plain[1:-1, 1:-1] = 0.5
    face = np.stack([np.where(in_tag, cells[row, column], 1.0) for cells in (code, plain)], axis=-1)
    for dot in card.dots_mm:
        face[np.hypot(x - dot[0], y - dot[1]) < card.dot_diameter_mm / 2] = 0.0
    return face.astype(np.float32)
