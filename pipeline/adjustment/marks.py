"""Marks in the network: their layout, how far it is trusted, and sides that nobody knows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from calib.camera import Camera
from calib.frames import Array, Pose
from capture.sightings import Sighting
from targets.card import card_of
from targets.mark import Marks, is_mark, mark_corners_mm

_SIDE_SHARE, _SIDE_SD_MM = 0.005, 0.1
"""How well a corner keeps its place in the layout if the side is known: others' printers and
paper (assumed), and whatever bends a mark that is stuck on a body."""
_UNKNOWN_SHARE = 0.03
"""The same in the plane of a mark whose side is only what the photos say (assumed)."""
_ASSUMED_SIDE_MM = 100.0
"""Where nothing in the photos has a known size."""
_LEAST_SINE2 = 0.01
"""Rays that meet at less than about 6 degrees give no side."""


def layout_of(cards: Sequence[int], marks: Marks | None, sides_mm: Mapping[int, float]) -> dict:
    """Layout (4, 2) in mm of each card and mark; ``sides_mm`` for marks of unknown side."""
    layout = {}
    for card in cards:
        if marks is not None and is_mark(card):
            side = marks.side_mm(card) or sides_mm.get(card, _ASSUMED_SIDE_MM)
            layout[card] = mark_corners_mm(side)
        else:
            layout[card] = card_of(card).dots_mm
    return layout


def layout_sd_of_marks(layout_mm: Mapping[int, Array], marks: Marks | None) -> dict[int, Array]:
    """Standard deviations (3,) in mm of a mark's corners in x, y and z, by its card id."""
    spread = {}
    for card in filter(is_mark, layout_mm):
        side = float(np.ptp(layout_mm[card][:, 0]))
        known = _SIDE_SHARE * side + _SIDE_SD_MM
        unknown = marks is None or marks.side_mm(card) is None
        plane = _UNKNOWN_SHARE * side if unknown else known
        spread[card] = np.array([plane, plane, known])
    return spread


def unknown_sides(cards: Sequence[int], marks: Marks | None) -> set[int]:
    """Which of the cards are marks of unknown side."""
    return {c for c in cards if marks is not None and is_mark(c) and marks.side_mm(c) is None}


def sides_by_photos(
    photos: Mapping[str, tuple[Pose, Camera]], sightings: Sequence[Sighting]
) -> dict[int, float]:
    """Sides in mm of the marks in ``sightings``, from photos whose places are known.

    Each corner is the point nearest to its rays: sum (I - d d^T) (x - c) = 0. A mark that is seen
    from one direction only is left out.

    Parameters
    ----------
    photos : camera_from_network and camera of each photo.
    """
    of_card: dict[int, list[Sighting]] = defaultdict(list)
    for sighting in sightings:
        if sighting.photo in photos:
            of_card[sighting.card].append(sighting)
    sides = {}
    for card, seen in of_card.items():
        total, moment = np.zeros((4, 3, 3)), np.zeros((4, 3))
        for sighting in seen:
            camera_from_network, camera = photos[sighting.photo]
            rays = np.column_stack([camera.rays(sighting.dots_px), np.ones(4)])
            rays = rays @ camera_from_network.rotation
            rays /= np.linalg.norm(rays, axis=1, keepdims=True)
            across = np.eye(3) - rays[:, :, None] * rays[:, None, :]
            total += across
            moment += across @ camera_from_network.inverse().translation
        # The least eigenvalue is the sum of the squared sines of the rays off their mean.
        if np.linalg.eigvalsh(total)[:, 0].min() < _LEAST_SINE2:
            continue
        corners = np.linalg.solve(total, moment[..., None])[..., 0]
        off = corners - np.roll(corners, 1, axis=0)
        sides[card] = float(np.linalg.norm(off, axis=1).mean())
    return sides
