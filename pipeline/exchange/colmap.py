"""The solved network as a COLMAP text model: cameras.txt, images.txt, points3D.txt.

COLMAP's camera FULL_OPENCV has all of our constants: fx fy cx cy k1 k2 p1 p2 k3, and k4 to k6,
which are zero here. The centre of its first pixel is (0.5, 0.5), ours is (0, 0)
(https://colmap.github.io/format.html). Where stabilisation moved the principal point each photo
gets a camera of its own. What cannot be told to COLMAP is the drift of a photo's pose over its
rows (rolling shutter and hand shake); ``drift_px`` says what that costs, in pixels.

Points are the dots of the cards, mm in the vehicle frame (network frame without a datum), id
10 card + dot (1 to 4).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from calib.camera import CONSTANTS, Camera
from calib.frames import Array, Pose
from targets.atomic import write_text

PIXEL_OFFSET = 0.5
"""COLMAP's coordinates minus ours."""

LEAST_SHIFT_PX = 0.005
"""A shift of the principal point below this is nothing that dots could tell: photos share it."""


@dataclass(frozen=True)
class PosedPhoto:
    """One photo of the network.

    Attributes
    ----------
    name : file name.
    camera : index into the network's cameras.
    camera_from_scene : pose in its middle row.
    points : (N,) indices of the points seen; px : (N, 2) where, in our pixels.
    residuals_px : (N, 2) measured minus predicted as the adjustment saw it, drift included.
    """

    name: str
    camera: int
    camera_from_scene: Pose
    points: NDArray[np.intp]
    px: Array
    residuals_px: Array


@dataclass(frozen=True)
class PosedNetwork:
    """Photos with poses, their cameras (pixels as ours), points (P, 3) mm and their ids (P,)."""

    cameras: tuple[Camera, ...]
    photos: tuple[PosedPhoto, ...]
    points_mm: Array
    point_ids: NDArray[np.intp]


def posed_network(document: Mapping[str, Any]) -> PosedNetwork:
    """The network of a result.json (``pipeline.results.result_json.load_result_json``)."""
    vehicle = document["vehicle_from_network"]
    scene_from_network = _pose(vehicle) if vehicle else Pose.identity()
    network_from_scene = scene_from_network.inverse()
    cards = [row["card"] for row in document["dots"]]
    at = {card: index for index, card in enumerate(cards)}
    dots = np.array([row["network_mm"] for row in document["dots"]], dtype=float).reshape(-1, 3)
    seen: dict[str, list[tuple[int, Array, Array]]] = {}
    for sighting in document["adjustment"]["sightings"]:
        dots_px = np.array(sighting["dots_px"], dtype=float)
        residuals = np.array(sighting["residuals_px"], dtype=float)
        for dot in np.flatnonzero(np.isfinite(residuals).all(axis=1)):
            point = 4 * at[sighting["card"]] + int(dot)
            seen.setdefault(sighting["photo"], []).append((point, dots_px[dot], residuals[dot]))
    cameras: dict[tuple[int, float, float], Camera] = {}
    photos = []
    for row in document["photos"]:
        if row["camera_from_network"] is None or row["name"] not in seen:
            continue
        shift_px = np.array(row["shift_px"], dtype=float)
        if np.abs(shift_px).max() < LEAST_SHIFT_PX:
            shift_px = np.zeros(2)
        key = (row["camera"], *shift_px.tolist())
        cameras.setdefault(key, _camera(document["cameras"][row["camera"]], shift_px))
        points, px, residuals_px = zip(*seen[row["name"]], strict=True)
        photos.append(
            PosedPhoto(
                row["name"],
                list(cameras).index(key),
                _pose(row["camera_from_network"]).compose(network_from_scene),
                np.array(points),
                np.array(px),
                np.array(residuals_px),
            )
        )
    ids = [10 * card + dot for card in cards for dot in (1, 2, 3, 4)]
    return PosedNetwork(
        tuple(cameras.values()), tuple(photos), scene_from_network.apply(dots), np.array(ids)
    )


def reprojection_px(network: PosedNetwork, photo: PosedPhoto) -> Array:
    """Measured minus predicted, (N, 2), as software sees it that knows of no drift."""
    in_camera = photo.camera_from_scene.apply(network.points_mm[photo.points])
    return np.asarray(photo.px - network.cameras[photo.camera].project(in_camera))


@dataclass(frozen=True)
class ToldApart:
    """Misfit of all dots per coordinate, px: with drift and without, and their difference.

    Attributes
    ----------
    adjusted_rms_px : rms of the residuals of the adjustment.
    told_rms_px : rms of the residuals without drift, which COLMAP will find.
    apart_rms_px, apart_max_px : rms and largest length of what differs between the two.
    """

    adjusted_rms_px: float
    told_rms_px: float
    apart_rms_px: float
    apart_max_px: float


