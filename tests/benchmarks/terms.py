"""What choosing the terms of distortion does: ``python tests/benchmarks/terms.py [NETWORKS]``.

Invented networks of 15 cards in 18 photos (``tests.scene``), self-calibrating, by a lens whose true
further terms are nought but one. How large that one is, is told by what it moves in the worst
corner of the image beyond what the plain constants take up (``beyond_plain``): a k3 that k1 and k2
stand in for as well is nothing to find. The same photos are adjusted with all nine constants free,
with the plain ones alone, and as chosen; each time the errors of the card centres are set against
their covariance.
"""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from calib.camera import CONSTANTS, Camera, project_with_jacobians
from calib.frames import Array
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Network, Observations, Priors
from pipeline.adjustment.cameras import loose_information
from pipeline.adjustment.covariance import Precision, precision
from pipeline.adjustment.lens_terms import EXTRA_CONSTANTS, EXTRA_TERMS, LensTerms, choose_terms
from tests.scene import Scene, aligned, bundle, make_scene, nominal_layout

PLAIN = np.array([3010.0, 3004.0, 1993.0, 1507.0, 0.08, -0.15, 0.0, 0.0, 0.0])
PRINT_SD_MM = (0.03, 0.03, 0.15)
HELD = {
    "all": np.zeros(9, dtype=bool),
    "plain": EXTRA_CONSTANTS & (np.arange(9) != CONSTANTS.index("k2")),
}


@dataclass(frozen=True)
class Trial:
    """One network adjusted in one way.

    Attributes
    ----------
    errors_mm : (C, 3) of the card centres after the best similarity.
    z : the same over their standard uncertainties; apart : along the axes of their covariance.
    """

    errors_mm: Array
    z: Array
    apart: Array


def lens(term: str, amount: float) -> Camera:
    """The invented lens with a term of so many units."""
    constants = PLAIN.copy()
    constants[CONSTANTS.index(term)] += amount
    return Camera(4000, 3000, constants)


def beyond_plain(term: str) -> float:
    """Px in the worst image corner per unit of a term, plain constants having taken up their part.

    They do so by least squares over the whole image, evenly.
    """
    camera = lens(term, 0.0)
    across = np.linspace(0.0, camera.width_px - 1.0, 41)
    down = np.linspace(0.0, camera.height_px - 1.0, 31)
    rays = camera.rays(np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2))
    in_camera = np.column_stack([rays, np.ones(len(rays))])
    by_constants = project_with_jacobians(camera.constants, in_camera)[2]
    plain = by_constants[:, :, :6].reshape(-1, 6)
    plain /= np.abs(plain).max(axis=0)
    moved = by_constants[:, :, CONSTANTS.index(term)].ravel()
    left = moved - plain @ np.linalg.lstsq(plain, moved, rcond=None)[0]
    size = np.linalg.norm(left.reshape(31, 41, 2), axis=2)
    return float(size[[0, 0, -1, -1], [0, -1, 0, -1]].max())


def invented(seed: int, camera: Camera) -> Scene:
    """A network of middling size."""
    return make_scene(
        seed,
        columns=5,
        rows=3,
        photos=18,
        extent_mm=(3000.0, 1400.0),
        print_sd_mm=PRINT_SD_MM,
        camera=camera,
    )


def trials(scene: Scene) -> dict[str, Trial]:
    """The scene adjusted in each way of ``HELD``."""
    start, observations = bundle(scene)
    return {name: _adjusted(scene, start, observations, held)[2] for name, held in HELD.items()}


def as_chosen(scene: Scene) -> tuple[Trial, LensTerms]:
    """The scene adjusted with the terms that the photos ask for, and which they are."""
    start, observations = bundle(scene)
    network, found, _ = _adjusted(scene, start, observations, HELD["all"])
    terms = choose_terms(
        network.constants[0],
        found.constants[0],
        found.variance_factor,
        2 * len(observations.px),
        EXTRA_CONSTANTS,
    )
    return _adjusted(scene, network, observations, HELD["all"], terms.information)[2], terms


def _adjusted(
    scene: Scene,
    start: Network,
    observations: Observations,
    held: Array,
    information: Array | float = 0.0,
) -> tuple[Network, Precision, Trial]:
    guess = np.zeros(9)
    guess[:4] = 2950.0, 2950.0, 1999.5, 1499.5
    priors = Priors(
        guess[None],
        (loose_information(2950.0, 0.06, 4000) + np.diag(np.broadcast_to(information, 9)))[None],
        held[None],
        np.zeros(6),
        nominal_layout(scene, PRINT_SD_MM),
    )
    constants = np.where(held, 0.0, start.constants)
    network = adjust(replace(start, constants=constants), observations, priors).network
    found = precision(network, observations, priors)
    cards = len(scene.cards)
    truth = scene.dots_mm.reshape(-1, 3)
    errors = (aligned(network.points, truth) - truth).reshape(cards, 4, 3).mean(axis=1)
    mean = np.kron(np.eye(cards), np.tile(np.eye(3) / 4.0, 4))
    covariance = found.variance_factor * mean @ found.points @ mean.T
    values, axes = np.linalg.eigh(covariance)
    apart = (axes.T @ errors.ravel())[7:] / np.sqrt(values[7:])
    z = errors.ravel() / np.sqrt(np.diag(covariance))
    return network, found, Trial(errors, z, apart)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print(f"{count} networks a row; how many per cent of them took a term in; rms of the centres,")
    print("share within U, chi-square per degree: all nine free, plain, as chosen")
    named = " ".join(f"{term:>6}" for term in EXTRA_TERMS)
    print(f"true term    {named}  {'rms, mm':20}  {'in U, %':14}  chi-square")
    for term, corner_px in (
        *(("k3", px) for px in (0.0, 0.1, 0.2, 0.3, 0.5)),
        *(("p1", px) for px in (0.1, 0.3)),
    ):
        camera = lens(term, corner_px / beyond_plain(term))
        taken = dict.fromkeys(EXTRA_TERMS, 0)
        every: dict[str, list[Trial]] = {}
        for seed in range(count):
            scene = invented(seed, camera)
            chosen, terms = as_chosen(scene)
            for name, trial in (trials(scene) | {"as chosen": chosen}).items():
                every.setdefault(name, []).append(trial)
            for name in terms.taken:
                taken[name] += 1
        shares = " ".join(f"{100 * n / count:6.1f}" for n in taken.values())
        rms = [
            np.sqrt(np.mean([(t.errors_mm**2).sum(axis=1) for t in ts])) for ts in every.values()
        ]
        inside = [100 * np.mean([np.abs(t.z) <= 2.0 for t in ts]) for ts in every.values()]
        chi = [np.mean([t.apart**2 for t in ts]) for ts in every.values()]
        print(
            f"{term} {corner_px:.1f} px    {shares}",
            " ".join(f"{v:.4f}" for v in rms),
            " ".join(f"{v:.1f}" for v in inside),
            " ".join(f"{v:.3f}" for v in chi),
            sep="  ",
        )


if __name__ == "__main__":
    main()
