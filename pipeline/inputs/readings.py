"""Readings of a steel tape or a tram gauge between holes, and what such a reading ought to be."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast

import numpy as np

from calib.frames import Array
from pipeline.inputs.csv_rows import Row, read_rows
from targets.errors import UserError
from targets.said import say
from targets.wording import nearest

READING_COLUMNS = (
    *("from", "from_side", "to", "to_side", "reading_mm", "mode"),
    *("from_hole_mm", "to_hole_mm", "from_pointer_mm", "to_pointer_mm"),
    *("tape_class", "temperature_c", "note"),
)
"""Columns of a table of readings; the last seven may be empty or absent."""

EXAMPLE = """\
from,from_side,to,to_side,reading_mm,mode,from_hole_mm,to_hole_mm,from_pointer_mm,to_pointer_mm,note
A,L,C,R,1043,centres,,,,,steel tape
A,L,C,L,618.5,near edges,22,16,,,holes of unequal size
A,L,B,L,431,same edges,,,,,holes of equal size
A,L,B,R,998,centres,,,250,100,tram with unequal pointers
"""
"""A table of readings with each way of reading once."""

Mode = Literal["centres", "near edges", "far edges", "same edges"]
MODES: tuple[Mode, ...] = ("centres", "near edges", "far edges", "same edges")
"""From where to where in the two holes."""

STEEL_TAPE_PER_K = 11.5e-6
"""Linear expansion of a tape or tram, steel (Swyt, NIST J. Res. 99:31, 1994)."""
TAPE_CLASSES = {"I": (0.1, 0.1), "II": (0.3, 0.2), "III": (0.6, 0.4)}
"""a and b of the largest permitted error +-(a + b L) mm, L in whole metres, rounded up, by class
(OIML R 35-1, from memory)."""

_LONGEST_MM = 30000.0
_LARGEST_HOLE_MM = 300.0


@dataclass(frozen=True)
class Reading:
    """One reading, as typed.

    Attributes
    ----------
    where : file and row.
    ends : names "POINT SIDE" of the two points.
    reading_mm : as read; ``typed`` is its text.
    mode : from where to where in the two holes.
    holes_mm : diameters of the two holes, nan where not given.
    pointers_mm : lengths of the two pointers of a tram, None for a tape.
    tape_class : I, II or III.
    temperature_c : of tape and car, None for that of the job.
    note : free text.
    """

    where: str
    ends: tuple[str, str]
    reading_mm: float
    typed: str
    mode: Mode
    holes_mm: tuple[float, float]
    pointers_mm: tuple[float, float] | None
    tape_class: str
    temperature_c: float | None
    note: str

    @property
    def resolution_mm(self) -> float:
        """What was read to: 1 mm, or a half or tenth of it where the figure says so."""
        for step in (1.0, 0.5):
            if abs(self.reading_mm / step - round(self.reading_mm / step)) < 1e-9:
                return step
        return 0.1

    @property
    def pointer_step_mm(self) -> float:
        """Difference of the two pointers' lengths, 0 for a tape."""
        return 0.0 if self.pointers_mm is None else self.pointers_mm[1] - self.pointers_mm[0]