def drift_px(network: PosedNetwork) -> ToldApart:
    """What it costs that the drift of each photo cannot be told."""
    ours = np.vstack([photo.residuals_px for photo in network.photos])
    theirs = np.vstack([reprojection_px(network, photo) for photo in network.photos])
    apart = theirs - ours
    adjusted_rms, told_rms, apart_rms = (
        float(np.sqrt(np.mean(values**2))) for values in (ours, theirs, apart)
    )
    return ToldApart(adjusted_rms, told_rms, apart_rms, float(np.linalg.norm(apart, axis=1).max()))


def model_texts(network: PosedNetwork) -> dict[str, str]:
    """File names and texts of the model."""
    return {
        "cameras.txt": _cameras_text(network),
        "images.txt": _images_text(network),
        "points3D.txt": _points_text(network),
    }


def write_model(network: PosedNetwork, folder: Path) -> None:
    """Write the three files into a folder (made when missing).

    Raises
    ------
    UserError : a file cannot be written.
    """
    for name, text in model_texts(network).items():
        write_text(folder / name, text)


def _cameras_text(network: PosedNetwork) -> str:
    lines = ["# CAMERA_ID, MODEL, WIDTH, HEIGHT, PARAMS[]"]
    for number, camera in enumerate(network.cameras, start=1):
        shifted = camera.constants + np.array([0, 0, PIXEL_OFFSET, PIXEL_OFFSET, 0, 0, 0, 0, 0])
        # Without distortion it is a PINHOLE, which is what dense matching asks for.
        distorted = bool(camera.distortion.any())
        model = "FULL_OPENCV" if distorted else "PINHOLE"
        values = [*shifted, 0.0, 0.0, 0.0] if distorted else shifted[:4]
        numbers = " ".join(repr(float(value)) for value in values)
        lines.append(f"{number} {model} {camera.width_px} {camera.height_px} {numbers}")
    return _text(lines)


def _images_text(network: PosedNetwork) -> str:
    lines = [
        "# IMAGE_ID, QW, QX, QY, QZ, TX, TY, TZ, CAMERA_ID, NAME",
        "# POINTS2D[] as (X, Y, POINT3D_ID)",
    ]
    for number, photo in enumerate(network.photos, start=1):
        x, y, z, w = Rotation.from_matrix(photo.camera_from_scene.rotation).as_quat().tolist()
        pose = [w, x, y, z, *photo.camera_from_scene.translation.tolist()]
        numbers = " ".join(repr(value) for value in pose)
        lines.append(f"{number} {numbers} {photo.camera + 1} {photo.name}")
        lines.append(
            " ".join(
                f"{u:.6f} {v:.6f} {network.point_ids[point]}"
                for (u, v), point in zip(photo.px + PIXEL_OFFSET, photo.points, strict=True)
            )
        )
    return _text(lines)


def _points_text(network: PosedNetwork) -> str:
    lines = ["# POINT3D_ID, X, Y, Z, R, G, B, ERROR, TRACK[] as (IMAGE_ID, POINT2D_IDX)"]
    tracks: dict[int, list[tuple[int, int]]] = {}
    errors: dict[int, list[float]] = {}
    for number, photo in enumerate(network.photos, start=1):
        lengths = np.linalg.norm(reprojection_px(network, photo), axis=1)
        for index, (point, length) in enumerate(zip(photo.points, lengths, strict=True)):
            tracks.setdefault(int(point), []).append((number, index))
            errors.setdefault(int(point), []).append(float(length))
    for point, track in sorted(tracks.items()):
        place = " ".join(repr(v) for v in network.points_mm[point].tolist())
        shown = " ".join(f"{image} {index}" for image, index in track)
        # Dots are black.
        lines.append(
            f"{network.point_ids[point]} {place} 0 0 0 {np.mean(errors[point]):.6f} {shown}"
        )
    return _text(lines)


def _text(lines: list[str]) -> str:
    return "\n".join(lines) + "\n"


def _camera(entry: Mapping[str, Any], shift_px: Array) -> Camera:
    constants = np.array([entry["constants"][name] for name in CONSTANTS], dtype=float)
    constants[2:4] += shift_px
    return Camera(entry["width_px"], entry["height_px"], constants)


def _pose(entry: Mapping[str, Any]) -> Pose:
    return Pose(
        np.array(entry["rotation"], dtype=float), np.array(entry["translation_mm"], dtype=float)
    )
