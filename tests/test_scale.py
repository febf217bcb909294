"""Bars to scale: by hand, against one joint solution, and what one bar says of another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calib.frames import Array
from pipeline.adjustment.scale import _distance, scale_network
from pipeline.adjustment.solution import Solution
from targets.bar import Bar
from targets.card import card_of
from tests.scene import apply_bars, covariance_like, solution_of

STEEL, ALUMINIUM = 11.5e-6, 23.1e-6
"""Swyt, NIST J. Res. 99:31, 1994."""
CENTRES = np.array(
    [[0.0, 0, 0], [1000, 0, 0], [0, 800, 50], [1000, 820, 0], [500, 400, 300], [-700, 300, 0]]
)


def _network(
    rng: np.random.Generator, sd_mm: float = 0.02, factor: float = 1.0
) -> tuple[Solution, Array]:
    """Six cards whose dots scatter with a full covariance, in millimetres of paper; the truth."""
    nominal = np.column_stack([card_of(0).dots_mm, np.zeros(4)])
    truth = CENTRES[:, None] + nominal
    covariance = covariance_like(rng, truth.size, sd_mm)
    noise = rng.multivariate_normal(np.zeros(truth.size), covariance).reshape(truth.shape)
    return solution_of(range(6), (truth + noise) * factor, covariance * factor**2), truth


def _length(solution: Solution, a: int, b: int) -> float:
    centres = solution.dots_mm.mean(axis=1)
    return float(np.linalg.norm(centres[b] - centres[a]))


def _u_length(solution: Solution, a: int, b: int) -> float:
    """Standard uncertainty of the distance of two card centres."""
    centres = solution.dots_mm.mean(axis=1)
    away = (centres[b] - centres[a]) / np.linalg.norm(centres[b] - centres[a])
    row = np.zeros(solution.dots_mm.shape)
    row[b], row[a] = away / 4, -away / 4
    return float(np.sqrt(row.ravel() @ solution.covariance_mm2 @ row.ravel()))


def test_one_bar_gives_the_scale_to_everything(rng: np.random.Generator) -> None:
    """Dots almost without error, printed 3 % small: all distances grow alike, poses' shifts too."""
    free, truth = _network(rng, sd_mm=1e-7, factor=0.97)
    bar = Bar((0, 1), 1000.0, 0.1, STEEL)
    solution, readings = apply_bars(free, (bar,), 20.0, STEEL)
    centres, true_centres = solution.dots_mm.mean(axis=1), truth.mean(axis=1)
    for a in range(6):
        for b in range(a):
            true = np.linalg.norm(true_centres[b] - true_centres[a])
            assert np.linalg.norm(centres[b] - centres[a]) == pytest.approx(true, abs=1e-5)
    shift = solution.camera_from_network[0].translation
    np.testing.assert_allclose(shift, [0.0, 0.0, 1000.0 / 0.97], rtol=1e-7)
    # Nothing checks a single bar.
    (reading,) = readings
    assert reading.bar == bar
    assert np.isnan([reading.measured_mm, reading.U_mm]).all()


def test_uncertainty_of_the_bar_reaches_every_length_in_proportion(
    rng: np.random.Generator,
) -> None:
    """At 20 degrees: (U / 2)^2 + (L (alpha - alpha_body) 1 K)^2, by hand, and in proportion."""
    free, _ = _network(rng, sd_mm=1e-7)
    solution, _ = apply_bars(free, (Bar((0, 1), 1000.0, 0.1, ALUMINIUM),), 20.0, STEEL)
    u = np.hypot(0.05, 1000.0 * (ALUMINIUM - STEEL))
    assert _u_length(solution, 0, 1) == pytest.approx(u, rel=1e-5)
    share = _length(solution, 5, 3) / 1000.0
    assert _u_length(solution, 5, 3) == pytest.approx(u * share, rel=1e-5)


