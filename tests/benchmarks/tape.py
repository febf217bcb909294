"""How often tape verdicts are right, one reading in ten being wrong.

    python tests/benchmarks/tape.py [JOBS]

Each simulated job measures the invented van with a correlated uncertainty of about 0.15 mm per
axis, and twenty readings are taken of its true holes: edges, trams and all, each off by its class's
permitted error, the hand and the division, evenly spread. One in ten is spoilt. A verdict is right
when a good reading agrees and a spoilt one disagrees; "cannot tell" is never right.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipeline.inputs.readings import TAPE_CLASSES, Reading, expected_mm, permitted_error_mm
from pipeline.sessions.tape import HOLDING_MM, check_tape
from tests.measured_case import SHEET_MM, measured_job

READINGS = 20
SHARE_SPOILT = 0.1
LEAST_SPOILT_MM = 4.0
"""What moves a reading by less is no error that any tape could show."""
CAUSES = {
    "wrong hole": "wrong hole",
    "hook": "hooked",
    "edges": "edges",
    "pointers": "pointer",
    "digits": "digits",
    "inch": "inches",
    "mark": "mm too",
}
NAMES = list(SHEET_MM)


def one_job(random: np.random.Generator) -> list[tuple[str, str, str]]:
    """(spoilt how or "", verdict, cause) of each reading."""
    count = 3 * len(NAMES)
    root = np.hstack([0.1 * np.eye(count), random.normal(0.0, 0.05, (count, 5))])
    true_mm = {name: place + random.normal(0.0, 3.0, 3) for name, place in SHEET_MM.items()}
    noise = (root @ random.normal(size=root.shape[1])).reshape(-1, 3)
    found = {name: place + n for (name, place), n in zip(true_mm.items(), noise, strict=True)}
    job = measured_job(found, root @ root.T)
    pairs = [_reading(random, true_mm, n) for n in range(READINGS)]
    checks = check_tape(job, [reading for reading, _ in pairs])
    return [(how, c.verdict, c.cause) for (_, how), c in zip(pairs, checks, strict=True)]


def _reading(
    random: np.random.Generator, true_mm: dict[str, np.ndarray], row: int
) -> tuple[Reading, str]:
    while True:
        a, b = (NAMES[i] for i in random.choice(len(NAMES), 2, replace=False))
        mode = random.choice(["centres", "centres", "near edges", "far edges", "same edges"])
        size = float(random.integers(10, 26))
        holes = (size, size) if mode == "same edges" else (size, float(random.integers(10, 26)))
        step = float(random.integers(-200, 200)) if random.random() < 0.3 else 0.0
        tape_class = str(random.choice(list(TAPE_CLASSES)[:2]))
        ends, true_mode, true_step, how = (a, b), mode, step, ""
        if random.random() < SHARE_SPOILT:
            how = str(random.choice(list(CAUSES)))
            if how == "wrong hole":
                ends = (a, str(random.choice([n for n in NAMES if n not in (a, b)])))
            elif how == "edges":
                true_mode = "far edges" if mode == "near edges" else "near edges"
            elif how == "pointers":
                true_step = 0.0
        stated = _length(true_mm, (a, b), mode, holes, step)
        length = _length(true_mm, ends, true_mode, holes, true_step)
        if not (np.isfinite([stated, length]).all() and min(stated, length) > 200.0):
            continue
        off = random.uniform(-1.0, 1.0) * permitted_error_mm(length, tape_class)
        off += random.uniform(-HOLDING_MM, HOLDING_MM, 2).sum()
        off += random.uniform(-0.1, 0.1, 2).sum()
        value = round(length + off)
        if how == "hook":
            value += int(random.choice([-1, 1]) * random.integers(5, 15))
        elif how == "mark":
            value += int(random.choice([-100, 100, 10]))
        typed = str(value)
        if how == "digits":
            i = int(random.integers(0, len(typed) - 1))
            typed = typed[:i] + typed[i + 1] + typed[i] + typed[i + 2 :]
            if typed[0] == "0":
                continue
        elif how == "inch":
            typed = f"{value / 25.4:.1f}"
        if how and abs(float(typed) - stated) < LEAST_SPOILT_MM:
            continue
        pointers = (300.0, 300.0 + step) if step else None
        return (
            Reading(
                f"r.csv, row {row + 2}", (a, b), float(typed), typed, mode, holes, pointers,
                tape_class, None, "",
            ),
            how,
        )  # fmt: skip


def _length(
    true_mm: dict[str, np.ndarray],
    ends: tuple[str, str],
    mode: str,
    holes: tuple[float, float],
    step: float,
) -> float:
    level = np.array([[0.0, 0.0, 1.0]] * 2)
    return expected_mm(np.array([true_mm[e] for e in ends]), level, mode, holes, step)[0]


def rates(jobs: int, seed: int = 8) -> dict[str, float]:
    """Shares over all readings: right, good ones that agree, spoilt ones found, cause named."""
    random = np.random.default_rng(seed)
    rows = [row for _ in range(jobs) for row in one_job(random)]
    good = [r for r in rows if not r[0]]
    spoilt = [r for r in rows if r[0]]
    right = [r for r in good if r[1] == "agrees"] + [r for r in spoilt if r[1] == "disagrees"]
    named = [r for r in spoilt if any(word in r[2] for word in CAUSES[r[0]].split("|"))]
    return {
        "readings": len(rows),
        "right": len(right) / len(rows),
        "good agree": sum(r[1] == "agrees" for r in good) / len(good),
        "good called disagreeing": sum(r[1] == "disagrees" for r in good) / len(good),
        "spoilt disagree": sum(r[1] == "disagrees" for r in spoilt) / len(spoilt),
        "cause among those named": len(named) / len(spoilt),
        **{
            f"cause named, {how}": sum(r in named for r in spoilt if r[0] == how) / n
            for how, n in sorted(Counter(r[0] for r in spoilt).items())
        },
    }


if __name__ == "__main__":
    for what, value in rates(int(sys.argv[1]) if len(sys.argv) > 1 else 500).items():
        print(f"{what:28} {value:.4g}" if value > 1 else f"{what:28} {100 * value:.1f} %")
