"""How sure the adjustment says it is: against a dense solver, against sampling, against Baarda."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import binom, chi2

from calib.frames import Array
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Network, Observations, Priors, residuals_px
from pipeline.adjustment.covariance import Precision, outlier_statistics, precision
from pipeline.adjustment.layout import Layout
from tests.dense import Dense
from tests.scene import aligned, bundle, make_scene, nominal_layout

LAYOUT_SD = (0.03, 0.03, 0.15)
DRIFT_SD = np.repeat([2e-4, 0.15], 3)
SHIFT_SD_PX = 1.5
CONSTANTS_SD = np.array([10.0, 10.0, 5.0, 5.0, 0.05, 0.05, 1e-3, 1e-3, 0.05])
REPETITIONS = 200


def _small(layout: bool, drift: bool, known: bool = True) -> tuple[Network, Observations, Priors]:
    """Four cards in six photos: the truth, exact observations of it, and what is known."""
    scene = make_scene(8, columns=2, rows=2, photos=6, extent_mm=(600.0, 500.0), noise_px=0.0)
    network, observations = bundle(scene)
    priors = Priors.none(network.constants)
    if known:
        priors = replace(priors, information=np.diag(CONSTANTS_SD**-2)[None])
    if drift:
        priors = replace(priors, drift_sd=DRIFT_SD, shift_sd_px=SHIFT_SD_PX)
    if layout:
        priors = replace(priors, layout=nominal_layout(scene, LAYOUT_SD))
    return network, observations, priors


def _inner(cofactors: Array, points: Array) -> Array:
    """Cofactors with all that a similarity of the points can do projected out."""
    shifts = np.tile(np.eye(3), (len(points), 1))
    turns = np.concatenate([np.cross(np.eye(3), p).T for p in points - points.mean(axis=0)])
    scale = (points - points.mean(axis=0)).reshape(-1, 1)
    basis, _ = np.linalg.qr(np.hstack([shifts, turns, scale]))
    rest = np.eye(len(basis)) - basis @ basis.T
    return np.asarray(rest @ cofactors @ rest)


@pytest.mark.parametrize(
    ("layout", "drift"), [(False, False), (True, False), (True, True)], ids=str
)
def test_cofactors_are_the_pseudo_inverse_of_a_dense_solver(
    layout: bool, drift: bool, rng: np.random.Generator
) -> None:
    """Points (their shape), constants, print scale and leverages, to 1e-6 (1e-5 with a layout).

    Numeric derivatives of a problem with every unknown explicit, inverted by singular values, at
    the same place (a card's pose: the best fit of its dots). Both linearise, so whether that is
    good enough only sampling proves.
    """
    network, observations, priors = _small(layout, drift)
    root = np.linalg.inv(observations.whitening)
    noise = np.einsum("nij,nj->ni", root, rng.standard_normal(observations.px.shape))
    noisy = replace(observations, px=observations.px + noise)
    found = adjust(adjust(network, noisy, priors).network, noisy, priors).network
    ours = precision(found, noisy, priors)
    dense = Dense(found, noisy, priors)
    best = dense.solve()
    x = np.zeros_like(best.x)
    theirs = dense.cofactors_of(x)
    tolerance = 1e-5 if layout else 1e-6

    points = _inner(theirs["points"], found.points)
    assert np.abs(ours.points - points).max() < tolerance * np.diag(points).max()
    np.testing.assert_allclose(np.diag(ours.points), np.diag(points), rtol=tolerance)
    sd = np.sqrt(np.diag(theirs["constants"]))
    np.testing.assert_allclose(
        ours.constants[0] / np.outer(sd, sd),
        theirs["constants"] / np.outer(sd, sd),
        atol=tolerance,
    )
    if layout:
        ratio = np.array([1.0, -1.0])
        assert ratio @ ours.print_scale @ ratio == pytest.approx(
            ratio @ theirs["print_scale"] @ ratio, rel=tolerance
        )

    jacobian = dense.jacobian(x)
    count = 2 * len(noisy.px)
    hat = np.diag(jacobian @ dense.cofactors(x) @ jacobian.T)
    np.testing.assert_allclose(
        ours.leverage[:, [0, 1], [0, 1]], hat[:count].reshape(-1, 2), atol=tolerance
    )
    # One of the rows with a layout is a convention, not something measured.
    measured = len(jacobian) - bool(layout)
    unknowns = jacobian.shape[1] - dense.defect - bool(layout)
    assert ours.redundancy == measured - unknowns
    assert ours.variance_factor * ours.redundancy == pytest.approx(2 * best.cost, rel=1e-6)


def test_redundancy_numbers_add_up_to_the_redundancy() -> None:
    """Sum of 1 - leverage over all coordinates: observations minus unknowns plus defect 7.

    4 x 6 x 4 dots in two coordinates; 36 + 9 + 48 unknowns.
    """
    network, observations, priors = _small(layout=False, drift=False, known=False)
    found = precision(network, observations, priors)
    assert len(observations.px) == 96
    assert found.redundancy == 192 - 93 + 7
    numbers = 1.0 - found.leverage[:, [0, 1], [0, 1]]
    assert numbers.sum() == pytest.approx(106.0, abs=1e-6)
    assert (numbers > 0).all()
    assert (numbers < 1).all()


@pytest.mark.parametrize("layout", [False, True])
def test_shape_is_as_sure_wherever_the_network_lies(layout: bool) -> None:
    """Turned and shifted (and without a layout scaled), cofactors turn along and do not change.

    So angles and ratios of distances have the same variance in every datum.
    """
    network, observations, priors = _small(layout, drift=False)
    turn = Rotation.from_rotvec([0.7, -1.1, 2.0]).as_matrix()
    shift = np.array([4000.0, -3000.0, 800.0])
    factor = 1.0 if layout else 3.0
    moved = replace(
        network,
        points=factor * network.points @ turn.T + shift,
        rotation=network.rotation @ turn.T,
        translation=factor * network.translation - network.rotation @ turn.T @ shift,
    )
    np.testing.assert_allclose(
        residuals_px(moved, observations), residuals_px(network, observations), atol=1e-8
    )
    here = precision(network, observations, priors)
    there = precision(moved, observations, priors)
    block = np.kron(np.eye(len(network.points)), factor * turn)
    expected = block @ here.points @ block.T
    assert np.abs(there.points - expected).max() < 1e-6 * np.abs(expected).max()
    sd = np.sqrt(np.diag(here.constants[0]))
    np.testing.assert_allclose(
        there.constants[0] / np.outer(sd, sd), here.constants[0] / np.outer(sd, sd), atol=1e-6
    )
    np.testing.assert_allclose(there.leverage, here.leverage, atol=1e-6)


def _repetitions(
    network: Network, observations: Observations, priors: Priors, rng: np.random.Generator
) -> Iterator[tuple[Network, Observations, Priors]]:
    """New truths and what is measured of them: print, drift, shift, noise, prior drawn anew."""
    root = np.linalg.inv(observations.whitening)
    axes = None
    if priors.layout:
        dots = network.points.reshape(priors.layout.nominal_mm.shape)
        axes = np.stack([_axes(d) for d in dots])
    for _ in range(REPETITIONS):
        truth = network
        if axes is not None:
            truth = replace(truth, points=_printed(network.points, axes, priors.layout, rng))
        if priors.drift_sd.any():
            drawn = rng.standard_normal(network.drift.shape) * priors.drift_sd
            shift = priors.shift_sd_px * rng.standard_normal((len(drawn), 2))
            truth = replace(truth, drift=drawn, shift=shift)
        exact = observations.px - residuals_px(truth, observations)
        noise = np.einsum("nij,nj->ni", root, rng.standard_normal(exact.shape))
        known = network.constants + CONSTANTS_SD * rng.standard_normal((1, 9))
        yield truth, replace(observations, px=exact + noise), replace(priors, constants=known)


def _axes(dots: Array) -> Array:
    """Axes of an exact card, as columns."""
    x, y = dots[1] - dots[0], dots[3] - dots[0]
    x, y = x / np.linalg.norm(x), y / np.linalg.norm(y)
    return np.column_stack([x, y, np.cross(x, y)])


def _printed(points: Array, axes: Array, layout: Layout | None, rng: np.random.Generator) -> Array:
    """Dots as a printer sets them that prints half a percent too wide and too low."""
    assert layout is not None
    nominal = layout.nominal_mm * [1.005, 0.995, 1.0]
    nominal = nominal + rng.standard_normal(nominal.shape) * layout.sd_mm[:, None]
    centre = points.reshape(nominal.shape).mean(axis=1, keepdims=True)
    return np.asarray((nominal @ axes.transpose(0, 2, 1) + centre).reshape(-1, 3))


@pytest.mark.parametrize("layout", [False, True], ids=["dots alone", "layout, drift, shift"])
def test_predicted_scatter_is_the_scatter_of_repetitions(
    layout: bool, rng: np.random.Generator
) -> None:
    """200 repetitions: every coordinate and constant scatters as predicted, within 20 %.

    A standard deviation of 200 is itself sure to 5 %. Chi-square bounds on the variance factor at
    0.1 % on both sides; the quantile function gives the handbook's 18.307 (10 degrees, 5 %: NIST
    e-Handbook 1.3.6.7.4). The noise is normal and the model true, which real photographs are not.
    """
    assert chi2.isf(0.05, 10) == pytest.approx(18.307, abs=5e-4)
    network, observations, priors = _small(layout, drift=layout)
    predicted = precision(network, observations, priors)
    points, constants, squares, ratios = [], [], [], []
    for truth, seen, known in _repetitions(network, observations, priors, rng):
        found = adjust(network, seen, known)
        assert found.converged
        points.append((aligned(found.network.points, truth.points) - truth.points).ravel())
        constants.append(found.network.constants[0] - truth.constants[0])
        squares.append(found.cost)
        ratios.append(found.network.print_scale @ [1.0, -1.0])

    _assert_scatter(np.array(points), predicted.points)
    _assert_scatter(np.array(constants), predicted.constants[0])
    if layout:
        # The printer's true difference, 0.01, in units of the mean scale.
        ratio = np.array([1.0, -1.0])
        spread = float(ratio @ predicted.print_scale @ ratio)
        _assert_scatter(np.array(ratios)[:, None] - 0.01, np.array([[spread]]))
    freedom = REPETITIONS * predicted.redundancy
    assert chi2.ppf(0.001, freedom) < np.sum(squares) < chi2.isf(0.001, freedom)


def _assert_scatter(errors: Array, predicted: Array) -> None:
    sd = np.sqrt(np.diag(predicted))
    observed = np.sqrt((errors**2).mean(axis=0))
    np.testing.assert_allclose(observed / sd, 1.0, atol=0.2)
    inside = (np.abs(errors) <= 2 * sd).mean()
    # 95.4 % of a normal distribution; the bounds leave room for few independent errors.
    assert 0.93 < inside < 0.98
    # No bias: means of 200 lie within four of their own standard deviations.
    assert (np.abs(errors.mean(axis=0)) < 4 * sd / np.sqrt(len(errors))).all()


def test_one_gross_error_stands_out_and_hardly_any_good_dot_does() -> None:
    """A dot ten standard deviations off has the largest statistic; good ones alarm at 0.1 %.

    Baarda's test in two dimensions (Baarda 1968, from memory). 20 scenes, one error each; once it
    is out, the number of alarms is one that 0.1 % allow (binomial, 0.1 % on either side), and 5 %
    reach the 5 % quantile. At the least squares optimum: a robust one leaves larger residuals.
    """
    alarms = small = tested = 0
    for seed in range(20):
        network, observations = bundle(make_scene(seed, columns=4, rows=3, photos=10))
        priors = replace(
            Priors.none(network.constants), information=np.diag(CONSTANTS_SD**-2)[None]
        )
        rng = np.random.default_rng(1000 + seed)
        bad = int(rng.integers(len(observations.px)))
        white = rng.standard_normal(2)
        px = observations.px.copy()
        px[bad] += 10.0 * np.linalg.solve(observations.whitening[bad], white / np.hypot(*white))
        statistic, critical = _tested(network, replace(observations, px=px), priors)
        assert critical == pytest.approx(13.816, abs=1e-3)  # -2 ln 0.001
        assert statistic[bad] == statistic.max()
        assert statistic[bad] > 2 * critical
        good = np.arange(len(px)) != bad
        statistic, _ = _tested(network, observations.subset(good), priors)
        alarms += int((statistic > critical).sum())
        small += int((statistic > chi2.isf(0.05, 2)).sum())
        tested += len(statistic)
    assert tested > 8000
    assert binom.ppf(0.001, tested, 0.001) <= alarms <= binom.isf(0.001, tested, 0.001)
    assert 0.043 < small / tested < 0.057


def _tested(network: Network, observations: Observations, priors: Priors) -> tuple[Array, float]:
    adjusted = adjust(network, observations, priors)
    found: Precision = precision(adjusted.network, observations, priors)
    return outlier_statistics(found)


def test_a_dot_that_nothing_checks_is_never_called_an_outlier() -> None:
    """Without redundancy the residual is nought over nought: it gets no statistic."""
    nothing = replace(
        precision(*_small(layout=False, drift=False)),
        leverage=np.stack([np.eye(2), *[0.5 * np.eye(2)] * 9]),
        residuals=np.vstack([[3e-9, 1e-9], np.full((9, 2), 0.6)]),
    )
    statistic, critical = outlier_statistics(nothing)
    assert statistic[0] == 0.0
    # Nine equal ones lie at the median of the distribution.
    np.testing.assert_allclose(statistic[1:], chi2.ppf(0.5, 2), rtol=1e-4)
    assert (statistic < critical).all()
