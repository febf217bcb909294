"""What a reference sheet holds, and what is odd about it, before anyone goes under the car."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from pipeline.base_points import LEAST_TO_TELL
from pipeline.csv_rows import read_header
from pipeline.datum import LEAST_BASE_POINTS, on_one_line, spread_mm
from pipeline.sheet import PARTS, ZONES, ReferenceSheet, SheetPoint, one_sided, read_states

_SAME_PLACE_MM = 5.0
_SLIP_MM = 30.0
"""Sides of a pair that differ by less were hardly meant to differ."""
_SIDES = {"L": "left", "R": "right", "C": "centre line"}


def check_sheet(path: Path) -> tuple[list[str], list[str]]:
    """Read a sheet and look it over.

    Returns
    -------
    What is in it, and warnings.

    Raises
    ------
    UserError : the file, or a row of it, is not as it should be.
    """
    _, header = read_header(path)
    states = read_states(path, tolerance_mm=float("nan"))
    everything = {p.name: p for sheet in states.values() for p in sheet.points}
    inches = any(column.endswith("_in") for column in header)
    lines = [
        f"{path.name}: {len(everything)} points, in {'inches' if inches else 'millimetres'}",
        *_states(states),
    ]
    if everything:
        lines += _figures(list(everything.values()))
    return lines, list(_warnings(states))


def _states(states: dict[str, ReferenceSheet]) -> list[str]:
    """Both states of the mechanical parts, at once where they are the same."""
    told = [list(_state(states[state])) for state in PARTS]
    if told[0] == told[1]:
        told, names = told[:1], ["in or out"]
    else:
        names = list(PARTS)
    return [
        line
        for name, (first, *rest) in zip(names, told, strict=True)
        for line in (f"Mechanical parts {name}: {first}", *rest)
    ]


def _state(sheet: ReferenceSheet) -> Iterator[str]:
    points = sheet.points
    if not points:
        yield "no points"
        return
    zones = Counter(p.zone for p in points)
    sides = Counter(p.side for p in points)
    counted = [f"{zones[zone]} {zone}" for zone in ZONES if zones[zone]]
    counted += [f"{zones['']} without a zone"] if zones[""] else []
    lying = [f"{sides[side]} {name}" for side, name in _SIDES.items() if sides[side]]
    yield f"{len(points)} points ({', '.join(counted)}; {', '.join(lying)})"
    base = [p for p in points if p.base]
    if not base:
        yield "  Base points: none"
        return
    places = np.array([p.position_mm for p in base])
    reach = np.ptp(places, axis=0)
    yield (
        f"  Base points: {', '.join(p.name for p in base)}; they span {reach[0]:.0f} mm of length "
        f"and {reach[1]:.0f} mm of width"
    )


def _figures(points: Sequence[SheetPoint]) -> Iterator[str]:
    names = {(p.point, p.side) for p in points}
    pairs = sum((name, "R") in names for name, side in names if side == "L")
    places = np.array([p.position_mm for p in points])
    low, high = places.min(axis=0), places.max(axis=0)
    spans = (
        f"{axis} {a:.1f} to {b:.1f}"
        for axis, a, b in zip(("length", "width", "height"), low, high, strict=True)
    )
    yield f"Pairs left and right: {pairs}"
    yield f"Reach in mm: {', '.join(spans)}"
    stated = [p.tol_mm for p in points if np.isfinite(p.tol_mm)]
    if stated:
        yield (
            f"Tolerance: stated for {len(stated)} of {len(points)} points, {min(stated):g} to "
            f"{max(stated):g} mm"
        )
    else:
        yield "Tolerance: stated for no point, so tolerance_mm of job.toml holds"
    unsure = sum(bool(p.u_mm.any()) for p in points)
    if unsure:
        yield f"Uncertainty of the sheet's own figures: stated for {unsure} points"


def _warnings(states: dict[str, ReferenceSheet]) -> Iterator[str]:
    told: set[str] = set()
    for state in PARTS:
        for warning in _warnings_of(states[state].points):
            if warning not in told:
                told.add(warning)
                yield warning
    if not any(sheet.points for sheet in states.values()):
        yield "There is nothing below the header."


def _warnings_of(points: Sequence[SheetPoint]) -> Iterator[str]:
    if not points:
        return
    for point in one_sided(points):
        yield (
            f"{point.name} has no other side: add its row, unless the vehicle has it on one side "
            "only."
        )
    at = {(p.point, p.side): p for p in points}
    for (name, side), left in at.items():
        right = at.get((name, "R")) if side == "L" else None
        if right is None:
            continue
        apart = np.abs(left.position_mm - right.position_mm * [1, -1, 1]).max()
        told_mm = 3.0 * float(np.hypot(left.u_mm, right.u_mm).max())
        if told_mm < apart < _SLIP_MM:
            yield (
                f"{name} differs by {apart:g} mm left against right: fine for an asymmetrical "
                "vehicle, else a slip."
            )
    for i, one in enumerate(points):
        for other in points[i + 1 :]:
            if np.linalg.norm(one.position_mm - other.position_mm) < _SAME_PLACE_MM:
                yield f"{one.name} and {other.name} lie in the same place."
    base = [p for p in points if p.base]
    for point in base:
        if point.zone != "centre":
            yield f"Base point {point.name} lies in the {point.zone} zone, where damage goes first."
    if len(base) < LEAST_BASE_POINTS:
        yield f"{len(base)} base points give no vehicle frame; mark three at least, better six."
        return
    places = np.array([p.position_mm for p in base])
    if on_one_line(places):
        yield (
            f"The base points lie nearly on one line ({spread_mm(places):.0f} mm off it), so the "
            "vehicle frame could turn about it."
        )
    elif len(base) < LEAST_TO_TELL:
        yield (
            f"{len(base)} base points show that one of them moved, but not always which; six or "
            "more do."
        )
