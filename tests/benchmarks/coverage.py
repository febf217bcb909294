"""How often the stated uncertainty holds: ``python tests/benchmarks/coverage.py [JOBS [WORKERS]]``.

Every job is invented with all that makes a real one unsure: car, cards, photos and hand, print,
dots, seats, stems, bars, temperatures, expansion, and base points that were never built to the
sheet. All errors are drawn from the distributions that the program takes them to have, so what is
tested is its arithmetic from dots to deviations (GUM Supplement 1, from memory), not whether those
distributions are those of a workshop. Photos are not rendered: noise is added to exact dots.
"""

import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy.stats import norm

from calib.camera import Camera
from calib.frames import Array
from pipeline.adjustment.cameras import PhotoGroup, loose_information
from pipeline.adjustment.job_network import DRIFT_SD, LAYOUT_SD_MM, SHIFT_SD_PX, solution_of
from pipeline.adjustment.lens_terms import EXTRA_CONSTANTS
from pipeline.adjustment.network import CameraGuess, find_network
from pipeline.adjustment.points import Holes, card_axes, card_flatness_mm, find_holes
from pipeline.adjustment.scale import Scaled, scale_network
from pipeline.adjustment.solution import Solution
from pipeline.datum.datum import Datum, by_frame
from pipeline.datum.vehicle_frame import vehicle_frame
from pipeline.inputs.job import CardOnPoint, Job
from pipeline.inputs.sheet import SheetPoint
from pipeline.truth import fit_errors_mm
from targets.bar import Bar
from tests.scene import Scene, layout_of, make_scene
from tests.stated_job import job_of

STEEL, ALUMINIUM = 11.5e-6, 23.1e-6
"""Swyt, NIST J. Res. 99:31, 1994."""


@dataclass(frozen=True)
class Outcome:
    """Errors of one job over their standard uncertainties, k = 2 being U.

    Attributes
    ----------
    centres : (C, 3) card centres, scaled by bars alone and fitted rigidly.
    deviations : (N, 3) along length, width, height; base : (N,) bool, the base points.
    centres_apart, deviations_apart : the same along the axes of their joint covariance, where
        errors do not go together (one bar that is off moves every point of a job).
    centres_below, deviations_below : probability that less than 90 % of this job's errors lie
        within U, its covariance being exactly right.
    photos, sigma0, scatter_mm, true_scatter_mm : what the job was like.
    """

    seed: int
    centres: Array
    deviations: Array
    centres_apart: Array
    deviations_apart: Array
    centres_below: float
    deviations_below: float
    base: Array
    photos: int
    sigma0: float
    scatter_mm: float
    true_scatter_mm: float


@dataclass(frozen=True)
class Invented:
    """A job to measure, and the truth.

    Attributes
    ----------
    centres_mm : (C, 3) card centres of a body at 20 degrees C, vehicle frame.
    holes_mm : (N, 3) of the rows of the job, likewise.
    """

    job: Job
    scene: Scene
    centres_mm: Array
    holes_mm: Array
    true_scatter_mm: float


