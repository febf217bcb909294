"""How near dot centres come to the Cramer-Rao bound, over sizes, tilts, blurs, noise and JPEG.

Each dot lies on a card's corner at a random turn, its paper lit with a gradient of 0.2 % per pixel;
beyond one edge of the card it is dark (30), beyond the other bright (250). Blur is Gaussian, to
which a pixel's own width adds. The bound takes all but the centre as known and knows nothing of
the card's edges. Drawn by ``tests/dot_images.py``; it proves nothing of real print and lenses.

    python tests/benchmarks/dots.py
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from capture.dot_fit import DotGuess
from capture.dots import fit_dots
from tests.dot_images import OUTWARD, bound_px2, dot_image, outwards, photographed, semi_axes

SIZES_PX, TILTS_DEG = (5, 6, 8, 12, 20, 60), (0, 60, 75)
BESIDE = 30.0, 250.0
NOISES, BOUNDS = 8, 3


@dataclass(frozen=True)
class Condition:
    """Blur in px, noise in grey levels, JPEG quality (0: none)."""

    blur_px: float
    noise: float = 3.0
    jpeg: int = 0


CONDITIONS = {
    "blur 0.5": Condition(0.5),
    "blur 0.8": Condition(0.8),
    "blur 1.5": Condition(1.5),
    "noise 10": Condition(0.8, noise=10.0),
    "JPEG 90": Condition(0.8, jpeg=90),
}


def measured(diameter_px: int, tilt_deg: int, condition: Condition) -> str:
    """Share kept in %, error over bound, mean error outwards in 0.001 px, chi-square over 2."""
    rng = np.random.default_rng(1)
    size = int(1.8 * diameter_px + 20) // 2 * 2 + 1
    pictures = 20 if diameter_px < 40 else 8
    errors, outward, squares, bounds = [], [], [], []
    for k in range(pictures):
        turns = rng.uniform(0, np.pi), rng.uniform(0, 2 * np.pi)
        semi = semi_axes(diameter_px, np.radians(tilt_deg), *turns)
        centre = size // 2 + rng.uniform(-0.5, 0.5, 2)
        blur_px, noise = condition.blur_px, condition.noise
        grey = dot_image(semi, centre, size, blur_px=blur_px, slope=(0.002, 0.0), beside=BESIDE)
        if k < BOUNDS:
            bounds.append(np.trace(bound_px2(semi, centre, size, noise, blur_px)) / 2)
        # The same picture side by side, each time with other noise.
        photo = photographed(np.tile(grey, (1, NOISES)), noise, rng, condition.jpeg)
        truth = centre + np.arange(NOISES)[:, None] * [size, 0]
        sizes = rng.normal(1, 0.02, (NOISES, 1, 1))
        guess = DotGuess(
            truth + rng.normal(0, 0.3, (NOISES, 2)), semi * sizes, np.tile(OUTWARD, (NOISES, 1))
        )
        fit = fit_dots(photo, guess)
        error = (fit.centres_px - truth)[fit.good]
        covariance = fit.covariance_px2[fit.good]
        errors += error.tolist()
        outward += (error @ outwards(semi).T).tolist()
        squares += np.einsum("ni,nij,nj->n", error, np.linalg.inv(covariance), error).tolist()
    if len(errors) < NOISES:
        return f"{'none kept':>20}"
    kept = 100 * len(errors) / (NOISES * pictures)
    ratio = np.sqrt(np.mean(np.square(errors)) / np.mean(bounds))
    bias = 1000 * np.abs(np.mean(outward, axis=0)).max()
    return f"{kept:4.0f} {ratio:5.2f} {bias:4.0f} {np.mean(squares) / 2:4.1f}"


if __name__ == "__main__":
    print("of each: kept (%), error / bound, bias (0.001 px), chi-square / degrees of freedom")
    print("  px  tilt" + "".join(f"{name:>22}" for name in CONDITIONS))
    for diameter_px in SIZES_PX:
        for tilt_deg in TILTS_DEG:
            row = [measured(diameter_px, tilt_deg, c) for c in CONDITIONS.values()]
            print(f"{diameter_px:4} {tilt_deg:5}" + "".join(f"{r:>22}" for r in row), flush=True)
