"""The second look: cards the search missed are measured where the first solution puts them.

Oblique, far, small, partly covered or glaring cards often hide their tag but show their dots. Their
places are predicted from the solved poses; what is measured there counts only if the dots keep
the predicted pattern among themselves.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.stats import chi2

from calib.camera import Camera
from calib.frames import Array, Pose
from capture.measure import CardPlace
from capture.plane import homography, projected
from capture.sightings import Sighting
from targets.card import card_of

_LEAST_TAG_PX = 9.0
_NEAREST_MM = 50.0
_MOST_TILT_COSINE = np.cos(np.radians(83.0))
_MARGIN_PX = 6.0
_PATTERN_PX = 0.12
"""How well the predicted pattern of four dots is known, in each coordinate."""
_FACE_PX = 0.2
"""How well the face's correlation places the card, in each coordinate."""
_SHIFT_PX = 3.0
_FITS = float(chi2.isf(0.001, 2))
_SAME_PX = 0.5
"""A place predicted nearer than this to where it was looked at shows the same again: the fit of a
dot begins well within its reach either way, and the pattern of the four moves far less."""


def expected_places(
    photos: Mapping[str, tuple[Pose, Camera]],
    cards: Mapping[int, Pose],
    sightings: Sequence[Sighting],
) -> dict[str, list[CardPlace]]:
    """Cards that should be seen and are not measured with all four dots.

    Parameters
    ----------
    photos : camera_from_network and camera of each photo.
    cards : network_from_card of each card.
    """
    whole = {(s.photo, s.card) for s in sightings if s.measured.all()}
    places = {}
    for photo, (camera_from_network, camera) in photos.items():
        asked = {card: pose for card, pose in cards.items() if (photo, card) not in whole}
        expected = _places(camera_from_network, camera, asked) if asked else []
        if expected:
            places[photo] = expected
    return places


def not_looked_at(
    places: Mapping[str, Sequence[CardPlace]], looked: Mapping[str, Sequence[CardPlace]]
) -> dict[str, list[CardPlace]]:
    """Those of ``places`` that an earlier look, at ``looked``, has not seen already."""
    left = {}
    for photo, expected in places.items():
        earlier = {place.card: place.corners_px for place in looked.get(photo, ())}
        new = [
            place
            for place in expected
            if place.card not in earlier
            or np.abs(place.corners_px - earlier[place.card]).max() > _SAME_PX
        ]
        if new:
            left[photo] = new
    return left


def confirm_pattern(sighting: Sighting, place: CardPlace) -> Sighting | None:
    """The strict test: dots must keep the predicted pattern but for one common shift.

    The prediction's error moves all four dots alike; a dark spot taken for a dot breaks the
    pattern. At least three dots must agree within the chi-square quantile (2 degrees of freedom,
    0.1 %) of their own covariance and that of the pattern.
    """
    off = sighting.dots_px - _expected_dots(place)
    if sighting.measured.sum() < 3:
        return None
    shift = np.nanmedian(off[sighting.measured], axis=0)
    if np.linalg.norm(shift) > _SHIFT_PX:
        return None
    return _agreeing(sighting, off - shift, 2.0 * _PATTERN_PX**2, 3)


def confirm_led(sighting: Sighting, place: CardPlace) -> Sighting | None:
    """The same for a card whose face was seen at ``place``.

    Which card it is and where are known from hundreds of pixels, so no common shift is free, and
    two dots that agree will do.
    """
    off = sighting.dots_px - _expected_dots(place)
    return _agreeing(sighting, off, _PATTERN_PX**2 + _FACE_PX**2, 2)


def _expected_dots(place: CardPlace) -> Array:
    card = card_of(place.card)
    return projected(homography(card.corners_mm, place.corners_px), card.dots_mm)


def _agreeing(
    sighting: Sighting, off_px: Array, expected_px2: float, least: int
) -> Sighting | None:
    """The sighting with the dots that are where they should be, if they are ``least`` or more."""
    covariance = sighting.covariance_px2 + expected_px2 * np.eye(2)
    rest = np.where(sighting.measured[:, None], off_px, 0.0)
    measured = sighting.measured.copy()
    usable = np.where(measured[:, None, None], covariance, np.eye(2))
    squares = np.einsum("ni,nij,nj->n", rest, np.linalg.inv(usable), rest)
    measured &= squares < _FITS
    if measured.sum() < least:
        return None
    return replace(
        sighting,
        measured=measured,
        dots_px=np.where(measured[:, None], sighting.dots_px, np.nan),
    )


def _places(
    camera_from_network: Pose, camera: Camera, cards: Mapping[int, Pose]
) -> list[CardPlace]:
    """Predicted tag corners of those cards that can be seen from there."""
    known = [card_of(card) for card in cards]
    rotation = camera_from_network.rotation @ np.array([p.rotation for p in cards.values()])
    centre = camera_from_network.apply(np.array([p.translation for p in cards.values()]))

    def in_camera(flat_mm: Sequence[Array]) -> Array:
        """(C, 4, 3) of (C, 4, 2) in the card frames."""
        return np.asarray(np.array(flat_mm) @ rotation[..., :2].swapaxes(1, 2) + centre[:, None])

    corners = in_camera([card.corners_mm for card in known])
    dots = in_camera([card.dots_mm for card in known])
    sight = centre / np.linalg.norm(centre, axis=1, keepdims=True)
    seen = np.minimum(corners[..., 2], dots[..., 2]).min(axis=1) >= _NEAREST_MM
    seen &= (rotation[..., 2] * sight).sum(axis=1) >= _MOST_TILT_COSINE
    # Far outside the image the distortion polynomial means nothing: test the undistorted place.
    size = np.array([camera.width_px, camera.height_px])
    depth = np.maximum(dots[..., 2:], _NEAREST_MM)
    rough = dots[..., :2] / depth * camera.constants[:2] + camera.constants[2:4]
    seen &= ((rough >= -0.1 * size) & (rough <= 1.1 * size)).all(axis=(1, 2))
    at = np.flatnonzero(seen)
    dots_px, corners_px = camera.project(dots[at]), camera.project(corners[at])
    inside = ((dots_px >= _MARGIN_PX) & (dots_px <= size - 1 - _MARGIN_PX)).all(axis=(1, 2))
    one, other = corners_px[:, 2] - corners_px[:, 0], corners_px[:, 3] - corners_px[:, 1]
    area = 0.5 * np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])
    large = area >= _LEAST_TAG_PX**2
    return [
        CardPlace(known[i].id, px)
        for i, px, fits in zip(at, corners_px, inside & large, strict=True)
        if fits
    ]
