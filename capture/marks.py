"""Marks in a photo: bare tags found, and their corners measured."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
from numpy.typing import NDArray

from capture.find import SEARCH_PX, find_tags
from capture.measure import CardPlace, refine_corners
from capture.sightings import Sighting
from capture.tag_corners import fit_corners
from targets.mark import FIRST_MARK, Marks


def see_marks(
    grey: NDArray[np.uint8],
    photo: str,
    marks: Marks | None,
    longest_px: int = SEARCH_PX,
    known: Collection[int] = (),
) -> tuple[list[Sighting], list[int]]:
    """Find and measure the marks in a grey photo (H, W).

    Parameters
    ----------
    marks : which to look for; None for none.
    longest_px : longest side of the image that is searched.
    known : card ids that are not looked for again.

    Returns
    -------
    sightings : of the marks whose four corners could all be measured: with less, a mark has
        nothing that shows a mistake in them.
    repeated : card ids of marks found at more than one place.
    """
    if marks is None:
        return [], []
    tags, repeated = find_tags(grey, longest_px, marks.dictionary, tuple(marks.sides_mm))
    tags = [t for t in tags if FIRST_MARK + t.id not in known]
    if not tags:
        return [], [FIRST_MARK + tag for tag in repeated]
    places = refine_corners(grey, [CardPlace(FIRST_MARK + t.id, t.corners_px) for t in tags])
    fit = fit_corners(grey, np.array([p.corners_px for p in places]), marks.cells)
    sightings = [
        Sighting(
            card=place.card,
            photo=photo,
            corners_px=corners,
            dots_px=corners,
            covariance_px2=covariance,
            measured=good,
        )
        for place, corners, covariance, good in zip(
            places, fit.corners_px, fit.covariance_px2, fit.good, strict=True
        )
        if good.all()
    ]
    return sightings, [FIRST_MARK + tag for tag in repeated]