def read_readings(path: Path, known: Collection[str]) -> tuple[Reading, ...]:
    """Read a table of readings.

    Parameters
    ----------
    path : the file.
    known : names "POINT SIDE" that the job knows, measured or not.

    Raises
    ------
    UserError : it cannot be read, or a row is not as it should be.
    """
    readings = tuple(
        _reading(row, known) for row in read_rows(path, READING_COLUMNS, len(READING_COLUMNS) - 6)
    )
    if not readings:
        raise UserError("there are no readings", path.name, "enter one in each row")
    of_edges = [r for r in readings if r.mode in ("near edges", "far edges")]
    for reading in of_edges:
        other = "far edges" if reading.mode == "near edges" else "near edges"
        same = [r for r in of_edges if set(r.ends) == set(reading.ends) and r.mode == other]
        shorter = [r for r in same if r.reading_mm <= reading.reading_mm]
        if reading.mode == "near edges" and shorter:
            raise UserError(
                say(
                    "near edges {near:g} mm apart cannot be, with the far edges of the same holes "
                    "{far:g} mm apart in {row}",
                    near=reading.reading_mm,
                    far=shorter[0].reading_mm,
                    row=shorter[0].where,
                ),
                reading.where,
                "exchange the two modes, or correct the figure",
            )
        if not same and not has_holes(reading):
            raise UserError(
                say(
                    "a reading between {mode} needs the diameters of both holes",
                    mode=reading.mode,
                ),
                reading.where,
                say(
                    "fill in from_hole_mm and to_hole_mm, or read {other} as well",
                    other=other,
                ),
            )
    return readings


def has_holes(reading: Reading) -> bool:
    """Whether both diameters are known."""
    return bool(np.isfinite(reading.holes_mm).all())


def expected_mm(
    ends_mm: Array,
    axes: Array,
    mode: Mode,
    holes_mm: tuple[float, float],
    pointer_step_mm: float,
) -> tuple[float, Array]:
    """What a tape or tram ought to read between two holes, and its derivative by their centres.

    A tape reads the straight line in space from point to point. A tram's pointers stand square on
    its bar, so with pointers that differ by s it reads r = sqrt(d^2 - s^2), d being the distance in
    space: by hand, d = 1300 and s = 500 give 1200. Where s is the difference of the two heights, r
    is the distance in the datum plane (d_plane = sqrt(d^2 - dh^2), common practice, no source);
    with equal pointers it is d itself. Edges lie in the plane of their hole, towards the other one.
    Holes in one plane, diameters D and E: near edges d - (D + E) / 2, far edges d + (D + E) / 2,
    so d is half of their sum; same edges of equal holes d (common practice, no source).

    Parameters
    ----------
    ends_mm : (2, 3) centres of the holes.
    axes : (2, 3) unit vectors along their axes.
    holes_mm : their diameters; not used for "centres" and "same edges", which are read between
        holes of one size only.

    Returns
    -------
    reading_mm : nan where the pointers differ by more than the distance.
    by_ends : (6,) its derivative by ``ends_mm``; that edges turn along is left out, being small.

    >>> level = np.array([[0.0, 0.0, 1.0]] * 2)
    >>> ends = np.array([[0.0, 0.0, 0.0], [1200.0, 0.0, 500.0]])
    >>> expected_mm(ends, level, "centres", (0.0, 0.0), 500.0)[0]
    1200.0

    Edges by hand: holes of 30 and 20 mm, 1200 mm apart in one plane. Near edges 1200 - 15 - 10,
    far edges 1200 + 15 + 10, half of their sum 1200; same edges of two holes of 20 mm 1200.

    >>> flat = ends * [1, 1, 0]
    >>> near = expected_mm(flat, level, "near edges", (30.0, 20.0), 0.0)[0]
    >>> far = expected_mm(flat, level, "far edges", (30.0, 20.0), 0.0)[0]
    >>> near, far, (near + far) / 2
    (1175.0, 1225.0, 1200.0)
    >>> expected_mm(flat, level, "same edges", (20.0, 20.0), 0.0)[0]
    1200.0
    """
    tips = np.array(ends_mm, dtype=float)
    if mode in ("near edges", "far edges"):
        way = tips[1] - tips[0]
        outward = -1.0 if mode == "near edges" else 1.0
        for end, towards in ((0, -1.0), (1, 1.0)):
            flat = way - (way @ axes[end]) * axes[end]
            length = float(np.linalg.norm(flat))
            if length > 1e-6:
                tips[end] += outward * towards * holes_mm[end] / 2.0 * flat / length
    way = tips[1] - tips[0]
    square = float(way @ way) - pointer_step_mm**2
    if square <= 0.0:
        return float("nan"), np.zeros(6)
    reading_mm = math.sqrt(square)
    return reading_mm, np.concatenate([-way, way]) / reading_mm