def invent(seed: int, photos: int | None = None) -> Invented:
    """A job of normal size: 15 to 32 cards, 14 to 36 photos unless their number is given.

    Four to eight base points, one to three bars.
    """
    rng = np.random.default_rng([seed, 1])
    columns, rows = int(rng.integers(5, 9)), int(rng.integers(3, 5))
    extent = (float(rng.uniform(2800, 4200)), float(rng.uniform(1000, 1500)))
    still = rng.uniform()

    def scene_with(photos: int, print_scale: tuple[float, float], flat: bool) -> Scene:
        sd = (0.0, 0.0, 0.0) if flat else (0.03, 0.03, flatness)
        return make_scene(
            seed,
            columns=columns,
            rows=rows,
            photos=photos,
            extent_mm=extent,
            noise_px=noise_px,
            drift_sd=(2e-4 * still, 0.15 * still),
            print_scale=print_scale,
            print_sd_mm=sd,
            missing=0.03,
        )

    noise_px = float(rng.uniform(0.02, 0.08))
    flatness = float(rng.choice([0.02, 0.08, 0.15]))
    paper = tuple(1.0 + 0.004 * rng.standard_normal(2))
    many = int(rng.integers(14, 37))
    scene = scene_with(photos or many, (paper[0], paper[1]), flat=False)
    # The same cards before printer and paper: their axes carry the stems.
    ideal = scene_with(1, (1.0, 1.0), flat=True)

    temperature = float(rng.uniform(5, 35))
    stated = round(temperature + rng.standard_normal(), 2)
    body_alpha = STEEL * (1.0 + 0.1 * rng.standard_normal())
    body = 1.0 + body_alpha * (temperature - 20.0)
    centres = scene.dots_mm.mean(axis=1)
    bars = []
    ends = rng.permutation(len(scene.cards))
    for k in range(int(rng.integers(1, 4))):
        # The longer of two chances: nobody makes a bar as short as he can.
        a, b = max(
            ((ends[4 * k], ends[4 * k + i]) for i in (1, 2, 3)),
            key=lambda pair: float(np.linalg.norm(centres[pair[1]] - centres[pair[0]])),
        )
        alpha = float(rng.choice([ALUMINIUM, STEEL, 1e-6]))
        true_alpha = alpha * (1.0 + 0.1 * rng.standard_normal())
        length = np.linalg.norm(centres[b] - centres[a]) / (1.0 + true_alpha * (temperature - 20.0))
        U = float(rng.choice([0.05, 0.1, 0.2]))
        certificate = float(length + U / 2.0 * rng.standard_normal())
        bars.append(Bar((scene.cards[a], scene.cards[b]), certificate, U, alpha))

    on_bar = {card for bar in bars for card in bar.cards}
    on_holes = [i for i, card in enumerate(scene.cards) if card not in on_bar][3:]
    seat = float(rng.choice([0.02, 0.1, 0.2]))
    stem_u = float(rng.choice([0.02, 0.05, 0.15]))
    axes = card_axes(ideal.dots_mm)[:, 2]
    middle = ideal.dots_mm.mean(axis=1)
    points, holes = [], []
    for i in on_holes:
        stem = float(rng.uniform(10, 90))
        true_stem = stem + stem_u * rng.standard_normal()
        hole = middle[i] + true_stem * axes[i] + seat * rng.standard_normal(3)
        holes.append(hole / body)
        points.append(CardOnPoint(scene.cards[i], f"P{scene.cards[i]}", "L", stem, ""))
    base = _well_spread(rng, np.array(holes), int(rng.integers(4, 9)))
    scatter = float(rng.choice([0.0, 0.2, 0.5, 1.0]))
    sheet = [
        SheetPoint(
            p.point, "L", hole + (scatter * rng.standard_normal(3) if b else 0.0), 3.0, b, ""
        )
        for p, hole, b in zip(points, holes, base, strict=True)
    ]
    job = job_of(
        points,
        sheet,
        temperature_c=stated,
        seating_u_mm=seat,
        stem_u_mm=stem_u,
        body_alpha_per_k=STEEL,
        bars=tuple(bars),
    )
    return Invented(job, scene, centres / body, np.array(holes), scatter)


@dataclass(frozen=True)
class Measured:
    """The stages of one measurement, as ``pipeline.datum.budget`` wants them."""

    free: Solution
    camera_root_mm: Array
    scaled: Scaled
    holes: Holes
    datum: Datum
    base: list[int]


