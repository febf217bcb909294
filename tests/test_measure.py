"""Finding cards and measuring them, on pictures drawn through an exact camera."""

from dataclasses import replace

import numpy as np
import pytest

from calib.frames import Pose
from capture.find import find_tags
from capture.measure import CardPlace, eccentricity_px, measure_cards, refine_corners
from pipeline.adjustment.second_look import confirm_pattern, expected_places, not_looked_at
from targets.card import card_of
from tests.card_images import camera_of, draw_cards, facing, true_dots_px

CAMERA = camera_of(1200, 900, 1300.0)
CARDS = {
    7: facing(-150, -80, 700, 0.3, 0.4),
    301: facing(60, -120, 500, 0.2, 1.0),
    460: facing(150, 130, 1100, -0.6, 2.0),
}


@pytest.fixture
def photo(rng: np.random.Generator) -> np.ndarray:
    return draw_cards(CAMERA, CARDS, rng)


def places_in(grey: np.ndarray) -> list[CardPlace]:
    tags, _ = find_tags(grey)
    return refine_corners(grey, [CardPlace(t.id, t.corners_px) for t in tags])


def test_all_size_classes_are_found_and_measured(photo: np.ndarray) -> None:
    places = places_in(photo)
    assert [p.card for p in places] == sorted(CARDS)
    sightings, _ = measure_cards(photo, "a.jpg", places)
    for sighting in sightings:
        assert sighting.measured.all()
        truth = true_dots_px(CAMERA, sighting.card, CARDS[sighting.card])
        assert np.abs(sighting.dots_px - truth).max() < 0.06


def test_search_on_the_reduced_image_keeps_places(rng: np.random.Generator) -> None:
    """A 12 MP photo is searched at half size; the corners must come back in full pixels."""
    pose = facing(0, 0, 1200, 0.2, 0.3)
    grey = np.full((3024, 4032), 90, np.uint8)
    part = camera_of(1000, 1000, 3000.0)
    offset = np.array([4032 - 1000, 3024 - 1000]) / 2
    grey[1012:2012, 1516:2516] = draw_cards(part, {12: pose}, rng)
    tags, _ = find_tags(grey)
    assert len(tags) == 1
    sightings, _ = measure_cards(grey, "a.jpg", places_in(grey))
    truth = true_dots_px(part, 12, pose) + offset
    assert np.abs(sightings[0].dots_px - truth).max() < 0.05


def test_the_same_id_twice_is_named_and_not_used(rng: np.random.Generator) -> None:
    one = draw_cards(CAMERA, {7: facing(-150, 0, 700)}, rng)
    two = draw_cards(CAMERA, {7: facing(150, 0, 700)}, rng)
    both = np.hstack([one[:, :600], two[:, 600:]])
    tags, repeated = find_tags(both)
    assert tags == []
    assert repeated == [7]


def test_nothing_is_found_in_an_empty_photo() -> None:
    assert find_tags(np.full((600, 800), 128, np.uint8)) == ([], [])


def test_a_covered_dot_is_dropped_and_the_others_kept(photo: np.ndarray) -> None:
    covered = photo.copy()
    x, y = np.rint(true_dots_px(CAMERA, 7, CARDS[7])[2]).astype(int)
    covered[y - 9 : y + 10, x - 9 : x + 10] = 120
    sightings, _ = measure_cards(covered, "a.jpg", places_in(photo))
    seven = next(s for s in sightings if s.card == 7)
    assert seven.measured.tolist() == [True, True, False, True]


def test_eccentricity_is_the_published_magnitude() -> None:
    """e = f r^2 sin 2a / (2 (Z^2 - r^2 sin^2 a)), circle centre on the axis, tilt a.

    References section 2 (Luhmann 2014 reviews such corrections; value recomputed there):
    f = 3000 px, r = 10 mm, Z = 1.5 m, a = 45 degrees: 0.0667 px.
    """
    a, f, r, z = np.radians(45.0), 3000.0, 10.0, 1500.0
    pose = facing(0, 0, z, a)
    plane = np.column_stack([pose.rotation[:, :2], pose.translation])
    h = np.diag([f, f, 1.0]) @ plane
    found = eccentricity_px(h, np.zeros((1, 2)), r)
    expected = f * r**2 * np.sin(2 * a) / (2 * (z**2 - r**2 * np.sin(a) ** 2))
    assert np.linalg.norm(found) == pytest.approx(expected, rel=1e-6)
    assert np.linalg.norm(found) == pytest.approx(0.0667, abs=5e-5)


def test_eccentricity_matters(rng: np.random.Generator) -> None:
    """A near, tilted, large card: without the correction its dots lie off by its amount."""
    camera = camera_of(1200, 900, 2600.0)
    pose = facing(0, 0, 800, 0.9, 0.2)
    grey = draw_cards(camera, {460: pose}, rng, noise=1.0)
    sightings, fit = measure_cards(grey, "a.jpg", places_in(grey))
    truth = true_dots_px(camera, 460, pose)
    plane = np.column_stack([pose.rotation[:, :2], pose.translation])
    shift = eccentricity_px(camera.matrix @ plane, card_of(460).dots_mm, 8.0)
    corrected = sightings[0].dots_px - truth
    raw = fit.centres_px - truth
    assert np.abs(shift).max() > 0.1
    assert np.sqrt((corrected**2).mean()) < 0.5 * np.sqrt((raw**2).mean())


def test_second_look_finds_a_card_whose_tag_is_hidden(photo: np.ndarray) -> None:
    hidden = photo.copy()
    tag = next(p for p in places_in(photo) if p.card == 7).corners_px
    x, y = np.rint(tag.mean(axis=0)).astype(int)
    hidden[y - 25 : y + 26, x - 25 : x + 26] = 100
    assert 7 not in [p.card for p in places_in(hidden)]
    expected = expected_places({"a.jpg": (Pose.identity(), CAMERA)}, CARDS, [])["a.jpg"]
    place = next(p for p in expected if p.card == 7)
    sightings, _ = measure_cards(hidden, "a.jpg", [place])
    confirmed = confirm_pattern(sightings[0], place)
    assert confirmed is not None
    assert confirmed.measured.all()
    truth = true_dots_px(CAMERA, 7, CARDS[7])
    assert np.abs(confirmed.dots_px - truth).max() < 0.06


def test_second_look_refuses_what_breaks_the_pattern(photo: np.ndarray) -> None:
    place = next(p for p in places_in(photo) if p.card == 7)
    (sighting,), _ = measure_cards(photo, "a.jpg", [place])
    moved = sighting.dots_px.copy()
    moved[0] += [1.5, 0.0]
    moved[1] -= [0.0, 1.5]
    assert confirm_pattern(replace(sighting, dots_px=moved), place) is None


def test_second_look_does_not_expect_a_card_from_behind() -> None:
    behind = {7: Pose(np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, 700.0]))}
    assert not expected_places({"a.jpg": (Pose.identity(), CAMERA)}, behind, [])


def test_second_look_goes_nowhere_twice() -> None:
    photos = {"a.jpg": (Pose.identity(), CAMERA)}
    looked = expected_places(photos, CARDS, [])
    assert not_looked_at(looked, {}) == looked
    assert not_looked_at(looked, looked) == {}
    # The prediction of one card has become another, by 2 mm at 700 mm or some 4 px.
    better = {**CARDS, 7: Pose(CARDS[7].rotation, CARDS[7].translation + [2.0, 0.0, 0.0])}
    again = not_looked_at(expected_places(photos, better, []), looked)
    assert [place.card for place in again["a.jpg"]] == [7]
