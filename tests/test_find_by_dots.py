"""Cards with a broken tag frame are found by three of their dots."""

import cv2
import numpy as np
import pytest

from calib.frames import Array, Pose
from capture.find import find_tags
from capture.find_by_dots import find_tags_by_dots
from capture.measure import CardPlace, measure_cards
from targets.card import card_of
from tests.card_images import camera_of, draw_cards, facing, true_dots_px

CAMERA = camera_of(1200, 900, 1300.0)
POSES = [(0.2, 0.3), (0.9, 2.0), (-0.8, -1.2)]


def covered_corner(grey: np.ndarray, dots_px: Array, corner: int) -> np.ndarray:
    """The picture with a grey strip over one corner of a card, across the tag's own corner."""
    here, before, after = dots_px[corner], dots_px[corner - 1], dots_px[(corner + 1) % 4]
    y, x = np.mgrid[: grey.shape[0], : grey.shape[1]]
    frame = np.linalg.inv(np.stack([before - here, after - here], axis=1))
    along, across = np.tensordot(frame, np.stack([x - here[0], y - here[1]]), axes=1)
    strip = (along + across < 0.48) & (along > -0.2) & (across > -0.2)
    return np.where(strip, 120, grey).astype(np.uint8)


def before_a_window(grey: np.ndarray, pose: Pose) -> np.ndarray:
    """The picture with the card in shadow and all the rest of it as bright as can be."""
    outline = np.column_stack([40.0 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]), np.zeros(4)])
    card = np.zeros(grey.shape, np.uint8)
    cv2.fillConvexPoly(card, np.rint(CAMERA.project(pose.apply(outline))).astype(np.int32), 1)
    return np.where(card == 1, (0.45 * grey).astype(np.uint8), 250).astype(np.uint8)


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize(("tilt_rad", "turn_rad"), POSES)
def test_a_card_with_one_corner_covered(
    rng: np.random.Generator, corner: int, tilt_rad: float, turn_rad: float
) -> None:
    pose = facing(20, -30, 600, tilt_rad, turn_rad)
    truth = true_dots_px(CAMERA, 123, pose)
    grey = covered_corner(draw_cards(CAMERA, {123: pose}, rng), truth, corner)
    (tag,) = find_tags_by_dots(grey, set())
    assert tag.id == 123
    (sighting,), _ = measure_cards(grey, "a.jpg", [CardPlace(tag.id, tag.corners_px)])
    seen = np.arange(4) != corner
    assert sighting.measured.tolist() == seen.tolist()
    assert np.abs(sighting.dots_px[seen] - truth[seen]).max() < 0.08


@pytest.mark.parametrize(("tilt_rad", "turn_rad"), [*POSES, (1.25, 0.4)])
def test_a_card_in_shadow_before_a_window(
    rng: np.random.Generator, tilt_rad: float, turn_rad: float
) -> None:
    """Its paper is darker than what is beside it: a threshold on the mean about it fails."""
    pose = facing(20, -30, 450, tilt_rad, turn_rad)
    grey = draw_cards(CAMERA, {123: pose}, rng)
    grey = covered_corner(grey, true_dots_px(CAMERA, 123, pose), 1)
    (tag,) = find_tags_by_dots(before_a_window(grey, pose), set())
    assert tag.id == 123


def test_the_search_for_closed_squares_misses_such_cards(rng: np.random.Generator) -> None:
    """Else the search by dots would not be needed."""
    missed = 0
    for tilt_rad, turn_rad in POSES:
        pose = facing(20, -30, 600, tilt_rad, turn_rad)
        truth = true_dots_px(CAMERA, 123, pose)
        whole = draw_cards(CAMERA, {123: pose}, rng)
        for corner in range(4):
            missed += find_tags(covered_corner(whole, truth, corner))[0] == []
    assert missed >= 6


def test_known_cards_are_left_alone(rng: np.random.Generator) -> None:
    grey = draw_cards(CAMERA, {123: facing(0, 0, 600)}, rng)
    assert find_tags_by_dots(grey, {123}) == []


def test_noise_and_clutter_make_no_card(rng: np.random.Generator) -> None:
    """Five pictures of dark round spots at random: none may be read as a card."""
    for _ in range(5):
        grey = rng.normal(120, 12, (900, 1200))
        y, x = np.mgrid[:900, :1200]
        for _ in range(120):
            cx, cy, r = rng.uniform(20, 1180), rng.uniform(20, 880), rng.uniform(3, 8)
            grey[(x - cx) ** 2 + (y - cy) ** 2 < r * r] = 30
        picture = np.clip(grey, 0, 255).astype(np.uint8)
        assert find_tags_by_dots(picture, set()) == []


def test_corners_come_back_in_full_pixels(rng: np.random.Generator) -> None:
    """A 12 MP photo is searched at half size."""
    pose = facing(0, 0, 900, 0.3, 0.4)
    part = camera_of(1000, 1000, 3000.0)
    grey = np.full((3024, 4032), 90, np.uint8)
    grey[1012:2012, 1516:2516] = draw_cards(part, {7: pose}, rng)
    (tag,) = find_tags_by_dots(grey, set())
    corners = np.column_stack([card_of(7).corners_mm, np.zeros(4)])
    truth = part.project(pose.apply(corners)) + np.array([1516, 1012])
    assert np.abs(tag.corners_px - truth).max() < 3.0