def at_20_c_mm(reading_mm: float, temperature_c: float, body_alpha_per_k: float) -> float:
    """What a steel tape would have read had body and tape been at 20 degrees C.

    The tape is right at 20 degrees C and grows with its own expansion, the body with its:
    reading (1 + (alpha of the tape - alpha of the body) (t - 20)). Steel on steel needs none.

    By hand: aluminium (23.1e-6) at 40 degrees C. A length of 4000 mm has grown by
    4000 x 23.1e-6 x 20 = 1.848, the tape by 4000 x 11.5e-6 x 20 = 0.920, so the tape reads 0.928 mm
    too much.

    >>> round(at_20_c_mm(4000.0, 40.0, 23.1e-6), 3), at_20_c_mm(4000.0, 40.0, 11.5e-6)
    (3999.072, 4000.0)
    """
    return reading_mm * (1.0 + (STEEL_TAPE_PER_K - body_alpha_per_k) * (temperature_c - 20.0))


def permitted_error_mm(length_mm: float, tape_class: str) -> float:
    """Largest permitted error of a tape, either way.

    >>> round(permitted_error_mm(2300.0, "II"), 3)  # 3 m begun: 0.3 + 3 x 0.2
    0.9
    """
    a, b = TAPE_CLASSES[tape_class]
    return a + b * math.ceil(length_mm / 1000.0)


def _reading(row: Row, known: Collection[str]) -> Reading:
    ends = (_end(row, "from", known), _end(row, "to", known))
    if ends[0] == ends[1]:
        raise UserError(
            say("both ends are '{point}'", point=ends[0]),
            row.where,
            "a reading runs between two different points",
        )
    mode = cast(Mode, row.choice("mode", MODES))
    holes = (_hole(row, "from_hole_mm"), _hole(row, "to_hole_mm"))
    if mode == "same edges" and np.isfinite(holes).all() and holes[0] != holes[1]:
        raise UserError(
            say(
                "same edges of holes of {one:g} and {other:g} mm are not as far apart "
                "as their centres",
                one=holes[0],
                other=holes[1],
            ),
            row.where,
            "between holes of different size read near edges and far edges",
        )
    pointers = None
    given = [bool(row.text(column)) for column in ("from_pointer_mm", "to_pointer_mm")]
    if any(given):
        if not all(given):
            raise UserError(
                "only one of a tram's two pointers has a length",
                row.where,
                "fill in from_pointer_mm and to_pointer_mm, or neither for a tape",
            )
        pointers = (
            row.number("from_pointer_mm", 0.0, 3000.0),
            row.number("to_pointer_mm", 0.0, 3000.0),
        )
    temperature = row.number("temperature_c", -30.0, 60.0) if row.text("temperature_c") else None
    return Reading(
        where=row.where,
        ends=ends,
        reading_mm=row.number("reading_mm", 1.0, _LONGEST_MM),
        typed=row.text("reading_mm"),
        mode=mode,
        holes_mm=holes,
        pointers_mm=pointers,
        tape_class=row.choice("tape_class", tuple(TAPE_CLASSES), "II"),
        temperature_c=temperature,
        note=row.text("note"),
    )


def _end(row: Row, column: str, known: Collection[str]) -> str:
    name = f"{row.name(column)} {row.choice(f'{column}_side', ('L', 'R', 'C'))}"
    if name not in known:
        near = nearest(name, known)
        raise UserError(
            say("point '{name}' is neither in the sheet nor in cards.csv of this job", name=name),
            row.where,
            say("the nearest is '{nearest}'", nearest=near) if near else "this job has no points",
        )
    return name


def _hole(row: Row, column: str) -> float:
    return row.number(column, 0.5, _LARGEST_HOLE_MM) if row.text(column) else float("nan")
