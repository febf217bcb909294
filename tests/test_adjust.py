"""The adjustment against published optima, central differences and other people's solvers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.frames import Array, cross_matrix, rotations
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Network, Observations, Priors, jacobians, residuals_px
from tests.colmap_bundle import colmap_bundle
from tests.dense import Dense
from tests.scene import aligned, bundle, disturbed, make_scene, nominal_layout


def read_demo(folder: Path, name: str) -> tuple[Network, Observations]:
    """A bundle of real photographs that came with sba 1.5 (read where it lies, GPL, not copied).

    Cameras are quaternions (w, x, y, z) and translations, camera_from_world; each point's line
    gives X Y Z, how many images show it, and (image, x, y) of each.
    """
    matrix = np.loadtxt(folder / "calib.txt")
    cameras = np.loadtxt(folder / f"{name}cams.txt")
    points, rows = [], []
    for line in (folder / f"{name}pts.txt").read_text().splitlines():
        if line.startswith("#"):
            continue
        values = [float(v) for v in line.split()]
        rows += [(f, len(points), x, y) for f, x, y in np.reshape(values[4:], (-1, 3))]
        points.append(values[:3])
    table = np.array(rows)
    w, v = cameras[:, 0], cameras[:, 1:4]
    length = np.linalg.norm(cameras[:, :4], axis=1)
    vectors = 2.0 * np.arctan2(np.linalg.norm(v, axis=1), w)[:, None] * v
    vectors /= np.maximum(np.linalg.norm(v, axis=1), 1e-300)[:, None]
    assert np.abs(length - 1.0).max() < 1e-5
    constants = np.zeros((1, 9))
    constants[0, :4] = matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2]
    network = Network(
        rotation=rotations(vectors),
        translation=cameras[:, 4:],
        drift=np.zeros((len(cameras), 6)),
        constants=constants,
        group=np.zeros(len(cameras), dtype=np.intp),
        points=np.array(points),
    )
    count = len(table)
    observations = Observations(
        photo=table[:, 0].astype(np.intp),
        point=table[:, 1].astype(np.intp),
        px=table[:, 2:],
        whitening=np.tile(np.eye(2), (count, 1, 1)),
        tau=np.zeros(count),
    )
    return network, observations


@pytest.mark.parametrize(
    ("name", "count", "at_start", "at_optimum"),
    [
        ("7", 1916, "19.0947", "0.675396"),
        ("9", 2422, "8.17604", "0.619559"),
        ("54", 24609, "2.14707", "0.176473"),
    ],
)
def test_published_optima_of_real_photographs(
    shared: Path, name: str, count: int, at_start: str, at_optimum: str
) -> None:
    """Mean squared error per projection, constants held, to all digits that are printed.

    Lourakis, sba 1.5, demo/README.txt. Says nothing of distortion, priors, drift or covariance.
    """
    network, observations = read_demo(shared / "photos" / "sba_demo", name)
    assert len(observations.px) == count
    start = (residuals_px(network, observations) ** 2).sum() / count
    assert f"{start:.6g}" == at_start
    found = adjust(network, observations, Priors.hold(network.constants))
    assert found.converged
    assert f"{found.cost / count:.6g}" == at_optimum
    np.testing.assert_allclose((found.residuals_px**2).sum(), found.cost, rtol=1e-12)
    np.testing.assert_array_equal(found.network.constants, network.constants)


# Mikhail, Bethel, McGlone, Introduction to Modern Photogrammetry (2001), sample data of a
# resection: plate x, y (mm) and ground X, Y, Z.
PLATE_AND_GROUND = np.array(
    [
        [56.515, -78.969, 913928.64, 575198.44, 189.64],
        [1.242, 1.134, 914270.77, 575432.35, 191.26],
        [95.576, 97.171, 914684.64, 575022.09, 186.72],
        [-70.988, 92.733, 914662.47, 575738.30, 191.94],
        [0.651, -30.068, 914137.97, 575435.45, 190.69],
    ]
)


def test_resection_reaches_the_published_pose_and_its_precision() -> None:
    """Gauss-Newton with our derivatives by one photo's unknowns, points and constants known.

    Three solvers beside the data (github.com/jeffwalton/photogrammetry-resection) and one of our
    own agree on the pose; sum of squares, standard deviations and redundancy numbers are from
    that own one. Plate y is up and the plate camera looks along -z: half a turn about x makes it
    ours. Proves the derivatives by rotation and translation, not ``adjust`` itself (whose points
    are never known).
    """
    ground = PLATE_AND_GROUND[:, 2:] - [914250.0, 575400.0, 0.0]
    half_turn = np.diag([1.0, -1.0, -1.0])
    centre = np.array([0.0, 0.0, 800.0])
    rotation = half_turn @ _photogrammetric(0.0, 0.0, -1.57)
    constants = np.zeros((1, 9))
    constants[0, :2] = 152.222
    observations = Observations(
        photo=np.zeros(5, dtype=np.intp),
        point=np.arange(5),
        px=PLATE_AND_GROUND[:, :2] * [1.0, -1.0],
        whitening=np.tile(np.eye(2), (5, 1, 1)),
        tau=np.zeros(5),
    )
    network = Network(
        rotation[None],
        -(rotation @ centre)[None],
        np.zeros((1, 6)),
        constants,
        np.zeros(1, dtype=np.intp),
        ground,
    )
    for _ in range(8):
        by_photo, _, _, residual = jacobians(network, observations, Priors.hold(constants))
        design = by_photo.reshape(10, 6)
        step = np.linalg.lstsq(design, residual.ravel(), rcond=None)[0]
        network = replace(
            network,
            rotation=rotations(step[None, :3]) @ network.rotation,
            translation=network.translation + step[3:],
        )
    assert np.abs(step).max() < 1e-9
    by_photo, _, _, residual = jacobians(network, observations, Priors.hold(constants))
    design = by_photo.reshape(10, 6)

    m = half_turn @ network.rotation[0]
    phi = np.arcsin(m[2, 0])
    omega = np.arctan2(-m[2, 1], m[2, 2])
    kappa = np.arctan2(-m[1, 0], m[0, 0])
    np.testing.assert_allclose(
        [omega, phi, kappa], [-0.00650748, -0.00852180, -1.57532212], atol=6e-9
    )
    at = -network.rotation[0].T @ network.translation[0] + [914250.0, 575400.0, 0.0]
    np.testing.assert_allclose(at, [914260.4219, 575441.8356, 839.1304], rtol=0, atol=6e-5)

    squares = float((residual**2).sum())
    sigma0 = np.sqrt(squares / 4)
    assert f"{squares:.6e}" == "7.511049e-04"
    assert f"{sigma0:.6f}" == "0.013703"
    cofactors = np.linalg.inv(design.T @ design)
    # The centre is -R^T t, and a small rotation d of the camera moves it by -R^T (t x d).
    turned = network.rotation[0].T
    by_unknowns = -np.hstack([turned @ cross_matrix(network.translation[0]), turned])
    sd = sigma0 * np.sqrt(np.diag(by_unknowns @ cofactors @ by_unknowns.T))
    np.testing.assert_allclose(sd, [0.145, 0.119, 0.062], atol=6e-4)
    redundancy = 1.0 - np.diag(design @ cofactors @ design.T)
    published = [0.318, 0.204, 0.712, 0.618, 0.208, 0.210, 0.278, 0.125, 0.646, 0.682]
    np.testing.assert_allclose(redundancy, published, atol=6e-4)
    assert redundancy.sum() == pytest.approx(4.0, abs=1e-9)


def _photogrammetric(omega: float, phi: float, kappa: float) -> Array:
    """camera_from_ground of a camera that looks along -z, turned by omega, then phi, then kappa."""
    about_x, about_y, about_z = rotations(np.diag([-omega, -phi, -kappa]))
    return np.asarray(about_z @ about_y @ about_x)


@pytest.mark.parametrize("drift", [0.0, 1e-3])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_derivatives_equal_central_differences(seed: int, drift: float) -> None:
    """By photo, drift, shift, constants and points, at random places off the optimum, to 1e-6.

    A drift of 1e-3 rad is ten times that of a hand; the derivative leaves out its square. Proves
    that derivatives and predictions agree, not that the predictions are right.
    """
    network, observations, priors = _anywhere(seed, drift)
    _compare(network, observations, priors, 1e-6)


def _anywhere(seed: int, drift: float) -> tuple[Network, Observations, Priors]:
    network, observations = bundle(make_scene(seed, columns=2, rows=2, photos=3))
    rng = np.random.default_rng(seed)
    network = replace(
        network,
        rotation=rotations(0.03 * rng.standard_normal((3, 3))) @ network.rotation,
        translation=network.translation + 20.0 * rng.standard_normal((3, 3)),
        drift=drift * rng.standard_normal((3, 6)) * np.repeat([1.0, 1000.0], 3),
        shift=rng.standard_normal((3, 2)),
    )
    priors = replace(Priors.none(network.constants), drift_sd=np.ones(6), shift_sd_px=1.0)
    return network, observations, priors


def _compare(
    network: Network, observations: Observations, priors: Priors, tolerance: float
) -> None:
    by_photo, by_constants, by_point, residual = jacobians(network, observations, priors)
    white = observations.whitening
    np.testing.assert_allclose(
        residual, np.einsum("nij,nj->ni", white, residuals_px(network, observations)), rtol=1e-12
    )

    def slope(move, step: float) -> Array:
        ahead, back = (residuals_px(move(s), observations) for s in (step, -step))
        return np.einsum("nij,nj->ni", white, back - ahead) / (2 * step)

    def turned(axis: int):
        return lambda s: replace(
            network, rotation=rotations(s * np.eye(3)[axis]) @ network.rotation
        )

    def moved(name: str, column: int):
        def move(s: float) -> Network:
            changed = getattr(network, name).copy()
            changed[:, column] += s
            return replace(network, **{name: changed})

        return move

    numeric = np.stack(
        [slope(turned(k), 1e-5) for k in range(3)]
        + [slope(moved("translation", k), 1e-2) for k in range(3)]
        + [slope(moved("drift", k), 1e-5) for k in range(3)]
        + [slope(moved("drift", k), 1e-2) for k in range(3, 6)]
        + [slope(moved("shift", k), 1.0) for k in range(2)],
        axis=2,
    )
    _assert_near(by_photo, numeric, tolerance)
    steps = [1.0] * 4 + [1e-3] * 5
    numeric = np.stack([slope(moved("constants", k), s) for k, s in enumerate(steps)], axis=2)
    _assert_near(by_constants, numeric, tolerance)
    # Every observation sees one point only, so all points may move at once.
    numeric = np.stack([slope(moved("points", k), 1e-2) for k in range(3)], axis=2)
    _assert_near(by_point, numeric, tolerance)


def _assert_near(analytic: Array, numeric: Array, tolerance: float) -> None:
    """Equal within a share of the largest entry of the same column."""
    largest = np.abs(numeric).max(axis=(0, 1))
    assert (largest > 0).all()
    assert np.abs((analytic - numeric) / largest).max() < tolerance


def _small_problem(layout: bool, drift: bool) -> tuple[Network, Observations, Priors]:
    """Four cards, six photos, a rough start, constants known a little; drift and shift."""
    scene = make_scene(
        5,
        columns=2,
        rows=2,
        photos=6,
        extent_mm=(600.0, 500.0),
        drift_sd=(2e-4, 0.15) if drift else (0.0, 0.0),
        print_scale=(1.01, 0.99),
        print_sd_mm=(0.03, 0.03, 0.15),
    )
    network, observations = bundle(scene)
    sd = np.array([10.0, 10.0, 5.0, 5.0, 0.05, 0.05, 1e-3, 1e-3, 0.05])
    priors = Priors(
        network.constants * 1.001,
        np.diag(sd**-2)[None],
        np.zeros(9, dtype=bool),
        drift * np.repeat([2e-4, 0.15], 3),
        nominal_layout(scene, (0.03, 0.03, 0.15)) if layout else None,
        shift_sd_px=1.5 if drift else 0.0,
    )
    if drift:
        shift = 1.5 * np.random.default_rng(6).standard_normal((6, 2))
        observations = replace(observations, px=observations.px + shift[observations.photo])
    return disturbed(network, 3, 0.2), observations, priors


@pytest.mark.parametrize(
    ("layout", "drift"), [(False, False), (True, False), (True, True)], ids=str
)
def test_optimum_is_that_of_a_dense_solver(layout: bool, drift: bool) -> None:
    """SciPy's least squares on the same problem with every unknown explicit, cards' poses too.

    Same cost to 1e-7 (1e-8 where no layout), same points to 1e-6 mm after a similarity fit: the
    rest is the layout, whose cards are eliminated at first order.
    """
    start, observations, priors = _small_problem(layout, drift)
    found = adjust(start, observations, priors)
    assert found.converged
    dense = Dense(start, observations, priors)
    other = dense.solve()
    theirs = dense.network(other.x)
    assert found.cost == pytest.approx(2 * other.cost, rel=1e-7 if layout else 1e-8)
    moved = aligned(theirs.points, found.network.points)
    assert np.abs(moved - found.network.points).max() < 1e-6
    np.testing.assert_allclose(theirs.constants[0, :4], found.network.constants[0, :4], atol=1e-4)
    np.testing.assert_allclose(theirs.constants[0, 4:], found.network.constants[0, 4:], atol=1e-7)
    np.testing.assert_allclose(theirs.print_scale, found.network.print_scale, atol=1e-8)
    # The start was rough: nothing here was true by itself.
    assert np.abs(aligned(start.points, found.network.points) - found.network.points).max() > 0.1


def test_optimum_is_that_of_colmap() -> None:
    """The same bundle, self-calibrating, by the bundle adjustment of COLMAP (Ceres underneath).

    Points to 1e-6 mm after a similarity fit, constants to 1e-5 px. Its model has no k3, no drift,
    no layout and no weights, so those are left out here. Runs where pycolmap is installed.
    """
    pycolmap = pytest.importorskip("pycolmap", reason="pycolmap is not installed")
    scene = make_scene(5)
    network, observations = bundle(scene)
    observations = replace(observations, whitening=np.tile(np.eye(2), (len(observations.px), 1, 1)))
    start = disturbed(network, 1, 0.3)
    fixed = np.arange(9)[None] == 8
    found = adjust(start, observations, replace(Priors.none(start.constants), fixed=fixed))
    assert found.converged

    size_px = scene.camera.width_px, scene.camera.height_px
    theirs, ids = colmap_bundle(pycolmap, start, observations, size_px)
    options = pycolmap.BundleAdjustmentOptions(refine_principal_point=True, print_summary=False)
    options.ceres.solver_options.function_tolerance = 1e-14
    options.ceres.solver_options.gradient_tolerance = 1e-12
    pycolmap.bundle_adjustment(theirs, options)

    points = np.array([theirs.points3D[i].xyz for i in ids])
    moved = aligned(points, found.network.points)
    assert np.abs(moved - found.network.points).max() < 1e-6
    np.testing.assert_allclose(
        theirs.cameras[1].params, found.network.constants[0, :8], rtol=0, atol=1e-5
    )
    assert np.abs(found.network.constants[0, :2] - start.constants[0, :2]).min() > 1.0
