"""A card's whole face where it is expected, and dots led to their places by it.

Steep, small and noisy cards are drawn through an exact camera on dark, dull and bright ground. How
often something is found where nothing is, and how often one card is taken for another, is counted.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.frames import Array, Pose
from capture.find import TagFound, find_tags
from capture.measure import (
    CardPlace,
    measure_cards,
    measure_led,
    place_by_face,
    shows_other_face,
)
from capture.photo_set import GreyPhotos, look_closer, see_photos
from capture.sightings import Sighting
from pipeline.adjustment.second_look import confirm_led, confirm_pattern
from targets.card import card_of
from tests.card_images import SUPER, camera_of, draw_cards, facing, true_dots_px

CAMERA = camera_of(360, 360, 2500.0)
STEEP = facing(4.0, -3.0, 1900.0, 1.33, 0.7)
"""76 degrees from square-on: dots of 10 by 2.5 px."""


def seen(
    rng: np.random.Generator, card: int, pose: Pose, ground: float, noise: float, shake_px: int = 1
) -> np.ndarray:
    """A card on a ground of any grey, the hand shaking along the rows, noise last."""
    grey = draw_cards(CAMERA, {card: pose}, rng, noise=0.0).astype(np.float32)
    half = card_of(card).width_mm / 2
    outline = half * np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]], dtype=float)
    fine = np.zeros((CAMERA.height_px * SUPER, CAMERA.width_px * SUPER), np.uint8)
    corners = (CAMERA.project(pose.apply(outline)) + 0.5) * SUPER - 0.5
    cv2.fillConvexPoly(fine, np.rint(corners).astype(np.int32), 255)
    blurred = cv2.GaussianBlur(fine, (0, 0), 0.6 * SUPER)
    share = cv2.resize(blurred, grey.shape[::-1], interpolation=cv2.INTER_AREA) / 255.0
    grey = cv2.blur(grey + (1 - share) * (ground - 90.0), (shake_px, 1))
    return np.clip(np.rint(grey + rng.normal(0, noise, grey.shape)), 0, 255).astype(np.uint8)


def corners_px(card: int, pose: Pose) -> Array:
    return CAMERA.project(pose.apply(np.column_stack([card_of(card).corners_mm, np.zeros(4)])))


def looked(grey: np.ndarray, place: CardPlace) -> Sighting | None:
    found = place_by_face(grey, place)
    return None if found is None else confirm_led(measure_led(grey, "a.jpg", [found])[0], found)


@pytest.mark.parametrize("ground", [20.0, 90.0, 240.0])
def test_steep_noisy_cards_are_found_and_measured(rng: np.random.Generator, ground: float) -> None:
    """The prediction is off by some pixels; the dots' errors keep to their covariance."""
    squares, errors, plainly = [], [], 0
    for card in range(7, 300, 25):
        grey = seen(rng, card, STEEP, ground, noise=9.0, shake_px=3)
        place = CardPlace(card, corners_px(card, STEEP) + rng.uniform(-4, 4, 2))
        plainly += confirm_pattern(measure_cards(grey, "a.jpg", [place])[0][0], place) is not None
        sighting = looked(grey, place)
        assert sighting is not None
        off = (sighting.dots_px - true_dots_px(CAMERA, card, STEEP))[sighting.measured]
        covariance = sighting.covariance_px2[sighting.measured]
        squares += np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariance), off).tolist()
        errors += off.tolist()
    assert plainly <= 9  # else there is no need of all this
    assert len(squares) >= 40
    assert 0.5 < np.mean(squares) / 2 < 2.0
    assert np.sqrt(np.mean(np.square(errors))) < 0.15


def test_where_no_card_is_none_is_found(rng: np.random.Generator) -> None:
    """Places tens of pixels off, on the ground, across the card's own edge, on other cards."""
    found = 0
    for _ in range(20):
        card = int(rng.integers(0, 300))
        pose = facing(4.0, -3.0, 1900.0, rng.uniform(0.6, 1.35), rng.uniform(0, 6))
        grey = seen(rng, card, pose, rng.uniform(20, 240), noise=5.0)
        for turn in rng.uniform(0, 2 * np.pi, 10):
            shift = rng.uniform(16, 80) * np.array([np.cos(turn), np.sin(turn)])
            found += looked(grey, CardPlace(card, corners_px(card, pose) + shift)) is not None
    assert found == 0


def test_no_card_is_taken_for_another(rng: np.random.Generator) -> None:
    """All cards look alike but for their code."""
    taken = 0
    for _ in range(20):
        card, *others = rng.choice(300, 11, replace=False).tolist()
        pose = facing(4.0, -3.0, 1900.0, rng.uniform(0.2, 1.3), rng.uniform(0, 6))
        grey = seen(rng, card, pose, 90.0, noise=5.0)
        for other in others:
            taken += place_by_face(grey, CardPlace(other, corners_px(card, pose))) is not None
    assert taken == 0


def test_a_card_at_the_edge_of_the_photo_is_left_alone(rng: np.random.Generator) -> None:
    grey = seen(rng, 7, STEEP, 90.0, noise=3.0)
    assert place_by_face(grey, CardPlace(7, corners_px(7, STEEP) - 170.0)) is None


def test_what_looks_like_no_card_is_told(rng: np.random.Generator) -> None:
    """Codes that chance made: the ground, and other cards' faces, under a name that is not theirs.

    A card that is there passes, though no dot of it could be measured: faint, or smeared.
    """
    told = passed = 0
    for _ in range(20):
        card, other = rng.choice(300, 2, replace=False).tolist()
        pose = facing(4.0, -3.0, 1900.0, rng.uniform(0.2, 1.3), rng.uniform(0, 6))
        grey = seen(rng, card, pose, 90.0, noise=8.0, shake_px=5)
        there = corners_px(card, pose)
        passed += not shows_other_face(grey, CardPlace(card, there + rng.uniform(-2, 2, 2)))
        told += shows_other_face(grey, CardPlace(other, there))
        told += shows_other_face(grey, CardPlace(card, there + rng.choice([-60, 60], 2)))
    assert passed == 20
    assert told == 40


def test_what_cannot_be_told_passes(rng: np.random.Generator) -> None:
    grey = seen(rng, 7, STEEP, 90.0, noise=3.0)
    assert not shows_other_face(grey, CardPlace(8, corners_px(7, STEEP) - 170.0))


def test_a_chance_code_is_no_sighting(
    tmp_path: Path, rng: np.random.Generator, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A photo whose search names two cards, one of them on bare ground."""
    path = tmp_path / "a.png"
    cv2.imwrite(str(path), seen(rng, 7, facing(4.0, -3.0, 1900.0, 0.4), 90.0, noise=3.0))
    sliver = np.array([[30.0, 60.0], [31.0, 52.0], [70.0, 66.0], [69.0, 75.0]])

    def search(grey: np.ndarray, longest_px: int = 1700) -> tuple[list[TagFound], list[int]]:
        tags, repeated = find_tags(grey, longest_px)
        return [*tags, TagFound(258, sliver)], repeated

    monkeypatch.setattr("capture.photo_set.find_tags", search)
    greys = GreyPhotos()
    photos = see_photos([path], greys, lambda done, count: None)
    assert [s.card for s in photos.sightings] == [7]
    photos, more = look_closer(photos, greys, lambda done, count: None)
    assert [s.card for s in photos.sightings] == [7]
    assert more == 0