def test_uncertainty_at_another_temperature_by_hand(rng: np.random.Generator) -> None:
    """At 35 degrees coefficients good to 10 % (assumed) join in, the bar's and the body's own."""
    free, _ = _network(rng, sd_mm=1e-7)
    solution, _ = apply_bars(free, (Bar((0, 1), 1000.0, 0.1, ALUMINIUM),), 35.0, STEEL)
    parts = [
        0.05,
        1000.0 * ALUMINIUM * 0.1 * 15.0,
        1000.0 * (ALUMINIUM - STEEL),
        1000.0 * STEEL * 0.1 * 15.0,
    ]
    assert _u_length(solution, 0, 1) == pytest.approx(np.linalg.norm(parts), rel=1e-3)


def test_lengths_are_those_at_twenty_degrees(rng: np.random.Generator) -> None:
    """1 m at 30 degrees: aluminium grows 0.231 mm, steel 0.115 mm (Swyt, NIST J. Res. 99:31).

    Seen on a steel body, the aluminium bar is 0.231 - 0.115 mm longer than at 20 degrees.
    """
    bar = Bar((0, 1), 1000.0, 0.1, ALUMINIUM)
    assert bar.length_at_mm(30.0) == pytest.approx(1000.231, abs=1e-9)
    assert Bar((0, 1), 1000.0, 0.1, STEEL).length_at_mm(30.0) == pytest.approx(1000.115, abs=1e-9)
    free, _ = _network(rng, sd_mm=1e-7, factor=1.01)
    on_steel, _ = apply_bars(free, (bar,), 30.0, STEEL)
    assert _length(on_steel, 0, 1) == pytest.approx(1000.231 / 1.000115, abs=1e-6)
    on_aluminium, _ = apply_bars(free, (bar,), 30.0, ALUMINIUM)
    assert _length(on_aluminium, 0, 1) == pytest.approx(1000.0, abs=1e-6)


BARS = (
    Bar((0, 1), 1000.0, 0.06, ALUMINIUM),
    Bar((2, 3), float(np.linalg.norm(CENTRES[3] - CENTRES[2])), 0.10, STEEL),
    Bar((4, 5), float(np.linalg.norm(CENTRES[5] - CENTRES[4])), 0.04, ALUMINIUM),
)


@pytest.mark.parametrize("bars", [BARS[:1], BARS[:2], BARS], ids=["one", "two", "three"])
def test_update_equals_one_joint_least_squares_solution(
    bars: tuple[Bar, ...], rng: np.random.Generator
) -> None:
    """Dots and a free scale against dots as measured and bars, all at once, iterated.

    Points to 1e-5 mm and covariance to 1e-5 of its largest: what the sequential update leaves out
    is the curvature of a distance (0.02^2 / 1000 mm) and the rest of a 10 % hold on the scale.
    """
    temperature, body = 27.0, STEEL
    free, _ = _network(rng, factor=0.99)
    solution, _ = apply_bars(free, bars, temperature, body)
    x, p = _joint(free, bars, temperature, body)
    # Where the network lies is nobody's business: compared from the centroid.
    ours, theirs = solution.dots_mm.reshape(-1, 3), x.reshape(-1, 3)
    apart = ours - ours.mean(axis=0) - (theirs - theirs.mean(axis=0))
    assert np.abs(apart).max() < 1e-5
    assert np.abs(solution.covariance_mm2 - p).max() < 1e-5 * np.abs(p).max()
    np.testing.assert_allclose(np.diag(solution.covariance_mm2), np.diag(p), rtol=2e-5)


