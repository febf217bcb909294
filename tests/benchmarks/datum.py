"""Base points that moved, a twisted centre section, and sound cars: what is said, and how often.

    python tests/benchmarks/datum.py 500
    python tests/benchmarks/datum.py 500 notes

At the level of points: invented base pairs under a centre section 1.2 to 1.8 m long, measured with
the covariance of a job in a workshop (seat 0.2 mm per axis, photos 0.05 mm and common to all points
in part, a bar of 1.2 m good to 0.05 mm), the car turned and shifted at will. Bodies are built off
the sheet by a normal scatter per axis; the tests assume 0.5 mm (a sixth of a tolerance of 3 mm).
Nothing here proves the assumed scatter: rows with more show what happens when it is wrong.

sound: any warning at all. moved: one point by 5 mm in any direction; right is this point named and
no other, unclear is that it stands among several named, wrong is another one left out, silent is no
warning. twist: 6 mm between foremost and rearmost pair, over their mean width, on top of the build;
silent is no warning, unsaid is neither a warning nor a note; in U says how often the figure told is
within its U of the twist that the body has, build and all.

notes: sound cars only. warned: any warning; noted: no warning, but a note that names a twist, and
out of these, as could be: chance explains the twist well, but it could be 6 mm by its interval.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.spatial.transform import Rotation

from calib.frames import Array
from pipeline.datum.base_points import (
    NOTEWORTHY,
    TWIST_TOLD_MM,
    BaseChoice,
    BasePoints,
    build_sd_mm,
    choose,
)

MOVED_MM, TWIST_MM, TOLERANCE_MM = 5.0, 6.0, 3.0
Counts = dict[str, int]


def section(rng: np.random.Generator, pairs: int) -> Array:
    """Places of ``pairs`` left/right pairs, (2 P, 3), the left one first."""
    reach = rng.uniform(1200.0, 1800.0)
    lengths = np.linspace(0.5, -0.5, pairs) * reach + rng.uniform(-80.0, 80.0, pairs)
    halves = rng.uniform(380.0, 720.0, pairs)
    heights = rng.uniform(90.0, 160.0, pairs)
    places = np.repeat(np.column_stack([lengths, halves, heights]), 2, axis=0)
    places[1::2, 1] *= -1.0
    return places


def measured(rng: np.random.Generator, car: Array, sheet: Array) -> BasePoints:
    """What a job makes of a car (B, 3)."""
    count = len(car)
    common = 0.04 * rng.standard_normal((3 * count, 5))
    scale = (0.05 / 1200.0) * (car - car.mean(axis=0)).reshape(-1, 1)
    covariance = common @ common.T + scale @ scale.T + (0.2**2 + 0.03**2) * np.eye(3 * count)
    seen = car + rng.multivariate_normal(np.zeros(3 * count), covariance).reshape(-1, 3)
    turn = Rotation.random(random_state=rng)
    block = np.kron(np.eye(count), turn.as_matrix())
    return BasePoints(
        tuple(f"{chr(65 + i // 2)} {'LR'[i % 2]}" for i in range(count)),
        turn.apply(seen) + rng.uniform(-3000.0, 3000.0, 3),
        block @ covariance @ block.T,
        sheet,
        np.zeros((count, 3)),
        np.full(count, build_sd_mm(TOLERANCE_MM)),
    )


def warned(choice: BaseChoice) -> bool:
    """Whether a warning is given."""
    checks = [check for check in (choice.twist, choice.diagonals) if check is not None]
    return bool(choice.left_out or choice.doubtful or any(c.significant for c in checks))


def said(choice: BaseChoice) -> bool:
    """Whether a warning or a note is given that names a twist."""
    twist = choice.twist
    return (
        warned(choice)
        or could_be_large(choice)
        or (twist is not None and twist.probability < NOTEWORTHY)
    )


def could_be_large(choice: BaseChoice) -> bool:
    """Whether a twist is noted for its size alone."""
    twist = choice.twist
    return (
        twist is not None
        and twist.probability >= NOTEWORTHY
        and abs(twist.value_mm) + twist.U_mm >= TWIST_TOLD_MM
    )


def own_twist_mm(choice: BaseChoice, car: Array, sheet: Array) -> float:
    """The twist of the car itself, (B, 3), between the pairs that ``choice`` tells of."""
    assert choice.twist is not None
    ahead, behind = (2 * (ord(point) - 65) for point in choice.twist.pairs)
    lift = car[:, 2] - sheet[:, 2]
    rolls = [(lift[i] - lift[i + 1]) / (sheet[i, 1] - sheet[i + 1, 1]) for i in (ahead, behind)]
    return float((rolls[0] - rolls[1]) * np.mean(choice.twist.widths_mm))


def simulate(seed: int, jobs: int, pairs: int, build_mm: float) -> Counts:
    """Count outcomes of ``jobs`` cars of each kind."""
    rng = np.random.default_rng(seed)
    counts: Counts = dict.fromkeys(
        (
            "alarm",
            "right",
            "unclear",
            "wrong",
            "silent",
            "twist silent",
            "twist unsaid",
            "twist in U",
        ),
        0,
    )
    for _ in range(jobs):
        sheet = section(rng, pairs)
        built = sheet + build_mm * rng.standard_normal(sheet.shape)
        counts["alarm"] += warned(choose(measured(rng, built, sheet)))

        who = int(rng.integers(len(sheet)))
        way = rng.standard_normal(3)
        car = built.copy()
        car[who] += MOVED_MM * way / np.linalg.norm(way)
        choice = choose(measured(rng, car, sheet))
        counts["right"] += choice.left_out == (who,)
        counts["unclear"] += who in choice.doubtful
        counts["wrong"] += bool(choice.left_out) and choice.left_out != (who,)
        counts["silent"] += not warned(choice)

        halves = sheet[::2, 1]
        share = (sheet[:, 0] - sheet[-1, 0]) / (sheet[0, 0] - sheet[-1, 0])
        car = built.copy()
        car[:, 2] += TWIST_MM / (halves[0] + halves[-1]) * share * sheet[:, 1]
        choice = choose(measured(rng, car, sheet))
        counts["twist silent"] += not warned(choice)
        counts["twist unsaid"] += not said(choice)
        assert choice.twist is not None
        off = abs(choice.twist.value_mm - own_twist_mm(choice, car, sheet))
        counts["twist in U"] += off <= choice.twist.U_mm
    return counts


def notes(jobs: int) -> None:
    """What is noted about sound cars."""
    print(f"{jobs} sound cars a row; cars")
    print(f"{'':34}warned  noted  as could be  median U mm")
    for pairs in (2, 3, 4):
        for build_mm in (0.3, 0.4, 0.5, 0.7):
            rng = np.random.default_rng(7000 + 100 * pairs + int(10 * build_mm))
            choices = []
            for _ in range(jobs):
                sheet = section(rng, pairs)
                built = sheet + build_mm * rng.standard_normal(sheet.shape)
                choices.append(choose(measured(rng, built, sheet)))
            silent = [choice for choice in choices if not warned(choice)]
            U_mm = np.median([choice.twist.U_mm for choice in choices if choice.twist is not None])
            print(
                f"{f'{2 * pairs} base points, built to {build_mm} mm':32} {jobs - len(silent):7d} "
                f"{sum(map(said, silent)):6d} {sum(map(could_be_large, silent)):12d} {U_mm:12.1f}",
                flush=True,
            )


def main(jobs: int) -> None:
    print(f"{jobs} jobs a row; per cent, but silent and unsaid twists are counted")
    head = (
        "base points  build mm   alarm   right  unclear  wrong  silent   twist silent  unsaid  in U"
    )
    print(head)
    for pairs in (2, 3, 4):
        for build_mm in (0.3, 0.4, 0.5, 0.7):
            c = simulate(100 * pairs + int(10 * build_mm), jobs, pairs, build_mm)
            share = {name: 100.0 * n / jobs for name, n in c.items()}
            print(
                f"{2 * pairs:11d} {build_mm:9.1f} {share['alarm']:7.1f} {share['right']:7.1f} "
                f"{share['unclear']:8.1f} {share['wrong']:6.1f} {share['silent']:7.1f} "
                f"{c['twist silent']:14d} {c['twist unsaid']:7d} "
                f"{share['twist in U']:5.1f}",
                flush=True,
            )


if __name__ == "__main__":
    (notes if "notes" in sys.argv else main)(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
