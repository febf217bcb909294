"""Processor time of one adjustment with full covariance: ``python tests/benchmarks/adjustment.py``.

The standard problem of the design: 40 photos, 136 dots (34 cards), self-calibrating, an underbody
of 4.2 by 1.4 m. It begins some centimetres, half a degree and 2 % of the focal length off the
truth, and ends at the optimum with the covariance of all unknowns; neither drifts nor wrong dots
are looked for. Once as plain points, once with the cards' layout as ``datumshot solve`` has it.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import statistics
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calib.frames import rotations
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Network, Priors
from pipeline.adjustment.covariance import precision
from tests.scene import bundle, make_scene, nominal_layout

RUNS = 9


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


def main() -> None:
    scene = make_scene(1, columns=17, rows=2, photos=40, extent_mm=(4200, 1400))
    truth, observations = bundle(scene)
    begun = spoilt(truth, np.random.default_rng(2))
    plain = Priors.none(begun.constants)
    with_layout = replace(plain, layout=nominal_layout(scene, (0.03, 0.03, 0.15)))
    for name, priors in (("plain points", plain), ("with layout", with_layout)):
        seconds = []
        for _ in range(RUNS):
            since = time.process_time()
            adjusted = adjust(begun, observations, priors)
            found = precision(adjusted.network, observations, priors)
            seconds.append(time.process_time() - since)
        assert adjusted.converged
        print(
            f"{name}: {len(begun.rotation)} photos, {len(begun.points)} dots, "
            f"{len(observations.px)} images of them, {adjusted.iterations} steps, "
            f"s0 {np.sqrt(found.variance_factor):.2f}, {statistics.median(seconds):.3f} s"
        )


if __name__ == "__main__":
    main()
