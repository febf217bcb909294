"""Calibration: published results, OpenCV and SciPy as oracles, rendered photos of known truth,
simulated boards, and sets that must be refused.

Published figures: NOTES.md of photos/opencv_left_right, opencv_aruco_tutorial and
charuco_one_view beside the repository; truth of the rendered photos: scenes/lift8/truth.json.
"""

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import chi2

from calib.calibrate import BoardView, CameraFit, calibrate, find_board, fit_camera, judge
from calib.camera import Camera
from calib.frames import Array, Pose, rotations
from calib.photo import photo_paths, read_grey
from targets.board import Board, charuco_board
from targets.errors import UserError

TRUE = np.array([2507.8, 2509.6, 1641.9, 1219.3, -0.0638, 0.0571, -0.00042, 0.00083, -0.0189])


def squared_distance(fit: CameraFit, truth: Array) -> float:
    """Mahalanobis distance of the constants from the truth, squared."""
    off = fit.camera.constants - truth
    return float(off @ np.linalg.solve(fit.covariance, off))


# Published calibrations of real photos


def chessboards(folder: Path, side: str) -> list[BoardView]:
    """9 x 6 corners of 25 mm, refined as in OpenCV's calibration sample."""
    points_mm = np.array([(25.0 * x, 25.0 * y, 0.0) for y in range(6) for x in range(9)])
    views = []
    for path in sorted(folder.glob(f"{side}[01]*.jpg")):
        grey = read_grey(path)
        found, corners = cv2.findChessboardCorners(grey, (9, 6))
        assert found, path
        cv2.cornerSubPix(grey, corners, (11, 11), (-1, -1), (3, 30, 0.001))
        views.append(BoardView(path.name, points_mm, corners.reshape(-1, 2).astype(float)))
    return views


@pytest.fixture(scope="module")
def left_views(shared: Path) -> list[BoardView]:
    return chessboards(shared / "photos/opencv_left_right", "left")


@pytest.fixture(scope="module")
def left_fit(left_views: list[BoardView]) -> CameraFit:
    return fit_camera(left_views, 640, 480, outlier_sigma=np.inf, rolling=False)


def test_published_left_camera(left_fit: CameraFit) -> None:
    assert len(left_fit.views) == 13
    assert left_fit.dropped == 0
    assert left_fit.rms_px == pytest.approx(0.4088, abs=2e-4)
    np.testing.assert_allclose(
        left_fit.camera.constants[:4], [536.07, 536.02, 342.37, 235.54], atol=0.01
    )
    np.testing.assert_allclose(
        left_fit.camera.constants[4:], [-0.2651, -0.0467, 0.0018, -0.0003, 0.2523], atol=1e-4
    )


def test_published_left_camera_of_fixed_aspect(left_fit: CameraFit) -> None:
    """left_intrinsics.yml has fx = fy, so it agrees only within the standard deviations."""
    published = [535.916, 535.916, 342.283, 235.571, -0.26637, -0.03859, 0.00178, -0.00028, 0.23839]
    z = (left_fit.camera.constants - published) / np.sqrt(left_fit.covariance.diagonal())
    assert np.abs(z).max() < 1
    assert np.abs(z).max() > 0.01  # it is not the same fit


def test_published_right_camera(shared: Path) -> None:
    views = chessboards(shared / "photos/opencv_left_right", "right")
    fit = fit_camera(views, 640, 480, outlier_sigma=np.inf, rolling=False)
    assert fit.rms_px == pytest.approx(0.4587, abs=2e-4)
    assert fit.camera.constants[0] == pytest.approx(542.36, abs=0.01)


def test_published_charuco_camera(shared: Path) -> None:
    """Plain detection, as published: rms 0.18 to 0.19, fx 457 with sd 15.8 against 452.511."""
    board = Board(5, 7, 40.0, 20.0, "DICT_6X6_250")
    detector = cv2.aruco.CharucoDetector(charuco_board(board))
    views = []
    for i in range(4):
        grey = read_grey(shared / f"photos/opencv_aruco_tutorial/img_0{i}.jpg")
        corners, ids, _, _ = detector.detectBoard(grey)
        points_mm = board.object_points_mm[ids.ravel()]
        views.append(BoardView(str(i), points_mm, corners.reshape(-1, 2).astype(float)))
    assert [len(v.points_px) for v in views] == [24] * 4
    fit = fit_camera(views, 640, 480, outlier_sigma=np.inf, rolling=False)
    assert 0.18 <= fit.rms_px <= 0.19
    assert fit.camera.constants[0] == pytest.approx(457.3, abs=0.1)
    sd = np.sqrt(fit.covariance.diagonal())
    assert sd[0] == pytest.approx(15.8, abs=0.1)
    published = np.array([452.511, 456.767, 317.703, 277.752])
    assert np.abs((fit.camera.constants[:4] - published) / sd[:4]).max() < 1


