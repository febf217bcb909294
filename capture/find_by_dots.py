"""Finding cards whose tag frame is broken: by three of their dots.

A strip of tape, a cable or a shadow across one corner hides a tag from a search for closed dark
squares, although three dots and most of the code are in plain sight. Here dark ellipses are found
first. Each gives the local scale and tilt, so that its neighbours on the same card are known to lie
16.5 radii away at right angles; three that fit span the card, and the code is read in between. Of
its 36 bits some may be unclear, as under a grey strip, or wrong, as long as the rest is hardly ever
matched by chance (codes of 36h11 differ in 11 bits or more).
"""

from __future__ import annotations

from functools import cache
from math import comb

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from calib.frames import Array
from capture.find import SEARCH_PX, TagFound, reduced
from capture.plane import homography, projected
from targets.card import ID_COUNT, TAG_CELLS, card_of, tag_pattern

_REDUCTIONS = (1, 2, 4)
"""The search is repeated on smaller pictures, for larger dots."""
_FILLED_PX = 15
"""Side of the square that does not fit into a dot: so wide is what a closing fills."""
_LEAST_SHARE = 0.15
_LEAST_DEPTH = 6
"""How much darker than its paper a dot is at least: share of the paper's grey, grey levels."""
_AREA_PX = (7.0, 600.0)
_ROUND = (0.86, 1.12)
"""Area over that of the ellipse with the same second moments: 1 for a dot."""
_CLEAR_OF_EDGE_PX = 1.2
"""So far from a dot's edge its blur no longer reaches."""
_SIDE_RADII = 16.5
"""Distance of neighbouring dots, 66 mm, in radii of 4 mm."""
_SIDE_SPREAD = 0.22
_SQUARE_COSINE = 0.26
_SIZE_RATIO = 1.8
_CHANCE = 3e-4
"""At most so many codes are expected to fit cells that are black or white at random: with all 36
bits clear, three may be wrong."""
_CLEAR = 0.2
"""A cell nearer to the middle between ink and paper, as a share of their contrast, is unclear."""
_RIVAL_BITS = 3
_FRAME_WRONG, _FRAME_RIGHT = 9, 14
"""Of the frame's 28 cells at most so many are clearly white, at least so many clearly black."""
_AT_ONCE = 200
"""Quadrilaterals whose cells are read together, some 20 kB each."""
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
    centres, semi = _spots(small)
    best: dict[int, tuple[float, Array]] = {}
    quads, whole = _squares(centres, semi)
    for first in range(0, len(quads), _AT_ONCE):
        for i, level in zip(*_levels(small, quads[first : first + _AT_ONCE]), strict=True):
            read = _read_code(level)
            if read is not None and read[0] not in known:
                tag, quarter, contrast = read
                # Of several quadrilaterals about a card, that whose code stands out most is its
                # dots; a fourth dot where it should be is worth a bit.
                merit = contrast + 0.5 * whole[first + i]
                if tag not in best or merit > best[tag][0]:
                    # The code seen is the printed one turned by quarters, as the dots are.
                    best[tag] = merit, np.roll(quads[first + i], -quarter, axis=0)
    found = []
    for tag in sorted(best):
        card = card_of(tag)
        corners = projected(homography(card.dots_mm, best[tag][1]), card.corners_mm)
        found.append(TagFound(tag, (corners + 0.5) * factor - 0.5))
    return found


def _spots(small: NDArray[np.uint8]) -> tuple[Array, Array]:
    """Centres (N, 2) and shapes (N, 2, 2: unit circle to edge) of dark ellipses of all sizes."""
    centres, semi = np.zeros((0, 2)), np.zeros((0, 2, 2))
    for reduction in _REDUCTIONS:
        size = small.shape[1] // reduction, small.shape[0] // reduction
        if min(size) < 2 * _FILLED_PX:
            break
        whole = small[: size[1] * reduction, : size[0] * reduction]
        level = cv2.resize(whole, size, interpolation=cv2.INTER_AREA) if reduction > 1 else whole
        more, shape = _ellipses(np.asarray(cv2.GaussianBlur(level, (3, 3), 0), dtype=np.uint8))
        more, shape = (more + 0.5) * reduction - 0.5, shape * reduction
        if len(centres) and len(more):
            # What was seen in the larger picture is seen better there.
            distance, _ = cKDTree(centres).query(more)
            new = distance > 0.5 * np.sqrt(np.abs(np.linalg.det(shape)))
            more, shape = more[new], shape[new]
        centres, semi = np.concatenate([centres, more]), np.concatenate([semi, shape])
    return centres, semi


