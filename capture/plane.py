"""A card's plane in a photo: homographies of four points."""

import cv2
import numpy as np

from calib.frames import Array


def homography(plane_mm: Array, image_px: Array) -> Array:
    """(3, 3) exact homography that takes four points (4, 2) of a plane to the image."""
    return np.asarray(
        cv2.getPerspectiveTransform(plane_mm.astype(np.float32), image_px.astype(np.float32)),
        dtype=float,
    )


def projected(image_from_plane: Array, plane_mm: Array) -> Array:
    """Image points (N, 2) px of points (N, 2) of the plane; (0, 0) for one at infinity."""
    points = np.asarray(plane_mm, dtype=float).reshape(-1, 1, 2)
    image = cv2.perspectiveTransform(points, image_from_plane)
    return np.asarray(image, dtype=float).reshape(-1, 2)
