"""Photos that are not as the camera took them, told from what their files say.

A crop, a screenshot or a picture that a program made smaller has another camera than the photos
beside it. What their pixels show decides in the end; here they are named.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from calib.photo import CameraIdentity, PhotoHeader
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.network import NetworkFound
from pipeline.findings import Finding
from targets.said import say

_FOCAL_OFF = 0.15
"""What rounding and the ways of reckoning a 35 mm equivalent explain is less (our choice)."""


def edited_findings(headers: Sequence[PhotoHeader], groups: Sequence[PhotoGroup]) -> list[Finding]:
    """Photos that were cropped, resized or made by another program.

    Those that a lens profile was refused for are told with that.
    """
    refused = {name for g in groups if g.reason for name in g.photos}
    usual = _usual_size(headers)
    findings = []
    for header in headers:
        why = header.edited or _other_size(header.identity, usual)
        if why and header.name not in refused:
            findings.append(
                Finding(
                    "photo-edited",
                    "warning",
                    header.name,
                    say("This photo is not as the camera took it: {why}.", why=why),
                    "Use the original file from the phone, all photos in one format and at 1x.",
                )
            )
    return findings


def focal_findings(network: NetworkFound, groups: Sequence[PhotoGroup]) -> list[Finding]:
    """Photos whose EXIF names a focal length that is not theirs."""
    findings = []
    used = set(network.photos)
    for group, constants in zip(groups, network.network.constants, strict=True):
        stated_px = group.stated_focal_px
        own = [name for name in group.photos if name in used]
        if stated_px is None or not own:
            continue
        measured_px = float(constants[:2].mean())
        if abs(np.log(measured_px / stated_px)) > _FOCAL_OFF:
            findings.append(
                Finding(
                    "focal-length-odd",
                    "warning",
                    named(own),
                    say(
                        "EXIF says a focal length of {stated:.0f} px, and these photos show one of "
                        "{measured:.0f} px: another lens, a crop or a zoom.",
                        stated=stated_px,
                        measured=measured_px,
                    ),
                    "Use original files, taken with the main lens at 1x.",
                )
            )
    return findings


def named(photos: Sequence[str], most: int = 4) -> str:
    """Photos by name, the first and last of many."""
    if len(photos) <= most:
        return ", ".join(photos)
    return say(
        "{first} to {last} ({photos} photos)",
        first=photos[0],
        last=photos[-1],
        photos=len(photos),
    )


def _usual_size(headers: Sequence[PhotoHeader]) -> CameraIdentity | None:
    """Of the camera that took most of the photos, the pixel size that most of them have."""
    named_ones = [h.identity for h in headers if h.identity.model and not h.edited]
    if not named_ones:
        return None
    camera = Counter(map(_camera, named_ones)).most_common(1)[0][0]
    own = Counter(i for i in named_ones if _camera(i) == camera)
    return max(own, key=lambda i: (own[i], i.width_px * i.height_px))


def _other_size(identity: CameraIdentity, usual: CameraIdentity | None) -> str:
    """Why pixels of this size can hardly be the sensor's; "" if they may be."""
    if usual is None or (identity.width_px, identity.height_px) == (
        usual.width_px,
        usual.height_px,
    ):
        return ""
    sizes = {
        "size": f"{identity.width_px} x {identity.height_px}",
        "usual": f"{usual.width_px} x {usual.height_px}",
    }
    if not identity.model:
        return say(
            "a screenshot, or resized by another program: no EXIF, and {size} pixels where the "
            "others have {usual}",
            **sizes,
        )
    if _camera(identity) == _camera(usual):
        return say(
            "cropped, resized or in another format: {size} pixels where others of this camera "
            "have {usual}",
            **sizes,
        )
    return ""


def _camera(identity: CameraIdentity) -> tuple[object, ...]:
    return identity.make, identity.model, identity.lens, identity.focal_mm