def measure(invented: Invented) -> Measured:
    """Measure the job as ``pipeline.solve`` does, from the sightings on."""
    scene, job = invented.scene, invented.job
    group = PhotoGroup("invented", scene.photos, _guess(), False, "")
    network = find_network(
        scene.sightings,
        [group.guess],
        dict.fromkeys(scene.photos, 0),
        layout_of(scene),
        LAYOUT_SD_MM,
        DRIFT_SD,
        SHIFT_SD_PX,
    )
    free = solution_of(network, [group])
    scaled = scale_network(free, job.bars, job.temperature_c, job.body_alpha_per_k)
    flatness = card_flatness_mm(scaled.solution)
    holes = find_holes(scaled.solution, job.cards, job.seating_u_mm, job.stem_u_mm, flatness)
    frame = vehicle_frame(job, holes)
    datum, base = frame.datum, list(frame.base)
    assert datum is not None
    return Measured(free, network.camera_root_mm, scaled, holes, datum, base)


def outcome(invented: Invented, measured: Measured) -> Outcome:
    """Errors over their standard uncertainties."""
    solution, datum = measured.scaled.solution, measured.datum
    at = {card: i for i, card in enumerate(invented.scene.cards)}
    true = invented.centres_mm[[at[card] for card in solution.cards]]
    turn = np.kron(np.eye(len(true)), datum.vehicle_from_network.rotation)
    stated = turn @ solution.centres_covariance_mm2 @ turn.T
    centre_errors = fit_errors_mm(solution.centres_mm, true)
    # What the fit takes away of the errors, it takes away of their covariance.
    rigid, _ = np.linalg.qr(by_frame(true - true.mean(axis=0)))
    kept = np.eye(true.size) - rigid @ rigid.T

    at = {row.card: i for i, row in enumerate(invented.job.cards)}
    holes = invented.holes_mm[[at[row.card] for row in measured.holes.rows]]
    hole_errors = datum.positions_mm - holes
    carried = np.zeros(len(holes), dtype=bool)
    carried[measured.base] = True
    return Outcome(
        seed=0,
        centres=centre_errors / np.sqrt(np.diag(stated)).reshape(true.shape),
        deviations=hole_errors / np.sqrt(np.diag(datum.covariance_mm2)).reshape(holes.shape),
        centres_apart=_apart(centre_errors, kept @ stated @ kept),
        deviations_apart=_apart(hole_errors, datum.covariance_mm2),
        centres_below=_below(kept @ stated @ kept, np.sqrt(np.diag(stated))),
        deviations_below=_below(datum.covariance_mm2, np.sqrt(np.diag(datum.covariance_mm2))),
        base=carried,
        photos=len(solution.photos),
        sigma0=solution.sigma0,
        scatter_mm=datum.scatter_mm,
        true_scatter_mm=invented.true_scatter_mm,
    )


def _below(covariance: Array, u: Array) -> float:
    """How often less than 90 % of errors of this covariance lie within twice ``u`` (1000 draws)."""
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    draws = np.random.default_rng(0).standard_normal((1000, len(u))) @ root.T
    return float(((np.abs(draws) <= 2.0 * u).mean(axis=1) < 0.9).mean())


def _apart(errors: Array, covariance: Array) -> Array:
    """Errors over their standard uncertainties along the axes of the covariance, (n, 1)."""
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-9 * values.max()
    return np.asarray((vectors[:, kept].T @ errors.ravel() / np.sqrt(values[kept]))[:, None])


def run(seed: int) -> Outcome:
    """Invent and measure one job."""
    invented = invent(seed)
    return replace(outcome(invented, measure(invented)), seed=seed)


def inside(z: Array) -> float:
    """Share of errors within U."""
    return float((np.abs(z) <= 2.0).mean()) if z.size else float("nan")


def _guess() -> CameraGuess:
    """What EXIF tells of the camera of ``tests.scene``: a focal length 2 % off."""
    constants = np.zeros(9)
    constants[:4] = 3070.0, 3070.0, 1999.5, 1499.5
    return CameraGuess(
        Camera(4000, 3000, constants), loose_information(3070.0, 0.06, 4000), EXTRA_CONSTANTS
    )


