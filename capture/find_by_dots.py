"""Finding cards whose tag frame is broken: by three of their dots.

A strip of tape, a cable or a shadow across one corner hides a tag from a search for closed dark
squares, although three dots and most of the code are in plain sight. Here dark ellipses are found
first. Each gives the local scale and tilt, so that its neighbours on the same card are known to lie
16.5 radii away at right angles; three that fit span the card, and the code is read in between, up
to three of its 36 bits in error (codes of 36h11 differ in 11 bits or more).
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calib.frames import Array
from capture.find import SEARCH_PX, TagFound, reduced
from capture.plane import homography, projected
from targets.card import ID_COUNT, TAG_CELLS, card_of, tag_pattern

_BLOCK_PX = 41
_DARKER = 6
_AREA_PX = (7.0, 2500.0)
_ROUND = (0.86, 1.12)
"""Area over that of the ellipse with the same second moments: 1 for a dot."""
_SIDE_RADII = 16.5
"""Distance of neighbouring dots, 66 mm, in radii of 4 mm."""
_SIDE_SPREAD = 0.22
_SQUARE_COSINE = 0.26
_SIZE_RATIO = 1.8
_BITS_WRONG = 3
_FRAME_WRONG = 9
_LEAST_CONTRAST = 18.0
_LEAST_DARKNESS = 13.0
"""Grey levels by which a dot's mean is darker than its surroundings: noise makes weaker spots."""


def find_tags_by_dots(
    grey: NDArray[np.uint8], known: set[int], longest_px: int = SEARCH_PX
) -> list[TagFound]:
    """Tags of cards of which at least three dots show, but for the ids in ``known``.

    ``longest_px`` limits the longest side of the image that is searched.
    """
    small, factor = reduced(grey, longest_px)
    centres, semi = _ellipses(np.asarray(cv2.GaussianBlur(small, (3, 3), 0), dtype=np.uint8))
    found: dict[int, TagFound] = {}
    for quad in _squares(centres, semi):
        read = _read_code(small, quad)
        if read is None or read[0] in known or read[0] in found:
            continue
        tag, turned = read
        card = card_of(tag)
        corners = projected(homography(card.dots_mm, turned), card.corners_mm)
        found[tag] = TagFound(
            tag, (np.asarray(corners, dtype=float).reshape(4, 2) + 0.5) * factor - 0.5
        )
    return [found[tag] for tag in sorted(found)]


def _ellipses(small: NDArray[np.uint8]) -> tuple[Array, Array]:
    """Centres (N, 2) and shapes (N, 2, 2: unit circle to edge) of dark spots that are ellipses."""
    dark = cv2.adaptiveThreshold(
        small, 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY_INV, _BLOCK_PX, _DARKER
    )
    _, labels, stats, _ = cv2.connectedComponentsWithStats(dark, connectivity=4)
    width, height = stats[:, cv2.CC_STAT_WIDTH], stats[:, cv2.CC_STAT_HEIGHT]
    area = stats[:, cv2.CC_STAT_AREA]
    fits = (area >= _AREA_PX[0]) & (area <= _AREA_PX[1]) & (area > 0.3 * width * height)
    fits &= np.maximum(width, height) < 8 * np.minimum(width, height)
    fits[0] = False
    chosen = np.flatnonzero(fits)
    if not len(chosen):
        return np.zeros((0, 2)), np.zeros((0, 2, 2))
    rank = np.full(len(stats), -1)
    rank[chosen] = np.arange(len(chosen))
    of_pixel = rank[labels]
    rows, columns = np.nonzero(of_pixel >= 0)
    spot = of_pixel[rows, columns]
    n = np.bincount(spot).astype(float)
    x = np.bincount(spot, columns) / n
    y = np.bincount(spot, rows) / n
    dx, dy = columns - x[spot], rows - y[spot]
    around = cv2.blur(small, (_BLOCK_PX, _BLOCK_PX))[rows, columns].astype(float)
    darkness = np.bincount(spot, around - small[rows, columns]) / n
    # A pixel has width: its own second moment is 1/12.
    xx = np.bincount(spot, dx * dx) / n + 1 / 12
    yy = np.bincount(spot, dy * dy) / n + 1 / 12
    xy = np.bincount(spot, dx * dy) / n
    # A filled ellipse with semi-axes matrix S has second moments S S^T / 4 and area pi det S.
    ratio = n / (4.0 * np.pi * np.sqrt(np.maximum(xx * yy - xy * xy, 1e-9)))
    good = (ratio > _ROUND[0]) & (ratio < _ROUND[1]) & (darkness > _LEAST_DARKNESS)
    moments = np.stack([xx, xy, xy, yy], axis=1).reshape(-1, 2, 2)[good]
    value, vector = np.linalg.eigh(moments)
    semi = 2.0 * np.einsum("nij,nj,nkj->nik", vector, np.sqrt(np.maximum(value, 1e-6)), vector)
    return np.stack([x, y], axis=1)[good], semi


