"""Does planning pay, and does it tell the truth: simulated shoots, against the adjustment itself.

    python tests/benchmarks/plan.py predict [scenes]  planned U against that which solve finds
    python tests/benchmarks/plan.py rendered PLACE=JOB ...  the same for photographed jobs
    python tests/benchmarks/plan.py follow [seeds]    photos needed with advice and without
    python tests/benchmarks/plan.py speed [photos]    answers beside the mere decoding of a photo
    python tests/benchmarks/plan.py enough [shoots]   whether "enough" is ever said too early

The shoots are those of tests/shoot.py. Recorded tables: tests/benchmarks/README.md.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from PIL import Image

from calib.lens_file import read_profile
from calib.photo import read_grey
from capture.photo_set import GreyPhotos, PhotoSeen, see_photo
from pipeline.adjustment.cameras import PhotoGroup, group_photos
from pipeline.inputs.job import read_job
from pipeline.shoot.look import look, network_so_far
from pipeline.shoot.plan import camera_groups, conditions_at
from pipeline.shoot.planned_network import PlacedCards, plan_network, see
from pipeline.shoot.point_precision import CARD_FLATNESS_MM, chain_of, precision_of
from pipeline.solve import solve
from tests.shoot import Shoot, invented_shoot, photo_set, taken, walk_around

WANTED_U_MM = 0.3
FIRST = 8
MOST = 48


def worst_U_mm(shoot: Shoot, photos: list[PhotoSeen], earlier=None):
    """The largest U of any point as solve finds it, and the network."""
    groups = group_photos([p.header for p in photos], None)
    network = network_so_far(shoot.job, photo_set(photos), groups, earlier)
    if network is None:
        return np.inf, None
    points = precision_of(chain_of(network, groups, shoot.job), shoot.job)
    return max(p.worst_mm for p in points), network


def predict(scenes: int) -> None:
    rows = []
    for seed in range(scenes):
        rng = np.random.default_rng([seed, 7])
        shoot = invented_shoot(seed)
        stations = walk_around(rng, int(rng.integers(16, 40)))
        photos = [taken(shoot, pose, i, seed) for i, pose in enumerate(stations)]
        groups = group_photos([p.header for p in photos], None)
        guess = groups[0].guess
        network = network_so_far(shoot.job, photo_set(photos), groups)
        found = precision_of(chain_of(network, groups, shoot.job), shoot.job)
        planned = plan_network(
            shoot.planned,
            stations,
            guess,
            see(shoot.planned, stations, guess.camera),
            shoot.at_8_px,
            0.82,
        )
        group = PhotoGroup("planned", planned.photos, guess, False, "")
        told = precision_of(chain_of(planned, [group], shoot.job, CARD_FLATNESS_MM), shoot.job)
        both = [(a.U_mm, b.U_mm) for a, b in zip(told, found, strict=True)]
        ratio = np.array([a / b for a, b in both if np.isfinite(a).all() and np.isfinite(b).all()])
        low, mid, high = np.quantile(ratio, [0.0, 0.5, 1.0])
        inside = ((ratio >= 0.7) & (ratio <= 1.4)).mean()
        rows.append((mid, low, high, inside))
        print(
            f"scene {seed:3d}  {len(stations):2d} photos  ratio {mid:.2f} ({low:.2f} to {high:.2f})"
        )
    table = np.array(rows)
    print(
        f"median ratio {np.median(table[:, 0]):.2f} ({table[:, 0].min():.2f} to "
        f"{table[:, 0].max():.2f} by scene); single coordinates {table[:, 1].min():.2f} to "
        f"{table[:, 2].max():.2f}, {100 * table[:, 3].mean():.1f} % within 0.7 to 1.4"
    )


def rendered(jobs: list[str]) -> None:
    """Stations and cards as solve found them, everything else as ``plan`` assumes at the place."""
    for stated in jobs:
        place, _, folder = stated.partition("=")
        with tempfile.TemporaryDirectory() as scratch:
            copy = Path(scratch) / "job"
            shutil.copytree(folder, copy)
            job = read_job(copy)
            profile = read_profile(job.lens) if job.lens else None
            result, sightings = solve(job, lambda *_: None)
        frame = result.vehicle_from_network
        solution = result.solution
        cards = PlacedCards(solution.cards, frame.apply(solution.dots_mm))
        back = frame.inverse()
        stations = [pose.compose(back) for pose in solution.camera_from_network]
        group = camera_groups(profile)[0]
        guess = replace(group.guess, camera=solution.groups[0].camera)
        assumed = conditions_at(place)
        seen = see(cards, stations, guess.camera)
        planned = plan_network(cards, stations, guess, seen, assumed.at_8_px, assumed.found_share)
        assert planned is not None
        chain = chain_of(planned, [replace(group, photos=planned.photos)], job, CARD_FLATNESS_MM)
        told = {p.name: p.U_mm for p in precision_of(chain, job)}
        ratio = np.array(
            [
                told[f"{row.point} {row.side}"] / parts.U_mm
                for row, parts in zip(result.deviations.rows, result.budget, strict=True)
            ]
        )
        planned_too = ratio[np.isfinite(ratio).all(axis=1)]
        low, mid, high = np.quantile(planned_too, [0.1, 0.5, 0.9])
        inside = ((planned_too >= 0.7) & (planned_too <= 1.4)).mean()
        found = {(s.photo, s.card) for s in sightings}
        shown = zip(*np.nonzero(seen.visible), strict=True)
        visible = {(solution.photos[f], cards.ids[c]) for f, c in shown}
        print(
            f"{place:9s} {len(visible)} visible, {len(found)} found, {len(visible & found)} both; "
            f"ratio {mid:.2f} ({low:.2f} to {high:.2f}), "
            f"{100 * inside:.0f} % within 0.7 to 1.4, "
            f"{len(ratio) - len(planned_too)} points measured that the plan would not see"
        )


def guided(shoot: Shoot, seed: int, photos: list[PhotoSeen], per_look: int):
    """Follow the advice until enough is said; photos, whether it was said."""
    network = None
    while len(photos) < MOST:
        looked, network = look(shoot.job, photo_set(photos), WANTED_U_MM, earlier=network)
        if looked.enough:
            return photos, True
        if not looked.advice:
            return photos, False
        for advice in looked.advice[:per_look]:
            photos = [*photos, taken(shoot, advice.station.pose, len(photos), seed)]
    return photos, False


def follow(seeds: int) -> None:
    shares = []
    for seed in range(seeds):
        shoot = invented_shoot(seed)
        rng = np.random.default_rng([seed, 8])
        walk = walk_around(rng, MOST)
        first = [taken(shoot, pose, i, seed) for i, pose in enumerate(walk[:FIRST])]
        with_advice, said = guided(shoot, seed, first, 1)
        photos, network = first, None
        for i, pose in enumerate(walk[FIRST:], FIRST):
            if _every_point_seen(shoot, photos):
                worst, network = worst_U_mm(shoot, photos, network)
                if worst <= WANTED_U_MM:
                    break
            photos = [*photos, taken(shoot, pose, i, seed)]
        worst, _ = worst_U_mm(shoot, with_advice)
        shares.append((len(with_advice), len(photos), worst))
        print(
            f"seed {seed:2d}  followed {len(with_advice):2d}  walked {len(photos):2d}"
            f"{'' if len(photos) < MOST else ' or more'}  share "
            f"{100 * len(with_advice) / len(photos):3.0f} %  U {worst:.2f} mm  {said}",
            flush=True,
        )
    table = np.array(shares)
    share = table[:, 0] / table[:, 1]
    print(
        f"photos: followed {table[:, 0].mean():.1f}, walked {table[:, 1].mean():.1f}; "
        f"{100 * table[:, 0].sum() / table[:, 1].sum():.0f} % of all, by seed "
        f"{100 * share.min():.0f} to {100 * share.max():.0f} %; worst U {table[:, 2].max():.3f} mm"
    )


def _every_point_seen(shoot: Shoot, photos: list[PhotoSeen]) -> bool:
    counts = Counter(s.card for photo in photos for s in photo.sightings)
    return all(counts[row.card] >= 2 for row in shoot.job.cards)


def enough(shoots: int) -> None:
    said, early, beyond, coordinates = 0, 0, 0, 0
    for seed in range(shoots):
        rng = np.random.default_rng([seed, 9])
        shoot = invented_shoot(
            1000 + seed,
            at_8_px=rng.uniform(0.03, 0.09),
            hidden=rng.uniform(0.0, 0.3),
            unsteady=rng.uniform(0.1, 1.0),
            seating_u_mm=rng.uniform(0.01, 0.04),
        )
        first = [
            taken(shoot, pose, i, seed)
            for i, pose in enumerate(walk_around(rng, int(rng.integers(6, 12))))
        ]
        photos, told = guided(shoot, seed, first, 3)
        if not told:
            print(f"shoot {seed:3d}  {len(photos)} photos  enough never said", flush=True)
            continue
        said += 1
        groups = group_photos([p.header for p in photos], None)
        network = network_so_far(shoot.job, photo_set(photos), groups)
        chain = chain_of(network, groups, shoot.job)
        points = precision_of(chain, shoot.job)
        worst = max(p.worst_mm for p in points)
        early += worst > WANTED_U_MM
        errors = _errors_mm(shoot, chain)
        U = np.array([p.U_mm for p in points])
        beyond += int((np.abs(errors) > U).sum())
        coordinates += errors.size
        print(f"shoot {seed:3d}  {len(photos)} photos  worst U {worst:.3f} mm", flush=True)
    print(
        f"enough was said in {said} of {shoots}, too early in {early}; "
        f"{100 * beyond / max(coordinates, 1):.1f} % of the true errors lie beyond their U"
    )


def _errors_mm(shoot: Shoot, chain) -> np.ndarray:
    """Measured minus true holes, vehicle frame: the cards' own centres and normals are known."""
    index = {card: i for i, card in enumerate(shoot.true.ids)}
    true = []
    for row in chain.holes.rows:
        dots = shoot.true.dots_mm[index[row.card]]
        up = np.cross(dots[1] - dots[0], dots[3] - dots[0])
        true.append(dots.mean(axis=0) + row.stem_mm * up / np.linalg.norm(up))
    return chain.datum.positions_mm - np.array(true)


