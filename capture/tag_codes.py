"""The codes in quadrilaterals that may be tags: which tag of a dictionary, which way up.

OpenCV finds the quadrilaterals, but compares each of them with one tag of the dictionary after the
other, which takes as long as all its search. Here all are compared in one product. The picture of a
code is taken as OpenCV takes it (``aruco_detector.cpp``, from memory), and as many cells may be
wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

_CELL_PX = 4
"""Side of a cell in the upright picture of a code."""
_LEAST_SD_GREY = 5.0
"""A picture that varies less is of one colour, and its noise is no code."""
_WRONG_IN_BORDER = 0.35
"""Of the black border so many cells may be white, as a share of the code's cells."""
_CORRECTED = 0.6
"""Of the errors that the dictionary could correct so many are allowed, lest chance looks like a
tag."""


@dataclass(frozen=True)
class Codes:
    """The codes of a dictionary.

    Attributes
    ----------
    signs : (4 M, s * s) cells of M tags, each in four directions: 1 white, -1 black.
    side : s; most_wrong : how many cells may differ.
    """

    signs: NDArray[np.float32]
    side: int
    most_wrong: int


def codes_of(dictionary: cv2.aruco.Dictionary) -> Codes:
    """The codes of an OpenCV dictionary, turned anticlockwise by none to three quarters."""
    side = dictionary.markerSize
    upright = np.array(
        [dictionary.getBitsFromByteList(row[None], side) for row in dictionary.bytesList]
    )
    turned = np.stack([np.rot90(upright, k, axes=(1, 2)) for k in range(4)], axis=1)
    signs = turned.reshape(-1, side * side).astype(np.float32) * 2.0 - 1.0
    return Codes(signs, side, int(dictionary.maxCorrectionBits * _CORRECTED))


def read_codes(
    grey: NDArray[np.uint8], quads_px: NDArray[np.float32], codes: Codes
) -> list[tuple[int, NDArray[np.float32]]]:
    """Tags among quadrilaterals (N, 4, 2), clockwise: number and corners from the top left on."""
    cells = np.array([_cells(grey, quad, codes.side + 2) for quad in quads_px])
    cells = cells.reshape(-1, codes.side + 2, codes.side + 2)
    inside = cells[:, 1:-1, 1:-1].reshape(-1, codes.side**2)
    in_border = cells.sum(axis=(1, 2)) - inside.sum(axis=1)
    agree = (inside.astype(np.float32) * 2.0 - 1.0) @ codes.signs.T
    best = agree.argmax(axis=1)
    wrong = 0.5 * (codes.side**2 - agree.max(axis=1))
    named = (wrong <= codes.most_wrong) & (in_border <= _WRONG_IN_BORDER * codes.side**2)
    return [
        (int(best[i]) // 4, np.roll(quads_px[i], int(best[i]) % 4, axis=0))
        for i in np.flatnonzero(named)
    ]


def _cells(grey: NDArray[np.uint8], quad_px: NDArray[np.float32], side: int) -> NDArray[np.bool_]:
    """(side, side) which cells are white; all of them where the picture is of one colour."""
    last = side * _CELL_PX - 1
    upright = np.array([[0, 0], [last, 0], [last, last], [0, last]], dtype=np.float32)
    picture = cv2.warpPerspective(
        grey,
        cv2.getPerspectiveTransform(quad_px, upright),
        (last + 1, last + 1),
        flags=cv2.INTER_NEAREST,
    )
    half = _CELL_PX // 2
    if picture[half:-half, half:-half].std() < _LEAST_SD_GREY:
        return np.ones((side, side), dtype=bool)
    _, picture = cv2.threshold(picture, 125, 1, cv2.THRESH_BINARY | cv2.THRESH_OTSU)
    white = picture.reshape(side, _CELL_PX, side, _CELL_PX).sum(axis=(1, 3))
    return np.asarray(white > _CELL_PX**2 // 2)
