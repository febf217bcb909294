"""What a reference sheet holds, and what is odd about it, before anyone goes under the car."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from pipeline.datum.base_points import LEAST_TO_TELL
from pipeline.datum.datum import LEAST_BASE_POINTS, on_one_line, spread_mm
from pipeline.inputs.csv_rows import read_header
from pipeline.inputs.sheet import PARTS, ZONES, ReferenceSheet, SheetPoint, one_sided, read_states
from pipeline.repair.suspension import told_by
from pipeline.report.damage_words import ZONE_NAMES
from pipeline.report.words import AXIS_WORDS
from targets.said import listed, say

_SAME_PLACE_MM = 5.0
_SMALL_MM = 1000.0
"""No vehicle's points lie so close together; in centimetres all of them do."""
_SLIP_MM = 30.0
"""Sides of a pair that differ by less were hardly meant to differ."""
_SIDES = {"L": say("left"), "R": say("right"), "C": say("centre line")}
_IN_STATE = {"in": say("Mechanical parts in"), "out": say("Mechanical parts out")}


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
    lines: list[str] = [
        say(
            "{file}: {points} points, in {unit}",
            file=path.name,
            points=len(everything),
            unit=say("inches") if inches else say("millimetres"),
        ),
        *_states(states),
    ]
    if everything:
        lines += _figures(list(everything.values()))
        lines.append(_suspension(ReferenceSheet(tuple(everything.values()))))
    return lines, list(_warnings(states))


def _states(states: dict[str, ReferenceSheet]) -> list[str]:
    """Both states of the mechanical parts, at once where they are the same."""
    told = [list(_state(states[state])) for state in PARTS]
    if told[0] == told[1]:
        told, heads = told[:1], [say("Mechanical parts in or out")]
    else:
        heads = [_IN_STATE[state] for state in PARTS]
    return [
        line
        for head, (first, *rest) in zip(heads, told, strict=True)
        for line in (say("{head}: {first}", head=head, first=first), *rest)
    ]


def _state(sheet: ReferenceSheet) -> Iterator[str]:
    points = sheet.points
    if not points:
        yield say("no points")
        return
    zones = Counter(p.zone for p in points)
    sides = Counter(p.side for p in points)
    counted = [
        say("{n} {zone}", n=zones[zone], zone=ZONE_NAMES[zone]) for zone in ZONES if zones[zone]
    ]
    counted += [say("{n} without a zone", n=zones[""])] if zones[""] else []
    lying = [
        say("{n} {side}", n=sides[side], side=name) for side, name in _SIDES.items() if sides[side]
    ]
    yield say(
        "{points} points ({zones}; {sides})",
        points=len(points),
        zones=listed(counted),
        sides=listed(lying),
    )
    base = [p for p in points if p.base]
    if not base:
        yield say("  Base points: none")
        return
    places = np.array([p.position_mm for p in base])
    reach = np.ptp(places, axis=0)
    yield (
        say(
            "  Base points: {points}; they span {length:.0f} mm of length and "
            "{width:.0f} mm of width",
            points=", ".join(p.name for p in base),
            length=float(reach[0]),
            width=float(reach[1]),
        )
    )


def _figures(points: Sequence[SheetPoint]) -> Iterator[str]:
    names = {(p.point, p.side) for p in points}
    pairs = sum((name, "R") in names for name, side in names if side == "L")
    places = np.array([p.position_mm for p in points])
    low, high = places.min(axis=0), places.max(axis=0)
    spans = [
        say("{axis} {low:.1f} to {high:.1f}", axis=axis, low=float(a), high=float(b))
        for axis, a, b in zip(AXIS_WORDS, low, high, strict=True)
    ]
    yield say("Pairs left and right: {pairs}", pairs=pairs)
    yield say("Reach in mm: {spans}", spans=listed(spans))
    stated = [p.tol_mm for p in points if np.isfinite(p.tol_mm)]
    if stated:
        yield (
            say(
                "Tolerance: stated for {stated} of {points} points, {least:g} to {most:g} mm",
                stated=len(stated),
                points=len(points),
                least=min(stated),
                most=max(stated),
            )
        )
    else:
        yield say("Tolerance: stated for no point, so tolerance_mm of job.toml holds")
    unsure = sum(bool(p.u_mm.any()) for p in points)
    if unsure:
        yield say(
            "Uncertainty of the sheet's own figures: stated for {points} points", points=unsure
        )


_TOLD = {
    "front camber and caster": say("camber and caster in front"),
    "rear camber and caster": say("camber and caster at the rear"),
    "wheelbase": say("wheelbase"),
}


def _suspension(sheet: ReferenceSheet) -> str:
    told = [_TOLD[one] for one in told_by(sheet)]
    if told:
        return say("Suspension pick-up points: they tell of {told}", told=listed(told))
    return say(
        "Suspension pick-up points: too few are named by kind (strut tower, control arm, bush, "
        "axle), so nothing will be said of camber, caster and wheelbase"
    )


def _warnings(states: dict[str, ReferenceSheet]) -> Iterator[str]:
    told: set[str] = set()
    for state in PARTS:
        for warning in _warnings_of(states[state].points):
            if warning not in told:
                told.add(warning)
                yield warning
    if not any(sheet.points for sheet in states.values()):
        yield say(
            "There is nothing below the header: type the points in, or delete the file to have "
            "left compared with right."
        )


def _warnings_of(points: Sequence[SheetPoint]) -> Iterator[str]:
    if not points:
        return
    for point in one_sided(points):
        yield (
            say(
                "{point} has no other side: add its row, unless the vehicle has it on "
                "one side only.",
                point=point.name,
            )
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
                say(
                    "{name} differs by {apart:g} mm left against right: fine for an "
                    "asymmetrical vehicle, else a slip.",
                    name=name,
                    apart=float(apart),
                )
            )
    for i, one in enumerate(points):
        for other in points[i + 1 :]:
            if np.linalg.norm(one.position_mm - other.position_mm) < _SAME_PLACE_MM:
                yield say(
                    "{one} and {other} lie in the same place.", one=one.name, other=other.name
                )
    size_mm = float(np.linalg.norm(np.ptp([p.position_mm for p in points], axis=0)))
    if len(points) > 2 and size_mm < _SMALL_MM:
        yield say(
            "All points lie within {size:.0f} mm, which is small for a vehicle: look whether the "
            "figures are centimetres.",
            size=size_mm,
        )
    base = [p for p in points if p.base]
    for point in base:
        if point.zone != "centre":
            yield say(
                "Base point {point} lies in the {zone} zone, where damage goes first.",
                point=point.name,
                zone=ZONE_NAMES[point.zone],
            )
    if len(base) < LEAST_BASE_POINTS:
        yield say(
            "{count} base points give no vehicle frame; mark three at least, better six.",
            count=len(base),
        )
        return
    places = np.array([p.position_mm for p in base])
    if on_one_line(places):
        yield (
            say(
                "The base points lie nearly on one line ({off:.0f} mm off it), so the "
                "vehicle frame could turn about it.",
                off=spread_mm(places),
            )
        )
    elif len(base) < LEAST_TO_TELL:
        yield (
            say(
                "{count} base points show that one of them moved, but not always which; "
                "six or more do.",
                count=len(base),
            )
        )