def _well_spread(rng: np.random.Generator, holes_mm: Array, count: int) -> Array:
    """(N,) bool: base points, one near each corner of the middle of the car, then at random."""
    size = np.ptp(holes_mm, axis=0)
    centre = holes_mm.mean(axis=0)
    chosen: list[int] = []
    for x, y in ((-1, -1), (-1, 1), (1, -1), (1, 1)):
        corner = centre + [x * 0.3 * size[0], y * 0.5 * size[1], 0.0]
        order = np.argsort(np.linalg.norm(holes_mm - corner, axis=1))
        chosen.append(next(int(i) for i in order if int(i) not in chosen))
    others = [int(i) for i in rng.permutation(len(holes_mm)) if int(i) not in chosen]
    chosen += others[: count - len(chosen)]
    base = np.zeros(len(holes_mm), dtype=bool)
    base[chosen] = True
    return base


def _line(name: str, jobs: Sequence[Outcome], z_of: Callable[[Outcome], Array]) -> str:
    each = [z_of(job) for job in jobs]
    z = np.concatenate(each)
    shares = np.array([inside(one) for one in each if one.size])
    axes = " ".join(
        f"{100 * inside(z[:, a]):5.1f}" if z.shape[1] == 3 else 5 * " " for a in range(3)
    )
    below = int((shares < 0.9).sum())
    return (
        f"{name:34} {len(z):7d} {100 * inside(z):6.1f} {axes} {100 * shares.min():6.1f} "
        f"{below:6d} {float(np.sqrt((z**2).mean())):6.3f}"
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    with ProcessPoolExecutor(workers) as pool:
        jobs = list(pool.map(run, range(count), chunksize=4))
    print(f"{count} jobs; share of |error| <= U in %, over all, by axis, in the worst job,")
    print("number of jobs below 90 %, rms of error / u")
    print(f"{'what':34} {'points':>7} {'all':>6} {'l':>5} {'w':>5} {'h':>5}", end=" ")
    print(f"{'worst':>6} {'< 90':>6} {'rms z':>6}")
    print(_line("card centres, bars only", jobs, lambda j: j.centres))
    print(_line("  along the axes of covariance", jobs, lambda j: j.centres_apart))
    print(_line("deviations", jobs, lambda j: j.deviations))
    print(_line("  along the axes of covariance", jobs, lambda j: j.deviations_apart))
    print(_line("deviations of base points", jobs, lambda j: j.deviations[j.base]))
    print(_line("deviations of other points", jobs, lambda j: j.deviations[~j.base]))
    for scatter in sorted({j.true_scatter_mm for j in jobs}):
        some = [j for j in jobs if j.true_scatter_mm == scatter]
        name = f"deviations, as built to {scatter:.1f} mm"
        print(_line(name, some, lambda j: j.deviations))
    for low, high in ((4, 4), (5, 6), (7, 8)):
        some = [j for j in jobs if low <= j.base.sum() <= high]
        if some:
            print(_line(f"deviations, {low} to {high} base points", some, lambda j: j.deviations))
    edges = np.arange(-4.0, 4.5, 0.5)
    for name, expected in (
        ("centres", sum(job.centres_below for job in jobs)),
        ("deviations", sum(job.deviations_below for job in jobs)),
    ):
        print(f"jobs below 90 % by chance, were every covariance right: {name} {expected:.0f}")
    print("\nhistogram of error / u: centres, deviations; the normal distribution (per cent)")
    z_all = [
        np.concatenate([job.centres.ravel() for job in jobs]),
        np.concatenate([job.deviations.ravel() for job in jobs]),
    ]
    for low, high in zip([-np.inf, *edges], [*edges, np.inf], strict=True):
        shares = [100 * ((z > low) & (z <= high)).mean() for z in z_all]
        normal = 100 * (norm.cdf(high) - norm.cdf(low))
        print(f"{low:5.1f} .. {high:4.1f}  {shares[0]:6.2f} {shares[1]:6.2f} {normal:6.2f}")
    sigma = np.array([j.sigma0 for j in jobs])
    print(f"\nsigma 0: mean {sigma.mean():.3f}, {sigma.min():.3f} to {sigma.max():.3f}")


if __name__ == "__main__":
    main()
