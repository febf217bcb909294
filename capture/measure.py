"""From a card's rough place in a photo to a sighting: its dots measured and checked."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from capture.dot_fit import DotFit, DotGuess
from capture.dots import fit_cards, fit_dots
from capture.face import match_face
from capture.plane import homography, projected
from capture.sightings import Sighting
from targets.card import card_of

_FACE_BLUR_PX = 0.9
_FACE_SEARCH_PX = 6
"""Predictions are better than that, but for those of weak networks."""
_OUTWARD = np.sign(card_of(0).dots_mm)


@dataclass(frozen=True)
class CardPlace:
    """Where a card is expected: its id and its tag's corners, (4, 2) px, good to a few pixels."""

    card: int
    corners_px: Array


def measure_cards(
    grey: NDArray[np.uint8], photo: str, places: list[CardPlace]
) -> tuple[list[Sighting], DotFit]:
    """Measure the dots of the cards at ``places`` in a grey photo (H, W).

    A dot whose centre lies off the place that the tag gives it by more than half its own radius
    and a pixel is dropped: it is another dark spot. A card may be left with no dot at all: found,
    but not measured.

    Returns
    -------
    sightings : one per place, in the same order.
    fit : what the dots looked like, 4 per place (for judging the photo).
    """
    by_corners, guess = _expected(places)
    fit = fit_dots(grey, guess)
    off_px = np.linalg.norm(fit.centres_px - guess.centres_px, axis=1)
    radius_px = np.sqrt(np.abs(np.linalg.det(guess.semi_px)))
    good = fit.good & (off_px < 0.5 * radius_px + 1.0)
    return _sightings(photo, places, by_corners, fit, good), fit


def place_by_face(grey: NDArray[np.uint8], place: CardPlace) -> CardPlace | None:
    """The place where the card's face is seen near the expected one; None where it is not."""
    match = match_face(grey, place.card, place.corners_px, _FACE_BLUR_PX, _FACE_SEARCH_PX)
    return CardPlace(place.card, place.corners_px + match.shift_px) if match.sure else None


def shows_other_face(grey: NDArray[np.uint8], place: CardPlace) -> bool:
    """Whether what was taken for a card there does not look like it; False if it cannot be told.

    Among thousands of dark quadrilaterals some have a code by chance, mostly slivers with cells of
    half a pixel; the whole face, paper and dots included, they have not.
    """
    match = match_face(grey, place.card, place.corners_px, _FACE_BLUR_PX, _FACE_SEARCH_PX)
    return bool(np.isfinite(match.likeness)) and not match.sure


def measure_led(grey: NDArray[np.uint8], photo: str, places: list[CardPlace]) -> list[Sighting]:
    """The same for places good to some tenths of a pixel, whatever the dots look like.

    A card's dots lead each other to their places (``fit_cards``). None is dropped for where it
    lies: the caller, who knows how well the places are known, judges that.
    """
    by_corners, guess = _expected(places)
    fit = fit_cards(grey, guess)
    return _sightings(photo, places, by_corners, fit, fit.good)


def _expected(places: list[CardPlace]) -> tuple[list[Array], DotGuess]:
    """For each place card mm to px by its tag's corners, and the dots expected by that."""
    by_corners = [homography(card_of(p.card).corners_mm, p.corners_px) for p in places]
    guesses = [_guess(card_of(p.card).id, h) for p, h in zip(places, by_corners, strict=True)]
    guess = DotGuess(
        np.concatenate([g.centres_px for g in guesses]) if guesses else np.zeros((0, 2)),
        np.concatenate([g.semi_px for g in guesses]) if guesses else np.zeros((0, 2, 2)),
        np.tile(_OUTWARD, (len(guesses), 1)),
    )
    return by_corners, guess


def _sightings(
    photo: str,
    places: list[CardPlace],
    by_corners: list[Array],
    fit: DotFit,
    good: NDArray[np.bool_],
) -> list[Sighting]:
    sightings = []
    for i, place in enumerate(places):
        four = slice(4 * i, 4 * i + 4)
        measured = good[four]
        card = card_of(place.card)
        by_card = by_corners[i]
        if measured.all():
            by_card = homography(card.dots_mm, fit.centres_px[four])
        centres = fit.centres_px[four] + eccentricity_px(
            by_card, card.dots_mm, card.dot_diameter_mm / 2.0
        )
        sightings.append(
            Sighting(
                card=place.card,
                photo=photo,
                corners_px=place.corners_px,
                dots_px=np.where(measured[:, None], centres, np.nan),
                covariance_px2=fit.covariance_px2[four],
                measured=measured,
            )
        )
    return sightings


def eccentricity_px(image_from_card: Array, centres_mm: Array, radius_mm: float) -> Array:
    """Projected circle centre minus centre of the projected circle, (N, 2) px.

    A circle's image is an ellipse whose centre is not the image of the circle's centre. With the
    plane-to-image homography H and the circle's dual conic Q = T diag(r^2, r^2, -1) T^T, the
    ellipse's centre is the last column of H Q H^T divided by its last element (Hartley and
    Zisserman, Multiple View Geometry, section 2.2.3, from memory).

    Parameters
    ----------
    image_from_card : (3, 3) homography, card mm to px.
    centres_mm : (N, 2) circle centres in the card's plane.
    """
    shift = np.tile(np.eye(3), (len(centres_mm), 1, 1))
    shift[:, :2, 2] = centres_mm
    moved = image_from_card @ shift
    dual = moved @ np.diag([radius_mm**2, radius_mm**2, -1.0]) @ moved.transpose(0, 2, 1)
    ellipse = dual[:, :2, 2] / dual[:, 2:, 2]
    circle = moved[:, :2, 2] / moved[:, 2:, 2]
    return np.asarray(circle - ellipse)


def refine_corners(grey: NDArray[np.uint8], places: list[CardPlace]) -> list[CardPlace]:
    """Corners moved onto the tag's edges in the full image, good to some tenths of a pixel."""
    refined = []
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 15, 0.05)
    for place in places:
        sides = np.linalg.norm(place.corners_px - np.roll(place.corners_px, 1, axis=0), axis=1)
        # Less than one cell of the tag, so that only the outer corner is in the window.
        half = int(np.clip(sides.min() / 10.0, 2, 7))
        corners = place.corners_px.astype(np.float32).reshape(-1, 1, 2)
        moved = cv2.cornerSubPix(grey, corners, (half, half), (-1, -1), stop).reshape(4, 2)
        near = np.linalg.norm(moved - place.corners_px, axis=1) < half + 1.0
        refined.append(CardPlace(place.card, np.where(near[:, None], moved, place.corners_px)))
    return refined


def _guess(card_id: int, image_from_card: Array) -> DotGuess:
    """Expected ellipses of a card's four dots under a homography, card mm to px."""
    card = card_of(card_id)
    centres = projected(image_from_card, card.dots_mm)
    depth = card.dots_mm @ image_from_card[2, :2] + image_from_card[2, 2]
    by_mm = image_from_card[None, :2, :2] - centres[:, :, None] * image_from_card[2, :2]
    by_mm = by_mm / depth[:, None, None]
    return DotGuess(centres, by_mm * (card.dot_diameter_mm / 2.0), _OUTWARD)
