"""Where a card lies by most of its photos, and where by the others: places far apart told apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array, Pose, rotations
from pipeline.adjustment.start import View, view_errors_px

AGREE_PX = 4.0
"""A sighting this near to its place by another one is of the same place."""
_NEAR_PX = 45.0
_TRIED = 6


@dataclass(frozen=True)
class Place:
    """network_from_card, and which views (V,) agree with it."""

    pose: Pose
    agree: NDArray[np.bool_]


def places_of(views: Sequence[View], photos: Sequence[Pose]) -> list[Place]:
    """Places of one card, that of most views first; views that agree with no other have none.

    Parameters
    ----------
    views : of one card; photos : camera_from_network of each.
    """
    left = np.ones(len(views), dtype=bool)
    places: list[Place] = []
    while left.sum() >= 2:
        at = np.flatnonzero(left).tolist()
        some, poses = [views[i] for i in at], [photos[i] for i in at]
        pose = _most_agreed(some, poses)
        agree = left & (_errors(pose, views, photos) < AGREE_PX)
        if agree.sum() < 2:
            break
        places.append(Place(pose, agree))
        left &= ~agree
    return places


def _most_agreed(views: Sequence[View], photos: Sequence[Pose]) -> Pose:
    candidates = [
        p.inverse().compose(q) for v, p in zip(views, photos, strict=True) for q in v.poses
    ]
    errors = np.array([_errors(c, views, photos) for c in candidates])
    order = np.lexsort((np.median(errors, axis=1), -(errors < _NEAR_PX).sum(axis=1))).tolist()
    refined = [_refined(candidates[i], views, photos) for i in order[:_TRIED]]
    after = np.array([_errors(c, views, photos) for c in refined])
    votes = (after < AGREE_PX).sum(axis=1)
    return refined[int(np.lexsort((np.minimum(after, AGREE_PX).sum(axis=1), -votes))[0])]


def _errors(network_from_card: Pose, views: Sequence[View], photos: Sequence[Pose]) -> Array:
    return view_errors_px([p.compose(network_from_card) for p in photos], views)


def _refined(start: Pose, views: Sequence[View], photos: Sequence[Pose]) -> Pose:
    """Least squares under a Cauchy loss, so that views of another place hardly count."""
    from scipy.optimize import least_squares

    rays = np.array([v.rays for v in views])
    focal = np.array([v.focal_px for v in views])[:, None, None]
    turn = np.array([p.rotation for p in photos])
    shift = np.array([p.translation for p in photos])
    layout = views[0].layout_mm
    seen = np.isfinite(rays)

    def moved(x: Array) -> Pose:
        return Pose(start.rotation @ rotations(x[:3] / 100.0), start.translation + x[3:])

    def residual(x: Array) -> Array:
        points = moved(x).apply(layout)
        inside = np.einsum("vij,kj->vki", turn, points) + shift[:, None]
        off = inside[:, :, :2] / np.maximum(inside[:, :, 2:], 1.0) - np.where(seen, rays, 0.0)
        return np.asarray((np.where(seen, off, 0.0) * focal).ravel())

    found = least_squares(residual, np.zeros(6), loss="cauchy", f_scale=2.0, max_nfev=30)
    return moved(found.x)
