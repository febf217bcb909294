"""Corners of bare tags against exact truth, and against finders that look at the corner itself."""

import time

import cv2
import numpy as np
import pytest

from calib.frames import Array
from capture.tag_corners import CornerFit, fit_corners
from tests.dot_images import photographed
from tests.tag_images import OVERSAMPLING, bent, corners_of, tag_image, tag_pattern

NOISE = 3.0
PATTERN = tag_pattern(cv2.aruco.DICT_4X4_1000, 7)
CELLS = len(PATTERN)
PHOTO_PX = 1700
"""Width of the photo that a tag is a small part of: how far its edges may bow goes by it."""


def in_photo(grey: np.ndarray) -> np.ndarray:
    return np.pad(grey, ((0, 0), (0, PHOTO_PX - grey.shape[1])))


def fit_many(
    rng: np.random.Generator,
    count: int,
    side_px: float,
    tilt_deg: float,
    blur_px: float,
    jpeg: int = 0,
    turned: bool = True,
) -> tuple[Array, Array, Array]:
    """Errors (n, 2), covariances (n, 2, 2) and errors away from the tag's middle (n,)."""
    errors, covariances, outwards = [], [], []
    size = int(1.6 * side_px + 20) // 2 * 2 + 1
    for k in range(count):
        # Drawing is slow, noise is not: each picture is photographed four times.
        if k % 4 == 0:
            turn, off = rng.uniform(-np.pi, np.pi), rng.uniform(-0.5, 0.5, 2)
            if not turned:
                # Edges between the samples of the drawing: only there is it exact.
                turn, off = 0.0, rng.integers(OVERSAMPLING, size=2) / OVERSAMPLING
            truth = corners_of(side_px, np.radians(tilt_deg), turn, size // 2 + 0.5 + off)
            drawn = tag_image(PATTERN, truth, size, blur_px)
        grey = photographed(drawn, NOISE, rng, jpeg)
        fit = fit_corners(in_photo(grey), (truth + rng.normal(0, 0.7, (4, 2)))[None], CELLS)
        good = fit.good[0]
        error = (fit.corners_px[0] - truth)[good]
        out = (truth - truth.mean(axis=0))[good]
        errors.append(error)
        covariances.append(fit.covariance_px2[0][good])
        outwards.append((error * out).sum(axis=1) / np.linalg.norm(out, axis=1))
    return np.concatenate(errors), np.concatenate(covariances), np.concatenate(outwards)


@pytest.mark.parametrize(
    ("side_px", "tilt_deg", "blur_px", "jpeg", "rms_px"),
    [
        (24, 0, 0.5, 0, 0.03),
        (40, 0, 0.8, 0, 0.04),
        (40, 60, 0.8, 90, 0.09),
        (80, 40, 0.8, 0, 0.03),
        (80, 30, 2.0, 90, 0.06),
        (140, 40, 0.8, 90, 0.03),
    ],
)
def test_corners_are_not_biased(
    rng: np.random.Generator,
    side_px: float,
    tilt_deg: float,
    blur_px: float,
    jpeg: int,
    rms_px: float,
) -> None:
    errors, covariances, outward = fit_many(rng, 80, side_px, tilt_deg, blur_px, jpeg)
    assert len(errors) > 240
    for bias in (*errors.mean(axis=0), outward.mean()):
        assert abs(bias) < 0.02
    rms = np.sqrt((errors**2).mean())
    # Noise 3 in a step of 175 cannot do better than a few thousandths on so few pixels.
    assert 0.005 < rms < rms_px
    squares = np.einsum("ni,nij,nj->n", errors, np.linalg.inv(covariances), errors)
    # Chi-square of 2 degrees of freedom has mean 2 (NIST e-Handbook 1.3.6.6.6).
    assert 0.5 < squares.mean() / 2 < 2.0


def test_edges_along_the_pixels_are_not_biased(rng: np.random.Generator) -> None:
    """The hardest sampling: all pixels of an edge see the step at the same phase."""
    errors, _, outward = fit_many(rng, 80, 60, 0, 0.5, turned=False)
    assert abs(outward.mean()) < 0.01
    assert np.abs(errors).max() < 0.1


def test_finders_that_look_at_the_corner_are_biased(rng: np.random.Generator) -> None:
    """OpenCV's refinements on the same pictures: references section 3 has SUBPIX 0.14 to 0.28 px
    inwards, APRILTAG off by +0.46 px in x and y (computed there with OpenCV 5.0.0)."""
    inwards, shifts, own = [], [], []
    size = 241
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    book = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_1000)
    detector = cv2.aruco.ArucoDetector(book, parameters)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
    for _ in range(12):
        truth = corners_of(150, 0.4, rng.uniform(-3, 3), size / 2 + rng.uniform(-0.5, 0.5, 2))
        grey = photographed(tag_image(PATTERN, truth, size), NOISE, rng)
        out = truth - truth.mean(axis=0)
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        start = truth.astype(np.float32).reshape(-1, 1, 2).copy()
        at_corner = cv2.cornerSubPix(grey, start, (5, 5), (-1, -1), stop).reshape(4, 2)
        inwards.append(-((at_corner - truth) * out).sum(axis=1))
        found, ids, _ = detector.detectMarkers(grey)
        if ids is not None and ids.ravel().tolist() == [7]:
            shifts.append(found[0].reshape(4, 2) - truth)
        fit = fit_corners(in_photo(grey), truth[None], CELLS)
        assert fit.good.all()
        own.append(((fit.corners_px[0] - truth) * out).sum(axis=1))
    assert 0.1 < np.mean(inwards) < 0.5
    assert len(shifts) > 6
    assert np.mean(shifts) == pytest.approx(0.5, abs=0.1)
    assert abs(np.mean(own)) < 0.02


