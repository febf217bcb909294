"""The network of a job's sightings: its cameras, its marks, still or hand-held photos."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace

import numpy as np

from calib.camera import Camera
from calib.frames import Array, Pose
from calib.lens_file import LensProfile
from capture.photo_set import PhotoSet
from capture.plane import homography
from capture.sightings import Sighting
from pipeline.adjustment.cameras import PhotoGroup, group_photos, without_stated_focal
from pipeline.adjustment.lens_terms import NOTHING_ASKED
from pipeline.adjustment.marks import layout_of, layout_sd_of_marks, sides_by_photos, unknown_sides
from pipeline.adjustment.misprints import OWN_LAYOUT_SD_MM, Misprint
from pipeline.adjustment.network import NetworkFound, find_network
from pipeline.adjustment.points import card_axes, card_size
from pipeline.adjustment.solution import CameraGroup, Solution
from pipeline.inputs.job import Job
from targets.card import card_of
from targets.errors import UserError
from targets.mark import Marks, is_mark

LAYOUT_SD_MM = np.array([0.03, 0.03, 0.15])
"""How well a printed card of 80 mm keeps its layout: print and paper in x and y, flatness in z."""
DRIFT_SD = np.array([2e-4] * 3 + [0.15] * 3)
"""Where the estimate of the hand's drift over one read-out begins: 1 degree/s for 12 ms is
2e-4 rad; 12 mm/s, 0.15 mm (assumed; the photos then say what it was)."""
SHIFT_SD_PX = 0.5
"""Where the estimate of the principal point's shift by stabilisation begins (assumed likewise)."""
HAND_HELD = (DRIFT_SD, SHIFT_SD_PX)
STEADY = (np.zeros(6), 0.0)
"""For the networks on the way, which need to tell only where to look."""
_STRETCHED = 0.015
"""Of cards that are not stretched, sixteen and more, the median hardly strays by so much."""
_SIDE_ROUNDS = 4
"""Each may place marks and photos from which the next one learns further sides."""


def first_network(
    job: Job, seen: PhotoSet, profile: LensProfile | None
) -> tuple[list[PhotoGroup], NetworkFound]:
    """Cameras and a first network.

    Where the start fails, once more with cards as stretched as the photos show them, and where
    EXIF states focal lengths, without these.

    Raises
    ------
    UserError : the photos do not hang together either way.
    """
    groups = group_photos([p.header for p in seen.photos], profile)
    try:
        return groups, adjust_sightings(seen, groups, job.marks, STEADY)
    except UserError as error:
        failed = error
    stretched = _stretched(seen, groups)
    if stretched is not None:
        with suppress(UserError):
            found = adjust_sightings(seen, groups, job.marks, STEADY, print_scale=stretched)
            return groups, found
    usual = without_stated_focal(groups)
    if all(g.from_profile or g.stated_focal_px is None for g in groups):
        raise failed
    return usual, adjust_sightings(seen, usual, job.marks, STEADY)


def _stretched(seen: PhotoSet, groups: Sequence[PhotoGroup]) -> Array | None:
    """Print scales (2,), their mean 1, where the cards look stretched one way; else None.

    A card's plane has x' ~ (sx a, sy b, t) (x, y, 1) in the undistorted photo, a and b orthonormal;
    so its homography tells sy / sx. A wrong focal length and noise make single ones stray by some
    per cent; the median does not.
    """
    camera_of_photo = {p: g.guess.camera for g in groups for p in g.photos}
    ratios = []
    for sighting in seen.sightings:
        if sighting.measured.all() and not is_mark(sighting.card):
            rays = camera_of_photo[sighting.photo].rays(sighting.dots_px)
            plane = homography(card_of(sighting.card).dots_mm, rays)
            ratios.append(np.linalg.norm(plane[:, 1]) / np.linalg.norm(plane[:, 0]))
    if not ratios:
        return None
    up_over_across = float(np.median(ratios))
    if abs(np.log(up_over_across)) < _STRETCHED:
        return None
    return np.array([2.0, 2.0 * up_over_across]) / (1.0 + up_over_across)