def _squares(centres: Array, semi: Array) -> list[Array]:
    """Quadrilaterals (4, 2), clockwise, of three or four dots of what may be one card."""
    if len(centres) < 3:
        return []
    by_radius = np.linalg.inv(semi)
    size = np.sqrt(np.abs(np.linalg.det(semi)))
    longest = np.linalg.norm(semi, axis=(1, 2))
    tree = cKDTree(centres)
    quads = []
    for i, near in enumerate(
        tree.query_ball_point(centres, (1 + _SIDE_SPREAD) * _SIDE_RADII * longest)
    ):
        others = np.array([j for j in near if j != i], dtype=int)
        if len(others) < 2:
            continue
        off = (centres[others] - centres[i]) @ by_radius[i].T
        radii = np.linalg.norm(off, axis=1)
        ratio = size[others] / size[i]
        fits = np.abs(radii / _SIDE_RADII - 1) < _SIDE_SPREAD
        fits &= (ratio < _SIZE_RATIO) & (ratio > 1 / _SIZE_RATIO)
        others, off, radii = others[fits], off[fits], radii[fits]
        for a in range(len(others)):
            for b in range(len(others)):
                turn = off[a, 0] * off[b, 1] - off[a, 1] * off[b, 0]
                cosine = off[a] @ off[b] / (radii[a] * radii[b])
                # a before i before b is clockwise (y down) when b is left of a seen from i.
                if turn > 0 or abs(cosine) > _SQUARE_COSINE:
                    continue
                first, last = centres[others[a]], centres[others[b]]
                fourth = first + last - centres[i]
                distance, k = tree.query(fourth)
                if distance < 4.0 * size[i]:
                    fourth = centres[k]
                quads.append(np.array([first, centres[i], last, fourth]))
    return quads


def _read_code(small: NDArray[np.uint8], quad: Array) -> tuple[int, Array] | None:
    """Id of the card whose dots are at ``quad``, and the quad turned to begin at its top left."""
    layout = card_of(0)
    places = projected(homography(layout.dots_mm, quad), _cells_mm())
    if (places < 0).any() or (places >= np.array(small.shape)[::-1] - 1).any():
        return None
    column, row = np.rint(places).astype(int).T
    grey = small[row, column].astype(float)
    dots = np.rint(quad[:3]).astype(int)
    if (dots < 0).any() or (dots >= np.array(small.shape)[::-1]).any():
        return None
    ink = float(np.median(small[dots[:, 1], dots[:, 0]]))
    white = float(np.quantile(grey, 0.85))
    if white - ink < _LEAST_CONTRAST:
        return None
    cells = (grey > 0.5 * (ink + white)).reshape(TAG_CELLS, TAG_CELLS)
    frame = cells.copy()
    frame[1:-1, 1:-1] = False
    if frame.sum() > _FRAME_WRONG:
        return None
    wrong = (_codes() != cells[1:-1, 1:-1].ravel()).sum(axis=1)
    best = int(wrong.argmin())
    if wrong[best] > _BITS_WRONG:
        return None
    tag, quarter = divmod(best, 4)
    # The code seen is the printed one turned by quarters; the first dot moves along with it.
    return tag, np.roll(quad, -quarter, axis=0)


@cache
def _cells_mm() -> Array:
    """Cell centres (64, 2) of a card of 80 mm, row by row."""
    side = card_of(0).tag_mm / TAG_CELLS
    axis = (np.arange(TAG_CELLS) - (TAG_CELLS - 1) / 2) * side
    x, y = np.meshgrid(axis, axis)
    return np.stack([x.ravel(), y.ravel()], axis=1)


@cache
def _codes() -> NDArray[np.bool_]:
    """(4 x ids, 36): each id's bits as seen when the quad begins 0 to 3 dots after its top left."""
    rows = []
    for tag in range(ID_COUNT):
        bits = tag_pattern(tag)[1:-1, 1:-1]
        # A quad that begins one dot late sees the card turned by a quarter counterclockwise.
        rows += [np.rot90(bits, -quarter).ravel() for quarter in range(4)]
    return np.array(rows)
