"""What the terminal says of a result: some ten lines for a technician, and the exit code."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from pipeline.datum.budget import budget_sentence
from pipeline.report import damage_words
from pipeline.report.sides import base_lines, symmetry_lines
from pipeline.report.suspension import suspension_lines
from pipeline.report.words import (
    MM_PER_INCH,
    SEVERITIES,
    answer,
    moved,
    place_name,
    unmeasured,
    why_no_verdicts,
    worst_first,
)
from pipeline.results.result import Result
from pipeline.rounding import rounded_U
from targets.said import fixed, listed, say, say_count

_SHOWN = 3
"""How many of a kind a line names; the report has them all."""


def summary_lines(result: Result, report: Path, moved_away: Sequence[str] = ()) -> list[str]:
    """The result in about ten lines.

    Parameters
    ----------
    result : what ``solve`` found.
    report : where its page is.
    moved_away : files made of the former result, which are now in ``results/earlier``.
    """
    return [
        result.job.title,
        *(line for line in (*answer(result), unmeasured(result)) if line),
        *_moved_points(result),
        *(damage_words.summary_lines(result.damage) if result.damage else ()),
        *suspension_lines(result.suspension),
        _points(result),
        *_mostly_undecided(result),
        *symmetry_lines(result),
        *_uncertainty(result),
        *base_lines(result),
        _cards(result),
        _scale(result),
        *_print_scale(result),
        _photos(result),
        *_second_look(result),
        *_findings(result),
        *_moved_away(moved_away),
        say("Report: {report}", report=str(report)),
    ]


def _moved_away(names: Sequence[str]) -> list[str]:
    if not names:
        return []
    return [
        say(
            "Moved to results/earlier, being of the former result: {names}",
            names=_listed(names[:_SHOWN], len(names)),
        )
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
    unanswered = no_frame or no_scale or without_verdict(result) or mostly_undecided(result)
    return 1 if unanswered else 0


def mostly_undecided(result: Result) -> bool:
    """Whether more than half of the points that the sheet knows are undecided."""
    verdicts = [row.verdict for row in result.deviations.rows if row.verdict != "no reference"]
    return 2 * verdicts.count("undecided") > len(verdicts)


def _mostly_undecided(result: Result) -> list[str]:
    """What would help, where U and not the car is why most points are undecided."""
    if not mostly_undecided(result) or why_no_verdicts(result):
        return []
    return [
        say(
            "More than half of the points are undecided, because U is large against the "
            "tolerance. {why}",
            why=budget_sentence(result.budget),
        )
    ]


def _moved_points(result: Result) -> list[str]:
    out = [row for row in worst_first(result.deviations.rows) if row.verdict == "out"]
    if not out:
        return []

    def in_unit(unit_mm: float, decimals: int) -> str:
        named = [
            say("{place} {moved}", place=place_name(row), moved=moved(row, unit_mm, decimals))
            for row in out[:_SHOWN]
        ]
        return _listed(named, len(out), "; ")

    lines: list[str] = [say("Out, in mm: {points}", points=in_unit(1.0, 1))]
    if result.job.inches:
        lines.append(say("Out, in inches: {points}", points=in_unit(MM_PER_INCH, 3)))
    return lines


def _points(result: Result) -> str:
    count = Counter(row.verdict for row in result.deviations.rows)
    silent = without_verdict(result)
    if result.job.sheet is None:
        asked = len(result.job.cards)
        return say(
            "Points: {measured} of {asked} measured; verdicts need a sheet.csv",
            measured=asked - len(silent),
            asked=asked,
        )
    return say(
        "Points: {within} within, {out} out, {undecided} undecided, {silent} without a verdict"
        "{named}",
        within=count["within"],
        out=count["out"],
        undecided=count["undecided"],
        silent=len(silent),
        named=say(" ({names})", names=_listed(silent[:_SHOWN], len(silent))) if silent else "",
    )


def _uncertainty(result: Result) -> list[str]:
    rows = [row for row in result.deviations.rows if np.isfinite(row.U_deviation_mm).all()]
    if not rows:
        return []
    largest = np.array([row.U_deviation_mm.max() for row in rows])
    worst = int(largest.argmax())
    return [
        say(
            "Uncertainty of deviations (U, k = 2): typically {typical:.2f} mm, at most "
            "{most:.2f} mm ({place})",
            typical=rounded_U(np.median(largest), 2),
            most=rounded_U(largest[worst], 2),
            place=place_name(rows[worst]),
        )
    ]


def _cards(result: Result) -> str:
    count = Counter(row.role for row in result.cards)
    largest = [float(row.U_mm.max()) for row in result.cards]
    if not largest:
        return say("Cards: none measured")
    return say(
        "Cards: {all} measured ({points} on points, {bars} on bars, {ties} ties), U typically "
        "{typical:.2f} mm",
        all=len(largest),
        points=count["base"] + count["point"],
        bars=count["bar"],
        ties=count["tie"],
        typical=rounded_U(np.median(largest), 2),
    )


def _scale(result: Result) -> str:
    names = ", ".join(f"{bar.cards[0]}-{bar.cards[1]}" for bar in result.bars)
    if not result.scaled:
        return say(
            "Scale: no bar was measured, so millimetres are the printer's: rely on no verdict"
        )
    checked = [bar for bar in result.bars if math.isfinite(bar.measured_mm)]
    if len(result.bars) < 2 or not checked:
        return say("Scale: bar {names} alone; a second bar would check it", names=names)
    off_mm = {bar.cards: abs(bar.measured_mm - bar.length_mm) for bar in checked}
    worst = max(checked, key=lambda bar: off_mm[bar.cards] - bar.U_mm)
    figures: dict[str, object] = {
        "names": names,
        "by": float(off_mm[worst.cards]),
        "U": rounded_U(worst.U_mm, 2),
    }
    if off_mm[worst.cards] <= worst.U_mm:
        return say(
            "Scale: bars {names}, which agree to {by:.2f} mm, within the uncertainty of {U:.2f} mm",
            **figures,
        )
    return say(
        "Scale: bars {names}, which disagree by {by:.2f} mm, beyond the uncertainty of {U:.2f} mm",
        **figures,
    )


def _print_scale(result: Result) -> list[str]:
    if result.print_scale is None:
        return []
    across, up = 100.0 * result.print_scale.scale
    return [
        say(
            "Print: {across:.1f} % of nominal across, {up:.1f} % up; only bars give the scale",
            across=float(across),
            up=float(up),
        )
    ]


def _photos(result: Result) -> str:
    left_out = [
        listed([photo.name, photo.reason], ": ") for photo in result.photos if not photo.used
    ]
    return say(
        "Photos: {used} of {all} used, in {seconds:.1f} s{named}",
        used=len(result.photos) - len(left_out),
        all=len(result.photos),
        seconds=float(sum(result.seconds.values())),
        named=say("; left out: {names}", names=_listed(left_out[:_SHOWN], len(left_out), "; "))
        if left_out
        else "",
    )


def _second_look(result: Result) -> list[str]:
    again = result.second_look
    if again is None:
        return []
    if again.weakest is None:
        return [say("Second look: {added} sightings more or more complete", added=again.added)]
    return [
        say(
            "Second look: {added} sightings more or more complete; weakest place among the cards: "
            "U {before:.2f} mm before, {after:.2f} mm after",
            added=again.added,
            before=float(again.U_before_mm),
            after=float(again.U_weakest_after_mm),
        )
    ]


def _findings(result: Result) -> list[str]:
    count = Counter(finding.severity for finding in result.findings)
    words = [
        told
        for told, here in (
            (say_count(count["fault"], "{count} fault", "{count} faults"), count["fault"]),
            (say_count(count["warning"], "{count} warning", "{count} warnings"), count["warning"]),
            (say_count(count["note"], "{count} note", "{count} notes"), count["note"]),
        )
        if here
    ]
    pressing = [finding for finding in result.findings if finding.severity != "note"]
    named = [
        say(
            "  {severity}: {told}",
            severity=SEVERITIES[f.severity],
            told=listed(
                [
                    *([listed([fixed(f.subject), ""], ": ")] if f.subject else []),
                    listed(
                        [fixed(part) for part in (f.text, f.effect_told, f.remedy) if part], " "
                    ),
                ],
                "",
            ),
        )
        for f in pressing[:_SHOWN]
    ]
    more = len(pressing) - _SHOWN
    return [
        say("Findings: {findings}", findings=listed(words) if words else say("none")),
        *named,
        *([say("  and {more} more", more=more)] if more > 0 else []),
    ]


def _listed(named: Iterable[str], count: int, between: str = ", ") -> str:
    """The first few of ``count`` names, and how many more there are."""
    names = list(named)
    more = [say("and {more} more", more=count - len(names))] if count > len(names) else []
    return listed([*names, *more], between)
