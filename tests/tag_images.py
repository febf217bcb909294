"""Simulated bare tags with exact truth: area-sampled squares of cells under a homography."""

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from calib.frames import Array

OVERSAMPLING = 5
MARGIN_CELLS = 1.5
SQUARE = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])


def tag_pattern(dictionary: int, tag: int) -> Array:
    """Cells of a tag, (n, n), 1 = white, its black border included."""
    book = cv2.aruco.getPredefinedDictionary(dictionary)
    cells = book.markerSize + 2
    return np.asarray(cv2.aruco.generateImageMarker(book, tag, cells, None, 1)) / 255.0


def corners_of(side_px: float, tilt_rad: float, turn_rad: float, centre_px: Array) -> Array:
    """Corners (4, 2) of a tag seen from four sides away: turned, tilted, the photo rolled."""
    x, y = rotation(turn_rad) @ (SQUARE - 0.5).T
    depth = 4.0 + y * np.sin(tilt_rad)
    seen = np.stack([x, y * np.cos(tilt_rad)]) * 4.0 / depth
    return np.asarray((rotation(0.7 * turn_rad) @ seen).T * side_px + centre_px)


def rotation(angle_rad: float) -> Array:
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return np.array([[c, -s], [s, c]])


def tag_image(
    pattern: Array,
    corners_px: Array,
    size_px: int,
    blur_px: float = 0.8,
    ink: float = 40.0,
    paper: float = 215.0,
    ground: float = 110.0,
    bow: float = 0.0,
) -> Array:
    """Noiseless grey image (size, size); pixel centres at integers.

    White paper reaches one and a half cells beyond the tag. ``bow`` bends all lines, see ``bent``.
    """
    cells = len(pattern)
    grid = (np.arange(size_px * OVERSAMPLING) + 0.5) / OVERSAMPLING - 0.5
    x, y = np.meshgrid(grid, grid)
    y = y - bow * (x - size_px / 2) ** 2
    rows = []
    for (u, v), (a, b) in zip(SQUARE, corners_px, strict=True):
        rows.append([a, b, 1, 0, 0, 0, -u * a, -u * b, -u])
        rows.append([0, 0, 0, a, b, 1, -v * a, -v * b, -v])
    h = np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3)
    w = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    u = (h[0, 0] * x + h[0, 1] * y + h[0, 2]) / w * cells
    v = (h[1, 0] * x + h[1, 1] * y + h[1, 2]) / w * cells
    low, high = np.minimum(u, v), np.maximum(u, v)
    column = np.clip(u.astype(int), 0, cells - 1)
    row = np.clip(v.astype(int), 0, cells - 1)
    light = np.where((low >= 0) & (high < cells), pattern[row, column], 1.0)
    on_paper = (low > -MARGIN_CELLS) & (high < cells + MARGIN_CELLS)
    grey = np.where(on_paper, ink + (paper - ink) * light, ground)
    grey = gaussian_filter(grey, blur_px * OVERSAMPLING, truncate=5)
    return grey.reshape(size_px, OVERSAMPLING, size_px, OVERSAMPLING).mean(axis=(1, 3))


def bent(points_px: Array, size_px: int, bow: float) -> Array:
    """Where ``tag_image`` draws points (N, 2): moved down by bow (x - middle)^2 px."""
    down = bow * (points_px[:, 0] - size_px / 2) ** 2
    return points_px + np.stack([np.zeros(len(points_px)), down], axis=1)


def paste_tag(grey: np.ndarray, pattern: Array, corners_px: Array, ground: float = 90.0) -> None:
    """Put a tag, well inside, on its white paper into a photo (H, W) of float grey levels."""
    low = np.floor(corners_px.min(axis=0) - 0.3 * np.ptp(corners_px, axis=0) - 8.0).astype(int)
    size = int(np.ceil((corners_px.max(axis=0) - low).max() * 1.3)) + 10
    patch = tag_image(pattern, corners_px - low, size, ground=ground)
    there = np.abs(patch - ground) > 0.01
    x, y = low
    window = grey[y : y + size, x : x + size]
    there, patch = (a[: window.shape[0], : window.shape[1]] for a in (there, patch))
    window[there] = patch[there]
