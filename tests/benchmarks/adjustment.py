"""Time of one adjustment with full covariance: ``python tests/benchmarks/adjustment.py``.

The standard problem of the design: 40 photos, 136 dots (34 cards), self-calibrating, an underbody
of 4.2 by 1.4 m. It begins some centimetres, half a degree and 2 % of the focal length off the
truth, and ends at the optimum with the covariance of all unknowns; neither drifts nor wrong dots
are looked for. Once as plain points, once with the cards' layout as ``datumshot solve`` has it.

Where pycolmap is installed, COLMAP's bundle adjustment (C++, Ceres underneath) gets the plain
points in the same run, and so do we, from the same start: eight constants free, every dot with the
same weight, for its camera has no k3 and it knows no weights. Its settings are the quickest of
those tried: free gauge, the solver of its own choice (dense Schur complement), stopped at a
relative gain that ends within 1e-6 mm of the optimum. That is checked on both sides after a
similarity fit. Its covariance (``estimate_ba_covariance``) is taken at that optimum with the gauge
of two cameras, since without one it refuses. By its documentation that holds photos and constants
jointly but each point with all else held constant; ours holds all of them jointly, for every
figure of a job needs it. Timing begins with the problem as each side stores it, so how COLMAP's is
filled from Python is left out.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calib.frames import Array, rotations
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Network, Observations, Priors
from pipeline.adjustment.covariance import precision
from tests.colmap_bundle import colmap_bundle
from tests.scene import CAMERA, aligned, bundle, make_scene, nominal_layout

RUNS = 9
SAME_MM = 1e-6
"""How near to the optimum both sides must end."""


def spoilt(network: Network, rng: np.random.Generator) -> Network:
    """The truth put off by what a start leaves."""
    off = rotations(rng.normal(0, 0.01, (len(network.rotation), 3)))
    return replace(
        network,
        rotation=off @ network.rotation,
        translation=network.translation + rng.normal(0, 20, network.translation.shape),
        points=network.points + rng.normal(0, 10, network.points.shape),
        constants=network.constants * [1.02, 1.02, 1, 1, 0, 0, 0, 0, 0],
    )


class Clock:
    """Wall and processor seconds from its making to each stop."""

    def __init__(self) -> None:
        self._since = np.array([time.perf_counter(), time.process_time()])
        self.seconds: list[Array] = []

    def stop(self) -> None:
        """Take the time."""
        now = np.array([time.perf_counter(), time.process_time()])
        self.seconds.append(now - self._since)


def ours(begun: Network, observations: Observations, priors: Priors) -> tuple[Array, Clock]:
    """Our optimum and the seconds it took."""
    clock = Clock()
    adjusted = adjust(begun, observations, priors)
    clock.stop()
    precision(adjusted.network, observations, priors)
    clock.stop()
    assert adjusted.converged
    return adjusted.network.points, clock


def theirs(
    pycolmap: ModuleType, begun: Network, observations: Observations, threads: int
) -> tuple[Array, Clock]:
    """The same of COLMAP."""
    bundled, ids = colmap_bundle(pycolmap, begun, observations, (CAMERA.width_px, CAMERA.height_px))
    options = pycolmap.BundleAdjustmentOptions(refine_principal_point=True, print_summary=False)
    options.ceres.min_num_residuals_for_cpu_multi_threading = 0
    options.ceres.solver_options.num_threads = threads
    options.ceres.solver_options.function_tolerance = 1e-12
    free, held = (pycolmap.BundleAdjustmentConfig() for _ in range(2))
    for image in bundled.images:
        free.add_image(image)
        held.add_image(image)
    held.fix_gauge(pycolmap.BundleAdjustmentGauge.TWO_CAMS_FROM_WORLD)
    clock = Clock()
    pycolmap.create_default_ceres_bundle_adjuster(options, free, bundled).solve()
    clock.stop()
    known = pycolmap.estimate_ba_covariance(
        pycolmap.BACovarianceOptions(),
        bundled,
        pycolmap.create_default_ceres_bundle_adjuster(options, held, bundled),
    )
    clock.stop()
    assert known is not None
    return np.array([bundled.points3D[i].xyz for i in ids]), clock


def main() -> None:
    scene = make_scene(1, columns=17, rows=2, photos=40, extent_mm=(4200, 1400))
    truth, observations = bundle(scene)
    begun = spoilt(truth, np.random.default_rng(2))
    plain = Priors.none(begun.constants)
    with_layout = replace(plain, layout=nominal_layout(scene, (0.03, 0.03, 0.15)))
    alike = np.tile(np.eye(2), (len(observations.px), 1, 1))
    common = replace(observations, whitening=alike)
    eight = replace(plain, fixed=np.arange(9)[None] == 8)
    solvers: dict[str, Callable[[], tuple[Array, Clock]]] = {
        "plain points": lambda: ours(begun, observations, plain),
        "with layout": lambda: ours(begun, observations, with_layout),
        "alike: ours": lambda: ours(begun, common, eight),
    }
    try:
        import pycolmap
    except ImportError:
        print("nothing of COLMAP: pycolmap is not installed")
    else:
        for threads in (1, 2):
            solvers[f"alike: COLMAP, {threads} thread{'s' * (threads > 1)}"] = (
                lambda threads=threads: theirs(pycolmap, begun, common, threads)
            )
    optimum = adjust(begun, common, eight, least_gain=1e-15).network.points
    ran: dict[str, list[tuple[Array, Clock]]] = {name: [] for name in solvers}
    # In turn, so that what else the machine does falls on all of them.
    for _ in range(RUNS):
        for name, solver in solvers.items():
            ran[name].append(solver())
    print(
        f"{len(begun.rotation)} photos, {len(begun.points)} dots, {len(common.px)} images of them"
    )
    print("seconds                      adjusted           with covariance    off the optimum")
    print("                               wall  processor    wall  processor            mm")
    for name, outcomes in ran.items():
        seconds = np.median([clock.seconds for _, clock in outcomes], axis=0)
        figures = "".join(f"{wall:8.3f} {processor:9.3f} " for wall, processor in seconds)
        off_mm = np.abs(aligned(outcomes[-1][0], optimum) - optimum).max()
        print(f"{name:27} {figures} {f'{off_mm:.0e}' if 'alike' in name else ''}")
        assert "alike" not in name or off_mm < SAME_MM


if __name__ == "__main__":
    main()