def _joint(
    free: Solution, bars: tuple[Bar, ...], temperature_c: float, body: float
) -> tuple[Array, Array]:
    """Gauss-Newton over x = s (m + B z): scale s free, z of unit variance, bars weighted.

    For the covariance the scale acts about the centroid.
    """
    measured = free.dots_mm.ravel()
    root = np.linalg.cholesky(free.covariance_mm2)
    warm = temperature_c - 20.0
    lengths = [b.length_mm * (1 + b.alpha_per_k * warm) / (1 + body * warm) for b in bars]
    size = np.array([b.length_mm for b in bars])
    alpha = np.array([b.alpha_per_k for b in bars])
    noise = np.diag([(b.U_mm / 2) ** 2 for b in bars])
    noise = noise + np.diag((size * alpha * 0.1 * warm) ** 2)
    noise = noise + np.outer(size * (alpha - body), size * (alpha - body))
    noise = noise + np.outer(size * body, size * body) * (0.1 * warm) ** 2
    weight = np.linalg.inv(np.linalg.cholesky(noise))

    z, s = np.zeros(len(root)), 1.0
    for _ in range(8):
        at = measured + root @ z
        rows, gaps = [], []
        for bar, length in zip(bars, lengths, strict=True):
            a, b = (free.cards.index(c) for c in bar.cards)
            dots = at.reshape(-1, 4, 3)
            apart = dots[b].mean(axis=0) - dots[a].mean(axis=0)
            distance = np.linalg.norm(apart)
            row = np.zeros(dots.shape)
            row[b], row[a] = apart / distance / 4, -apart / distance / 4
            rows.append(np.append(s * row.ravel() @ root, distance))
            gaps.append(length - s * distance)
        design = np.vstack([np.eye(len(root) + 1)[:-1], weight @ np.array(rows)])
        misfit = np.append(-z, weight @ np.array(gaps))
        step = np.linalg.lstsq(design, misfit, rcond=None)[0]
        z, s = z + step[:-1], s + step[-1]
    at = measured + root @ z
    off = at.reshape(-1, 3) - at.reshape(-1, 3).mean(axis=0)
    by_unknowns = np.column_stack([s * root, off.ravel()])
    cofactors = np.linalg.inv(design.T @ design)
    return s * at, by_unknowns @ cofactors @ by_unknowns.T


def test_two_bars_read_each_other(rng: np.random.Generator) -> None:
    """Each bar's length by the other one, and how far from its certificate it may lie: 400 times.

    The difference over its standard uncertainty scatters by 1 within 10 % (standard deviation of
    400: 3.5 %); dots and certificates are drawn with the covariances stated. At 20 degrees and one
    material, where bars share nothing.
    """
    ratios = []
    for _ in range(400):
        free, _ = _network(rng, sd_mm=0.05, factor=1.01)
        bars = tuple(
            Bar(b.cards, b.length_mm + b.U_mm / 2 * rng.standard_normal(), b.U_mm, STEEL)
            for b in BARS[:2]
        )
        _, readings = apply_bars(free, bars, 20.0, STEEL)
        ratios.append([(r.measured_mm - r.bar.length_mm) / (r.U_mm / 2) for r in readings])
    scatter = np.sqrt((np.array(ratios) ** 2).mean(axis=0))
    np.testing.assert_allclose(scatter, 1.0, atol=0.1)


def test_bars_that_disagree_show_it_and_share_the_scale_by_weight(
    rng: np.random.Generator,
) -> None:
    """A certificate 0.15 mm long, which chance may do: the other bar reads it 0.15 mm short."""
    free, _ = _network(rng, sd_mm=1e-4, factor=1.02)
    good, bad = BARS[0], replace(BARS[1], length_mm=BARS[1].length_mm + 0.15)
    good, bad = replace(good, alpha_per_k=STEEL), replace(bad, alpha_per_k=STEEL)
    solution, readings = apply_bars(free, (good, bad), 20.0, STEEL)
    assert readings[1].measured_mm - bad.length_mm == pytest.approx(-0.15, abs=2e-3)
    share = 0.15 * good.length_mm / (bad.length_mm - 0.15)
    assert readings[0].measured_mm - good.length_mm == pytest.approx(share, abs=2e-3)
    # U of the difference: own certificate and the other's, carried over by the lengths.
    other = BARS[1].U_mm * good.length_mm / bad.length_mm
    assert readings[0].U_mm == pytest.approx(np.hypot(BARS[0].U_mm, other), rel=1e-3)
    # Relative weights of the two in the common scale: L^2 / u^2 of each.
    w_good, w_bad = (good.length_mm / 0.03) ** 2, (bad.length_mm / 0.05) ** 2
    stretched = w_bad / (w_good + w_bad) * (0.15 / bad.length_mm)
    expected = good.length_mm * (1 + stretched)
    assert _length(solution, 0, 1) == pytest.approx(expected, abs=1e-3)
    assert 0.015 < expected - good.length_mm < 0.135