def test_standard_deviations_of_opencv(left_views: list[BoardView], left_fit: CameraFit) -> None:
    """The same, since OpenCV counts two observations a point (issue 19803, pull request 22992;
    earlier releases reported sqrt((2 points - unknowns) / (points - unknowns)) times as much)."""
    result = cv2.calibrateCameraExtended(
        [v.points_mm.astype(np.float32) for v in left_views],
        [v.points_px.astype(np.float32) for v in left_views],
        (640, 480),
        None,
        None,
        criteria=(3, 100, 1e-12),
    )
    reported = np.asarray(result[5]).ravel()[:9]
    np.testing.assert_allclose(reported, np.sqrt(left_fit.covariance.diagonal()), rtol=1e-3)


def test_optimum_and_covariance_of_scipy(left_views: list[BoardView]) -> None:
    """SciPy's least squares on OpenCV's projection, with numerical derivatives, all unknowns."""
    views = left_views[:6]
    fit = fit_camera(views, 640, 480, outlier_sigma=np.inf, rolling=False)

    def residuals(unknowns: Array) -> Array:
        fx, fy, cx, cy = unknowns[:4]
        matrix = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1]])
        out = []
        for view, own in zip(views, unknowns[9:].reshape(-1, 6), strict=True):
            seen, _ = cv2.projectPoints(view.points_mm, own[:3], own[3:], matrix, unknowns[4:9])
            out.append((seen.reshape(-1, 2) - view.points_px).ravel())
        return np.concatenate(out)

    poses = [
        np.concatenate([cv2.Rodrigues(p.rotation)[0].ravel(), p.translation]) for p in fit.poses
    ]
    nearby = fit.camera.constants * 1.001
    start = np.concatenate([nearby, *poses])
    found = least_squares(residuals, start, jac="3-point", x_scale="jac", xtol=1e-12, ftol=1e-12)
    redundancy = found.fun.size - found.x.size
    full = np.linalg.inv(found.jac.T @ found.jac) * (found.fun @ found.fun) / redundancy
    sd = np.sqrt(full.diagonal()[:9])
    np.testing.assert_allclose((found.x[:9] - fit.camera.constants) / sd, 0, atol=1e-3)
    np.testing.assert_allclose(
        fit.covariance / np.outer(sd, sd), full[:9, :9] / np.outer(sd, sd), atol=1e-4
    )


# Rendered photos of known truth


@pytest.fixture(scope="module")
def lift_views(shared: Path) -> list[BoardView]:
    views = []
    for path in photo_paths(shared / "scenes/lift8/calib"):
        view = find_board(read_grey(path), Board(), path.name)
        assert view is not None
        views.append(view)
    return views


@pytest.fixture(scope="module")
def lift_fit(lift_views: list[BoardView]) -> CameraFit:
    return fit_camera(lift_views, 3264, 2448)


def test_rendered_truth_is_what_we_think(shared: Path) -> None:
    camera = json.loads((shared / "scenes/lift8/truth.json").read_text())["camera"]
    k = camera["K"]
    np.testing.assert_array_equal(TRUE, [k[0][0], k[1][1], k[0][2], k[1][2], *camera["dist"]])


def test_constants_of_rendered_photos(lift_fit: CameraFit) -> None:
    """Within 3 sigma: each constant, and all of them together (chi-square, 9)."""
    z = (lift_fit.camera.constants - TRUE) / np.sqrt(lift_fit.covariance.diagonal())
    assert np.abs(z).max() < 3
    assert squared_distance(lift_fit, TRUE) < chi2.ppf(0.9973, 9)
    assert 0.05 < lift_fit.rms_px < 0.2
    assert 0.1 < np.sqrt(lift_fit.covariance[0, 0]) < 1.0


@pytest.mark.parametrize("part", [slice(0, None, 2), slice(1, None, 2), slice(0, 8)])
def test_constants_of_some_rendered_photos(lift_views: list[BoardView], part: slice) -> None:
    fit = fit_camera(lift_views[part], 3264, 2448)
    assert squared_distance(fit, TRUE) < chi2.ppf(0.9973, 9)


