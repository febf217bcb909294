"""Finding cards: which are in a photo, and roughly where."""

import functools
from collections.abc import Container
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from capture.tag_codes import Codes, codes_of, read_codes
from targets.card import ID_COUNT
from targets.mark import dictionary_of

SEARCH_PX = 1700
"""Longest side of the image that is searched; a tag then needs about 12 px a side there."""
_WINDOW_PX, _WIDE_PX = 5, 11
"""About a pixel, what it must be darker than. The wide window is laid over half the image: what
only it shows, faint and blurred tags, is seen there as well and in a quarter of the time."""


@dataclass(frozen=True)
class TagFound:
    """One tag as found: its id and its outer corners, (4, 2) px, good to a pixel or two."""

    id: int
    corners_px: Array


def find_tags(
    grey: NDArray[np.uint8],
    longest_px: int = SEARCH_PX,
    dictionary: str = "DICT_APRILTAG_36h11",
    ids: Container[int] = range(ID_COUNT),
) -> tuple[list[TagFound], list[int]]:
    """Tags in a grey photo (H, W) uint8.

    The search runs on a reduced image: ten times faster on a phone's photo, and the tags need
    only be found and named here. Corners come clockwise from the top left as printed.

    OpenCV's detector finds the quadrilaterals; which of them are tags, ``read_codes`` tells.

    Parameters
    ----------
    dictionary : OpenCV's name of the tags' dictionary; that of the cards if none is given.
    ids : tags that may be there; others are false finds.

    Returns
    -------
    tags : one per id, in rising order of id.
    repeated : ids found at more than one place. Only a person can tell which of them is right,
        so none of these is among ``tags``.
    """
    small, factor = reduced(grey, longest_px)
    codes = _codes(dictionary)
    half, twice = reduced(small, max(small.shape) // 2)
    named = read_codes(small, _quads(small, _WINDOW_PX), codes)
    named += read_codes(small, (_quads(half, _WIDE_PX) + 0.5) * twice - 0.5, codes)
    # Pixel centres are at integers in both images, hence the half-pixel terms.
    places = [(tag, (corners.astype(float) + 0.5) * factor - 0.5) for tag, corners in named]
    found: dict[int, Array] = {}
    repeated: set[int] = set()
    for tag, place in places:
        if tag not in ids:
            continue
        if tag in found and np.linalg.norm(found[tag].mean(0) - place.mean(0)) > _side(place) / 2:
            repeated.add(tag)
        found.setdefault(tag, place)
    tags = [TagFound(t, found[t]) for t in sorted(found) if t not in repeated]
    return tags, sorted(repeated)


def reduced(grey: NDArray[np.uint8], longest_px: int = SEARCH_PX) -> tuple[NDArray[np.uint8], int]:
    """The photo for searching, and by which whole factor it was reduced."""
    height_px, width_px = grey.shape
    factor = max(1, round(max(width_px, height_px) / longest_px))
    if factor == 1:
        return grey, 1
    size = (width_px // factor, height_px // factor)
    whole = grey[: size[1] * factor, : size[0] * factor]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8), factor


def _side(corners_px: Array) -> float:
    return float(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=0), axis=1).max())


def _quads(grey: NDArray[np.uint8], window_px: int) -> NDArray[np.float32]:
    """Quadrilaterals darker than what is around them, (N, 4, 2) px, clockwise, large ones first."""
    parameters = cv2.aruco.DetectorParameters()
    # The default (0.03 of the image side) passes over tags that measure well.
    parameters.minMarkerPerimeterRate = 0.01
    parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax = window_px
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    # Outlines near each other are all wanted: one may be the tag's, the other that of its paper.
    parameters.minMarkerDistanceRate = 0.001
    # Nothing is a tag of this dictionary, so that all outlines are handed out as rejected ones.
    nothing = cv2.aruco.Dictionary(np.zeros((1, 5, 4), np.uint8), 6, 0)
    _, _, outlines = cv2.aruco.ArucoDetector(nothing, parameters).detectMarkers(grey)
    quads = np.array(outlines, dtype=np.float32).reshape(-1, 4, 2)
    around = np.linalg.norm(quads - np.roll(quads, 1, axis=1), axis=2).sum(axis=1)
    return np.asarray(quads[np.argsort(-around, kind="stable")])


@functools.cache
def _codes(dictionary: str) -> Codes:
    return codes_of(dictionary_of(dictionary))
