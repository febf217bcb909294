"""Make the demo's tape readings from the truth of the scenario: job/readings.csv and its truth.

    python sample_images/tape_file.py

Two readings are wrong on purpose; truth-readings.json beside the other truth says which, and how
long each line truly is.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

import scenario
from pipeline.inputs.readings import READING_COLUMNS, expected_mm, permitted_error_mm

HERE = Path(__file__).resolve().parent

# Ends, how it was read, hole diameters, pointers; where the hand really was, if elsewhere; note.
READINGS = (
    ("E L", "G R", "centres", None, None, {}, "centre section, diagonal"),
    ("E R", "G L", "centres", None, None, {}, "centre section, other diagonal"),
    ("F L", "H R", "centres", None, None, {}, ""),
    ("F R", "H L", "centres", None, None, {}, ""),
    ("E L", "E R", "same edges", (18, 18), None, {}, "equal holes"),
    ("A L", "E R", "centres", None, None, {}, ""),
    ("A R", "E L", "centres", None, None, {}, ""),
    ("B L", "G L", "near edges", (22, 18), None, {}, "unequal holes"),
    ("C L", "C R", "near edges", None, None, {}, "diameters not known: both ways"),
    ("C L", "C R", "far edges", None, None, {}, "diameters not known: both ways"),
    ("J L", "G L", "centres", None, (300, 136), {}, "tram, pointers set to the heights"),
    ("D L", "H R", "centres", None, None, {"ends": ("D L", "G R")}, ""),
    ("K L", "J L", "near edges", (24, 20), None, {"mode": "far edges"}, ""),
)
UNKNOWN_HOLES_MM = (14.0, 20.0)
LEVEL = np.array([[0.0, 0.0, 1.0]] * 2)


def main() -> None:
    """Write both files."""
    random = np.random.default_rng(scenario.SEED + 6)
    true_mm = {point.key: point.true_mm for point in scenario.points()}
    rows, truth = [",".join(READING_COLUMNS)], []
    for first, second, mode, holes, pointers, slip, note in READINGS:
        step = 0.0 if pointers is None else pointers[1] - pointers[0]
        ends = slip.get("ends", (first, second))
        length_mm = expected_mm(
            np.array([true_mm[end] for end in ends]),
            LEVEL,
            slip.get("mode", mode),
            holes or UNKNOWN_HOLES_MM,
            step,
        )[0]
        off_mm = random.uniform(-1, 1) * permitted_error_mm(length_mm, "II")
        off_mm += random.uniform(-0.5, 0.5, 2).sum()
        reading_mm = round(2.0 * (length_mm + off_mm)) / 2.0
        cells = [*first.split(), *second.split(), f"{reading_mm:g}", mode]
        cells += ["", ""] if holes is None else [str(h) for h in holes]
        cells += ["", ""] if pointers is None else [str(p) for p in pointers]
        rows.append(",".join([*cells, "II", "", f'"{note}"' if "," in note else note]))
        truth.append(
            {
                "row": len(rows),
                "true_mm": round(length_mm, 3),
                "read": "as stated" if not slip else "wrong hole" if "ends" in slip else "edges",
            }
        )
    (HERE / "job" / "readings.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    body = ",\n".join(f"  {json.dumps(row)}" for row in truth)
    (HERE / "truth-readings.json").write_text(f"[\n{body}\n]\n", encoding="utf-8")


if __name__ == "__main__":
    main()
