"""The reference sheet: the maker's dimensions of the points, typed in from licensed data."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from calib.frames import Array
from pipeline.inputs.csv_rows import Row, read_header, read_rows
from targets.errors import UserError
from targets.said import say
from targets.wording import shown

SHEET_COLUMNS = (
    "point",
    "side",
    "length_mm",
    "width_mm",
    "height_mm",
    "parts",
    "base",
    "tol_mm",
    "note",
)
"""Columns of sheet.csv; the last three may be empty or absent."""

MORE_COLUMNS = ("zone", "kind", "u_length_mm", "u_width_mm", "u_height_mm")
"""Further columns, each of which may be empty or absent."""

ZONES = ("front", "centre", "rear")
"""Sections of the vehicle."""

KINDS = (
    *("hole", "stud", "bolt", "bush", "strut tower", "control arm", "axle"),
    *("sill flange", "door opening", "other"),
)
"""What a point is, in terms of the trade."""

PARTS = ("in", "out")
"""States of the mechanical parts."""

LARGEST_MM = 30000.0
"""No coordinate on a road vehicle is larger; a larger one is a slip of the pen."""

_MM_PER_UNIT = {"mm": 1.0, "in": 25.4}
_SMALLEST_VEHICLE_MM = 300.0
"""Three points or more that all lie within this are no vehicle; in inches they would be one."""
_LONGEST_VEHICLE_MM = 25000.0
_SILL_FLANGE = re.compile(r"sill[\s_-]*flange|pinch[\s_-]*weld", re.IGNORECASE)


@dataclass(frozen=True)
class SheetPoint:
    """One reference point of one side.

    Attributes
    ----------
    point, side : name and L, R or C.
    position_mm : (3,) length, width (signed, left +), height in the vehicle frame.
    tol_mm : permitted deviation per axis (the job's tolerance where the sheet gives none).
    base : whether it may carry the datum.
    note : free text.
    zone : one of ``ZONES``, "" where nothing tells it (see ``read_sheet``).
    kind : one of ``KINDS``, or "".
    u_mm : (3,) standard uncertainty of the position, nought for a maker's figure.
    """

    point: str
    side: str
    position_mm: Array
    tol_mm: float
    base: bool
    note: str
    zone: str = ""
    kind: str = ""
    u_mm: Array = field(default_factory=lambda: np.zeros(3))

    @property
    def name(self) -> str:
        """Point and side: "A L"."""
        return f"{self.point} {self.side}"


@dataclass(frozen=True)
class ReferenceSheet:
    """The rows of a sheet that hold for the job's state of the mechanical parts."""

    points: tuple[SheetPoint, ...]


def read_sheet(path: Path, parts: str, tolerance_mm: float) -> ReferenceSheet:
    """Read sheet.csv.

    Every row is checked, those of the other state of the parts too. Dimensions are millimetres, or
    inches where the header says ``length_in,width_in,height_in`` (and ``tol_in``, ``u_length_in``
    and so on). A zone that no cell gives follows from the base points: between the rearmost and the
    foremost one lies the centre.

    Parameters
    ----------
    path : the file.
    parts : "in" or "out": which rows are wanted.
    tolerance_mm : for rows that give none.

    Returns
    -------
    The points in the order of the file; an LR row gives its left and then its right one. Empty
    when only the header is there.

    Raises
    ------
    UserError : the file, or a row of it, is not as it should be, or no row holds for ``parts``.
    """
    sheets = read_states(path, tolerance_mm)
    if any(sheet.points for sheet in sheets.values()) and not sheets[parts].points:
        raise UserError(
            say("no row holds with the mechanical parts {parts}", parts=parts),
            path.name,
            "mark rows that hold in either state as both, or change parts in job.toml",
        )
    return sheets[parts]


def read_states(path: Path, tolerance_mm: float) -> dict[str, ReferenceSheet]:
    """The sheet for either state of the mechanical parts; parameters as in ``read_sheet``."""
    unit, columns = _columns(path)
    rows = read_rows(path, columns, optional=3 + len(MORE_COLUMNS))
    wanted: dict[str, list[SheetPoint]] = {state: [] for state in PARTS}
    first_row: dict[tuple[str, str, str], str] = {}
    for row in rows:
        points = _points(row, unit, tolerance_mm)
        stated = row.choice("parts", (*PARTS, "both"))
        for state in PARTS if stated == "both" else (stated,):
            for point in points:
                earlier = first_row.setdefault((point.point, point.side, state), row.where)
                if earlier != row.where:
                    raise UserError(
                        say(
                            "point {point} with parts {state} stands in {earlier} already",
                            point=point.name,
                            state=state,
                            earlier=earlier,
                        ),
                        row.where,
                        "keep one of the two rows",
                    )
            wanted[state] += points
    _check_size([p for points in wanted.values() for p in points], unit, path.name)
    return {state: ReferenceSheet(_with_zones(points)) for state, points in wanted.items()}


def one_sided(points: Iterable[SheetPoint]) -> list[SheetPoint]:
    """Points that the sheet gives on the left or on the right only."""
    points = list(points)
    there = {(p.point, p.side) for p in points}
    other = {"L": "R", "R": "L"}
    return [p for p in points if p.side in other and (p.point, other[p.side]) not in there]


def _columns(path: Path) -> tuple[str, tuple[str, ...]]:
    """Unit that the header states, and the columns that go with it."""
    in_mm = (*SHEET_COLUMNS, *MORE_COLUMNS)
    inches = {column.removesuffix("_mm") + "_in" for column in in_mm if column.endswith("_mm")}
    where, header = read_header(path)
    found = [column for column in header if column in inches]
    if not found:
        return "mm", in_mm
    mixed = [column for column in header if column in in_mm and column.endswith("_mm")]
    if mixed:
        raise UserError(
            say(
                "the columns '{mixed}' and '{found}' are in different units",
                mixed=mixed[0],
                found=found[0],
            ),
            where,
            "give the whole sheet in millimetres (_mm) or the whole sheet in inches (_in)",
        )
    return "in", tuple(re.sub("_mm$", "_in", column) for column in in_mm)


def _points(row: Row, unit: str, tolerance_mm: float) -> list[SheetPoint]:
    """The one point of a row, or the two of an LR row."""
    largest = LARGEST_MM / _MM_PER_UNIT[unit]

    def mm(column: str, low: float) -> float:
        value = row.number(f"{column}_{unit}", low * LARGEST_MM, LARGEST_MM)
        if unit == "in" and abs(value) > largest:
            raise UserError(
                say(
                    "{column} {value} cannot be, for that is {metres:.0f} m",
                    column=f"{column}_in",
                    value=row.text(f"{column}_in"),
                    metres=abs(value) * _MM_PER_UNIT["in"] / 1000.0,
                ),
                row.where,
                "name the columns length_mm, width_mm, height_mm if the figures are millimetres",
            )
        return value * _MM_PER_UNIT[unit]

    name = row.name("point")
    side = row.choice("side", ("L", "R", "C", "LR"))
    length_mm, width_mm, height_mm = (mm(axis, -1.0) for axis in ("length", "width", "height"))
    base = row.choice("base", ("yes", "no"), default="no") == "yes"
    kind = row.choice("kind", KINDS, default="")
    tol_mm = mm("tol", 0.0) if row.text(f"tol_{unit}") else tolerance_mm
    if tol_mm == 0.0:
        raise UserError(
            say("tol_{unit} is zero", unit=unit),
            row.where,
            "give a tolerance, or leave the cell empty",
        )
    if side != "C" and width_mm < 0.0:
        raise UserError(
            say("width_{unit} {value} is negative", unit=unit, value=row.text(f"width_{unit}")),
            row.where,
            "give the half-width without a sign; the side says which way",
        )
    if side != "C" and width_mm == 0.0:
        raise UserError(
            say("width_{unit} is zero on side {side}", unit=unit, side=side),
            row.where,
            "a point on the centre line has side C",
        )
    if base and _is_sill_flange(name, kind, row.text("note")):
        raise UserError(
            say(
                "point {name} is a sill flange, which is often bent and on no drawing, "
                "so it cannot carry the datum",
                name=shown(name),
            ),
            row.where,
            "write base = no, and mark holes of the centre section",
        )
    u_mm = [
        mm(f"u_{axis}", 0.0) if row.text(f"u_{axis}_{unit}") else 0.0
        for axis in ("length", "width", "height")
    ]
    return [
        SheetPoint(
            name,
            one,
            np.array([length_mm, -width_mm if one == "R" else width_mm, height_mm]),
            tol_mm,
            base,
            row.text("note"),
            row.choice("zone", ZONES, default=""),
            kind,
            np.array(u_mm),
        )
        for one in side  # the letters of LR are its two sides
    ]


def _is_sill_flange(name: str, kind: str, note: str) -> bool:
    """A stated kind goes before the note, which may only say that a hole lies near the flange."""
    by_note = not kind and _SILL_FLANGE.search(note)
    return kind == "sill flange" or bool(_SILL_FLANGE.search(name) or by_note)


def _check_size(points: Sequence[SheetPoint], unit: str, file: str) -> None:
    """Refuse a sheet whose unit is not what its header says."""
    names = {point.name for point in points}
    if len(names) < 3:
        return
    size_mm = float(np.linalg.norm(np.ptp([point.position_mm for point in points], axis=0)))
    size = f"{size_mm / _MM_PER_UNIT[unit]:.0f} {unit}"
    if size_mm < _SMALLEST_VEHICLE_MM:
        raise UserError(
            say(
                "all {count} points lie within {size}, which is no vehicle",
                count=len(names),
                size=size,
            ),
            file,
            "give millimetres, or name the columns length_in, width_in, height_in if the figures "
            "are inches"
            if unit == "mm"
            else "give the figures in inches",
        )
    if size_mm > _LONGEST_VEHICLE_MM:
        raise UserError(
            say("the points reach over {size}, which is no vehicle", size=size),
            file,
            "name the columns length_mm, width_mm, height_mm if the figures are millimetres"
            if unit == "in"
            else "give the figures in millimetres",
        )


def _with_zones(points: Sequence[SheetPoint]) -> tuple[SheetPoint, ...]:
    """The points, with the zones that the base points tell where the sheet gives none."""
    lengths_mm = [point.position_mm[0] for point in points if point.base]
    if not lengths_mm:
        return tuple(points)

    def zone(length_mm: float) -> str:
        if length_mm > max(lengths_mm):
            return "front"
        return "rear" if length_mm < min(lengths_mm) else "centre"

    return tuple(p if p.zone else replace(p, zone=zone(p.position_mm[0])) for p in points)
