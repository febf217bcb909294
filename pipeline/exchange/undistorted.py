"""Photos without distortion, and the network that belongs to them, for software that makes clouds.

Every photo becomes what one pinhole camera would have seen: same focal lengths, principal point in
the middle, the distortion and the shift of this photo's principal point taken out. Rays that leave
the frame are cut off; what the photo did not show is black. The drift over the rows stays in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from calib.camera import Camera
from calib.photo import Pixels, read_rgb
from pipeline.exchange.colmap import PosedNetwork, PosedPhoto, write_model
from targets.atomic import write_bytes
from targets.errors import UserError
from targets.said import say

_JPEG_QUALITY = 95


@dataclass(frozen=True)
class Undistorted:
    """What was written.

    Attributes
    ----------
    photos : how many.
    missing : name and reason of those that could not be read.
    """

    photos: int
    missing: tuple[tuple[str, str], ...]


def write_undistorted(
    network: PosedNetwork, photos: Path, folder: Path, progress: Callable[[int, int], None]
) -> Undistorted:
    """Write ``folder``/images and the COLMAP model of them in ``folder``/sparse.

    Parameters
    ----------
    network : from ``posed_network``.
    photos : folder of the job's photos.
    progress : called with how many are done, and how many there are.

    Raises
    ------
    UserError : no photo can be read, one has another size than the one that was measured, or a
        file cannot be written.
    """
    kept = []
    missing: list[tuple[str, str]] = []
    for done, photo in enumerate(network.photos):
        progress(done, len(network.photos))
        try:
            rgb = read_rgb(photos / photo.name)
        except UserError as error:
            missing.append((photo.name, error.what))
            continue
        camera = network.cameras[photo.camera]
        if rgb.shape[:2] != (camera.height_px, camera.width_px):
            missing.append((photo.name, say("is not the photo that was measured")))
            continue
        name = _jpeg_name(photo.name)
        flat = undistort(rgb, camera, pinhole_of(camera))
        encoded = cv2.imencode(
            ".jpg",
            cv2.cvtColor(flat, cv2.COLOR_RGB2BGR),
            [cv2.IMWRITE_JPEG_QUALITY, _JPEG_QUALITY],
        )[1]
        write_bytes(folder / "images" / name, encoded.tobytes())
        kept.append(replace(photo, name=name))
    progress(len(network.photos), len(network.photos))
    if not kept:
        name, why = missing[0]
        raise UserError(
            say(
                "none of the {photos} photos can be read ({name} {why})",
                photos=len(missing),
                name=name,
                why=why,
            ),
            str(photos),
            "put them back",
        )
    write_model(pinhole_network(replace(network, photos=tuple(kept))), folder / "sparse")
    return Undistorted(len(kept), tuple(missing))


def pinhole_of(camera: Camera) -> Camera:
    """The pinhole camera of the same size and focal lengths, its principal point in the middle."""
    constants = np.zeros(9)
    constants[:2] = camera.constants[:2]
    constants[2:4] = (camera.width_px - 1) / 2, (camera.height_px - 1) / 2
    return replace(camera, constants=constants)


def undistort(rgb: Pixels, camera: Camera, pinhole: Camera) -> Pixels:
    """The picture (h, w, 3) that the pinhole camera would have taken; bicubic."""
    maps = cv2.initUndistortRectifyMap(
        camera.matrix,
        camera.distortion,
        np.eye(3),
        pinhole.matrix,
        (camera.width_px, camera.height_px),
        cv2.CV_32FC1,
    )
    return np.asarray(cv2.remap(rgb, maps[0], maps[1], cv2.INTER_CUBIC), dtype=np.uint8)


def pinhole_network(network: PosedNetwork) -> PosedNetwork:
    """The same network as the undistorted photos show it; dots cut off are left out."""
    cameras: list[Camera] = []
    photos = []
    for photo in network.photos:
        camera = network.cameras[photo.camera]
        pinhole = pinhole_of(camera)
        known = [i for i, other in enumerate(cameras) if _same(other, pinhole)]
        if not known:
            cameras.append(pinhole)
        photos.append(_flat(photo, camera, pinhole, known[0] if known else len(cameras) - 1))
    return replace(network, cameras=tuple(cameras), photos=tuple(photos))


def _flat(photo: PosedPhoto, camera: Camera, pinhole: Camera, number: int) -> PosedPhoto:
    px = camera.rays(photo.px) * pinhole.constants[:2] + pinhole.constants[2:4]
    last = np.array([pinhole.width_px - 1, pinhole.height_px - 1])
    inside = ((px >= 0.0) & (px <= last)).all(axis=1)
    return replace(
        photo,
        camera=number,
        points=photo.points[inside],
        px=px[inside],
        residuals_px=photo.residuals_px[inside],
    )


def _same(one: Camera, other: Camera) -> bool:
    size = (one.width_px, one.height_px) == (other.width_px, other.height_px)
    return size and bool((one.constants == other.constants).all())


def _jpeg_name(name: str) -> str:
    """The photo's name, .jpg added where it was no JPEG."""
    return name if Path(name).suffix.lower() in (".jpg", ".jpeg") else f"{name}.jpg"
