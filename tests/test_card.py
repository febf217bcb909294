"""Cards: what follows from an id, and that OpenCV reads the tag the right way up."""

import cv2
import numpy as np
import pytest

from targets.card import ID_COUNT, card_of, tag_pattern
from targets.errors import UserError


@pytest.mark.parametrize(
    ("ids", "width_mm", "tag_mm", "dot_mm", "offset_mm"),
    [
        ((0, 299), 80.0, 48.0, 8.0, 33.0),
        ((300, 449), 40.0, 24.0, 4.0, 16.5),
        ((450, 586), 160.0, 96.0, 16.0, 66.0),
    ],
)
def test_size_class_follows_from_the_id(
    ids: tuple[int, int], width_mm: float, tag_mm: float, dot_mm: float, offset_mm: float
) -> None:
    for card_id in ids:
        card = card_of(card_id)
        assert (card.id, card.width_mm) == (card_id, width_mm)
        assert (card.tag_mm, card.dot_diameter_mm) == (tag_mm, dot_mm)
        o, t = offset_mm, tag_mm / 2.0
        # Clockwise from the top left; y is down.
        np.testing.assert_array_equal(card.dots_mm, [[-o, -o], [o, -o], [o, o], [-o, o]])
        np.testing.assert_array_equal(card.corners_mm, [[-t, -t], [t, -t], [t, t], [-t, t]])


@pytest.mark.parametrize("card_id", [-1, 587, 1000])
def test_ids_outside_the_dictionary_are_refused(card_id: int) -> None:
    with pytest.raises(UserError, match=f"no card {card_id}; card ids run from 0 to 586"):
        card_of(card_id)
    with pytest.raises(UserError, match="no card"):
        tag_pattern(card_id)


def test_there_are_as_many_cards_as_codes() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    assert len(dictionary.bytesList) == ID_COUNT


@pytest.mark.parametrize("card_id", [0, 7, 299, 300, 450, 586])
def test_opencv_reads_the_pattern_with_its_corners_in_our_order(card_id: int) -> None:
    pattern = tag_pattern(card_id)
    cell = 20
    image = np.kron(np.pad(pattern, 2, constant_values=True), np.full((cell, cell), 255))
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(image.astype(np.uint8))
    assert np.ravel(ids).tolist() == [card_id]
    card = card_of(card_id)
    expected = (card.corners_mm / card.tag_mm * 8.0 + 6.0) * cell - 0.5
    np.testing.assert_allclose(corners[0][0], expected, atol=1.0)