def speed(photos: int) -> None:
    """The demo's photos, enlarged to 12 MP, coming in one after the other."""
    demo = Path(__file__).parents[2] / "sample_images" / "job"
    paths = sorted((demo / "photos").iterdir())[:photos]
    seen, network, rows = [], None, []
    with tempfile.TemporaryDirectory() as folder:
        for name in ("sheet.csv", "cards.csv"):
            shutil.copyfile(demo / name, Path(folder) / name)
        settings = (demo / "job.toml").read_text().replace("phone.toml", "self")
        (Path(folder) / "job.toml").write_text(settings)
        job = read_job(Path(folder))
        for path in paths:
            large = Path(folder) / path.name
            picture = Image.open(path).resize((4000, 3000), Image.Resampling.LANCZOS)
            picture.save(large, quality=93)
            began = time.perf_counter()
            read_grey(large)
            decoded = time.perf_counter()
            seen.append(see_photo(large, GreyPhotos(0)))
            measured = time.perf_counter()
            _, network = look(job, photo_set(seen), WANTED_U_MM, earlier=network)
            judged = time.perf_counter()
            rows.append((decoded - began, measured - decoded, judged - measured))
    table = np.array(rows)
    for name, column in zip(("decoding alone", "measuring", "judging"), table.T, strict=True):
        print(f"{name:15s} median {np.median(column):.2f} s, at most {column.max():.2f} s")
    whole = table[:, 1:].sum(axis=1)
    print(
        f"an answer: median {np.median(whole):.2f} s, at most {whole.max():.2f} s, "
        f"{np.median(whole / table[:, 0]):.1f} times the decoding"
    )


if __name__ == "__main__":
    what, *rest = sys.argv[1:]
    if what == "rendered":
        rendered(rest)
    else:
        count = int(rest[0]) if rest else 20
        {"predict": predict, "follow": follow, "enough": enough, "speed": speed}[what](count)
