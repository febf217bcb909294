"""Bare ArUco tags as sightings: the adapter through which other people's photographs are measured.

A tag's four corners take the place of a card's four dots. Corners come from OpenCV's edge-fitting
refinement (CORNER_REFINE_APRILTAG), whose constant offset of half a pixel is taken out (references
section 3: +0.46 px measured, 0.05 px rms after subtracting 0.5).
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from capture.sightings import Sighting

CORNER_SD_PX = 0.1


def tag_sightings(paths: Sequence[Path], dictionary: int, last_id: int) -> list[Sighting]:
    """Sightings of all tags with ids up to ``last_id``, corners as measured points."""

    def see(path: Path) -> list[Sighting]:
        parameters = cv2.aruco.DetectorParameters()
        parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
        detector = cv2.aruco.ArucoDetector(
            cv2.aruco.getPredefinedDictionary(dictionary), parameters
        )
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        corners, ids, _ = detector.detectMarkers(grey)
        if ids is None:
            return []
        return [
            Sighting(
                card=int(i),
                photo=path.name,
                corners_px=c.reshape(4, 2).astype(float) - 0.5,
                dots_px=c.reshape(4, 2).astype(float) - 0.5,
                covariance_px2=np.tile(CORNER_SD_PX**2 * np.eye(2), (4, 1, 1)),
                measured=np.ones(4, dtype=bool),
            )
            for i, c in zip(ids.ravel(), corners, strict=True)
            if i <= last_id
        ]

    with ThreadPoolExecutor(2) as pool:
        return [s for seen in pool.map(see, paths) for s in seen]