@pytest.mark.parametrize("off_mm", [1.0, 10.0])
def test_bars_that_contradict_make_every_length_less_sure(
    rng: np.random.Generator, off_mm: float
) -> None:
    """With d the relative difference of two bars of l1 and l2, s^2 (1 / l1^2 + 1 / l2^2) = d^2.

    A scale by their weights l^2 / s^2 then has the relative variance s^2 / (l1^2 + l2^2); for
    equal lengths that is d / 2, and U = 2 u reaches from either bar's scale to the other's.
    """
    free, _ = _network(rng, sd_mm=1e-4)
    one, two = (replace(bar, U_mm=0.001, alpha_per_k=STEEL) for bar in BARS[:2])
    two = replace(two, length_mm=two.length_mm + off_mm)
    solution, readings = apply_bars(free, (one, two), 20.0, STEEL)
    lengths = np.array([one.length_mm, two.length_mm])
    d = off_mm / two.length_mm
    u_share = d / np.sqrt((lengths**-2.0).sum()) / np.sqrt((lengths**2).sum())
    assert _u_length(solution, 4, 5) == pytest.approx(u_share * _length(solution, 4, 5), rel=0.02)
    # The test itself goes by what is stated.
    assert max(r.U_mm for r in readings) < 0.06
    scaled = scale_network(free, (one, two), 20.0, STEEL)
    by_source = sum(root @ root.T for root in scaled.roots_mm.values())
    by_dots = scaled.by_dots @ free.covariance_mm2 @ scaled.by_dots.T
    np.testing.assert_allclose(scaled.solution.covariance_mm2, by_source + by_dots, atol=1e-9)


def test_a_warm_bar_is_told_as_its_certificate_says_it(rng: np.random.Generator) -> None:
    """Two true bars of different material at 40 degrees: both read as at 20."""
    free, _ = _network(rng, sd_mm=1e-5)
    bars = BARS[:2]
    # What the cards are apart at 40 degrees, seen on a body of steel.
    warmed = free.dots_mm.copy()
    warmed[1] += [bars[0].length_mm * (1 + ALUMINIUM * 20) / (1 + STEEL * 20) - 1000.0, 0.0, 0.0]
    _, readings = apply_bars(replace(free, dots_mm=warmed), bars, 40.0, STEEL)
    for bar, reading in zip(bars, readings, strict=True):
        assert reading.measured_mm == pytest.approx(bar.length_mm, abs=1e-3)


def test_without_a_bar_the_printer_decides_and_U_says_so(rng: np.random.Generator) -> None:
    """No bar, or one whose card nobody saw: dots as they are, lengths unsure by half a percent."""
    free, _ = _network(rng)
    for bars in ((), (Bar((0, 99), 1000.0, 0.1, STEEL),)):
        solution, readings = apply_bars(free, bars, 20.0, STEEL)
        assert readings == ()
        np.testing.assert_array_equal(solution.dots_mm, free.dots_mm)
        expected = np.hypot(_u_length(free, 0, 1), 0.005 * _length(free, 0, 1))
        assert _u_length(solution, 0, 1) == pytest.approx(expected, rel=1e-6)


def test_derivative_of_a_distance_equals_central_differences(rng: np.random.Generator) -> None:
    free, _ = _network(rng, sd_mm=1.0)
    points = free.dots_mm.ravel()
    distance, row = _distance(points, 2, 4)
    assert distance == pytest.approx(_length(free, 2, 4), rel=1e-12)
    step = 1e-2
    numeric = [
        (_distance(points + d, 2, 4)[0] - _distance(points - d, 2, 4)[0]) / (2 * step)
        for d in step * np.eye(len(points))
    ]
    assert np.abs(row - numeric).max() < 1e-6 * np.abs(row).max()
