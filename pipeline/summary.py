"""What the terminal says of a result: some ten lines for a technician, and the exit code."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from pipeline.report import damage as damage_words
from pipeline.report.sides import base_lines, symmetry_lines
from pipeline.report.words import answer, moved, place_name, unmeasured, worst_first
from pipeline.result import Result

_SHOWN = 3
"""How many of a kind a line names; the report has them all."""


def summary_lines(result: Result, report: Path) -> list[str]:
    """The result in about ten lines.

    Parameters
    ----------
    result : what ``solve`` found.
    report : where its page is.
    """
    return [
        result.job.title,
        *(line for line in (*answer(result), unmeasured(result)) if line),
        *_moved_points(result),
        *(damage_words.summary_lines(result.damage) if result.damage else ()),
        _points(result),
        *symmetry_lines(result),
        *_uncertainty(result),
        *base_lines(result),
        _cards(result),
        _scale(result),
        *_print_scale(result),
        _photos(result),
        *_findings(result),
        f"Report: {report}",
    ]


def without_verdict(result: Result) -> list[str]:
    """Names of the points of cards.csv of which nothing can be said.

    If there is a sheet a point needs a verdict ("undecided" is one); without a sheet nobody asked
    for verdicts, and it need only have been measured.
    """
    if result.job.sheet is None:
        cards = {row.card for row in result.cards}
        known = {(row.point, row.side) for row in result.job.cards if row.card in cards}
    else:
        rows = result.deviations.rows
        known = {(row.point, row.side) for row in rows if row.verdict != "no reference"}
    asked = [(row.point, row.side) for row in result.job.cards]
    return [f"{point} {side}" for point, side in asked if (point, side) not in known]


def exit_code(result: Result) -> int:
    """0, or 1 when no verdict was possible for something that was asked.

    A sheet asks for a vehicle frame; a point of cards.csv for a verdict (``without_verdict``) and
    for a scale: without a bar verdicts rest on what is assumed of the printer.
    """
    no_frame = result.job.sheet is not None and result.vehicle_from_network is None
    no_scale = bool(result.job.cards) and not result.scaled
    return 1 if no_frame or no_scale or without_verdict(result) else 0


def _moved_points(result: Result) -> list[str]:
    out = [row for row in worst_first(result.deviations.rows) if row.verdict == "out"]
    if not out:
        return []
    named = [f"{place_name(row)} {moved(row)}" for row in out[:_SHOWN]]
    return [f"Out, in mm: {_listed(named, len(out), '; ')}"]


def _points(result: Result) -> str:
    count = Counter(row.verdict for row in result.deviations.rows)
    silent = without_verdict(result)
    if result.job.sheet is None:
        asked = len(result.job.cards)
        return f"Points: {asked - len(silent)} of {asked} measured; verdicts need a sheet.csv"
    named = f" ({_listed(silent[:_SHOWN], len(silent))})" if silent else ""
    return (
        f"Points: {count['within']} within, {count['out']} out, {count['undecided']} undecided, "
        f"{len(silent)} without a verdict{named}"
    )


def _uncertainty(result: Result) -> list[str]:
    rows = [row for row in result.deviations.rows if np.isfinite(row.U_deviation_mm).all()]
    if not rows:
        return []
    largest = np.array([row.U_deviation_mm.max() for row in rows])
    worst = int(largest.argmax())
    return [
        f"Uncertainty of deviations (U, k = 2): typically {_mm(float(np.median(largest)))}, "
        f"at most {_mm(float(largest[worst]))} ({place_name(rows[worst])})"
    ]


def _cards(result: Result) -> str:
    count = Counter(row.role for row in result.cards)
    roles = (
        f"{count['base'] + count['point']} on points, {count['bar']} on bars, {count['tie']} ties"
    )
    largest = [float(row.U_mm.max()) for row in result.cards]
    if not largest:
        return "Cards: none measured"
    return f"Cards: {len(largest)} measured ({roles}), U typically {_mm(float(np.median(largest)))}"


def _scale(result: Result) -> str:
    names = [f"{bar.cards[0]}-{bar.cards[1]}" for bar in result.bars]
    if not result.scaled:
        return "Scale: no bar was measured, so millimetres are the printer's: rely on no verdict"
    checked = [bar for bar in result.bars if math.isfinite(bar.measured_mm)]
    if len(names) < 2 or not checked:
        return f"Scale: bar {', '.join(names)} alone; a second bar would check it"
    off_mm = {bar.cards: abs(bar.measured_mm - bar.length_mm) for bar in checked}
    worst = max(checked, key=lambda bar: off_mm[bar.cards] - bar.U_mm)
    by = _mm(off_mm[worst.cards])
    holds = off_mm[worst.cards] <= worst.U_mm
    told = f"agree to {by}, within" if holds else f"disagree by {by}, beyond"
    return f"Scale: bars {', '.join(names)}, which {told} the uncertainty of {_mm(worst.U_mm)}"


def _print_scale(result: Result) -> list[str]:
    if result.print_scale is None:
        return []
    across, up = 100.0 * result.print_scale.scale
    return [f"Print: {across:.1f} % of nominal across, {up:.1f} % up; only bars give the scale"]


def _photos(result: Result) -> str:
    left_out = [f"{photo.name}: {photo.reason}" for photo in result.photos if not photo.used]
    named = f"; left out: {_listed(left_out[:_SHOWN], len(left_out), '; ')}" if left_out else ""
    used = len(result.photos) - len(left_out)
    seconds = sum(result.seconds.values())
    return f"Photos: {used} of {len(result.photos)} used, in {seconds:.1f} s{named}"


def _findings(result: Result) -> list[str]:
    count = Counter(finding.severity for finding in result.findings)
    words = [
        f"{count[severity]} {severity}{'' if count[severity] == 1 else 's'}"
        for severity in ("fault", "warning", "note")
        if count[severity]
    ]
    pressing = [finding for finding in result.findings if finding.severity != "note"]
    named = [
        f"  {f.severity}: "
        + (f"{f.subject}: " if f.subject else "")
        + " ".join(part for part in (f.text, f.effect_told, f.remedy) if part)
        for f in pressing[:_SHOWN]
    ]
    more = [f"  and {len(pressing) - _SHOWN} more"] if len(pressing) > _SHOWN else []
    return [f"Findings: {', '.join(words) or 'none'}", *named, *more]


def _mm(value: float) -> str:
    return f"{value:.2f} mm"


def _listed(named: Iterable[str], count: int, between: str = ", ") -> str:
    """The first few of ``count`` names, and how many more there are."""
    names = list(named)
    more = [f"and {count - len(names)} more"] if count > len(names) else []
    return between.join([*names, *more])
