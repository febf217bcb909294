"""Resection: many candidates at once, against a truth and against SciPy."""

import numpy as np
import pytest
from scipy.optimize import least_squares

from calib.frames import rotations
from pipeline.adjustment.resection import resected


def _seen(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A true pose, points about two metres before the camera, and their rays."""
    rotation = rotations(rng.normal(0, 0.5, 3))
    points = rng.uniform(-500, 500, (24, 3))
    translation = np.array([30.0, -50.0, 2000.0])
    place = points @ rotation.T + translation
    return rotation, translation, points, place[:, :2] / place[:, 2:]


def _candidates(
    rng: np.random.Generator, rotation: np.ndarray, translation: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray]:
    turned = rotations(rng.normal(0, 0.1, (count, 3))) @ rotation
    return turned, translation + rng.normal(0, 60, (count, 3))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_every_candidate_comes_to_the_true_pose(seed: int) -> None:
    """Rays without noise: whatever about 10 degrees and 10 cm off the candidates begin."""
    rng = np.random.default_rng(seed)
    rotation, translation, points, rays = _seen(rng)
    begun = _candidates(rng, rotation, translation, 8)
    turned, moved = resected(*begun, points[None], rays, np.ones((8, 24), dtype=bool))
    assert np.abs(turned - rotation).max() < 1e-6
    assert np.abs(moved - translation).max() < 1e-3
    assert np.abs(begun[1] - translation).max() > 50.0, "what was handed in stays as it was"


@pytest.mark.parametrize("seed", [4, 5])
def test_what_is_not_used_does_not_count(seed: int) -> None:
    """Each candidate has points of its own that are wrong, or hidden: nan."""
    rng = np.random.default_rng(seed)
    rotation, translation, points, rays = _seen(rng)
    used = rng.uniform(size=(6, 24)) > 0.3
    used[:, 0] = False
    rays[0] = np.nan
    each = np.where(used[..., None], points, points + 100.0)
    turned, moved = resected(*_candidates(rng, rotation, translation, 6), each, rays, used)
    assert np.abs(turned - rotation).max() < 1e-6
    assert np.abs(moved - translation).max() < 1e-3


def test_with_noise_it_is_the_least_squares_that_scipy_finds() -> None:
    """OpenCV's solvePnPRefineLM stops 1.2 mm short of it here: it weighs rad and mm alike."""
    rng = np.random.default_rng(6)
    rotation, translation, points, rays = _seen(rng)
    rays += rng.normal(0, 1e-3, rays.shape)

    def off(unknowns: np.ndarray) -> np.ndarray:
        place = points @ rotations(unknowns[:3]).T @ rotation.T + 1000.0 * unknowns[3:]
        return (place[:, :2] / place[:, 2:] - rays).ravel()

    best = least_squares(off, [0, 0, 0, *translation / 1000.0], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    _, moved = resected(
        rotation[None], translation[None], points[None], rays, np.ones((1, 24), dtype=bool)
    )
    assert np.abs(moved[0] - 1000.0 * best.x[3:]).max() < 1e-3
    assert np.abs(moved[0] - translation).max() > 0.05, "the noise moves it"