def _ellipses(small: NDArray[np.uint8]) -> tuple[Array, Array]:
    """Centres (N, 2) and shapes (N, 2, 2) of dark ellipses that the closing fills.

    A closing by a square that does not fit into a dot gives each of its pixels the grey of the
    paper beside it, whatever lies beside the card (grey-scale morphology: Serra 1982, from memory).
    """
    square = np.ones((_FILLED_PX, _FILLED_PX), np.uint8)
    paper = cv2.morphologyEx(small, cv2.MORPH_CLOSE, square)
    depth = np.asarray(cv2.subtract(paper, small), dtype=np.uint8)
    least = np.maximum(cv2.convertScaleAbs(paper, alpha=_LEAST_SHARE), _LEAST_DEPTH)
    dark = cv2.compare(depth, least, cv2.CMP_GT)
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
    pixel = np.flatnonzero(dark)
    spot = rank[labels.ravel()[pixel]]
    of_spot = spot >= 0
    pixel, spot = pixel[of_spot], spot[of_spot]
    rows, columns = np.divmod(pixel, dark.shape[1])
    deep = depth[rows, columns].astype(float)
    deepest = np.zeros(len(chosen))
    np.maximum.at(deepest, spot, deep)
    core = deep > 0.5 * deepest[spot]
    ink = np.bincount(spot[core], deep[core]) / np.bincount(spot[core])
    # A blurred edge lies where the grey is half-way.
    inner = deep > 0.5 * ink[spot]
    rows, columns, spot, deep = rows[inner], columns[inner], spot[inner], deep[inner]
    n = np.bincount(spot).astype(float)
    x = np.bincount(spot, columns) / n
    y = np.bincount(spot, rows) / n
    dx, dy = columns - x[spot], rows - y[spot]
    darkness = np.bincount(spot, deep) / n
    # A pixel has width: its own second moment is 1/12.
    xx = np.bincount(spot, dx * dx) / n + 1 / 12
    yy = np.bincount(spot, dy * dy) / n + 1 / 12
    xy = np.bincount(spot, dx * dy) / n
    # A filled ellipse with semi-axes matrix S has second moments S S^T / 4 and area pi det S.
    ratio = n / (4.0 * np.pi * np.sqrt(np.maximum(xx * yy - xy * xy, 1e-9)))
    good = (ratio > _ROUND[0]) & (ratio < _ROUND[1]) & (darkness > _LEAST_DARKNESS)
    good &= n >= _AREA_PX[0]
    moments = np.stack([xx, xy, xy, yy], axis=1).reshape(-1, 2, 2)[good]
    value, vector = np.linalg.eigh(moments)
    semi = 2.0 * np.einsum("nij,nj,nkj->nik", vector, np.sqrt(np.maximum(value, 1e-6)), vector)
    centres = np.stack([x, y], axis=1)[good]
    alone = _stands_alone(depth, centres, semi, ink[good])
    return centres[alone], semi[alone]


def _stands_alone(
    depth: NDArray[np.uint8], centres: Array, semi: Array, ink: Array
) -> NDArray[np.bool_]:
    """Which spots (N,) have paper all round, but for an eighth of it."""
    angle = np.arange(8) * np.pi / 4
    circle = np.stack([np.cos(angle), np.sin(angle)])
    value, vector = np.linalg.eigh(semi)
    wider = np.einsum("nij,nj,nkj->nik", vector, 1.15 * value + _CLEAR_OF_EDGE_PX, vector)
    ring = np.rint(centres[:, :, None] + wider @ circle).astype(int)
    inside = (ring >= 0).all(axis=1) & (ring < np.array(depth.shape)[::-1, None]).all(axis=1)
    column = np.clip(ring[:, 0], 0, depth.shape[1] - 1)
    row = np.clip(ring[:, 1], 0, depth.shape[0] - 1)
    light = inside & (depth[row, column] < 0.5 * ink[:, None])
    return np.asarray(light.sum(axis=1) >= 7)