def test_refinement_halves_the_noise(shared: Path, lift_views: list[BoardView]) -> None:
    """Against the rendered poses (board origin 10 mm inside the paper, y up, z to the viewer)."""
    truth = json.loads((shared / "scenes/lift8/truth.json").read_text())["calib"]
    detector = cv2.aruco.CharucoDetector(charuco_board(Board()))
    margin_mm = np.array([10.0, 10.0, 0.0])
    plain, refined = [], []
    for name in ("CAL_0001.jpg", "CAL_0013.jpg"):
        at = next(t for t in truth if t["file"].endswith(name))
        turn = np.array(at["R_board_to_cam"]) @ np.diag([1.0, -1.0, -1.0])
        true_px = Camera(3264, 2448, TRUE).project(
            (Board().object_points_mm + margin_mm) @ turn.T + at["t_board_to_cam"]
        )
        corners, ids, _, _ = detector.detectBoard(read_grey(shared / "scenes/lift8/calib" / name))
        view = next(v for v in lift_views if v.name == name)
        np.testing.assert_array_equal(view.points_mm, Board().object_points_mm[ids.ravel()])
        plain.append(corners.reshape(-1, 2) - true_px[ids.ravel()])
        refined.append(view.points_px - true_px[ids.ravel()])
    rms = [float(np.sqrt((np.concatenate(d) ** 2).sum(axis=1).mean())) for d in (plain, refined)]
    assert rms[1] < 0.6 * rms[0]
    assert np.abs(np.concatenate(refined).mean(axis=0)).max() < 0.03  # no shift


# Simulated boards


def simulated(
    rng: np.random.Generator,
    count: int = 10,
    noise_px: float = 0.1,
    shear_px: float = 0.0,
    board: Board | None = None,
) -> list[BoardView]:
    """Views of the board from all sides, half of them rolled; rows sheared as by a moving hand."""
    points_mm = (board or Board()).object_points_mm
    centre_mm = points_mm.mean(axis=0)
    camera = Camera(3264, 2448, TRUE)
    views = []
    for i in range(count):
        side = 2 * np.pi * i / count
        tilt = rotations(np.radians(35) * np.array([np.cos(side), np.sin(side), 0.0]))
        roll = rotations(np.array([0.0, 0.0, np.pi / 2 * (i % 2)]))
        aim_mm = np.array([70 * np.cos(3 * side), 50 * np.sin(3 * side), 330 + 10 * (i % 3)])
        points_px = camera.project((points_mm - centre_mm) @ (tilt @ roll).T + aim_mm)
        row = points_px[:, 1:] / 2448 - 0.5
        points_px = points_px + row * rng.normal(scale=shear_px, size=2)
        points_px = points_px + rng.normal(scale=noise_px, size=points_px.shape)
        views.append(BoardView(f"{i}", points_mm, points_px))
    return views


@pytest.mark.parametrize(("shear_px", "low", "high"), [(0.0, 5.5, 9.5), (0.6, 7.0, 12.0)])
def test_covariance_is_that_of_the_errors(
    rng: np.random.Generator, shear_px: float, low: float, high: float
) -> None:
    """Squared distances from the truth average to 9 over many jobs, with and without shear.

    It does not prove the model of the shear (linear in the row): the simulation shares it.
    """
    fits = [fit_camera(simulated(rng, shear_px=shear_px), 3264, 2448) for _ in range(30)]
    mean = np.mean([squared_distance(f, TRUE) for f in fits])
    # 30 x chi-square with 9 degrees: mean 9 with sd 0.77. Where there is no shear, some is
    # expected all the same, so that the mean is 7.4 there (100 trials each with another seed).
    assert low < mean < high


def test_shear_left_out_makes_the_covariance_a_fable(rng: np.random.Generator) -> None:
    """What the row shifts are for: the classical fit is off by many of its own sigmas."""
    views = [simulated(rng, shear_px=0.6) for _ in range(5)]
    classical = [fit_camera(v, 3264, 2448, rolling=False) for v in views]
    assert np.mean([squared_distance(f, TRUE) for f in classical]) > 3 * 9


def test_exact_corners_give_exact_constants(rng: np.random.Generator) -> None:
    fit = fit_camera(simulated(rng, noise_px=0.0), 3264, 2448, outlier_sigma=np.inf)
    np.testing.assert_allclose(fit.camera.constants, TRUE, rtol=1e-5, atol=1e-6)


