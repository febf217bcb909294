"""Photos whose camera is not that of their group: zoom, another lens, strong refocusing, a crop.

Every photo of a group shares its constants. What a photo alone wants of focal length and principal
point (``pipeline.adjustment.pulls``) is compared along the order of shooting; a run of photos, or
single ones, that want other values get constants of their own. A photo that has no place at all is
tried with other focal lengths first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Camera
from calib.frames import Array
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.network import CameraGuess, NetworkFound
from pipeline.adjustment.pulls import Pulls
from pipeline.faults.change_point import best_run, change_of
from targets.said import say

LEAST_FOCAL = 0.001
"""While they share constants, cards and poses take up half of a true difference and more."""
LEAST_CENTRE_PX = 6.0
"""Stabilisation moves the principal point by less in all but rough handling (assumed)."""
LEAST_GAIN = 60.0


@dataclass(frozen=True)
class OtherCamera:
    """Photos of one group that want other constants.

    Attributes
    ----------
    group : index of the group.
    photos : their names.
    focal : their focal length over that of the others; U_focal its expanded uncertainty.
    centre_px : (2,) shift of the principal point.
    gain : what it explains, in weighted squares.
    """

    group: int
    photos: tuple[str, ...]
    focal: float
    U_focal: float
    centre_px: Array
    gain: float


def other_cameras(
    network: NetworkFound, pulls: Pulls, order: Mapping[str, int]
) -> list[OtherCamera]:
    """The run of photos of each group that most wants other constants, where there is one."""
    found = []
    rank = np.array([order[p] for p in network.photos])
    for group in range(len(network.network.constants)):
        own = np.flatnonzero(network.network.group == group)
        own = own[np.argsort(rank[own])]
        normals, gradients = pulls.camera_normal[own], pulls.camera_gradient[own]
        change = best_run(normals, gradients)
        if change is None or change.gain < LEAST_GAIN:
            continue
        inside = change.inside if 2 * change.inside.sum() <= len(own) else ~change.inside
        change = change_of(normals, gradients, inside)
        U = 2.0 * float(np.sqrt(change.covariance[0, 0]))
        focal, centre = float(change.difference[0]), change.difference[1:]
        other_focal = abs(focal) > max(LEAST_FOCAL, U)
        if not other_focal and np.abs(centre).max() < LEAST_CENTRE_PX:
            continue
        names = tuple(network.photos[i] for i in own[inside])
        found.append(OtherCamera(group, names, 1.0 + focal, U, centre, change.gain))
    return found


def regrouped(
    groups: Sequence[PhotoGroup], other: OtherCamera, constants: Array
) -> list[PhotoGroup]:
    """Groups with the photos of ``other`` in one of their own, last.

    ``constants`` (9,) of the group they leave; what is known of theirs is what zooming or
    refocusing leaves of it.
    """
    old = groups[other.group]
    left = tuple(p for p in old.photos if p not in other.photos)
    new = constants.copy()
    new[:2] *= other.focal
    new[2:4] += other.centre_px
    size = old.guess.camera
    longest = max(size.width_px, size.height_px)
    sd = np.array([0.01 * new[0], 0.01 * new[0], 0.004 * longest, 0.004 * longest])
    sd = np.concatenate([sd, [0.02, 0.04, 5e-4, 5e-4, 0.04]])
    information = np.diag(sd**-2)
    # fx and fy go together.
    information[:2, :2] += (0.0005 * new[0]) ** -2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    guess = CameraGuess(Camera(size.width_px, size.height_px, new), information)
    change = 100.0 * (other.focal - 1.0)
    name = say("{camera}, focal length {change:+.1f} %", camera=old.name, change=change)
    groups = [replace(g, photos=left) if i == other.group else g for i, g in enumerate(groups)]
    return [*groups, PhotoGroup(name, other.photos, guess, False, "")]
