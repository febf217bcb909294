"""Cards printed at another size than the others, or stretched: a layout of their own.

The outlier test hides such a card: two of its dots in each photo can be made to fit the layout by
tilting it, and the other two are dropped. So where a card contradicts its layout in most of its
photos, its dots are intersected from their rays, each for itself. A card that moved, is dirty or
is bent leaves that as it was or fits no evenly stretched square either; a misprinted one does, and
is then adjusted with that layout, loosely held, so that its dots alone say how it lies.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from calib.frames import Array, Pose
from pipeline.adjustment.layout import best_rotations
from pipeline.adjustment.network import NetworkFound
from pipeline.adjustment.points import card_size
from pipeline.adjustment.pulls import Pulls
from pipeline.adjustment.start import View, ViewsOf, view_errors_px
from targets.mark import is_mark

OWN_LAYOUT_SD_MM = np.array([1.0, 1.0, 0.15])
"""How loosely a misprinted card of 80 mm keeps the layout found: much less well in its plane than
its dots are measured, and as flat as any other."""
_ODD = 1e-5
_LEAST_PHOTOS = 3
_LEAST_MM = 0.3
"""Misprints of a card of 80 mm smaller than this are left to the adjustment (our choice)."""
_FITS_BETTER = 0.35
"""By which the stretched layout must bring down the typical error of the nominal one."""
_LEAST_SINE2 = 0.01
"""Rays that meet at less than about 6 degrees give no layout."""


@dataclass(frozen=True)
class Misprint:
    """A card's own layout.

    Attributes
    ----------
    card : id.
    layout_mm : (4, 2) its dots, in the millimetres of the other cards.
    scale : (2,) its size over that of the others, across and up.
    """

    card: int
    layout_mm: Array
    scale: Array


def misprints(
    network: NetworkFound, pulls: Pulls, views: ViewsOf, known: Collection[int]
) -> list[Misprint]:
    """Cards whose photos agree on a stretched layout and not on the nominal one.

    Parameters
    ----------
    views : of a card, with the cameras as adjusted.
    known : cards that have a layout of their own already.
    """
    layout = network.priors.layout
    if layout is None:
        return []
    photos = {
        p: Pose(network.network.rotation[i], network.network.translation[i])
        for i, p in enumerate(network.photos)
    }
    # Where hardly any dot is left of a card, none of its sightings can be odd any more.
    dropped = {(card, photo) for card, photo, _ in network.rejected}
    at = zip(pulls.card, pulls.photo, strict=True)
    odd = pulls.squares > chi2.isf(_ODD, 2 * pulls.dots)
    odd |= np.array([(network.cards[c], network.photos[p]) in dropped for c, p in at], dtype=bool)
    found = []
    for index, card in enumerate(network.cards):
        own = odd[pulls.card == index]
        if is_mark(card) or card in known or 2 * own.sum() < len(own) or len(own) < _LEAST_PHOTOS:
            continue
        seen = [v for v in views(card) if v.photo in photos]
        misprint = _misprint(card, seen, [photos[v.photo] for v in seen], network)
        found += [misprint] if misprint else []
    return found


def _misprint(
    card: int, views: Sequence[View], photos: Sequence[Pose], network: NetworkFound
) -> Misprint | None:
    points = _intersected(views, photos)
    if points is None:
        return None
    nominal = views[0].layout_mm
    turned, centre = best_rotations(nominal[None], points[None])[0], points.mean(axis=0)
    across_up = np.linalg.lstsq(nominal[:, :2], ((points - centre) @ turned)[:, :2], rcond=None)[0]
    own = nominal[:, :2] @ across_up

    def typical_px(layout_mm: Array) -> float:
        placed = layout_mm @ turned.T + centre
        return float(
            np.median(view_errors_px(photos, [replace(v, layout_mm=placed) for v in views]))
        )

    stretched_px = typical_px(np.column_stack([own, np.zeros(4)]))
    off_mm = float(np.linalg.norm(own - nominal[:, :2], axis=1).max())
    if off_mm < _LEAST_MM * card_size(card) or stretched_px > _FITS_BETTER * typical_px(nominal):
        return None
    return Misprint(
        card, own / network.network.print_scale, np.asarray(np.linalg.norm(across_up, axis=1))
    )


def _intersected(views: Sequence[View], photos: Sequence[Pose]) -> Array | None:
    """The points (4, 3) nearest to the rays of a card's dots, None where they meet too flat.

    sum (I - d d^T) (x - c) = 0, with d the rays and c the camera centres.
    """
    total, moment = np.zeros((4, 3, 3)), np.zeros((4, 3))
    for view, pose in zip(views, photos, strict=True):
        rays = np.column_stack([view.rays, np.ones(4)]) @ pose.rotation
        rays /= np.linalg.norm(rays, axis=1, keepdims=True)
        across = np.eye(3) - rays[:, :, None] * rays[:, None, :]
        across[~np.isfinite(view.rays[:, 0])] = 0.0
        total += across
        moment += across @ pose.inverse().translation
    if np.linalg.eigvalsh(total)[:, 0].min() < _LEAST_SINE2:
        return None
    return np.asarray(np.linalg.solve(total, moment[..., None])[..., 0])
