"""Photos of the printed board -> camera constants with covariance, and whether to trust them.

Camera constants are in pixels and ratios, so the scale of the print is without effect: a board
printed at 97 % gives the same lens. What must be true is its shape: flat, with square squares.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calib.camera import Camera, project_with_jacobians
from calib.frames import Array, Pose, cross_matrix
from calib.lens_file import LensProfile, Verdict
from calib.photo import PhotoHeader, Pixels, read_grey, read_header
from targets.board import Board, charuco_board
from targets.errors import UserError
from targets.said import listed, say

MIN_VIEWS = 4
"""Fewer usable photos than this give no profile."""

MIN_CORNERS = 8
"""Fewer corners than this make no usable view."""

MIN_TILT_RANGE_DEG = 10.0
"""Views whose board normals differ by less are one view, and refused."""

OUTLIER_SIGMA = 4.0
"""Corners farther off than this many robust standard deviations are dropped."""

_MAX_STEPS = 60
_MAX_ROUNDS = 5

_REMEDY = say(
    "photograph the board 10 to 20 times so that it fills the frame, tilted by about 45 degrees to "
    "all sides, a third of the photos with the phone turned by 90 degrees"
)


@dataclass(frozen=True)
class BoardView:
    """Board corners seen in one photo.

    Attributes
    ----------
    name : file name.
    points_mm : (N, 3) in the board frame.
    points_px : (N, 2) where they were found.
    """

    name: str
    points_mm: Array
    points_px: Array


@dataclass(frozen=True)
class CameraFit:
    """Least-squares fit of one camera to board views.

    Attributes
    ----------
    camera : the constants found.
    covariance : (9, 9) of the constants, scaled by the variance of the residuals.
    views : the views used, outliers removed.
    poses : camera_from_board of each view.
    rms_px : root mean square length of the residuals.
    dropped : number of corners removed as outliers.
    """

    camera: Camera
    covariance: Array
    views: tuple[BoardView, ...]
    poses: tuple[Pose, ...]
    rms_px: float
    dropped: int


def calibrate(
    paths: Sequence[Path], board: Board, progress: Callable[[str], None] | None = None
) -> LensProfile:
    """Camera constants from photos of the board.

    Photos that cannot be used (unreadable, edited, of another camera, without board) are named
    among the profile's reasons; the others count. The board's true scale is not needed.

    Parameters
    ----------
    paths : the photos.
    board : what was printed.
    progress : told each photo's outcome, in order.

    Raises
    ------
    UserError : fewer than ``MIN_VIEWS`` usable photos, or all nearly from one view.
    """
    headers, reasons = _usable(paths)

    def look(header: PhotoHeader) -> BoardView | str:
        try:
            view = find_board(read_grey(header.path), board, header.name)
        except UserError as error:
            return say("{photo}: {why}", photo=header.name, why=error.what)
        return view or say("{photo}: no board found", photo=header.name)

    views: list[BoardView] = []
    # OpenCV releases the lock; more threads than cores only cost memory.
    with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
        for header, outcome in zip(headers, pool.map(look, headers), strict=True):
            if isinstance(outcome, BoardView):
                views.append(outcome)
                told: str = say("{photo}: {n} corners", photo=header.name, n=len(outcome.points_px))
            else:
                reasons.append(outcome)
                told = outcome
            if progress is not None:
                progress(told)
    if not views:
        raise UserError(
            say("the board was found in none of {photos} photos", photos=len(paths)),
            "",
            "check that the board settings are those of the print, and that it is in the photos",
        )
    identity = headers[0].identity
    fit = fit_camera(views, identity.width_px, identity.height_px)
    if _tilt_range_deg(fit) < MIN_TILT_RANGE_DEG:
        raise UserError(
            say(
                "all {photos} photos show the board from nearly the same side (directions "
                "differ by {differ:.0f} degrees at most), which fixes no focal length",
                photos=len(fit.views),
                differ=_tilt_range_deg(fit),
            ),
            "",
            _REMEDY,
        )
    verdict, doubts = judge(fit)
    return LensProfile(
        camera=fit.camera,
        covariance=fit.covariance,
        identity=identity,
        rms_px=fit.rms_px,
        photos=len(fit.views),
        verdict=verdict,
        reasons=(*doubts, *reasons),
    )


def _usable(paths: Sequence[Path]) -> tuple[list[PhotoHeader], list[str]]:
    """Headers of the photos of the camera that took most of them, and why others are left out."""
    headers = []
    reasons: list[str] = []
    for path in paths:
        try:
            header = read_header(path)
        except UserError as error:
            reasons.append(say("{photo}: {why}", photo=path.name, why=error.what))
            continue
        if header.edited:
            reasons.append(say("{photo}: {why}", photo=header.name, why=header.edited))
        else:
            headers.append(header)
    if not headers:
        raise UserError(
            listed([say("there is no usable photo of the board"), *reasons[:3]], "; "),
            "",
            _REMEDY,
        )
    identity = Counter(h.identity for h in headers).most_common(1)[0][0]
    reasons += [
        say(
            "{photo}: from another camera or setting ({camera})",
            photo=h.name,
            camera=h.identity.name,
        )
        for h in headers
        if h.identity != identity
    ]
    return [h for h in headers if h.identity == identity], reasons


def find_board(grey: Pixels, board: Board, name: str = "") -> BoardView | None:
    """Corners of the board in a photo (h, w), None when too few to be of use.

    OpenCV's ChArUco detection finds the corners; its refinement looks at a few pixels only, so
    each is refined once more in a window as large as the squares allow, on a picture blurred in
    proportion. The saddle at a corner is point-symmetric, so the blur moves it nowhere.
    """
    corners, ids, _, _ = cv2.aruco.CharucoDetector(charuco_board(board)).detectBoard(grey)
    if ids is None or len(ids) < MIN_CORNERS:
        return None
    index = np.asarray(ids).ravel()
    found_px = np.asarray(corners, dtype=np.float32).reshape(-1, 2)
    points_mm = board.object_points_mm[index]
    # Corners of one row or column fix no pose.
    spread = np.linalg.svd(points_mm[:, :2] - points_mm[:, :2].mean(axis=0), compute_uv=False)
    if spread[1] < 0.1 * spread[0]:
        return None
    # Three quarters of the white between corner and marker; a fifth of a square is plenty.
    share = min(0.75 * (board.square_mm - board.marker_mm) / 2 / board.square_mm, 0.2)
    refined_px = _refine(grey, found_px, share * _spacing_px(index, found_px, board.columns - 1))
    return BoardView(name, points_mm, refined_px.astype(float))


def _spacing_px(ids: np.ndarray, points_px: np.ndarray, per_row: int) -> float:
    """Shortest distance of two neighbouring corners; 0 when there are no neighbours."""
    at = dict(zip(ids.tolist(), points_px, strict=True))
    pairs = [(k, k + 1) for k in at if (k + 1) % per_row] + [(k, k + per_row) for k in at]
    return min((float(np.linalg.norm(at[a] - at[b])) for a, b in pairs if b in at), default=0.0)


def _refine(grey: Pixels, points_px: np.ndarray, half_window_px: float) -> np.ndarray:
    """Saddle points (N, 2) near ``points_px``, from gradients in windows of that half width."""
    half = int(half_window_px)
    if half < 2:
        return points_px
    # Only the board is blurred, not the whole photo.
    margin = 4 * half
    low = np.maximum(np.floor(points_px.min(axis=0)).astype(int) - margin, 0)
    high = np.ceil(points_px.max(axis=0)).astype(int) + margin
    part = cv2.GaussianBlur(grey[low[1] : high[1], low[0] : high[0]], (0, 0), half / 4)
    start = (points_px - low).astype(np.float32).reshape(-1, 1, 2)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-4)
    refined = cv2.cornerSubPix(part, start, (half, half), (-1, -1), stop)
    return np.asarray(refined).reshape(-1, 2) + low


def fit_camera(
    views: Sequence[BoardView],
    width_px: int,
    height_px: int,
    outlier_sigma: float = OUTLIER_SIGMA,
    rolling: bool = True,
) -> CameraFit:
    """Fit the nine constants and one pose a view; drop outlying corners and fit again.

    A phone reads its sensor row by row while the hand moves, which shears each photo by some
    tenths of a pixel. Such a shear looks like another principal point or focal length; left out,
    it makes the covariance a fable. So each view also gets a shift (x, y) proportional to the
    row, held near zero by its own estimated scatter (a variance component).

    Parameters
    ----------
    views : at least ``MIN_VIEWS`` of one camera, each of a flat object (all z = 0).
    width_px, height_px : of the sensor image.
    outlier_sigma : corners with longer residuals are dropped, in units of the robust standard
        deviation per axis (1.4826 median |v|); infinity keeps them all.
    rolling : with the row shifts; without them this is the classical calibration.

    Raises
    ------
    UserError : too few views, or they determine no camera.
    """
    _require_views(views)
    seen, used = list(views), list(views)
    state = _adjust(used, _start(used, width_px, height_px), rolling)
    for _ in range(_MAX_ROUNDS):
        # All corners are judged anew each time: a gross error makes its neighbours look bad, too.
        off_px = _residuals(seen, state)
        sigma_px = max(1.4826 * float(np.median(np.abs(np.concatenate(off_px)))), 1e-3)
        keep = [np.linalg.norm(v, axis=1) <= outlier_sigma * sigma_px for v in off_px]
        good = [
            (v, BoardView(v.name, v.points_mm[k], v.points_px[k]))
            for v, k in zip(seen, keep, strict=True)
            if k.sum() >= MIN_CORNERS
        ]
        before = used
        seen, used = [whole for whole, _ in good], [part for _, part in good]
        _require_views(used)
        if [v.points_px.tobytes() for v in used] == [v.points_px.tobytes() for v in before]:
            break
        state = _adjust(used, _start(used, width_px, height_px), rolling)
    off_px = _residuals(used, state)
    return CameraFit(
        camera=state.camera,
        covariance=state.covariance,
        views=tuple(used),
        poses=tuple(state.poses),
        rms_px=float(np.sqrt((np.concatenate(off_px) ** 2).sum(axis=1).mean())),
        dropped=sum(len(v.points_px) for v in views) - sum(len(v.points_px) for v in used),
    )


def judge(fit: CameraFit) -> tuple[Verdict, tuple[str, ...]]:
    """Whether to trust a calibration, and what keeps it from being good, in plain words.

    The limits are rules of thumb. What counts in the end is the covariance, which the adjustment
    takes along; the verdict tells people whether better photos would be worth their while.
    """
    sd_px = np.sqrt(fit.covariance.diagonal()[:4])
    focal_px = float(fit.camera.constants[:2].mean())
    size_px = np.array([fit.camera.width_px, fit.camera.height_px])
    off_centre = np.concatenate([v.points_px for v in fit.views]) * 2 / size_px - 1
    rms_limit_px = max(0.5, size_px[0] / 4000)
    tilt_deg = _tilt_range_deg(fit)
    cells, reach = _cell_share(off_centre), _shortest_reach(off_centre)
    u_focal, u_centre = sd_px[:2].max() / focal_px, sd_px[2:].max() / focal_px
    # Value, limits of good and usable (all "at least"), what to say.
    checks: tuple[tuple[float, float, float, str], ...] = (
        (
            len(fit.views),
            10,
            6,
            say("only {n} photos are usable, 10 or more are better", n=len(fit.views)),
        ),
        (
            tilt_deg,
            40,
            20,
            say("the board was tilted by {tilt:.0f} degrees at most between photos", tilt=tilt_deg),
        ),
        (_turned(fit), 1, 0, say("no photo was taken with the phone turned by 90 degrees")),
        (
            cells,
            0.6,
            0.35,
            say("the board covered only {share:.0f}% of the picture", share=100.0 * cells),
        ),
        (reach, 0.5, 0.35, say("the board never came near some corner of the picture")),
        (
            -fit.rms_px,
            -rms_limit_px,
            -3 * rms_limit_px,
            say("corners miss by {rms:.2f} px rms", rms=fit.rms_px),
        ),
        (
            -u_focal,
            -5e-4,
            -2e-3,
            say("the focal length is uncertain by {share:.2f}%", share=100.0 * float(u_focal)),
        ),
        (
            -u_centre,
            -5e-4,
            -2e-3,
            say("the image centre is uncertain by {off:.1f} px", off=float(u_centre * focal_px)),
        ),
    )
    doubts = tuple(text for value, good, _, text in checks if value < good)
    if any(value < usable for value, _, usable, _ in checks):
        return "poor", doubts
    return ("usable" if doubts else "good"), doubts


def _tilt_range_deg(fit: CameraFit) -> float:
    """Largest angle between the board normals of two views, in the camera frame."""
    normals = np.array([pose.rotation[:, 2] for pose in fit.poses])
    return float(np.degrees(np.arccos(np.clip(normals @ normals.T, -1, 1).min())))


def _turned(fit: CameraFit) -> bool:
    """Is some pair of views rolled by 60 to 120 degrees about the optical axis?"""
    rolls = np.array([np.arctan2(p.rotation[1, 0], p.rotation[0, 0]) for p in fit.poses])
    return bool((np.abs(np.sin(rolls[:, None] - rolls)) > np.sin(np.radians(60))).any())


def _cell_share(off_centre: Array) -> float:
    """Share of 8 x 6 cells of the picture with a corner; positions (N, 2) from -1 to 1."""
    cells = np.clip(((off_centre + 1) / 2 * [8, 6]).astype(int), 0, [7, 5])
    return len({*map(tuple, cells.tolist())}) / 48


def _shortest_reach(off_centre: Array) -> float:
    """How far the board came towards the corners of the picture (1); the least of the four.

    Its inner corners lie a square inside its edge, so even a full frame stays well below 1.
    """
    along = off_centre @ np.array([[1, 1, -1, -1], [1, -1, 1, -1]]) / 2
    return float(along.max(axis=0).min())


@dataclass(frozen=True)
class _State:
    """Unknowns of the fit: camera, camera_from_board and (x, y) px shift over all rows a view."""

    camera: Camera
    poses: list[Pose]
    shifts_px: Array
    covariance: Array


def _residuals(views: Sequence[BoardView], state: _State) -> list[Array]:
    """Found minus projected, (N, 2) px for each view."""
    return [
        view.points_px
        - state.camera.project(pose.apply(view.points_mm))
        - _row(view, state.camera)[:, None] * shift_px
        for view, pose, shift_px in zip(views, state.poses, state.shifts_px, strict=True)
    ]


def _row(view: BoardView, camera: Camera) -> Array:
    """Row of each corner, -0.5 (top) to 0.5 (bottom)."""
    return view.points_px[:, 1] / camera.height_px - 0.5


def _adjust(views: Sequence[BoardView], state: _State, rolling: bool) -> _State:
    """Gauss-Newton on all unknowns, and the scatter of the row shifts with it.

    For each view A holds the derivatives by the constants, B those by its pose and shift, below
    them the shift's pseudo-observation (value 0, weight s0 / scatter). With B = Q R, what of A is
    not in the range of B, F = A - Q Q'A, alone decides the constants: the Schur complement
    sum F'F without squared condition numbers. Squares of the rows of Q and of an orthonormal base
    of all F add up to the leverages h, and each variance is sum v^2 / sum (1 - h) over its group
    (variance components after Foerstner and Helmert, from memory).

    Raises
    ------
    UserError : some constant stays undetermined.
    """
    # Hands turn a phone by some 0.01 rad/s and sensors take some 20 ms: the scatter expected,
    # in px over all rows. It counts as much as two further observed shifts.
    expected_px = 2e-4 * float(state.camera.constants[0])
    scatter_px, sigma_px = expected_px, 0.2
    for _ in range(_MAX_STEPS):
        off_px = _residuals(views, state)
        blocks = []
        for view, pose, shift_px, v_px in zip(
            views, state.poses, state.shifts_px, off_px, strict=True
        ):
            a, b = _derivatives(view, state.camera, pose)
            v = v_px.ravel()
            if rolling:
                weight = sigma_px / scatter_px
                a = np.concatenate([a, np.zeros((2, 9))])
                b = np.concatenate([b, np.eye(2, 8, 6) * weight])
                v = np.concatenate([v, -shift_px * weight])
            else:
                b = b[:, :6]
            blocks.append((a, v, *np.linalg.qr(b)))
        free = np.concatenate([a - q @ (q.T @ a) for a, _, q, _ in blocks])
        scale = np.linalg.norm(free, axis=0)
        if not np.all(scale > 0):
            raise _undetermined()
        base, triangle = np.linalg.qr(free / scale)
        if np.linalg.cond(triangle) > 1e7:
            raise _undetermined()
        root = np.linalg.inv(triangle) / scale[:, None]
        step = root @ (base.T @ np.concatenate([v for _, v, _, _ in blocks]))
        constants = state.camera.constants + step
        focal_px = state.camera.constants[0]
        # From OpenCV's optimum steps are small; a leap means that nothing holds the constants.
        if np.abs(step[:4]).max() > 0.5 * focal_px or np.abs(constants[4:]).max() > 1e4:
            raise _undetermined()

        poses, shifts = [], []
        corner_squares = corner_redundancy = shift_squares = 0.0
        shift_redundancy, at = 0.0, 0
        for (a, v, q, r), pose, shift_px in zip(blocks, state.poses, state.shifts_px, strict=True):
            own = np.linalg.solve(r, q.T @ (v - a @ step))
            left = v - a @ step - q @ (r @ own)
            leverage = (q**2).sum(axis=1) + (base[at : at + len(v)] ** 2).sum(axis=1)
            at += len(v)
            corners = len(v) - (2 if rolling else 0)
            corner_squares += float((left[:corners] ** 2).sum())
            corner_redundancy += float((1 - leverage[:corners]).sum())
            shift_squares += float((left[corners:] ** 2).sum()) * (scatter_px / sigma_px) ** 2
            shift_redundancy += float((1 - leverage[corners:]).sum())
            turn = np.asarray(cv2.Rodrigues(own[:3])[0], dtype=float)
            poses.append(Pose(turn @ pose.rotation, pose.translation + own[3:6]))
            shifts.append(shift_px + own[6:] if rolling else shift_px)
        if corner_redundancy <= 0:
            raise _undetermined()
        old = sigma_px, scatter_px
        sigma_px = np.sqrt(max(corner_squares / corner_redundancy, 1e-12))
        scatter_px = np.sqrt((shift_squares + 2 * expected_px**2) / (shift_redundancy + 2))
        covariance = sigma_px**2 * root @ root.T
        state = _State(
            Camera(state.camera.width_px, state.camera.height_px, constants),
            poses,
            np.array(shifts),
            covariance,
        )
        # Converged when the step is far below its own uncertainty and the variances stand still.
        small = np.all(np.abs(step) <= 1e-4 * np.sqrt(covariance.diagonal()))
        if small and np.allclose(old, (sigma_px, scatter_px), rtol=1e-3):
            return state
    raise _undetermined()


def _derivatives(view: BoardView, camera: Camera, pose: Pose) -> tuple[Array, Array]:
    """Of the image points (2N rows) by the constants (9) and by turn, position and shift (8)."""
    turned = view.points_mm @ pose.rotation.T
    _, by_point, by_constants = project_with_jacobians(camera.constants, turned + pose.translation)
    by_shift = _row(view, camera)[:, None, None] * np.eye(2)
    by_own = np.concatenate([-by_point @ cross_matrix(turned), by_point, by_shift], axis=2)
    return by_constants.reshape(-1, 9), by_own.reshape(-1, 8)


def _require_views(views: Sequence[BoardView]) -> None:
    if len(views) < MIN_VIEWS:
        raise UserError(
            say(
                "only {photos} photos show the board well enough, at least {least} must",
                photos=len(views),
                least=MIN_VIEWS,
            ),
            "",
            _REMEDY,
        )


def _undetermined() -> UserError:
    return UserError("these photos do not determine the camera constants", "", _REMEDY)


def _start(views: Sequence[BoardView], width_px: int, height_px: int) -> _State:
    """OpenCV's calibration, without row shifts."""
    try:
        _, matrix, distortion, vectors, translations = cv2.calibrateCamera(
            [v.points_mm.astype(np.float32) for v in views],
            [v.points_px.astype(np.float32) for v in views],
            (width_px, height_px),
            None,
            None,
            criteria=(cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 100, 1e-9),
        )
    except cv2.error as error:
        raise _undetermined() from error
    k = np.asarray(matrix, dtype=float)
    constants = np.array(
        [k[0, 0], k[1, 1], k[0, 2], k[1, 2], *np.asarray(distortion, dtype=float).ravel()[:5]]
    )
    if not (np.isfinite(constants).all() and constants[:2].min() > 0):
        raise _undetermined()
    poses = [
        Pose(np.asarray(cv2.Rodrigues(v)[0], dtype=float), np.asarray(t, dtype=float).ravel())
        for v, t in zip(vectors, translations, strict=True)
    ]
    camera = Camera(width_px, height_px, constants)
    return _State(camera, poses, np.zeros((len(views), 2)), np.full((9, 9), np.nan))
