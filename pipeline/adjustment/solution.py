"""The solution: what the adjustment found, with its full covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import pdist

from calib.camera import Camera
from calib.frames import Array, Pose
from pipeline.adjustment.lens_terms import NOTHING_ASKED, LensTerms


@dataclass(frozen=True)
class CameraGroup:
    """Photos that share camera constants.

    Attributes
    ----------
    name : how a person knows this camera ("Rendered datumshot demo camera, 3264 x 2448").
    camera : adjusted constants.
    sd_constants : (9,) their standard deviations after adjustment.
    from_profile : whether a lens profile was the prior (else calibrated from these photos alone).
    photos : names of its photos.
    terms : which terms of distortion it was given, and how much the photos ask for each.
    """

    name: str
    camera: Camera
    sd_constants: Array
    from_profile: bool
    photos: tuple[str, ...]
    terms: LensTerms = NOTHING_ASKED


@dataclass(frozen=True)
class Solution:
    """Photos, cards and cameras after adjustment, in the network frame.

    Before the bars are applied (``pipeline.adjustment.scale``) millimetres are those of the printed
    cards; after it they are true millimetres.

    Attributes
    ----------
    photos : (F,) names.
    camera_from_network : (F,) poses, in the middle row of the photo.
    drift : (F, 6) rotation (rad) and translation (mm) of the camera over all rows, and
        shift_px : (F, 2) shift of the principal point, see ``pipeline.adjustment.bundle``.
    groups : camera groups; ``group_of_photo`` (F,) indexes them.
    cards : (C,) ids in rising order.
    dots_mm : (C, 4, 3) dot centres.
    covariance_mm2 : (12 C, 12 C) covariance of the dot centres, variance factor applied; inner
        constraints over all dots (free network), plus the variance of the scale once applied.
    sightings_of_card : (C,) number of photos that measured each card.
    sighting_photo, sighting_card : (S,) indices into ``photos`` and ``cards``.
    measured_px : (S, 4, 2) dots as measured; nan where a dot was not used.
    residuals_px : (S, 4, 2) measured minus predicted, likewise.
    sigma0 : square root of the variance factor (1 when the dots scatter as their covariances say).
    redundancy : observations minus unknowns plus datum defect.
    rejected : (card, photo, dot) of dots dropped by the outlier test.
    """

    photos: tuple[str, ...]
    camera_from_network: tuple[Pose, ...]
    drift: Array
    shift_px: Array
    groups: tuple[CameraGroup, ...]
    group_of_photo: NDArray
    cards: tuple[int, ...]
    dots_mm: Array
    covariance_mm2: Array
    sightings_of_card: NDArray
    sighting_photo: NDArray
    sighting_card: NDArray
    measured_px: Array
    residuals_px: Array
    sigma0: float
    redundancy: int
    rejected: tuple[tuple[int, str, int], ...]

    @property
    def centres_mm(self) -> Array:
        """(C, 3) card centres: the means of their four dots."""
        return np.asarray(self.dots_mm.mean(axis=1))

    @property
    def views_apart_rad(self) -> Array:
        """(C,) largest angle between two directions from which photos measured a card."""
        stations = np.array([pose.inverse().translation for pose in self.camera_from_network])
        apart = np.zeros(len(self.cards))
        for i, centre in enumerate(self.centres_mm):
            rays = stations[self.sighting_photo[self.sighting_card == i]] - centre
            rays /= np.linalg.norm(rays, axis=1, keepdims=True)
            # By the chord: the cosine of a small angle is rounded away.
            apart[i] = 2.0 * np.arcsin(min(pdist(rays).max(initial=0.0) / 2.0, 1.0))
        return apart

    @property
    def centres_covariance_mm2(self) -> Array:
        """(3 C, 3 C) covariance of the card centres."""
        mean = np.kron(np.eye(len(self.cards)), np.tile(np.eye(3) / 4.0, 4))
        return np.asarray(mean @ self.covariance_mm2 @ mean.T)
