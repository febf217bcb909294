"""A bundle as COLMAP has it, for the checks of ours against its bundle adjustment (on Ceres).

Its model has no k3, no drift, no layout and no weights: those have to be left out on our side. It
needs pycolmap, which the caller imports and hands over, for it may not be installed.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np

from pipeline.adjustment.bundle import Network, Observations


def colmap_bundle(
    pycolmap: ModuleType, start: Network, observations: Observations, size_px: tuple[int, int]
) -> tuple[Any, list[int]]:
    """A reconstruction that begins at ``start`` with one camera, and the ids of its points."""
    theirs = pycolmap.Reconstruction()
    camera = pycolmap.Camera(
        model="OPENCV",
        width=size_px[0],
        height=size_px[1],
        params=list(start.constants[0, :8]),
        camera_id=1,
    )
    theirs.add_camera_with_trivial_rig(camera)
    tracks = [pycolmap.Track() for _ in start.points]
    for f, (rotation, translation) in enumerate(
        zip(start.rotation, start.translation, strict=True), start=1
    ):
        own = np.flatnonzero(observations.photo == f - 1)
        for k, point in enumerate(observations.point[own]):
            tracks[point].add_element(f, k)
        image = pycolmap.Image(name=str(f), keypoints=observations.px[own], camera_id=1, image_id=f)
        pose = pycolmap.Rigid3d(pycolmap.Rotation3d(rotation), translation)
        theirs.add_image_with_trivial_frame(image, pose)
    ids = [
        theirs.add_point3D(p, t, np.zeros(3, np.uint8))
        for p, t in zip(start.points, tracks, strict=True)
    ]
    return theirs, ids
