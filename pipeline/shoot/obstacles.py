"""What stands between phone and cards at each place, and where nobody may put the phone."""

from __future__ import annotations

import numpy as np

from calib.frames import Array
from pipeline.shoot.stations import Extent

UNDER = ("two-post", "four-post")
"""Places where the car is held by locks, so that photos from under it may be advised at all."""
_TRACKS_MM = (480.0, 1000.0, -200.0)
"""Runways of a four-post lift: inner and outer edge from the middle, height under the datum plane
(usual sizes, no source)."""
SILL_EDGE_MM = 120.0
"""Height of the lower edge of the sills over the datum plane where no outer point tells it (no
source); what is above is hidden from the side."""


def obstacles(place: str, extent: Extent, sill_mm: float = SILL_EDGE_MM) -> Array:
    """What hides cards at a place, (K, 3, 3): a corner and two edges each, vehicle frame."""
    length = extent.front_mm - extent.rear_mm
    found = []
    if place == "four-post":
        inner, outer, z = _TRACKS_MM
        for y in (inner, -outer):
            corner = [extent.rear_mm - 300.0, y, z]
            found.append([corner, [length + 600.0, 0.0, 0.0], [0.0, outer - inner, 0.0]])
    if place == "yard":
        for y in (extent.half_mm + 10.0, -extent.half_mm - 10.0):
            corner = [extent.rear_mm, y, sill_mm]
            found.append([corner, [length, 0.0, 0.0], [0.0, 0.0, 1500.0]])
    return np.array(found, dtype=float).reshape(-1, 3, 3)
