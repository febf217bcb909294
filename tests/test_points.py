"""Hole centres: along the stem, with what makes them unsure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from calib.frames import Array
from pipeline.adjustment.points import _by_dots, card_axes, find_holes
from pipeline.inputs.job import CardOnPoint
from targets.card import card_of
from tests.scene import covariance_like, solution_of


def _dots(card: int, turn: Rotation, centre: tuple[float, float, float]) -> Array:
    flat = np.column_stack([card_of(card).dots_mm, np.zeros(4)])
    return np.asarray(turn.apply(flat) + centre)


def _row(card: int, stem_mm: float) -> CardOnPoint:
    return CardOnPoint(card, f"P{card}", "L", stem_mm, "")


LEVEL = Rotation.identity()
"""A card that faces down with its z, into the card, up."""


def test_holes_by_hand() -> None:
    """A level card: straight up. One tilted by 30 degrees about x: stem sin 30 aside, cos 30 up."""
    tilted = Rotation.from_euler("x", 30, degrees=True)
    dots = np.array([_dots(3, LEVEL, (10, 20, 5)), _dots(301, tilted, (0, 0, 0))])
    axes = card_axes(dots)
    np.testing.assert_allclose(axes[0], np.eye(3), atol=1e-12)
    np.testing.assert_allclose(axes[1], tilted.as_matrix().T, atol=1e-12)
    solution = solution_of((3, 301), dots, np.zeros((24, 24)))
    holes = find_holes(solution, (_row(301, 80.0), _row(3, 50.0)), 0.0)
    np.testing.assert_allclose(
        holes.positions_mm,
        [[0.0, -80.0 * 0.5, 80.0 * np.sqrt(0.75)], [10.0, 20.0, 55.0]],
        atol=1e-10,
    )


def test_only_cards_that_were_measured_give_holes() -> None:
    solution = solution_of((3,), np.array([_dots(3, LEVEL, (0, 0, 0))]), np.zeros((12, 12)))
    wanted = _row(3, 0.0)
    holes = find_holes(solution, (_row(4, 10.0), wanted), 0.1)
    assert holes.rows == (wanted,)
    assert holes.positions_mm.shape == (1, 3)
    assert holes.covariance_mm2.shape == (3, 3)
    none = find_holes(solution, (_row(4, 10.0),), 0.1)
    assert (none.rows, none.positions_mm.shape, none.covariance_mm2.shape) == ((), (0, 3), (0, 0))


def test_seat_and_stem_by_hand() -> None:
    """Exact dots: the seat in every direction, the stem (0.05 mm, assumed) along its axis only."""
    turn = Rotation.from_euler("y", 90, degrees=True)
    solution = solution_of((3,), np.array([_dots(3, turn, (0, 0, 0))]), np.zeros((12, 12)))
    covariance = find_holes(solution, (_row(3, 60.0),), 0.2).covariance_mm2
    # z of the card points along x of the network.
    expected = np.diag([0.2**2 + 0.05**2, 0.2**2, 0.2**2])
    np.testing.assert_allclose(covariance, expected, atol=1e-12)


@pytest.mark.parametrize("stem_mm", [0.0, 55.0, 300.0])
def test_derivative_by_dots_equals_central_differences(
    stem_mm: float, rng: np.random.Generator
) -> None:
    for _ in range(3):
        dots = _dots(3, Rotation.random(random_state=rng), (5, 6, 7))
        dots += 0.3 * rng.standard_normal((4, 3))

        def hole(moved: Array) -> Array:
            solution = solution_of((3,), moved.reshape(1, 4, 3), np.zeros((12, 12)))
            return find_holes(solution, (_row(3, stem_mm),), 0.0).positions_mm[0]

        step = 1e-3
        numeric = np.array(
            [
                (hole(dots.ravel() + d) - hole(dots.ravel() - d)) / (2 * step)
                for d in step * np.eye(12)
            ]
        ).T
        ours = _by_dots(dots, stem_mm)
        assert np.abs(ours - numeric).max() < 1e-6 * np.abs(ours).max()


def test_covariance_is_that_of_sampling(rng: np.random.Generator) -> None:
    """4000 draws of two cards with correlated dots, seats and stems: all 21 figures within 10 %.

    A covariance from 4000 draws is sure to 2 % of the product of its standard deviations.
    """
    truth = np.array([_dots(3, Rotation.random(random_state=rng), (0, 0, 0)) for _ in range(2)])
    truth[1] += [500.0, 100.0, 0.0]
    covariance = covariance_like(rng, 24, 0.08)
    rows = (_row(2, 120.0), _row(1, 20.0))
    seat = 0.1
    predicted = find_holes(solution_of((1, 2), truth, covariance), rows, seat).covariance_mm2

    draws = []
    for noise in rng.multivariate_normal(np.zeros(24), covariance, size=4000):
        dots = truth + noise.reshape(2, 4, 3)
        stems = tuple(replace(r, stem_mm=r.stem_mm + 0.05 * rng.standard_normal()) for r in rows)
        found = find_holes(solution_of((1, 2), dots, covariance), stems, seat)
        draws.append(found.positions_mm.ravel() + seat * rng.standard_normal(6))
    observed = np.cov(np.array(draws).T)
    sd = np.sqrt(np.diag(predicted))
    assert np.abs((observed - predicted) / np.outer(sd, sd)).max() < 0.1
    # The dots matter as much as the seat here, and the two holes are correlated through them.
    assert sd.max() > 1.2 * np.hypot(seat, 0.05)
    assert np.abs(predicted[:3, 3:]).max() > 0.02 * sd.max() ** 2
