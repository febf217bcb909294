"""Finding cards: which are in a photo, and roughly where."""

from collections.abc import Container
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from targets.card import ID_COUNT

SEARCH_PX = 1700
"""Longest side of the image that is searched; a tag then needs about 12 px a side there."""


@dataclass(frozen=True)
class TagFound:
    """One tag as found: its id and its outer corners, (4, 2) px, good to a pixel or two."""

    id: int
    corners_px: Array


def find_tags(
    grey: NDArray[np.uint8],
    longest_px: int = SEARCH_PX,
    dictionary: cv2.aruco.Dictionary | None = None,
    ids: Container[int] = range(ID_COUNT),
) -> tuple[list[TagFound], list[int]]:
    """Tags in a grey photo (H, W) uint8.

    The search runs on a reduced image: ten times faster on a phone's photo, and the tags need
    only be found and named here. Corners come clockwise from the top left as printed.

    Parameters
    ----------
    dictionary : of the tags; None for the cards' own, 36h11.
    ids : tags that may be there; others are false finds.

    Returns
    -------
    tags : one per id, in rising order of id.
    repeated : ids found at more than one place. Only a person can tell which of them is right,
        so none of these is among ``tags``.
    """
    small, factor = reduced(grey, longest_px)
    corners, found_ids, _ = _detector(dictionary).detectMarkers(small)
    if found_ids is None:
        return [], []
    # Pixel centres are at integers in both images, hence the half-pixel terms.
    places = [
        (int(i), (c.reshape(4, 2).astype(float) + 0.5) * factor - 0.5)
        for i, c in zip(found_ids.ravel(), corners, strict=True)
    ]
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


def _detector(dictionary: cv2.aruco.Dictionary | None) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    # The default (0.03 of the image side) passes over tags that measure well.
    parameters.minMarkerPerimeterRate = 0.01
    parameters.adaptiveThreshWinSizeMin = 5
    parameters.adaptiveThreshWinSizeMax = 21
    parameters.adaptiveThreshWinSizeStep = 16
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    if dictionary is None:
        dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(dictionary, parameters)
