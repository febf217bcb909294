"""The vehicle frame: rigid, right-handed, blind to how the car stands, and honest about itself."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from scipy.special import gamma, gammainc
from scipy.stats import chi2

from calib.frames import Array
from pipeline.datum.datum import (
    Alternative,
    Datum,
    fit_frame,
    misfit_is_large,
    on_one_line,
    sheet_scatter_mm,
    spread_mm,
    worst_base_point,
)
from tests.scene import covariance_like

SHEET = np.array(
    [
        [0.0, 450.0, 120.0],
        [0.0, -450.0, 120.0],
        [1500.0, 400.0, 80.0],
        [1500.0, -400.0, 80.0],
    ]
)
"""Four invented base points: two pairs that sit equally high."""
OTHERS = np.array([[-900.0, 500.0, 300.0], [2600.0, -550.0, 250.0], [700.0, 0.0, 200.0]])
BASE = np.array([3, 0, 4, 1])
"""Base points do not come first, nor in order."""


def _vehicle() -> Array:
    """All seven points: the base points of ``SHEET`` at the indices of ``BASE``."""
    points = np.empty((7, 3))
    points[BASE] = SHEET
    points[[2, 5, 6]] = OTHERS
    return points


def _seen(turn: Rotation, shift: Array, points: Array, covariance: Array) -> tuple[Array, Array]:
    """Points (N, 3) and covariance of the vehicle frame in a network turned and shifted."""
    block = np.kron(np.eye(len(points)), turn.as_matrix())
    return turn.apply(points) + shift, block @ covariance @ block.T


def test_a_true_car_is_measured_truly_in_its_own_frame() -> None:
    turn, shift = Rotation.from_rotvec([2.0, -0.4, 0.9]), np.array([100.0, -2000.0, 50.0])
    points, covariance = _seen(turn, shift, _vehicle(), 1e-4 * np.eye(21))
    datum = fit_frame(points, covariance, BASE, SHEET)
    np.testing.assert_allclose(datum.positions_mm, _vehicle(), atol=1e-8)
    np.testing.assert_allclose(
        datum.vehicle_from_network.rotation, turn.inv().as_matrix(), atol=1e-9
    )
    # Perfect agreement, as few points tell it: see test_scatter_by_hand.
    assert datum.scatter_mm == pytest.approx(0.01 * np.sqrt(0.5), rel=1e-3)
    assert datum.rms_mm < 1e-8


@pytest.mark.parametrize("off_mm", [0.0, 0.1, 0.3, 3.0])
def test_scatter_by_hand(off_mm: float) -> None:
    """Measured to 0.1 mm and twisted by +- off: r^T r = 4 off^2 on f = 6 degrees.

    s^2 + 0.01 then has the density t^(-f/2 - 1) exp(-r^T r / 2 t) above 0.01 (an inverse gamma
    cut off there), whose mean is a ratio of incomplete gamma functions (SciPy).
    """
    warp = np.array([[0, 0, 1.0], [0, 0, -1], [0, 0, -1], [0, 0, 1]]) * off_mm
    sheet = SHEET.copy()
    sheet[:, 1] = np.sign(sheet[:, 1]) * 420.0  # a rectangle: no rigid motion twists it
    found = sheet_scatter_mm(sheet + warp, sheet, 0.01 * np.eye(12))
    half = 2.0 * off_mm**2
    if off_mm == 0:
        expected = 0.01 * 3.0 / 2.0
    else:
        expected = (
            half * gamma(2) * gammainc(2, half / 0.01) / (gamma(3) * gammainc(3, half / 0.01))
        )
    assert found**2 == pytest.approx(expected - 0.01, rel=2e-3)
    # Far beyond the measurement it is the variance of Student's t: r^T r / (f - 2).
    if off_mm == 3.0:
        assert found**2 == pytest.approx(36.0 / 4.0, rel=0.01)


def test_three_base_points_are_the_least_that_give_a_scatter() -> None:
    """f = 3: r^T r / (3 - 2), three times the mean square."""
    sheet = np.array([[0.0, 400, 0], [0.0, -400, 0], [1500.0, 0, 0]])
    car = sheet + [[0.0, 2, 0], [0.0, -2, 0], [0, 0, 0]]
    assert sheet_scatter_mm(car, sheet, 1e-8 * np.eye(9)) == pytest.approx(np.sqrt(8.0), rel=0.01)


def test_rotation_of_umeyamas_example_and_no_mirror() -> None:
    """The plane toy of Umeyama 1991 as three points in space: turned, where a mirror would fit.

    Input from memory; the plane's answer R = [[0.83205, 0.55470], [-0.55470, 0.83205]] recomputed
    (references 1 b). In space half a turn brings the mirrored triangle to rest on the other, so the
    answer differs from the plane's: what must hold is a proper rotation without scale. A fourth
    point off the plane makes it truly mirrored.
    """
    x = 1000.0 * np.array([[0.0, 0, 0], [1, 0, 0], [0, 2, 0]])
    y = 1000.0 * np.array([[0.0, 0, 0], [-1, 0, 0], [0, 2, 0]])
    flat = fit_frame(x, np.eye(9), np.arange(3), y)
    assert flat.rms_mm < 1e-6
    rotation = flat.vehicle_from_network.rotation
    np.testing.assert_allclose(rotation, np.diag([-1.0, 1.0, -1.0]), atol=1e-9)

    x, y = np.vstack([x, [300, 300, 900]]), np.vstack([y, [-300, 300, 900]])
    mirrored = fit_frame(x, np.eye(12), np.arange(4), y)
    assert np.linalg.det(mirrored.vehicle_from_network.rotation) == pytest.approx(1.0, abs=1e-9)
    assert mirrored.rms_mm > 100.0


def test_no_scale_is_taken_from_the_sheet() -> None:
    """A car 1 % larger than the sheet stays so: its base pair remains 909 mm apart."""
    points, covariance = 1.01 * _vehicle(), 1e-4 * np.eye(21)
    datum = fit_frame(points, covariance, BASE, SHEET)
    left, right = datum.positions_mm[BASE[0]], datum.positions_mm[BASE[1]]
    assert np.linalg.norm(left - right) == pytest.approx(909.0, abs=1e-6)


def test_weighted_fit_is_that_of_a_general_solver(rng: np.random.Generator) -> None:
    """SciPy minimises v^T W v over six unknowns; correlated, unequal covariance."""
    covariance = covariance_like(rng, 21, 0.5)
    covariance[9:12, 9:12] += 4.0 * np.eye(3)
    points = _vehicle() + rng.multivariate_normal(np.zeros(21), covariance).reshape(-1, 3)
    turn, shift = Rotation.from_rotvec([0.5, 0.2, -1.0]), np.array([10.0, 20.0, 30.0])
    points, covariance = _seen(turn, shift, points, covariance)
    datum = fit_frame(points, covariance, BASE, SHEET)

    columns = (3 * BASE[:, None] + np.arange(3)).ravel()
    measured = covariance[np.ix_(columns, columns)]

    def whitened(x: Array) -> Array:
        rotation = Rotation.from_rotvec(x[:3]) * turn.inv()
        v = (rotation.apply(points[BASE] - shift) + x[3:] - SHEET).ravel()
        # W of the measured places, turned into the vehicle frame at the solution.
        block = np.kron(np.eye(4), datum.vehicle_from_network.rotation)
        total = block @ measured @ block.T + datum.scatter_mm**2 * np.eye(12)
        return np.linalg.solve(np.linalg.cholesky(total), v)

    best = least_squares(whitened, np.zeros(6), x_scale=[1e-3] * 3 + [1.0] * 3, xtol=1e-14)
    rotation = Rotation.from_rotvec(best.x[:3]) * turn.inv()
    expected = rotation.apply(points - shift) + best.x[3:]
    assert np.abs(datum.positions_mm - expected).max() < 1e-5
    np.testing.assert_allclose(datum.misfit_mm, expected[BASE] - SHEET, atol=1e-5)
    assert datum.rms_mm == pytest.approx(np.sqrt((datum.misfit_mm**2).mean()))


angle = st.floats(-3.0, 3.0)
place = st.floats(-5000.0, 5000.0)


@settings(max_examples=40, deadline=None, derandomize=True, database=None)
@given(st.tuples(angle, angle, angle), st.tuples(place, place, place), st.booleans())
def test_results_do_not_depend_on_how_the_car_stands(
    turned: tuple[float, float, float], moved: tuple[float, float, float], disagreeing: bool
) -> None:
    """Any rotation and shift of the network: same places, covariance and scatter to 1e-6."""
    rng = np.random.default_rng(7)
    covariance = covariance_like(rng, 21, 0.1)
    sd = 2.0 if disagreeing else 0.05
    points = _vehicle() + sd * rng.standard_normal((7, 3))
    here = fit_frame(points, covariance, BASE, SHEET)
    seen, turned_covariance = _seen(
        Rotation.from_rotvec(turned), np.array(moved), points, covariance
    )
    there = fit_frame(seen, turned_covariance, BASE, SHEET)
    np.testing.assert_allclose(there.positions_mm, here.positions_mm, atol=1e-6)
    np.testing.assert_allclose(there.covariance_mm2, here.covariance_mm2, atol=1e-6)
    assert there.scatter_mm == pytest.approx(here.scatter_mm, abs=1e-6)
    assert (here.scatter_mm > 0.5) == disagreeing


def test_a_car_that_stands_aslant_is_neither_raised_nor_short() -> None:
    """At 2 degrees a front point 2600 mm ahead would read 91 mm high and 1.6 mm short.

    L sin t and L (1 - cos t), trade practice (references section 8); the frame takes both away.
    """
    slant = Rotation.from_euler("y", -2.0, degrees=True)
    points, covariance = _seen(slant, np.zeros(3), _vehicle(), 1e-4 * np.eye(21))
    raised = points[5] - _vehicle()[5]
    assert raised[2] == pytest.approx(2600 * np.sin(np.radians(2.0)), abs=0.2)
    datum = fit_frame(points, covariance, BASE, SHEET)
    np.testing.assert_allclose(datum.positions_mm[5], OTHERS[1], atol=1e-8)
    # The pairs sit equally high: no twist is read into either section.
    heights = datum.positions_mm[BASE, 2]
    np.testing.assert_allclose([heights[0] - heights[1], heights[2] - heights[3]], 0.0, atol=1e-8)


def _draws(
    rng: np.random.Generator, count: int, as_built_sd: float, noise_share: float
) -> tuple[Array, list[Datum]]:
    """Cars measured with a share of the noise that is stated, base points built off the sheet."""
    covariance = covariance_like(rng, 21, 0.3)
    noise = rng.multivariate_normal(np.zeros(21), covariance, size=count).reshape(-1, 7, 3)
    data = []
    for n in noise:
        car = _vehicle()
        car[BASE] += as_built_sd * rng.standard_normal((4, 3))
        data.append(fit_frame(car + noise_share * n, covariance, BASE, SHEET))
    return covariance, data


def test_covariance_is_that_of_sampling(rng: np.random.Generator) -> None:
    """800 draws: places scatter as predicted within 10 %, base points and others alike.

    Drawn at half the standard deviations that are stated and with nothing but the measurement in
    them, so what the base points' scatter about the sheet adds is left out (see the next test).
    """
    covariance, data = _draws(rng, 800, as_built_sd=0.0, noise_share=0.5)
    exact = fit_frame(_vehicle(), covariance, BASE, SHEET)
    predicted = exact.by_holes @ covariance @ exact.by_holes.T
    sheet = exact.sheet_root_mm @ exact.sheet_root_mm.T
    np.testing.assert_allclose(exact.covariance_mm2, predicted + sheet, atol=1e-12)
    observed = np.cov(np.array([d.positions_mm.ravel() for d in data]).T)
    sd = np.sqrt(np.diag(predicted))
    np.testing.assert_allclose(np.sqrt(np.diag(observed)) / (0.5 * sd), 1.0, atol=0.1)
    assert np.abs((observed / 0.25 - predicted) / np.outer(sd, sd)).max() < 0.15
    # Base points scatter less about the sheet than they were measured: they carry the frame.
    measured_sd = np.sqrt(np.diag(covariance)).reshape(-1, 3)
    assert sd.reshape(-1, 3)[BASE].mean() < measured_sd[BASE].mean()
    assert sd.reshape(-1, 3)[5].mean() > measured_sd[5].mean()


def test_scatter_of_base_points_makes_every_figure_less_sure(rng: np.random.Generator) -> None:
    """Base points built 1.5 mm off the sheet, rms: the stated U holds all the same.

    The mean of s^2 is 6 / (6 - 2) of the mean square (Student's t, six degrees of freedom), and of
    the points that carry nothing 94 to 97 % lie within twice the stated standard deviation.
    """
    _, data = _draws(rng, 250, as_built_sd=1.5, noise_share=1.0)
    scatter = np.array([d.scatter_mm for d in data])
    assert np.sqrt((scatter**2).mean()) == pytest.approx(1.5 * np.sqrt(1.5), rel=0.08)
    free = [2, 5, 6]
    off = np.array([(d.positions_mm - _vehicle())[free] for d in data])
    sd = np.array([np.sqrt(np.diag(d.covariance_mm2)).reshape(-1, 3)[free] for d in data])
    assert 0.94 < (np.abs(off / sd) < 2).mean() < 0.97


def test_an_unsure_sheet_makes_deviations_less_sure(rng: np.random.Generator) -> None:
    """800 sheets drawn with the uncertainty that they state, one car measured without noise.

    Positions scatter by what the base points' figures do to the frame, deviations by that and the
    own figure, which for a base point partly cancel.
    """
    u_mm = np.tile([0.3, 0.6, 0.9], (7, 1))
    u_mm[2] = 0.0
    exact = fit_frame(_vehicle(), 1e-6 * np.eye(21), BASE, SHEET, u_mm)
    places, deviations = [], []
    for _ in range(800):
        sheet = _vehicle() + u_mm * rng.standard_normal((7, 3))
        drawn = fit_frame(_vehicle(), 1e-6 * np.eye(21), BASE, sheet[BASE], u_mm)
        places.append(drawn.positions_mm.ravel())
        deviations.append((drawn.positions_mm - sheet).ravel())
    scatter = exact.sheet_root_mm @ exact.sheet_root_mm.T
    own = exact.by_holes @ (1e-6 * np.eye(21)) @ exact.by_holes.T
    for drawn_, stated in (
        (places, exact.covariance_mm2),
        (deviations, exact.deviation_covariance_mm2),
    ):
        predicted = stated - scatter
        sd = np.sqrt(np.diag(predicted))
        np.testing.assert_allclose(np.std(drawn_, axis=0) / sd, 1.0, atol=0.1)
    np.testing.assert_allclose(
        exact.deviation_covariance_mm2 - scatter - own,
        exact.reference_root_mm @ exact.reference_root_mm.T,
        atol=1e-12,
    )
    # Without figures of its own a point is unsure by the frame alone.
    third = slice(6, 9)
    np.testing.assert_allclose(
        exact.deviation_covariance_mm2[third, third], exact.covariance_mm2[third, third]
    )


def test_large_misfit_is_the_chi_square_test() -> None:
    """Covariance of 1 mm^2: v^T v against 12.592 for 3 x 4 - 6 = 6 degrees (NIST e-Handbook)."""
    assert chi2.isf(0.05, 6) == pytest.approx(12.592, abs=1e-3)
    # A mode that no rigid motion takes up: all four in turn up and down.
    warp = np.array([[0, 0, 1.0], [0, 0, -1], [0, 0, -1], [0, 0, 1]])
    found = []
    for squares in (12.5, 12.7):
        points = _vehicle()
        points[BASE] += warp * np.sqrt(squares / 4)
        # Half-widths of the pairs differ a little, so a slight twist remains to be shared.
        datum = fit_frame(points, np.eye(21), BASE, SHEET)
        v = datum.misfit_mm.ravel()
        found.append((v @ v, misfit_is_large(datum, np.eye(21), BASE)))
        assert (v @ v > 12.592) == found[-1][1]
    assert found[0][0] < found[1][0]


def test_three_base_points_leave_three_degrees_to_check(rng: np.random.Generator) -> None:
    sheet = SHEET[:3]
    points = sheet.copy()
    points[2, 0] += 10.0  # 1500 mm ahead, 10 mm too far: no rigid motion takes it up
    datum = fit_frame(points, 0.01 * np.eye(9), np.arange(3), sheet)
    assert misfit_is_large(datum, 0.01 * np.eye(9), np.arange(3))
    assert worst_base_point(datum, ["A L", "A R", "B L"]) == ("B L", pytest.approx(6.0, abs=1.5))
    good = fit_frame(sheet, 0.01 * np.eye(9), np.arange(3), sheet)
    assert not misfit_is_large(good, 0.01 * np.eye(9), np.arange(3))


@pytest.mark.parametrize(
    ("points", "line"),
    [
        ([[0, 400, 0], [700, 400, 0], [1500, 400, 0]], True),
        ([[0, 400, 0], [700, 430, 0], [1500, 400, 0]], True),
        ([[0, 400, 0], [700, -400, 0], [1500, 400, 0]], False),
        ([[0, 400, 0], [0, -400, 0], [1500, 0, 0]], False),
        ([[0, 400, 0], [0, -400, 0], [0, 0, 10]], True),
    ],
)
def test_base_points_on_one_line_are_seen(points: list[list[float]], line: bool) -> None:
    assert on_one_line(np.array(points, dtype=float)) is line


def test_spread_by_hand(rng: np.random.Generator) -> None:
    """Two pairs 200 mm on either side of a line: 200 mm, however the car stands."""
    points = np.array([[0.0, 200, 0], [0, -200, 0], [3000, 200, 0], [3000, -200, 0]])
    turned = Rotation.random(random_state=rng).apply(points) + 500.0
    assert spread_mm(turned) == pytest.approx(200.0, rel=1e-9)


def test_alternatives_by_hand() -> None:
    """Two sets of base points with p = 1/4 and 3/4: mean of what either adds, and d d^T between.

    The frame chosen is that of the second, so d is nought for it, and for the first the shift of
    all points between the two frames.
    """
    rng = np.random.default_rng(8)
    points = _vehicle() + 0.6 * rng.standard_normal((7, 3))
    covariance = 1e-3 * np.eye(21)
    few, sheet_few = BASE[:3], SHEET[:3]
    one, two = (fit_frame(points, covariance, b, s) for b, s in ((few, sheet_few), (BASE, SHEET)))
    mixed = fit_frame(
        points,
        covariance,
        BASE,
        SHEET,
        alternatives=[Alternative(0.25, few, sheet_few), Alternative(0.75, BASE, SHEET)],
    )
    np.testing.assert_allclose(mixed.positions_mm, two.positions_mm, atol=1e-9)
    d = (one.positions_mm - two.positions_mm).ravel()
    expected = 0.25 * (one.sheet_root_mm @ one.sheet_root_mm.T + np.outer(d, d))
    expected += 0.75 * two.sheet_root_mm @ two.sheet_root_mm.T
    added = mixed.covariance_mm2 - two.covariance_mm2
    added += two.sheet_root_mm @ two.sheet_root_mm.T
    # To first order: the frames are turned by some 1 mm over a metre against each other.
    np.testing.assert_allclose(added, expected, atol=0.01 * np.abs(expected).max())
    assert mixed.scatter_mm**2 == pytest.approx(
        0.25 * one.scatter_mm**2 + 0.75 * two.scatter_mm**2, rel=1e-6
    )
