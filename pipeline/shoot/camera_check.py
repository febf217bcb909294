"""Is this the calibrated lens, does it hold still, is it sharp: told from the first photos.

Nothing but sightings and the adjusted network is used, so it costs nothing beside them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from calib.frames import Array
from capture.photo_set import PhotoSeen, PhotoSet
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.network import NetworkFound
from pipeline.shoot.gain import dot_noise_of
from targets.said import listed, say

_CHANGED = 3.5
"""Standard deviations by which a constant may differ from the profile."""
_LEAST_PHOTOS = 6
"""Fewer cannot tell a moving lens or hand from noise."""
_SHIFTING_PX = 1.0
_DRIFTING_RAD = 5e-4
"""Over one read-out; about 2 degrees a second."""
_UNSHARP = 3.0
"""A photo whose dots are this many times as noisy as those of the median photo."""
_NOISY_PX = 0.25
"""Standard deviation of a dot of 8 px in photos that are all unsharp or dark."""
_SMALL_PX = 5.0
_USE = say(
    "use the main lens at 1x, no digital zoom, no HDR or night mode, and do not edit the photos"
)


def camera_lines(
    seen: PhotoSet, groups: Sequence[PhotoGroup], network: NetworkFound | None, lens_named: bool
) -> tuple[str, ...]:
    """What is doubtful about the camera, each with what to do; empty when all is well."""
    lines: list[str] = []
    if not lens_named:
        lines.append(
            say(
                "No lens profile is named in job.toml: the camera is worked out from "
                "these photos alone. Calibrate it with datumshot lens, or turn the phone "
                "upright for a third of the photos."
            )
        )
        lines += _edited(seen.photos)
    else:
        lines += _other_lens(groups)
    edited = {photo.name for photo in seen.photos if photo.header.edited}
    whole = [group for group in groups if not edited.intersection(group.photos)]
    if len(whole) > 1 and not any(g.reason for g in groups):
        names = listed(
            [say("{photos} with {camera}", photos=len(g.photos), camera=g.name) for g in whole],
            "; ",
        )
        lines.append(
            say(
                "The photos come from {count} cameras or lenses ({names}): {use}.",
                count=len(whole),
                names=names,
                use=_USE,
            )
        )
    if network is not None:
        lines += _changed(groups, network) + _unsteady(network)
    return (*lines, *_unsharp(seen.photos))


def _other_lens(groups: Sequence[PhotoGroup]) -> list[str]:
    return [
        say(
            "{photos}: not taken with the calibrated lens ({reason}); {use}, or "
            "calibrate this lens too.",
            photos=_names(g.photos),
            reason=g.reason,
            use=_USE,
        )
        for g in groups
        if g.reason
    ]


def _edited(photos: Sequence[PhotoSeen]) -> list[str]:
    photos_of: dict[str, list[str]] = {}
    for photo in photos:
        if photo.header.edited:
            photos_of.setdefault(photo.header.edited, []).append(photo.name)
    return [
        say("{photos}: {why}; {use}.", photos=_names(names), why=why, use=_USE)
        for why, names in photos_of.items()
    ]


def _changed(groups: Sequence[PhotoGroup], network: NetworkFound) -> list[str]:
    """Constants that these photos put off the profile: a linear update moves by the difference.

    With P before and Q after, the shift of an estimate has the covariance P - Q.
    """
    lines: list[str] = []
    for g, group in enumerate(groups):
        if not group.from_profile:
            continue
        before = np.diag(np.linalg.inv(group.guess.information))
        after = np.diag(network.found.constants[g]) * network.found.stated_factor
        off: Array = network.network.constants[g] - group.guess.camera.constants
        spread = np.sqrt(np.maximum(before - after, 0.1 * before))
        if np.abs(off[:4] / spread[:4]).max() > _CHANGED:
            focal = 100.0 * float(off[:2].mean() / group.guess.camera.constants[:2].mean())
            lines.append(
                say(
                    "The lens is no longer as calibrated (focal {focal:+.2f} %, principal "
                    "point {x:+.1f}, {y:+.1f} px): lock the focus, take off any cover "
                    "or add-on lens, and calibrate again with datumshot lens at this "
                    "distance.",
                    focal=focal,
                    x=float(off[2]),
                    y=float(off[3]),
                )
            )
    return lines


def _unsteady(network: NetworkFound) -> list[str]:
    if len(network.photos) < _LEAST_PHOTOS:
        return []
    lines: list[str] = []
    if network.priors.shift_sd_px > _SHIFTING_PX:
        lines.append(
            say(
                "Stabilisation moves the image by about {shift:.1f} px from photo "
                "to photo: turn it off if the phone can, else rest the phone on "
                "something.",
                shift=network.priors.shift_sd_px,
            )
        )
    if network.priors.drift_sd[:3].max() > _DRIFTING_RAD:
        lines.append(
            say(
                "The phone moves while it takes the photo: hold it still, elbows on the "
                "body, or on a pole; more light shortens the exposure."
            )
        )
    return lines


def _unsharp(photos: Sequence[PhotoSeen]) -> list[str]:
    noise = {p.name: dot_noise_of(p.sightings, 1.0) for p in photos if _whole(p)}
    if not noise:
        return []
    lines: list[str] = []
    usual = float(np.median(list(noise.values())))
    bad = [n for n, sd in noise.items() if sd > max(_UNSHARP * usual, 0.1)]
    if usual > _NOISY_PX:
        lines.append(
            say(
                "All photos are unsharp or dark: wipe the lens, focus on a card and lock "
                "it there, more light, hold still."
            )
        )
    elif bad:
        lines.append(
            say(
                "{photos}: less sharp than the others; hold still, lock the focus, take it again.",
                photos=_names(bad),
            )
        )
    small = _small(photos)
    if small > 0.5:
        lines.append(
            say(
                "In {share:.0f} % of the sightings the dots are less than {least:.0f} "
                "px wide: go nearer, or use larger cards (450 to 586).",
                share=100 * small,
                least=_SMALL_PX,
            )
        )
    return lines


def _whole(photo: PhotoSeen) -> bool:
    return any(s.measured.all() for s in photo.sightings)


def _small(photos: Sequence[PhotoSeen]) -> float:
    """Share of sightings whose dots are too small to measure well; a tag is six dots wide."""
    sides = [
        np.linalg.norm(s.corners_px - np.roll(s.corners_px, 1, axis=0), axis=1).mean() / 6.0
        for p in photos
        for s in p.sightings
    ]
    return float((np.array(sides) < _SMALL_PX).mean()) if sides else 0.0


def _names(names: Sequence[str] | Mapping[str, object]) -> str:
    first, *more = names
    return say("{shown} and {more} more", shown=first, more=len(more)) if more else first