def test_bowed_edges_keep_their_corners(rng: np.random.Generator) -> None:
    """A lens bends the image of a straight edge; without the bow in the model the corners of this
    tag would go wrong by 0.3 px (half the sagitta of 0.6 px and more)."""
    size, bow = 241, 0.6 / 75**2
    errors = []
    for _ in range(12):
        straight = corners_of(150, 0.3, 0.0, size / 2 + rng.uniform(-0.5, 0.5, 2))
        truth = bent(straight, size, bow)
        grey = photographed(tag_image(PATTERN, straight, size, bow=bow), NOISE, rng)
        fit = fit_corners(in_photo(grey), truth[None], CELLS)
        assert fit.good.all()
        errors.append(fit.corners_px[0] - truth)
    assert np.abs(np.mean(errors, axis=0)).max() < 0.05
    assert np.sqrt(np.mean(np.square(errors))) < 0.06


def one(rng: np.random.Generator) -> tuple[Array, Array]:
    """A tag of 80 px, noiseless, and its corners; edge 1 lies at x about 108."""
    truth = corners_of(80, 0.0, 0.0, np.array([68.3, 67.8]))
    return tag_image(PATTERN, truth, 137), truth


def fitted(grey: Array, guess: Array, rng: np.random.Generator) -> CornerFit:
    return fit_corners(in_photo(photographed(grey, NOISE, rng)), guess[None], CELLS)


def test_edge_behind_something_loses_its_two_corners(rng: np.random.Generator) -> None:
    grey, truth = one(rng)
    grey[:, 106:] = 90.0
    fit = fitted(grey, truth, rng)
    assert fit.good[0].tolist() == [True, False, False, True]
    assert np.array_equal(fit.corners_px[0, 1:3], truth[1:3])


def test_hand_over_part_of_an_edge_is_noticed(rng: np.random.Generator) -> None:
    grey, truth = one(rng)
    sound = fitted(grey, truth, rng)
    grey[40:70, 90:130] = 150.0
    fit = fitted(grey, truth, rng)
    off = np.linalg.norm(fit.corners_px[0] - truth, axis=1)
    assert sound.good.all()
    for corner in (1, 2):
        assert not fit.good[0, corner] or off[corner] < 4 * np.sqrt(
            np.trace(fit.covariance_px2[0, corner])
        )


def test_light_tag_on_dark_is_none(rng: np.random.Generator) -> None:
    grey, truth = one(rng)
    assert not fitted(255.0 - grey, truth, rng).good.any()


def test_paper_without_a_tag_is_none(rng: np.random.Generator) -> None:
    _, truth = one(rng)
    assert not fitted(np.full((137, 137), 200.0), truth, rng).good.any()


def test_tag_that_leaves_the_photo_is_not_measured_there(rng: np.random.Generator) -> None:
    grey, truth = one(rng)
    cut = photographed(grey, NOISE, rng)[:, 30:]
    fit = fit_corners(in_photo(cut), (truth - [30.0, 0.0])[None], CELLS)
    assert fit.good[0].tolist() == [False, True, True, False]


def test_border_of_two_pixels_is_too_narrow(rng: np.random.Generator) -> None:
    truth = corners_of(11, 0.0, 0.0, np.array([20.0, 20.0]))
    assert not fitted(tag_image(PATTERN, truth, 41), truth, rng).good.any()


def test_dirt_on_an_edge_makes_it_less_sure(rng: np.random.Generator) -> None:
    grey, truth = one(rng)
    clean = fitted(grey, truth, rng)
    grey[55:62, 104:112] += 40.0
    dirty = fitted(grey, truth, rng)
    assert dirty.covariance_px2[0, 1, 0, 0] > 3 * clean.covariance_px2[0, 1, 0, 0]


def test_no_tags_is_fine() -> None:
    fit = fit_corners(np.zeros((50, 50), np.uint8), np.zeros((0, 4, 2)), CELLS)
    assert fit.corners_px.shape == (0, 4, 2)
    assert fit.good.shape == (0, 4)


def test_forty_tags_take_little_time(rng: np.random.Generator) -> None:
    """About 1 ms of processor time a tag; the bound allows for a busy machine."""
    size = 97
    places, tiles = [], []
    for k in range(40):
        truth = corners_of(40, 0.5, rng.uniform(-3, 3), np.array([size / 2, size / 2]))
        tiles.append(photographed(tag_image(PATTERN, truth, size), NOISE, rng))
        places.append(truth + [k * size, 0.0])
    photo = np.hstack(tiles)
    fit_corners(photo, np.array(places), CELLS)
    before = time.process_time()
    fit = fit_corners(photo, np.array(places), CELLS)
    assert (time.process_time() - before) / 40 < 0.003
    assert fit.good.mean() > 0.9
