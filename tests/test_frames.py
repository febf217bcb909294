"""Poses and rotations: algebra, and OpenCV's Rodrigues as an independent implementation."""

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from calib.frames import Array, Pose, cross_matrix, rotations

VECTORS = arrays(float, 3, elements=st.floats(-4.0, 4.0))


@given(VECTORS)
def test_rotations_agree_with_opencv(vector: Array) -> None:
    np.testing.assert_allclose(rotations(vector), cv2.Rodrigues(vector)[0], atol=1e-12)


@given(VECTORS)
def test_rotations_are_proper_orthogonal(vector: Array) -> None:
    matrix = rotations(vector)
    np.testing.assert_allclose(matrix @ matrix.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(matrix) == pytest.approx(1.0, abs=1e-12)


def test_rotations_of_many_vectors_are_those_of_each(rng: np.random.Generator) -> None:
    vectors = rng.normal(size=(2, 5, 3))
    stacked = rotations(vectors)
    assert stacked.shape == (2, 5, 3, 3)
    for i, j in np.ndindex(2, 5):
        np.testing.assert_allclose(stacked[i, j], rotations(vectors[i, j]), atol=1e-15)


def test_small_rotation_is_exact_to_first_order() -> None:
    small = np.array([1e-9, -2e-9, 3e-9])
    np.testing.assert_allclose(rotations(small) - np.eye(3), cross_matrix(small), atol=1e-17)


@given(VECTORS, VECTORS)
def test_cross_matrix_is_the_cross_product(a: Array, b: Array) -> None:
    np.testing.assert_allclose(cross_matrix(a) @ b, np.cross(a, b), atol=1e-12)


@given(VECTORS, VECTORS, VECTORS, VECTORS, VECTORS)
def test_pose_algebra(turn_a: Array, a: Array, turn_b: Array, b: Array, point: Array) -> None:
    """camera_from_network after network_from_card is camera_from_card, and inverses undo."""
    camera_from_network = Pose(rotations(turn_a), a)
    network_from_card = Pose(rotations(turn_b), b)
    camera_from_card = camera_from_network.compose(network_from_card)
    there = camera_from_card.apply(point)
    np.testing.assert_allclose(
        there, camera_from_network.apply(network_from_card.apply(point)), atol=1e-12
    )
    np.testing.assert_allclose(camera_from_card.inverse().apply(there), point, atol=1e-12)


def test_identity_changes_nothing(rng: np.random.Generator) -> None:
    points = rng.normal(size=(4, 2, 3))
    np.testing.assert_array_equal(Pose.identity().apply(points), points)


def test_apply_turns_then_shifts() -> None:
    """A quarter turn about z takes x to y (right-handed), the translation comes after."""
    pose = Pose(rotations(np.array([0.0, 0.0, np.pi / 2])), np.array([10.0, 0.0, 0.0]))
    np.testing.assert_allclose(pose.apply(np.array([1.0, 0.0, 0.0])), [10.0, 1.0, 0.0], atol=1e-15)
