"""Which photos share a camera, and what is known of it before the adjustment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import Camera
from calib.frames import Array
from calib.lens_file import LensProfile, misfit
from calib.photo import PhotoHeader
from pipeline.adjustment.lens_terms import EXTRA_CONSTANTS
from pipeline.adjustment.network import CameraGuess

_FULL_FRAME_MM = 36.0
_USUAL_FOCAL_SHARE = 0.75
"""Focal length of a phone's main lens as a share of the photo's longer side (26 to 28 mm on
36 mm: common practice, no source)."""
_REFOCUS_SHARE = 0.002
"""A phone refocuses between board and car: relative change of the focal length (c = f s/(s - f):
0.3 % from 2 m to 1 m for f = 6 mm)."""
_STABILISER_SHARE = 0.001
"""Shift of the principal point by stabilisation, as a share of the photo's longer side."""


@dataclass(frozen=True)
class PhotoGroup:
    """Photos with the same camera constants.

    Attributes
    ----------
    name : how a person knows the camera.
    photos : names.
    guess : constants to start from and how well they are known.
    from_profile : whether they come from the job's lens profile.
    reason : why the job's lens profile was not applied ("" when it was, or there is none).
    stated_focal_px : focal length by EXIF, None where it says nothing.
    """

    name: str
    photos: tuple[str, ...]
    guess: CameraGuess
    from_profile: bool
    reason: str
    stated_focal_px: float | None = None


def group_photos(headers: Sequence[PhotoHeader], profile: LensProfile | None) -> list[PhotoGroup]:
    """Groups in the order in which their first photo comes.

    A photo that the profile does not fit, or whose pixels are not the sensor's (edited, cropped,
    zoomed), never shares constants with one that it fits.
    """
    members: dict[tuple[object, str], list[PhotoHeader]] = {}
    for header in headers:
        reason = misfit(profile, header) if profile else ""
        members.setdefault((header.identity, header.edited or reason), []).append(header)
    groups = []
    for (_, reason), photos in members.items():
        first = photos[0]
        guess = _from_profile(profile) if profile and not reason else _from_exif(first)
        groups.append(
            PhotoGroup(
                first.identity.name,
                tuple(p.name for p in photos),
                guess,
                bool(profile) and not reason,
                reason if profile else "",
                stated_focal_px(first),
            )
        )
    return groups


def without_stated_focal(groups: Sequence[PhotoGroup]) -> list[PhotoGroup]:
    """Groups that do not believe what EXIF says of focal lengths: those of a phone's usual lens."""
    return [
        group
        if group.from_profile
        else replace(group, guess=_usual(group.guess.camera.width_px, group.guess.camera.height_px))
        for group in groups
    ]


def stated_focal_px(header: PhotoHeader) -> float | None:
    """Focal length by the 35 mm equivalent in EXIF, None where there is none."""
    mm = header.identity.focal35_mm
    longest = max(header.identity.width_px, header.identity.height_px)
    return mm / _FULL_FRAME_MM * longest if mm else None


def _from_profile(profile: LensProfile) -> CameraGuess:
    """The profile's constants, its covariance widened by what changes between two shootings."""
    camera = profile.camera
    longest = max(camera.width_px, camera.height_px)
    widened = profile.covariance.copy()
    focal = float(camera.constants[:2].mean())
    # Refocusing changes fx and fy together.
    widened[:2, :2] += (_REFOCUS_SHARE * focal) ** 2
    widened[[2, 3], [2, 3]] += (_STABILISER_SHARE * longest) ** 2
    return CameraGuess(camera, np.asarray(np.linalg.inv(widened), dtype=float))


def _from_exif(header: PhotoHeader) -> CameraGuess:
    """A phone's usual lens, held loosely; its focal length from EXIF where given."""
    width_px, height_px = header.identity.width_px, header.identity.height_px
    stated_px = stated_focal_px(header)
    return (
        _usual(width_px, height_px, stated_px, 0.06) if stated_px else _usual(width_px, height_px)
    )


def _usual(
    width_px: int, height_px: int, focal_px: float | None = None, sd_share: float = 0.15
) -> CameraGuess:
    """A lens without distortion, of a phone's usual focal length unless one is given."""
    longest = max(width_px, height_px)
    focal_px = focal_px or _USUAL_FOCAL_SHARE * longest
    constants = np.zeros(9)
    constants[:2] = focal_px
    constants[2:4] = (width_px - 1) / 2, (height_px - 1) / 2
    return CameraGuess(
        Camera(width_px, height_px, constants),
        loose_information(focal_px, sd_share, longest),
        EXTRA_CONSTANTS,
    )


def loose_information(focal_px: float, sd_share: float, longest_px: int) -> Array:
    """Information (9, 9) of constants that are only known to be a camera's."""
    sd = np.array([0, 0, 0.02 * longest_px, 0.02 * longest_px, 0.3, 0.5, 0.003, 0.003, 0.5])
    information = np.zeros((9, 9))
    information[range(2, 9), range(2, 9)] = sd[2:] ** -2
    common = (sd_share * focal_px) ** 2
    # Pixels are square to half a percent: fx and fy are known together.
    own = (0.005 * focal_px) ** 2
    information[:2, :2] = np.linalg.inv([[common + own, common], [common, common + own]])
    return information
