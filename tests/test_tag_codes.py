"""Codes read from quadrilaterals, against the tags that OpenCV itself draws."""

import cv2
import numpy as np
import pytest

from capture.find import find_tags
from capture.tag_codes import codes_of, read_codes

_SIDE_PX = 80
_NAMES = ("DICT_APRILTAG_36h11", "DICT_4X4_50", "DICT_5X5_100", "DICT_6X6_250", "DICT_7X7_50")


def _dictionary(name: str) -> cv2.aruco.Dictionary:
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name))


def _tag(name: str, tag: int) -> np.ndarray:
    """A tag of 80 px at (20, 20) on white paper."""
    picture = np.full((120, 120), 255, np.uint8)
    picture[20:100, 20:100] = cv2.aruco.generateImageMarker(_dictionary(name), tag, _SIDE_PX)
    return picture


def _quad() -> np.ndarray:
    corners = np.array([[20, 20], [99, 20], [99, 99], [20, 99]], dtype=np.float32)
    return corners[None]


@pytest.mark.parametrize("name", _NAMES)
@pytest.mark.parametrize("turns", range(4))
def test_number_and_way_up_are_read(name: str, turns: int) -> None:
    """Turned anticlockwise by quarters, the tag's top left corner goes down, right and up."""
    codes = codes_of(_dictionary(name))
    for tag in (0, 1, 17, 49):
        picture = np.ascontiguousarray(np.rot90(_tag(name, tag), turns))
        ((found, corners),) = read_codes(picture, _quad(), codes)
        assert found == tag
        first = [(20, 20), (20, 99), (99, 99), (99, 20)][turns]
        assert tuple(corners[0]) == first
        (ax, ay), (bx, by) = corners[1:3] - corners[:2]
        assert ax * by > ay * bx, "still clockwise in the picture"


def test_every_tag_of_the_cards_is_itself() -> None:
    name = "DICT_APRILTAG_36h11"
    codes = codes_of(_dictionary(name))
    assert len(codes.signs) == 4 * 587
    for tag in range(0, 587, 7):
        assert [t for t, _ in read_codes(_tag(name, tag), _quad(), codes)] == [tag]


def _spoilt(cells: list[tuple[int, int]]) -> np.ndarray:
    """Tag 5 with these cells (row, column, the border counted) of the other colour."""
    picture = _tag("DICT_APRILTAG_36h11", 5)
    for row, column in cells:
        cell = picture[20 + 10 * row : 30 + 10 * row, 20 + 10 * column : 30 + 10 * column]
        cell[:] = 255 - cell
    return picture


@pytest.mark.parametrize(("wrong", "named"), [(3, True), (4, False)])
def test_three_wrong_cells_are_borne(wrong: int, named: bool) -> None:
    """Codes of 36h11 differ in 11 cells or more; OpenCV's detector, too, bears three."""
    picture = _spoilt([(1, 1), (3, 4), (5, 2), (6, 6)][:wrong])
    read = read_codes(picture, _quad(), codes_of(_dictionary("DICT_APRILTAG_36h11")))
    assert [tag for tag, _ in read] == ([5] if named else [])
    dictionary = _dictionary("DICT_APRILTAG_36h11")
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(picture)
    assert (ids is not None) == named


def test_a_code_without_its_black_border_is_none() -> None:
    picture = _spoilt([(0, column) for column in range(8)] + [(row, 0) for row in range(1, 8)])
    assert read_codes(picture, _quad(), codes_of(_dictionary("DICT_APRILTAG_36h11"))) == []


def test_nothing_is_read_where_nothing_is() -> None:
    codes = codes_of(_dictionary("DICT_APRILTAG_36h11"))
    noise = np.random.default_rng(3).normal(128, 1.5, (120, 120)).astype(np.uint8)
    assert read_codes(noise, _quad(), codes) == []
    assert read_codes(noise, np.zeros((0, 4, 2), np.float32), codes) == []


def test_faint_and_blurred_tags_are_found() -> None:
    """Blurred so that the narrow window sees no outline."""
    picture = cv2.resize(_tag("DICT_APRILTAG_36h11", 9), None, fx=2, fy=2)
    picture = cv2.GaussianBlur(picture, (0, 0), 4.0) // 4 + 80
    tags, repeated = find_tags(picture)
    assert [t.id for t in tags] == [9]
    assert not repeated
    corners = tags[0].corners_px
    assert np.abs(corners - np.array([[40, 40], [199, 40], [199, 199], [40, 199]])).max() < 4.0
