"""Whether what a comparison of two sessions says holds, on simulated pairs of sessions.

    python tests/benchmarks/compare.py [PAIRS]

The invented van is built to 0.5 mm (so the base points scatter about the sheet), its front left
corner is hit and pulled back by any share of the way. Both sessions are measured with a correlated
uncertainty of about 0.13 mm per axis, stand anywhere, and go through the datum of the program. In
every second pair one base point moves by 4 mm between the sessions. What is simulated is what U
assumes: errors that two real sessions share would make U too large.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from calib.frames import Array, Pose, rotations
from pipeline.datum.datum import fit_frame
from pipeline.sessions.compare import moves
from pipeline.sessions.measured import Measured
from tests.measured_case import BASE, SHEET_MM, measured_job

NAMES = list(SHEET_MM)
NOMINAL_MM = np.array(list(SHEET_MM.values()))
HIT = [NAMES.index(name) for name in ("A L", "A R", "B L", "C L", "D L")]
BUILT_MM, BASE_MOVED_MM = 0.5, 4.0


def one_session(random: np.random.Generator, true_mm: Array, number: int) -> Measured:
    """Measure points (N, 3) that truly lie there, with a datum of its own."""
    count = 3 * len(NAMES)
    root = np.hstack([0.1 * np.eye(count), random.normal(0.0, 0.04, (count, 4))])
    noise = (root @ random.normal(size=root.shape[1])).reshape(-1, 3)
    stands = Pose(rotations(random.normal(0.0, 0.5, 3)), random.normal(0.0, 900.0, 3))
    by = np.kron(np.eye(len(NAMES)), stands.rotation)
    datum = fit_frame(
        stands.apply(true_mm + noise),
        by @ root @ root.T @ by.T,
        np.array([NAMES.index(name) for name in BASE]),
        np.array([SHEET_MM[name] for name in BASE]),
    )
    return measured_job(
        dict(zip(NAMES, datum.positions_mm, strict=True)),
        datum.covariance_mm2,
        folder=Path(f"van{number}"),
    )


def rates(pairs: int, seed: int = 7) -> dict[str, float]:
    """Shares over all pairs, and the size of U against that of one session's own deviations."""
    random = np.random.default_rng(seed)
    inside, progress, alarms, named, wrongly, states, sizes = ([] for _ in range(7))
    for pair in range(pairs):
        before = NOMINAL_MM + random.normal(0.0, BUILT_MM, NOMINAL_MM.shape)
        after = before.copy()
        damage = random.normal(0.0, 8.0, (len(HIT), 3))
        before[HIT] += damage
        after[HIT] += (1.0 - random.uniform(0.2, 1.0, (len(HIT), 1))) * damage
        moved = ""
        if pair % 2:
            moved = str(random.choice(BASE))
            way = random.normal(size=3)
            after[NAMES.index(moved)] += BASE_MOVED_MM * way / np.linalg.norm(way)
        jobs = [one_session(random, true, n) for n, true in enumerate((before, after))]
        found = moves(jobs, 0, 1)
        true = after - before
        for n, point in enumerate(found.points):
            inside += (np.abs(point.shift_mm - true[n]) <= point.U_shift_mm).tolist()
            if n not in HIT and point.name != moved:
                alarms.append(point.state != "unmoved")
            sizes.append(point.U_shift_mm.mean() / jobs[0].points[n].U_deviation_mm.mean())
            off = before[n] - NOMINAL_MM[n]
            if n in HIT and np.linalg.norm(true[n]) > 2.0:
                states.append(point.state == "closer")
            if np.isfinite(point.progress):
                share = -(true[n] @ off) / (off @ off)
                progress.append(abs(point.progress - share) <= point.U_progress)
        (named if moved else wrongly).append(found.strayed == ((moved,) if moved else ()))
    return {
        "pairs": pairs,
        "movement within U, by axis": np.mean(inside),
        "progress within U": np.mean(progress),
        "points that stayed called moved": np.mean(alarms),
        "pulled by 2 mm or more called closer": np.mean(states),
        "moved base point named alone": np.mean(named),
        "no base point named where none moved": np.mean(wrongly),
        "U of movement / U of a deviation": np.mean(sizes),
    }


if __name__ == "__main__":
    for what, value in rates(int(sys.argv[1]) if len(sys.argv) > 1 else 300).items():
        print(f"{what:38} {value:.4g}" if value > 1 or "/" in what else f"{what:38} {value:.1%}")