def test_scale_of_the_print_does_not_matter(rng: np.random.Generator) -> None:
    views = simulated(rng)
    larger = [replace(v, points_mm=v.points_mm * 1.03) for v in views]
    one, other = (fit_camera(v, 3264, 2448) for v in (views, larger))
    sd = np.sqrt(one.covariance.diagonal())
    np.testing.assert_allclose((one.camera.constants - other.camera.constants) / sd, 0, atol=1e-3)
    np.testing.assert_allclose(other.covariance / one.covariance, 1, rtol=1e-3)


def test_outlying_corners_are_dropped(rng: np.random.Generator) -> None:
    views = simulated(rng)
    clean = fit_camera(views, 3264, 2448)
    spoilt = [replace(v, points_px=v.points_px.copy()) for v in views]
    for view, corner in ((0, 3), (0, 17), (4, 39)):
        spoilt[view].points_px[corner] += [3.0, -2.0]
    fit = fit_camera(spoilt, 3264, 2448)
    assert fit.dropped == clean.dropped + 3
    assert not any((spoilt[0].points_px[3] == p).all() for p in fit.views[0].points_px)
    sd = np.sqrt(clean.covariance.diagonal())
    assert np.abs((fit.camera.constants - clean.camera.constants) / sd).max() < 0.5


# Boards in pictures


def drawn(board: Board, px_per_mm: float = 4.0) -> np.ndarray:
    size = (int(board.width_mm * px_per_mm), int(board.height_mm * px_per_mm))
    image = charuco_board(board).generateImage(size)
    return cv2.copyMakeBorder(image, 60, 60, 60, 60, cv2.BORDER_CONSTANT, value=255)


@pytest.mark.parametrize(
    "board", [Board(), Board(5, 7, 40.0, 20.0, "DICT_6X6_250"), Board(12, 8, 20.0, 15.0)]
)
def test_corners_of_a_drawn_board(board: Board) -> None:
    view = find_board(drawn(board), board, "a.png")
    assert view is not None
    assert view.name == "a.png"
    np.testing.assert_array_equal(view.points_mm, board.object_points_mm)
    # An edge at 4 x mm + 60 in pixel corners is half a pixel less in pixel centres.
    expected_px = board.object_points_mm[:, :2] * 4 + 60 - 0.5
    np.testing.assert_allclose(view.points_px, expected_px, atol=0.02)


def test_other_board_is_not_found() -> None:
    assert find_board(drawn(Board()), Board(dictionary="DICT_6X6_250")) is None


def test_one_row_of_corners_is_no_view() -> None:
    """Two rows of squares show one row of corners, on which a pose may turn freely."""
    picture = drawn(Board())
    picture[60 + 2 * 120 :] = 255
    assert find_board(picture, Board()) is None


# What to trust, what to refuse


def test_one_view_is_refused(shared: Path) -> None:
    """161 frames of nearly the same view: fx 2104.7 with sd 42.8, k3 = 17.8."""
    board = Board(12, 8, 0.709 * 25.4, 0.551 * 25.4, "DICT_5X5_1000")
    paths = photo_paths(shared / "photos/charuco_one_view/frames")[::2]
    with pytest.raises(UserError, match=r"from nearly the same side .* tilted by about 45"):
        calibrate(paths, board)


def test_four_views_from_one_side_are_refused(shared: Path) -> None:
    """The published constants come from views that differ by 4 degrees: sd of fx 3 %."""
    board = Board(5, 7, 40.0, 20.0, "DICT_6X6_250")
    paths = [shared / f"photos/opencv_aruco_tutorial/img_0{i}.jpg" for i in range(4)]
    with pytest.raises(UserError, match="from nearly the same side"):
        calibrate(paths, board)


def test_few_views_are_refused(shared: Path) -> None:
    with pytest.raises(UserError, match="only 2 photos show the board well enough, at least 4"):
        calibrate(photo_paths(shared / "scenes/lift8/calib")[:2], Board())


