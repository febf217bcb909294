"""Camera model: Brown-Conrady values, OpenCV, inverse, derivatives."""

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.camera import Camera, project, project_with_jacobians
from calib.frames import Array
from targets.errors import UserError

# Constants of the check values: computed by hand and with OpenCV (references, section 1 c).
CONSTANTS = np.array([3000.0, 3000.0, 2000.0, 1500.0, -0.25, 0.10, 0.001, -0.0005, 0.02])
CAMERA = Camera(4000, 3000, CONSTANTS)
# Unequal focal lengths and strong decentring, so that no term can hide behind another.
UNEVEN = np.array([2500.0, 2600.0, 1640.0, 1210.0, -0.08, 0.06, 0.004, -0.003, -0.02])


@pytest.mark.parametrize(
    ("point_mm", "expected_px"),
    [
        ((0.1, -0.2, 2.0), (2149.477350, 1201.045301)),
        ((0.5, 0.3, 2.0), (2734.523587, 1941.045652)),
    ],
)
def test_check_values(point_mm: tuple[float, ...], expected_px: tuple[float, ...]) -> None:
    np.testing.assert_allclose(CAMERA.project(np.array([point_mm]))[0], expected_px, atol=1e-6)


def test_projection_agrees_with_opencv(rng: np.random.Generator) -> None:
    points_mm = rng.uniform([-600, -450, 800], [600, 450, 2000], size=(200, 3))
    camera = Camera(3264, 2448, UNEVEN)
    expected, _ = cv2.projectPoints(
        points_mm, np.zeros(3), np.zeros(3), camera.matrix, camera.distortion
    )
    np.testing.assert_allclose(camera.project(points_mm), expected.reshape(-1, 2), atol=1e-9)


@given(st.floats(0, 3999), st.floats(0, 2999))
def test_rays_undo_projection(x_px: float, y_px: float) -> None:
    rays = CAMERA.rays(np.array([[x_px, y_px]]))
    back = CAMERA.project(np.column_stack([rays, np.ones(1)]))
    np.testing.assert_allclose(back, [[x_px, y_px]], atol=1e-8)


@given(st.floats(-0.6, 0.6), st.floats(-0.45, 0.45), st.floats(100, 5000))
def test_projection_undoes_rays(x: float, y: float, depth_mm: float) -> None:
    point_mm = np.array([[x * depth_mm, y * depth_mm, depth_mm]])
    np.testing.assert_allclose(CAMERA.rays(CAMERA.project(point_mm)), [[x, y]], atol=1e-10)


def test_no_points_give_no_rays() -> None:
    assert CAMERA.rays(np.empty((0, 2))).shape == (0, 2)


def test_constants_of_no_lens_are_refused() -> None:
    """k1 = -1 bends everything beyond r = 0.58 back inside (maximum of r - r^3: 0.385)."""
    fold = Camera(4000, 3000, np.array([3000.0, 3000, 2000, 1500, -1.0, 0, 0, 0, 0]))
    inside = np.array([[2000 + 3000 * 0.38, 1500.0]])
    assert np.isfinite(fold.rays(inside)).all()
    with pytest.raises(UserError, match="bend the image over itself"):
        fold.rays(np.array([[2000 + 3000 * 0.40, 1500.0]]))


def central_difference(function: Callable[[Array], Array], at: Array) -> Array:
    columns = []
    for i in range(at.size):
        step = np.zeros_like(at)
        step[i] = 1e-6 * max(1.0, abs(at[i]))
        columns.append((function(at + step) - function(at - step)) / (2 * step[i]))
    return np.stack(columns, axis=-1)


@pytest.mark.parametrize("constants", [CONSTANTS, UNEVEN], ids=["even", "uneven"])
def test_derivatives_agree_with_differences(constants: Array, rng: np.random.Generator) -> None:
    points_mm = rng.uniform([-500, -400, 800], [500, 400, 2000], size=(20, 3))
    points_px, by_point, by_constants = project_with_jacobians(constants, points_mm)
    np.testing.assert_allclose(points_px, project(constants, points_mm), atol=1e-10)
    for i, point in enumerate(points_mm):
        by_point_there = central_difference(lambda p: project(constants, p), point)
        np.testing.assert_allclose(by_point[i], by_point_there, atol=1e-6)
        by_constants_there = central_difference(lambda c, p=point: project(c, p), constants)
        np.testing.assert_allclose(by_constants[i], by_constants_there, rtol=1e-6, atol=1e-6)


def test_each_point_may_have_its_own_constants(rng: np.random.Generator) -> None:
    points_mm = rng.uniform([-500, -400, 800], [500, 400, 2000], size=(2, 3))
    both = np.stack([CONSTANTS, UNEVEN])
    together = project_with_jacobians(both, points_mm)
    for i in range(2):
        alone = project_with_jacobians(both[i], points_mm[i : i + 1])
        for joint, single in zip(together, alone, strict=True):
            np.testing.assert_allclose(joint[i], single[0], rtol=1e-14)