def adjust_sightings(
    seen: PhotoSet,
    groups: Sequence[PhotoGroup],
    marks: Marks | None,
    unsteadiness: tuple[Array, float],
    resume: NetworkFound | None = None,
    misprinted: Sequence[Misprint] = (),
    print_scale: Array | None = None,
) -> NetworkFound:
    """Adjust all sightings, marks of unknown side as large as the photos show them.

    Parameters
    ----------
    misprinted : cards with a layout of their own, loosely held.
    print_scale : (2,) with which to start, where it is far from 1.
    """

    def adjusted(
        chosen: Sequence[Sighting], sides_mm: Mapping[int, float], earlier: NetworkFound | None
    ) -> NetworkFound:
        layout_mm = layout_of([s.card for s in chosen], marks, sides_mm)
        own_sd_mm = layout_sd_of_marks(layout_mm, marks)
        for own in misprinted:
            layout_mm[own.card] = own.layout_mm
            own_sd_mm[own.card] = card_size(own.card) * OWN_LAYOUT_SD_MM
        return find_network(
            chosen,
            [g.guess for g in groups],
            {p: i for i, g in enumerate(groups) for p in g.photos},
            layout_mm,
            LAYOUT_SD_MM,
            *unsteadiness,
            resume=earlier,
            own_sd_mm=own_sd_mm,
            print_scale=print_scale,
        )

    sightings = seen.sightings
    unknown = unknown_sides([s.card for s in sightings], marks)
    if not unknown:
        return adjusted(sightings, {}, resume)
    found = resume
    if found is None:
        # A size taken from nowhere would put a mark at a wrong distance: the others come first.
        known = [s for s in sightings if s.card not in unknown]
        try:
            found = adjusted(known or sightings, {}, None)
        except UserError:
            found = adjusted(sightings, {}, None)
    sides_mm: dict[int, float] = {}
    for count in range(_SIDE_ROUNDS):
        told = sides_by_photos(posed(found, groups), sightings)
        if count and unknown & set(told) <= set(sides_mm):
            break
        sides_mm = told
        usable = [s for s in sightings if s.card not in unknown or s.card in sides_mm]
        found = adjusted(usable, sides_mm, found)
    return found


def posed(network: NetworkFound, groups: Sequence[PhotoGroup]) -> Mapping[str, tuple[Pose, Camera]]:
    """Pose and adjusted camera of each photo in the network."""
    cameras = [
        replace(g.guess.camera, constants=c)
        for g, c in zip(groups, network.network.constants, strict=True)
    ]
    return {
        photo: (
            Pose(network.network.rotation[i], network.network.translation[i]),
            cameras[network.network.group[i]],
        )
        for i, photo in enumerate(network.photos)
    }


def placed(network: NetworkFound) -> Mapping[int, Pose]:
    """network_from_card of each card; marks have no dots that a second look could find."""
    dots = network.network.points.reshape(-1, 4, 3)
    axes = card_axes(dots)
    return {
        card: Pose(axes[i].T, dots[i].mean(axis=0))
        for i, card in enumerate(network.cards)
        if not is_mark(card)
    }


def solution_of(network: NetworkFound, groups: Sequence[PhotoGroup]) -> Solution:
    """The adjusted network as a solution, its uncertainties as they are stated."""
    unknowns = network.network
    factor = network.found.stated_factor
    photo, card = network.observations.photo, network.observations.point // 4
    pairs = np.unique(np.column_stack([photo, card]), axis=0)
    at = {(int(f), int(c)): i for i, (f, c) in enumerate(pairs)}
    measured = np.full((len(pairs), 4, 2), np.nan)
    residuals = np.full((len(pairs), 4, 2), np.nan)
    for n, (f, c) in enumerate(zip(photo, card, strict=True)):
        place = at[int(f), int(c)], network.dot[n]
        measured[place] = network.observations.px[n]
        residuals[place] = network.adjusted.residuals_px[n]
    camera_groups = tuple(
        CameraGroup(
            name=group.name,
            camera=replace(group.guess.camera, constants=unknowns.constants[g]),
            sd_constants=np.sqrt(np.maximum(np.diag(network.found.constants[g]), 0.0) * factor),
            from_profile=group.from_profile,
            photos=group.photos,
            terms=network.terms[g] if network.terms else NOTHING_ASKED,
        )
        for g, group in enumerate(groups)
    )
    return Solution(
        photos=network.photos,
        camera_from_network=tuple(
            Pose(r, t) for r, t in zip(unknowns.rotation, unknowns.translation, strict=True)
        ),
        drift=unknowns.drift,
        shift_px=unknowns.shift_px,
        groups=camera_groups,
        group_of_photo=unknowns.group,
        cards=network.cards,
        dots_mm=unknowns.points.reshape(-1, 4, 3),
        covariance_mm2=network.found.points * factor,
        sightings_of_card=np.bincount(pairs[:, 1], minlength=len(network.cards)),
        sighting_photo=pairs[:, 0],
        sighting_card=pairs[:, 1],
        measured_px=measured,
        residuals_px=residuals,
        sigma0=float(np.sqrt(network.found.variance_factor)),
        redundancy=network.found.redundancy,
        rejected=network.rejected,
    )
