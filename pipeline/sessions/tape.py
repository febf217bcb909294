"""Tape and tram readings against a solved job: agrees, disagrees or cannot tell, and why.

The job says how far two holes are apart and how sure that is; the tape has its own permitted error,
and a hand that holds it. A reading agrees when the difference is explained by both, it disagrees
when the difference is larger than one and a half times that, and between the two nothing is said.
A tape may be wrong, and so may the job: a disagreement says that one of them is, not which.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from calib.frames import Array
from pipeline.csv_text import csv_text, number_cell, text_cell
from pipeline.inputs.readings import (
    STEEL_TAPE_PER_K,
    Reading,
    at_20_c_mm,
    expected_mm,
    has_holes,
    permitted_error_mm,
)
from pipeline.results.result_json import json_text, plain_number
from pipeline.rounding import rounded_U
from pipeline.sessions.measured import Measured
from targets.atomic import write_text
from targets.said import Said, columns, either, say, say_count

TapeVerdict = Literal["agrees", "disagrees", "cannot tell"]

SCHEMA = "datumshot/tape/1"
"""Name and number of the layout of tape.json."""

TAPE_COLUMNS = (
    *("row", "from", "from_side", "to", "to_side", "mode", "reading_mm", "expected_mm"),
    *("difference_mm", "U_mm", "verdict", "cause"),
)
"""Columns of results/tape.csv."""

HOLDING_MM = 0.5
"""How far each end may be held off its mark, half width of a rectangle (our choice)."""
_HOLE_MM = 0.2
_POINTER_MM = 0.5
"""How well a hole's diameter and a pointer's length are known, half widths (our choice)."""
_APART_K = 2.0
"""Tape and car may differ in temperature by this much, half width (our choice)."""
BEYOND_DOUBT = 1.5
"""A reading disagrees when the difference is so many times U: three standard uncertainties."""
_INCH_MM = 25.4
_MARKS_MM = (10.0, 100.0, 1000.0)
_HOOK_MM = 25.0
_MOST_CAUSES = 4
_HOOKED = "hooked end"

VERDICT_WORDS: dict[TapeVerdict, Said] = {
    "agrees": say("agrees"),
    "disagrees": say("disagrees"),
    "cannot tell": say("cannot tell"),
}
MODE_WORDS = {
    "centres": say("centres"),
    "near edges": say("near edges"),
    "far edges": say("far edges"),
    "same edges": say("same edges"),
    "near + far": say("near + far"),
}
"""Verdicts and modes as people read them."""


@dataclass(frozen=True)
class TapeCheck:
    """One reading against the job, mm.

    Attributes
    ----------
    reading : as typed.
    compared_mm : what was compared, at 20 degrees C: the reading, or half the sum of near and far
        edges where their holes' diameters are not known.
    expected_mm : what the job says it ought to be; nan where it cannot say.
    U_mm : expanded uncertainty (k = 2) of the difference, job and tape together.
    verdict : see the module.
    causes : what may lie behind a disagreement, or why nothing can be said; none when it agrees.
    halved : whether it is half the sum.
    """

    reading: Reading
    compared_mm: float
    expected_mm: float
    U_mm: float
    verdict: TapeVerdict
    causes: tuple[Said, ...]
    halved: bool = False

    @property
    def mode(self) -> str:
        """From where to where, in words."""
        return "near + far" if self.halved else self.reading.mode

    @property
    def cause(self) -> str:
        """The causes as one text, "" when it agrees."""
        return either(self.causes) if self.causes else ""

    @property
    def difference_mm(self) -> float:
        """Reading minus expected."""
        return self.compared_mm - self.expected_mm


def check_tape(measured: Measured, readings: Sequence[Reading]) -> tuple[TapeCheck, ...]:
    """Compare readings with a solved job, in their order.

    By hand: holes 837 mm apart by the job, each with u = 0.05 mm along the line; a class II tape,
    read to the millimetre, by two hands. Half widths of rectangles in mm: the tape
    0.3 + 0.2 x 1 = 0.5, the rounding 0.5, each hand 0.5, 2 K of steel 837 x 11.5e-6 x 2 = 0.019, so
    u^2 = (4 x 0.5^2 + 0.019^2) / 3 = 0.3335, and with the job's 2 x 0.05^2 it is 0.3385:
    U = 2 sqrt(0.3385) = 1.16 mm. Then 838 agrees (off by 1.0), 838.5 cannot tell (1.5), and 840
    disagrees (3.0 is more than 1.5 U = 1.75).
    """
    job = _Holes(measured)
    checks = [_check(job, reading, readings) for reading in readings]
    return tuple(_with_common_causes(job, checks))


def tape_exit_code(checks: Sequence[TapeCheck]) -> int:
    """0 if every reading agrees, else 1."""
    return int(any(check.verdict != "agrees" for check in checks))


@dataclass(frozen=True)
class _Holes:
    """What the job knows of its holes."""

    measured: Measured

    @property
    def known(self) -> tuple[str, ...]:
        return self.measured.names

    def expected(
        self,
        ends: tuple[str, str],
        reading: Reading,
        mode: Any = None,
        step_mm: float | None = None,
    ) -> tuple[float, float]:
        """Expected reading and its standard uncertainty, mm, as far as the job goes.

        ``mode`` and ``step_mm`` stand in for those of the reading.
        """
        index = [self.known.index(end) for end in ends]
        value, by_ends = expected_mm(
            self.measured.positions_mm[index],
            self._axes(index),
            reading.mode if mode is None else mode,
            reading.holes_mm,
            reading.pointer_step_mm if step_mm is None else step_mm,
        )
        variance = float(by_ends @ self.measured.covariance_of(index) @ by_ends)
        return value, math.sqrt(max(variance, 0.0))

    def flat_mm(self, ends: tuple[str, str]) -> tuple[float, float]:
        """Distance in the datum plane and difference of the heights (second minus first), mm."""
        a, b = (self.measured.positions_mm[self.known.index(end)] for end in ends)
        return float(np.hypot(*(b - a)[:2])), float(b[2] - a[2])

    def tolerance_mm(self, ends: tuple[str, str]) -> float:
        """The smaller tolerance of the two points."""
        tolerances = [self.measured.points[self.known.index(end)].tol_mm for end in ends]
        least = float(np.nanmin([*tolerances, np.inf]))
        return least if math.isfinite(least) else float(self.measured.settings["tolerance_mm"])

    def _axes(self, index: Sequence[int]) -> Array:
        """Hole axes: the normals of the cards, which a stem holds square."""
        normals = {card.card: card.normal for card in self.measured.cards}
        return np.array([normals[self.measured.points[i].card] for i in index])


def _check(job: _Holes, reading: Reading, readings: Sequence[Reading]) -> TapeCheck:
    missing = [end for end in reading.ends if end not in job.known]
    partner = _partner(reading, readings)
    halved = partner is not None
    compared = reading.reading_mm
    if partner is not None:
        compared = (reading.reading_mm + partner.reading_mm) / 2.0
    compared = _at_20_c_mm(job.measured, reading, compared)
    unknown = TapeCheck(reading, compared, float("nan"), float("nan"), "cannot tell", (), halved)
    if missing:
        names = missing[0] if len(missing) == 1 else say("{one} and {other}", **_both(missing))
        said = say_count(
            len(missing),
            "{names} was not measured in this job",
            "{names} were not measured in this job",
            names=names,
        )
        return replace(unknown, causes=(said,))
    if not job.measured.scaled:
        return replace(unknown, causes=(say("no bar gave this job its scale"),))
    mode = "centres" if halved else None
    expected, u_job = job.expected(reading.ends, reading, mode)
    if not math.isfinite(expected):
        return replace(
            unknown,
            verdict="disagrees",
            causes=(say("pointer lengths: they differ by more than the points are apart"),),
        )
    U = 2.0 * math.hypot(u_job, _u_tape_mm(reading, halved))
    check = TapeCheck(reading, compared, expected, U, "agrees", (), halved)
    ratio = abs(check.difference_mm) / U
    tolerance = job.tolerance_mm(reading.ends)
    if ratio > BEYOND_DOUBT:
        causes = tuple(_causes(job, check))[:_MOST_CAUSES]
        return replace(check, verdict="disagrees", causes=causes)
    if ratio > 1.0:
        said = say("just beyond the uncertainty: read it again")
        return replace(check, verdict="cannot tell", causes=(said,))
    if tolerance < U:
        said = say(
            "the uncertainty is larger than the tolerance of {tolerance:g} mm", tolerance=tolerance
        )
        return replace(check, verdict="cannot tell", causes=(said,))
    return check


def _partner(reading: Reading, readings: Sequence[Reading]) -> Reading | None:
    """The reading of the other edges that stands in for the diameters, None if not needed."""
    if reading.mode not in ("near edges", "far edges") or has_holes(reading):
        return None
    other = "far edges" if reading.mode == "near edges" else "near edges"
    same = (r for r in readings if set(r.ends) == set(reading.ends) and r.mode == other)
    return next(same)  # read_readings has seen to it


def _at_20_c_mm(measured: Measured, reading: Reading, value_mm: float) -> float:
    """A figure of a reading at 20 degrees C, as the job gives the body."""
    told = reading.temperature_c
    temperature_c = measured.settings["temperature_c"] if told is None else told
    return at_20_c_mm(value_mm, temperature_c, measured.settings["body_alpha_per_k"])


def _u_tape_mm(reading: Reading, halved: bool) -> float:
    """Standard uncertainty of a reading, mm: rectangles throughout (GUM, JCGM 100:2008, 4.3.7).

    ``halved``: half the sum of two readings, whose hands and divisions are independent, while the
    tape's own error is common to both.
    """
    length = reading.reading_mm
    half_widths = [permitted_error_mm(length, reading.tape_class)]
    half_widths.append(STEEL_TAPE_PER_K * _APART_K * length)
    half_widths += [math.sqrt(0.5 if halved else 1.0) * reading.resolution_mm / 2.0]
    half_widths += [math.sqrt(0.5 if halved else 1.0) * HOLDING_MM] * 2
    if reading.mode in ("near edges", "far edges") and not halved:
        half_widths += [_HOLE_MM / 2.0] * 2
    lever = min(abs(reading.pointer_step_mm) / length, 10.0)
    half_widths += [lever * _POINTER_MM] * 2
    return math.sqrt(sum(h**2 for h in half_widths) / 3.0)


def _both(names: Sequence[str]) -> dict[str, object]:
    return {"one": names[0], "other": names[1]}


# -- causes ------------------------------------------------------------------------------------


def _causes(job: _Holes, check: TapeCheck) -> Iterator[Said]:
    """What would explain a reading that disagrees, the likelier ones first."""
    reading = check.reading

    def fits(value: float, scale: float = 1.0) -> bool:
        """Whether ``value`` times ``scale`` is what was expected."""
        slack = check.U_mm + (scale * reading.resolution_mm / 2.0 if scale > 1.0 else 0.0)
        return abs(value * scale - check.expected_mm) <= slack

    value = check.compared_mm
    if fits(value, _INCH_MM) or fits(value, 1.0 / _INCH_MM):
        yield say("inches and millimetres mixed up")
    elif fits(value, 10.0):
        yield say("centimetres typed as millimetres")
    elif fits(value, 1000.0):
        yield say("metres typed as millimetres")
    if any(fits(swapped) for swapped in _swapped(reading.typed)):
        yield say("two digits exchanged")
    yield from _edge_causes(job, check)
    yield from _pointer_causes(job, check)
    for mark in _MARKS_MM:
        for sign in (1.0, -1.0):
            if fits(value - sign * mark):
                way = say("too long") if sign > 0 else say("too short")
                yield say(
                    "{mark:g} mm {way}: a digit misread, or begun at another mark than zero",
                    mark=mark,
                    way=way,
                )
    if abs(check.difference_mm) <= _HOOK_MM and reading.pointers_mm is None:  # a tram has none
        yield say(
            "hooked end: bent, worn or not against the edge ({off:+.1f} mm)",
            off=float(check.difference_mm),
        )
    yield from _other_holes(job, check)


def _edge_causes(job: _Holes, check: TapeCheck) -> Iterator[Said]:
    reading = check.reading
    if check.halved:
        return
    modes = ["centres"]
    if has_holes(reading):
        modes += ["near edges", "far edges"]
    for mode in modes:
        if mode == reading.mode or (reading.mode == "same edges" and mode == "centres"):
            continue
        if _agrees(check, *job.expected(reading.ends, reading, mode)):
            yield say("edges: it fits if read between {mode}", mode=MODE_WORDS[mode])
    if has_holes(reading):
        half_mm = abs(reading.holes_mm[0] - reading.holes_mm[1]) / 2.0
        centres, u = job.expected(reading.ends, reading, "centres")
        if half_mm > check.U_mm / 2.0 and any(
            _agrees(check, centres + sign * half_mm, u) for sign in (1.0, -1.0)
        ):
            yield say("edges: it fits if read between the same edges of these unequal holes")


def _pointer_causes(job: _Holes, check: TapeCheck) -> Iterator[Said]:
    reading = check.reading
    flat, rise = job.flat_mm(reading.ends)
    if job.measured.vehicle_from_network is None:
        rise = 0.0  # without a datum there are no heights
    if reading.pointers_mm is not None and reading.pointer_step_mm != 0.0:
        if _agrees(check, *job.expected(reading.ends, reading, step_mm=0.0)):
            yield say("pointer lengths: it fits if both pointers were equally long")
        elif _agrees(check, *job.expected(reading.ends, reading, step_mm=rise)):
            yield say(
                "pointer lengths: it fits if they differed by {rise:.0f} mm, as the heights do",
                rise=abs(rise),
            )
    elif abs(rise) > 1.0 and _agrees(check, *job.expected(reading.ends, reading, step_mm=rise)):
        yield say(
            "it fits the distance in the datum plane, {flat:.1f} mm, not that in space", flat=flat
        )


def _other_holes(job: _Holes, check: TapeCheck) -> Iterator[Said]:
    """Pairs with one other end that fit, the best first."""
    reading = check.reading
    mode = "centres" if check.halved else None
    found = []
    for end in (0, 1):
        for other in job.known:
            if other in reading.ends:
                continue
            ends = (other, reading.ends[1]) if end == 0 else (reading.ends[0], other)
            value, u = job.expected(ends, reading, mode)
            if _agrees(check, value, u):
                found.append((abs(check.compared_mm - value), ends))
    for _, ends in sorted(found)[:2]:
        yield say("wrong hole: it fits {one} to {other}", **_both(ends))


def _agrees(check: TapeCheck, expected: float, u_job: float) -> bool:
    """Whether the reading agrees with another expectation."""
    U = 2.0 * math.hypot(u_job, check.U_mm / 2.0)
    return abs(check.compared_mm - expected) <= U


def _swapped(typed: str) -> Iterator[float]:
    """The figure with two neighbouring digits of its whole part exchanged.

    >>> list(_swapped("123.5"))
    [213.5, 132.5]
    """
    whole, dot, rest = typed.lstrip("+").partition(".")
    if not whole.isdigit():
        return
    for i in range(len(whole) - 1):
        if whole[i] != whole[i + 1]:
            yield float(whole[:i] + whole[i + 1] + whole[i] + whole[i + 2 :] + dot + (rest or ""))


def _with_common_causes(job: _Holes, checks: list[TapeCheck]) -> Iterator[TapeCheck]:
    """Add what only several readings together show: a bad hook, or a point that is wrong."""
    off = [c for c in checks if c.verdict == "disagrees" and math.isfinite(c.difference_mm)]
    offset = _common_offset([c for c in off if c.reading.pointers_mm is None])
    points = _doubtful_points(checks)
    for check in checks:
        if check.verdict != "disagrees":
            yield check
            continue
        said = list(check.causes)
        if offset and check in offset:
            said = [part for part in said if not part.startswith(_HOOKED)]
            mean = float(np.mean([c.difference_mm for c in offset]))
            # One slip of mode made in every reading explains all of them, too, and is likelier.
            said.insert(
                int(all(c.cause.startswith("edges: ") for c in offset)),
                say(
                    "hooked end: {count} readings are off by the same {mean:+.1f} mm, so the "
                    "end of the tape may be bent or worn",
                    count=len(offset),
                    mean=mean,
                ),
            )
        for point in points:
            if point in check.reading.ends:
                said.append(
                    say(
                        "every reading to {point} disagrees: look at its card and stem, too",
                        point=point,
                    )
                )
        yield replace(check, causes=tuple(said) or (say("no single slip explains it"),))


def _common_offset(off: Sequence[TapeCheck]) -> list[TapeCheck]:
    """Readings off by one amount, if there are three or more and most that disagree do so."""
    best: list[TapeCheck] = []
    for one in off:
        group = [
            c for c in off if abs(c.difference_mm - one.difference_mm) <= max(c.U_mm, one.U_mm)
        ]
        best = max(best, group, key=len)
    return best if len(best) >= 3 and 2 * len(best) > len(off) else []


def _doubtful_points(checks: Sequence[TapeCheck]) -> list[str]:
    """Points with two readings or more that all disagree, while readings elsewhere agree."""
    by_point: dict[str, list[TapeCheck]] = {}
    for check in checks:
        for end in check.reading.ends:
            by_point.setdefault(end, []).append(check)
    agreeing = any(check.verdict == "agrees" for check in checks)
    return [
        point
        for point, own in by_point.items()
        if agreeing and len(own) >= 2 and all(c.verdict == "disagrees" for c in own)
    ]


# -- words and files ---------------------------------------------------------------------------


def counts_sentence(checks: Sequence[TapeCheck]) -> Said:
    """How many readings agree, disagree and are without a verdict."""
    counts = {v: sum(c.verdict == v for c in checks) for v in VERDICT_WORDS}
    return say_count(
        len(checks),
        "{count} reading: {agree} agree, {disagree} disagree, {silent} without a verdict.",
        "{count} readings: {agree} agree, {disagree} disagree, {silent} without a verdict.",
        agree=counts["agrees"],
        disagree=counts["disagrees"],
        silent=counts["cannot tell"],
    )


def tape_lines(measured: Measured, checks: Sequence[TapeCheck]) -> list[str]:
    """The table and its sum in words."""
    widest = max([len(_ends_words(c.reading)) for c in checks] + [len("between")])
    between = f"<{widest}"
    lines: list[str] = [
        *measured.warnings,
        say(
            "{title}: readings in mm; U (k = 2) is that of job and tape together",
            title=measured.title,
        ),
        columns(
            (say("row"), ">4"),
            (say("between"), between),
            (say("mode"), "<10"),
            (say("reading"), ">8"),
            (say("expected"), ">8"),
            (say("differ"), ">7"),
            ("U", ">5"),
            (say("verdict"), ""),
        ),
    ]
    for check in checks:
        reading = check.reading
        figures: tuple[tuple[object, str], ...] = (("-", ">8"), ("-", ">7"), ("-", ">5"))
        if math.isfinite(check.expected_mm):
            figures = (
                (check.expected_mm, ">8.1f"),
                (check.difference_mm, ">+7.1f"),
                (rounded_U(check.U_mm, 1), ">5.1f"),
            )
        lines.append(
            columns(
                (reading.where.rsplit(" ", 1)[-1], ">4"),
                (_ends_words(reading), between),
                (check.mode, "<10"),  # as it is typed in the table
                (check.compared_mm, ">8.1f"),
                *figures,
                (VERDICT_WORDS[check.verdict], ""),
            )
        )
        if check.cause:
            lines.append(columns(("", ">4"), (check.cause, "")))
    lines.append(counts_sentence(checks))
    if any(check.verdict == "disagrees" for check in checks):
        lines.append(say("Read again what disagrees before you trust either tape or photos there."))
    return lines


def _ends_words(reading: Reading) -> Said:
    return say("{one} to {other}", **_both(reading.ends))


def write_tape(measured: Measured, checks: Sequence[TapeCheck], folder: Path) -> None:
    """Write tape.csv and tape.json into ``folder``."""
    write_text(folder / "tape.csv", csv_text(TAPE_COLUMNS, (_cells(c) for c in checks)))
    write_text(
        folder / "tape.json",
        json_text(
            {
                "schema": SCHEMA,
                "title": measured.title,
                "units": "mm at 20 degrees C; U is k = 2",
                "changed_since_solved": list(measured.changed),
                "readings": [_document(check) for check in checks],
            }
        ),
    )


def _cells(check: TapeCheck) -> list[str]:
    (a, b), reading = check.reading.ends, check.reading
    return [
        reading.where.rsplit(" ", 1)[-1],
        *(text_cell(part) for end in (a, b) for part in end.rsplit(" ", 1)),
        check.mode,
        number_cell(check.compared_mm),
        number_cell(check.expected_mm),
        number_cell(check.difference_mm),
        number_cell(check.U_mm),
        check.verdict,
        text_cell(check.cause),
    ]


def _document(check: TapeCheck) -> dict[str, Any]:
    reading = check.reading
    return {
        "where": reading.where,
        "ends": list(reading.ends),
        "mode": check.mode,
        "typed_mm": plain_number(reading.reading_mm, 6),
        "compared_mm": plain_number(check.compared_mm, 6),
        "expected_mm": plain_number(check.expected_mm, 6),
        "difference_mm": plain_number(check.difference_mm, 6),
        "U_mm": plain_number(check.U_mm, 6),
        "verdict": check.verdict,
        "cause": check.cause,
        "note": reading.note,
    }