def test_frontal_views_determine_no_camera() -> None:
    """Frontal views at one distance through a perfect pinhole: f and distance cannot be told
    apart, whatever the noise."""
    pinhole = Camera(3264, 2448, np.array([2500.0, 2500.0, 1631.5, 1223.5, 0, 0, 0, 0, 0]))
    points_mm = Board().object_points_mm
    views = []
    for x_mm in (-150.0, -140.0, -130.0, -120.0, -110.0):
        at_mm = np.array([x_mm, -90.0, 400.0])
        views.append(BoardView(f"{x_mm}", points_mm, pinhole.project(points_mm + at_mm)))
    with pytest.raises(UserError, match="do not determine the camera constants"):
        fit_camera(views, 3264, 2448)


def test_no_board_anywhere(shared: Path) -> None:
    paths = photo_paths(shared / "photos/exif_samples/orientation")[:2]
    with pytest.raises(UserError, match="found in none of 2 photos"):
        calibrate(paths, Board())


def test_no_photo_of_use(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"no usable photo of the board; gone\.jpg: cannot read"):
        calibrate([tmp_path / "gone.jpg"], Board())


def test_photos_of_no_use_are_named_and_the_rest_count(shared: Path, tmp_path: Path) -> None:
    samples = shared / "photos/exif_samples"
    good = photo_paths(shared / "scenes/lift8/calib")[:6]
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(good[0].read_bytes()[:100_000])
    strays = [
        samples / "heic/IMG_5195.HEIC",
        samples / "jpg/jolla.jpg",
        shared / "scenes/lift8/photos/IMG_0001.jpg",
        tmp_path / "gone.jpg",
        broken,
    ]
    told: list[str] = []
    profile = calibrate([*strays, *good], Board(), told.append)
    assert profile.photos == 6
    assert profile.identity.name == "ExampleCam EC-1, 3264 x 2448"
    assert (profile.camera.width_px, profile.camera.height_px) == (3264, 2448)
    reasons = "\n".join(profile.reasons)
    for reason in (
        "IMG_5195.HEIC: cropped or resized",
        "jolla.jpg: from another camera",
        "IMG_0001.jpg: no board found",
        "gone.jpg: cannot read this file",
        "broken.jpg: is damaged or cut short",
    ):
        assert reason in reasons
    assert [t.split(":")[0] for t in told] == [
        "IMG_0001.jpg",
        "broken.jpg",
        *(p.name for p in good),
    ]
    assert told[-1].endswith(" corners")


def with_views(fit: CameraFit, which: Sequence[int]) -> CameraFit:
    views = tuple(fit.views[i] for i in which)
    return replace(fit, views=views, poses=tuple(fit.poses[i] for i in which))


def test_good_set_is_called_good(lift_fit: CameraFit) -> None:
    assert judge(lift_fit) == ("good", ())


def test_verdict_names_what_is_missing(lift_fit: CameraFit) -> None:
    """One fault at a time, made from a good set."""
    rolled = [i for i, p in enumerate(lift_fit.poses) if abs(p.rotation[1, 0]) > 0.8]
    upright = [i for i in range(len(lift_fit.poses)) if i not in rolled]
    assert min(len(rolled), len(upright)) >= 4
    level = replace(lift_fit, poses=(Pose.identity(),) * len(lift_fit.views))
    middle = [
        replace(v, points_px=(v.points_px - TRUE[2:4]) * 0.3 + TRUE[2:4]) for v in lift_fit.views
    ]
    blunt = lift_fit.covariance * np.outer(*(2 * [[8.0, 8.0, 1, 1, 1, 1, 1, 1, 1]]))
    shifted = lift_fit.covariance * np.outer(*(2 * [[1, 1, 100.0, 1, 1, 1, 1, 1, 1]]))
    for fit, verdict, words in (
        (with_views(lift_fit, range(7)), "usable", "only 7 photos"),
        (with_views(lift_fit, range(5)), "poor", "only 5 photos"),
        (with_views(lift_fit, rolled), "usable", "turned by 90 degrees"),
        (level, "poor", "tilted by 0 degrees at most"),
        (replace(lift_fit, views=tuple(middle)), "poor", "of the picture"),
        (replace(lift_fit, rms_px=1.0), "usable", "corners miss by 1.00 px rms"),
        (replace(lift_fit, rms_px=4.0), "poor", "corners miss by 4.00 px rms"),
        (replace(lift_fit, covariance=blunt), "usable", "the focal length is uncertain by 0.13%"),
        (replace(lift_fit, covariance=shifted), "poor", "the image centre is uncertain by 4"),
    ):
        told, reasons = judge(fit)
        assert any(words in r for r in reasons), (words, reasons)
        assert told == verdict, words