def _squares(centres: Array, semi: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Quadrilaterals (Q, 4, 2), clockwise, of dots of what may be one card.

    Three are dots; where the second value (Q,) is true, the fourth is a spot, too.
    """
    none = np.zeros((0, 4, 2)), np.zeros(0, dtype=bool)
    if len(centres) < 3:
        return none
    by_radius = np.linalg.inv(semi)
    size = np.sqrt(np.abs(np.linalg.det(semi)))
    longest = np.linalg.norm(semi, axis=(1, 2))
    tree = cKDTree(centres)
    near = tree.query_ball_point(centres, (1 + _SIDE_SPREAD) * _SIDE_RADII * longest)
    middle = np.repeat(np.arange(len(centres)), [len(others) for others in near])
    other = np.concatenate([np.array(others, dtype=int) for others in near])
    off = np.einsum("nij,nj->ni", by_radius[middle], centres[other] - centres[middle])
    radii = np.linalg.norm(off, axis=1)
    ratio = size[other] / size[middle]
    fits = np.abs(radii / _SIDE_RADII - 1) < _SIDE_SPREAD
    fits &= (ratio < _SIZE_RATIO) & (ratio > 1 / _SIZE_RATIO)
    middle, other, to = middle[fits], other[fits], off[fits] / radii[fits, None]
    begin = np.searchsorted(middle, np.arange(len(centres) + 1))
    triples = [np.zeros((0, 3), dtype=int)]
    for i in np.flatnonzero(np.diff(begin) >= 2):
        own = slice(begin[i], begin[i + 1])
        x, y = to[own].T
        # a before i before b is clockwise (y down) when b is left of a seen from i.
        turn = x[:, None] * y - y[:, None] * x
        a, b = np.nonzero((turn < 0) & (np.abs(to[own] @ to[own].T) < _SQUARE_COSINE))
        triples.append(np.stack([other[own][a], np.full(len(a), i), other[own][b]], axis=1))
    three = np.concatenate(triples)
    fourth = centres[three[:, 0]] + centres[three[:, 2]] - centres[three[:, 1]]
    if not len(three):
        return none
    distance, nearest = tree.query(fourth)
    seen = distance < 4.0 * size[three[:, 1]]
    # Perspective moves the fourth dot; but what is seen there may be something else.
    three = np.concatenate([three[seen], three])
    fourth = np.concatenate([centres[nearest[seen]], fourth])
    whole = np.arange(len(three)) < seen.sum()
    return np.concatenate([centres[three], fourth[:, None]], axis=1), whole


def _levels(small: NDArray[np.uint8], quads: Array) -> tuple[NDArray[np.intp], Array]:
    """Which of the quadrilaterals (Q, 4, 2) have a tag's frame, and their cells (n, 8, 8): -1/2
    ink, 1/2 paper, nought where the cell lies outside the picture."""
    if not len(quads):
        return np.zeros(0, dtype=np.intp), np.zeros((0, TAG_CELLS, TAG_CELLS))
    dots_mm, samples_mm = card_of(0).dots_mm, _samples_mm()
    places = np.array([projected(homography(dots_mm, quad), samples_mm) for quad in quads])
    limit = np.array(small.shape)[::-1] - 1
    shape = len(quads), TAG_CELLS, TAG_CELLS, -1
    inside = np.all((places >= 0) & (places <= limit), axis=2).reshape(shape).all(axis=3)
    dots = np.clip(np.rint(quads[:, :3]), 0, limit).astype(int)
    nearest = np.rint(np.clip(places, 0, limit)).astype(int)
    cells = small[nearest[..., 1], nearest[..., 0]].reshape(shape).mean(axis=3)
    ink = np.median(small[dots[..., 1], dots[..., 0]], axis=1)
    paper = np.quantile(cells.reshape(len(quads), -1), 0.85, axis=1)
    deep = np.flatnonzero(paper - ink >= _LEAST_CONTRAST)
    ink, contrast = ink[deep, None, None], (paper - ink)[deep, None, None]
    level = np.where(inside[deep], (cells[deep] - ink) / contrast - 0.5, 0.0)
    frame = level.copy()
    frame[:, 1:-1, 1:-1] = 0.0
    framed = (frame > _CLEAR).sum(axis=(1, 2)) <= _FRAME_WRONG
    framed &= (frame < -_CLEAR).sum(axis=(1, 2)) >= _FRAME_RIGHT
    return deep[framed], level[framed]


def _read_code(level: Array) -> tuple[int, int, float] | None:
    """The card whose cells (8, 8) these are: its id, by how many quarters it is turned, and how
    much its bits stand out."""
    bits = level[1:-1, 1:-1].ravel()
    clear = np.abs(bits) > _CLEAR
    wrong = ((_codes() != (bits > 0)) & clear).sum(axis=1)
    best = int(wrong.argmin())
    if wrong[best] > _most_wrong(int(clear.sum())):
        return None
    if np.delete(wrong, best).min() < wrong[best] + _RIVAL_BITS:
        return None
    return *divmod(best, 4), float(np.where(_codes()[best], bits, -bits).sum())


@cache
def _most_wrong(clear: int) -> int:
    """How many of the clear bits may be wrong so that chance is as unlikely as ``_CHANCE``."""
    fits = 4 * ID_COUNT * np.cumsum([comb(clear, wrong) / 2**clear for wrong in range(clear + 1)])
    return int(np.searchsorted(fits, _CHANCE)) - 1


@cache
def _samples_mm() -> Array:
    """Nine places in each cell of a card of 80 mm, (64 * 9, 2), cells row by row."""
    side = card_of(0).tag_mm / TAG_CELLS
    axis = (np.arange(TAG_CELLS) - (TAG_CELLS - 1) / 2) * side
    y, x, dy, dx = np.meshgrid(axis, axis, *2 * [side * np.array([-0.2, 0.0, 0.2])], indexing="ij")
    return np.stack([(x + dx).ravel(), (y + dy).ravel()], axis=1)


@cache
def _codes() -> NDArray[np.bool_]:
    """(4 x ids, 36): each id's bits as seen when the quad begins 0 to 3 dots after its top left."""
    rows = []
    for tag in range(ID_COUNT):
        bits = tag_pattern(tag)[1:-1, 1:-1]
        # A quad that begins one dot late sees the card turned by a quarter counterclockwise.
        rows += [np.rot90(bits, -quarter).ravel() for quarter in range(4)]
    return np.array(rows)
