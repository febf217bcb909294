"""Acceptance: lengths that somebody else calibrated, measured as a job and compared.

After the pattern of VDI/VDE 2634 part 1: test lengths along lines through the measured volume,
error = measured - calibrated, at least five lengths to a line, the longest of each line at least
the shortest side of the volume, the longest of all at least two thirds of its space diagonal (as
told in a thesis of Hannover university, yumpu 3053814, p. 12); seven lines are from memory. That
an end of a length lies in each corner of the volume is asked there, too, and is not checked here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import binom, norm

from calib.frames import Array
from pipeline.adjustment.solution import Solution
from pipeline.inputs.csv_rows import read_rows
from pipeline.results.result import Result
from targets.card import card_of
from targets.errors import UserError
from targets.said import Said, columns, indented, say

LENGTH_COLUMNS = ("card_a", "card_b", "length_mm", "U_mm")
"""Columns of the table of test lengths."""

LINES = 7
LENGTHS_PER_LINE = 5
DIAGONAL_SHARE = 2.0 / 3.0
DIRECTIONS = 3
"""Directions that the lines run in at least (our choice: the guideline shows a picture)."""

_LARGEST_MM = 30000.0
_ONE_DIRECTION = np.radians(15.0)
_ONE_LINE = np.radians(10.0)
_BESIDE_LINE = 0.05
"""Lengths count as one line up to this angle, and with ends this near to it, of the diagonal: cards
on a car cannot stand exactly in line (our choice)."""
_BEYOND = float(2.0 * norm.sf(2.0))
"""Share of errors beyond U (k = 2) when U is right."""
_CHANCE = 0.01
_NEVER = 2.0
"""No error may be this many times U: four standard deviations."""


@dataclass(frozen=True)
class KnownLength:
    """A test length: between the centres of two cards, mm at 20 degrees C; U with k = 2."""

    cards: tuple[int, int]
    length_mm: float
    U_mm: float


@dataclass(frozen=True)
class LengthError:
    """A test length as measured.

    Attributes
    ----------
    known : as calibrated.
    measured_mm : as measured.
    U_mm : expanded uncertainty (k = 2) of the error: certificate and measurement together.
    line : number of its line, from 0.
    """

    known: KnownLength
    measured_mm: float
    U_mm: float
    line: int

    @property
    def error_mm(self) -> float:
        """Measured minus calibrated."""
        return self.measured_mm - self.known.length_mm

    @property
    def within(self) -> bool:
        """Whether the error is explained by the uncertainty."""
        return abs(self.error_mm) <= self.U_mm


@dataclass(frozen=True)
class Coverage:
    """How the lengths fill the measured volume.

    Attributes
    ----------
    lines : number of lines; full_lines : those with enough lengths, one of them long enough.
    directions : how many really different directions the lines have.
    longest_mm : longest test length.
    sides_mm : (3,) of the box about all measured cards, longest first.
    """

    lines: int
    full_lines: int
    directions: int
    longest_mm: float
    sides_mm: Array

    @property
    def diagonal_mm(self) -> float:
        """Space diagonal of the box."""
        return float(np.linalg.norm(self.sides_mm))

    @property
    def missing(self) -> tuple[str, ...]:
        """What the guideline asks for beyond these lengths, in plain words."""
        wanted = []
        if self.full_lines < LINES:
            wanted.append(
                say(
                    "{lines} lines with {lengths} lengths each, the longest of them "
                    "at least {longest:.0f} mm (there {are})",
                    lines=LINES,
                    lengths=LENGTHS_PER_LINE,
                    longest=float(self.sides_mm[2]),
                    are=_are(self.full_lines),
                )
            )
        if self.directions < DIRECTIONS:
            wanted.append(
                say(
                    "lines in {directions} directions (there {are})",
                    directions=DIRECTIONS,
                    are=_are(self.directions),
                )
            )
        if self.longest_mm < DIAGONAL_SHARE * self.diagonal_mm:
            wanted.append(
                say(
                    "a length of {wanted:.0f} mm, two thirds of the diagonal of the "
                    "measured cards (the longest has {longest:.0f} mm)",
                    wanted=DIAGONAL_SHARE * self.diagonal_mm,
                    longest=self.longest_mm,
                )
            )
        return tuple(wanted)


@dataclass(frozen=True)
class Acceptance:
    """Errors of all test lengths, in the order of the table, and how they fill the volume."""

    errors: tuple[LengthError, ...]
    coverage: Coverage

    @property
    def beyond(self) -> int:
        """How many errors are larger than their U."""
        return sum(not e.within for e in self.errors)

    @property
    def permitted(self) -> int:
        """How many may be by chance: U is exceeded once in 22 even when all is well."""
        return int(binom.isf(_CHANCE, len(self.errors), _BEYOND))

    @property
    def holds(self) -> bool:
        """Whether the stated uncertainty explains the errors."""
        gross = any(abs(e.error_mm) > _NEVER * e.U_mm for e in self.errors)
        return not gross and self.beyond <= self.permitted

    @property
    def code(self) -> int:
        """Exit code: 0 if accepted, else 1."""
        return 0 if self.holds and not self.coverage.missing else 1


def read_lengths(path: Path) -> tuple[KnownLength, ...]:
    """Read a table of test lengths.

    Raises
    ------
    UserError : it cannot be read, or a row cannot be.
    """
    lengths: dict[tuple[int, int], KnownLength] = {}
    for row in read_rows(path, LENGTH_COLUMNS, 0):
        a, b = row.whole("card_a"), row.whole("card_b")
        for card in (a, b):
            try:
                card_of(card)
            except UserError as error:
                raise UserError(error.what, row.where, error.remedy) from error
        if a == b:
            raise UserError(
                say("both ends are card {card}", card=a),
                row.where,
                "a length runs between two different cards",
            )
        pair = (min(a, b), max(a, b))
        if pair in lengths:
            raise UserError(
                say("the length between cards {a} and {b} is there twice", a=a, b=b),
                row.where,
                "keep one of them",
            )
        lengths[pair] = KnownLength(
            (a, b), row.number("length_mm", 1.0, _LARGEST_MM), row.number("U_mm", 1e-4, 100.0)
        )
    if not lengths:
        raise UserError("there are no test lengths", path.name, "enter one in each row")
    return tuple(lengths.values())


def accept(result: Result, lengths: Sequence[KnownLength], where: str) -> Acceptance:
    """Compare test lengths with a solved job.

    Both are lengths at 20 degrees C. The job refers what it measured to 20 degrees with the body's
    expansion, so the object that carries the test lengths must expand like that
    (``body_alpha_per_k``), or be at 20 degrees.

    Parameters
    ----------
    where : name of their table, for messages.

    Raises
    ------
    UserError : no bar gave the scale, a bar is among the lengths, or a card was not measured.
    """
    if not result.scaled:
        raise UserError(
            "no bar was measured, so this job has no scale to be accepted",
            "job.toml",
            "lay a bar of known length beside the cards and enter it as [[bar]]",
        )
    bars = {frozenset(bar.cards) for bar in result.job.bars}
    known = set(result.solution.cards)
    for length in lengths:
        a, b = length.cards
        if frozenset(length.cards) in bars:
            raise UserError(
                say(
                    "cards {a} and {b} are a bar of this job; it gives the scale, so its "
                    "length comes out right whatever the measurement is worth",
                    a=a,
                    b=b,
                ),
                where,
                "take it out of the test lengths, or out of job.toml if another bar remains",
            )
        for card in length.cards:
            if card not in known:
                raise UserError(
                    say("card {card} was not measured in this job", card=card),
                    where,
                    "take the row out, or photograph the card from more sides",
                )
    solution = result.solution
    index = {card: i for i, card in enumerate(solution.cards)}
    centres = solution.centres_mm
    if result.vehicle_from_network is not None:
        centres = result.vehicle_from_network.apply(centres)
    sides, diagonal = _box(centres, result.vehicle_from_network is None)
    ends = np.array([[centres[index[card]] for card in length.cards] for length in lengths])
    line = lines_of(ends, diagonal)
    errors = tuple(
        _error(solution, (index[k.cards[0]], index[k.cards[1]]), k, int(line[n]))
        for n, k in enumerate(lengths)
    )
    return Acceptance(errors, _coverage(ends, line, sides))


def lines_of(ends_mm: Array, diagonal_mm: float) -> Array:
    """Number of the line, (N,), that each length with ends (N, 2, 3) belongs to.

    The longest length founds the first line; each further one joins the line whose direction is
    nearest, if it lies on it well enough, or founds its own.
    """
    apart = ends_mm[:, 1] - ends_mm[:, 0]
    length = np.linalg.norm(apart, axis=1)
    number = np.full(len(ends_mm), -1)
    founders: list[int] = []
    for n in np.argsort(-length, kind="stable"):
        fitting = []
        for k, f in enumerate(founders):
            direction = apart[f] / length[f]
            angle = _angle(apart[n] / length[n], direction)
            off = ends_mm[n] - ends_mm[f, 0]
            beside = np.linalg.norm(off - np.outer(off @ direction, direction), axis=1)
            if angle <= _ONE_LINE and beside.max() <= _BESIDE_LINE * diagonal_mm:
                fitting.append((angle, k))
        if not fitting:
            founders.append(int(n))
            fitting.append((0.0, len(founders) - 1))
        number[n] = min(fitting)[1]
    return number


def acceptance_lines(accepted: Acceptance) -> list[str]:
    """The table and the verdict in words."""
    errors, coverage = accepted.errors, accepted.coverage
    lines: list[str] = [
        say("Test lengths in mm; U (k = 2) is that of certificate and measurement together"),
        columns(
            (say("cards"), ">9"),
            (say("line"), ">4"),
            (say("calibrated"), ">10"),
            (say("measured"), ">10"),
            (say("error"), ">7"),
            ("U", ">6"),
        ),
    ]
    for e in errors:
        cells: list[tuple[object, str]] = [
            (f"{e.known.cards[0]}-{e.known.cards[1]}", ">9"),
            (e.line + 1, ">4"),
            (e.known.length_mm, ">10.3f"),
            (e.measured_mm, ">10.3f"),
            (e.error_mm, ">+7.3f"),
            (e.U_mm, ">6.3f"),
        ]
        lines.append(columns(*cells) if e.within else columns(*cells, (say("beyond U"), "")))
    worst = max(errors, key=lambda e: abs(e.error_mm))
    count = len(errors)
    lines.append(
        say(
            "Largest error: {error:+.3f} mm (cards {a}-{b}, {length:.0f} mm); {within} of {errors} "
            "errors lie within U, {permitted} of {errors} may lie beyond it by chance",
            error=worst.error_mm,
            a=worst.known.cards[0],
            b=worst.known.cards[1],
            length=worst.known.length_mm,
            within=count - accepted.beyond,
            errors=count,
            permitted=accepted.permitted,
        )
    )
    lines.append(
        say(
            "Lines: {lines}, of which {full} have enough lengths, in {directions} directions; "
            "longest length {longest:.0f} mm, diagonal of the measured cards {diagonal:.0f} mm",
            lines=coverage.lines,
            full=coverage.full_lines,
            directions=coverage.directions,
            longest=coverage.longest_mm,
            diagonal=coverage.diagonal_mm,
        )
    )
    return [*lines, *_verdict(accepted)]


def _verdict(accepted: Acceptance) -> list[str]:
    missing = accepted.coverage.missing
    if not accepted.holds:
        return [
            say(
                "Verdict: not accepted. The errors are larger than the stated "
                "uncertainty explains: look for a card that moved, a bar whose length is "
                "mistyped, or a lens that changed."
            )
        ]
    if missing:
        return [
            say(
                "Verdict: the errors hold what the uncertainty promises, but these "
                "lengths are no whole acceptance test. For that it needs"
            ),
            *map(indented, missing),
        ]
    return [
        say(
            "Verdict: accepted. The stated uncertainty explains the errors, and the "
            "lengths fill the measured volume as the guideline asks."
        )
    ]


def length_between(solution: Solution, a: int, b: int) -> tuple[float, float]:
    """Distance of two card centres (by index) and its standard uncertainty, mm."""
    centres, covariance = solution.centres_mm, solution.centres_covariance_mm2
    apart = centres[b] - centres[a]
    distance = float(np.linalg.norm(apart))
    row = np.concatenate([-apart, apart]) / distance
    at = np.concatenate([3 * a + np.arange(3), 3 * b + np.arange(3)])
    return distance, float(np.sqrt(row @ covariance[np.ix_(at, at)] @ row))


def _error(solution: Solution, pair: tuple[int, int], known: KnownLength, line: int) -> LengthError:
    distance, u = length_between(solution, *pair)
    return LengthError(known, distance, float(np.hypot(2.0 * u, known.U_mm)), line)


def _box(centres_mm: Array, turn: bool) -> tuple[Array, float]:
    """Sides of the box about points, longest first, and its diagonal; ``turn`` to its own axes."""
    off = centres_mm - centres_mm.mean(axis=0)
    if turn:
        off = off @ np.linalg.svd(off, full_matrices=False)[2].T
    sides = np.sort(np.ptp(off, axis=0))[::-1]
    return sides, float(np.linalg.norm(sides))


def _coverage(ends_mm: Array, line: Array, sides_mm: Array) -> Coverage:
    apart = ends_mm[:, 1] - ends_mm[:, 0]
    length = np.linalg.norm(apart, axis=1)
    full = 0
    directions: list[Array] = []
    for k in range(int(line.max()) + 1):
        own = np.flatnonzero(line == k)
        full += len(own) >= LENGTHS_PER_LINE and length[own].max() >= sides_mm[2]
        founder = own[np.argmax(length[own])]
        direction = apart[founder] / length[founder]
        if all(_angle(direction, other) > _ONE_DIRECTION for other in directions):
            directions.append(direction)
    return Coverage(int(line.max()) + 1, int(full), len(directions), float(length.max()), sides_mm)


def _angle(one: Array, other: Array) -> float:
    """Angle between two lines by their unit directions, 0 to pi / 2."""
    return float(np.arctan2(np.linalg.norm(np.cross(one, other)), abs(one @ other)))


def _are(count: int) -> Said:
    if count == 0:
        return say("is none")
    return say("is one") if count == 1 else say("are {n}", n=count)
