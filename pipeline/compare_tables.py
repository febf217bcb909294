"""What a comparison of sessions says: lines for the terminal, compare.csv and compare.json."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.compare import Comparison, Moves, PointMove, State
from pipeline.deviation import AXES
from pipeline.measured import Measured
from pipeline.rounding import rounded_U
from pipeline.tables import csv_text, json_text, number_cell, text_cell
from targets.atomic import write_text

SCHEMA = "datumshot/compare/1"
"""Name and number of the layout of compare.json."""

COMPARE_COLUMNS = (
    *("point", "side", "from_session", "to_session"),
    *(f"move_{axis}_mm" for axis in AXES),
    *(f"U_move_{axis}_mm" for axis in AXES),
    *("state", "off_before_mm", "off_after_mm", "change_mm", "U_change_mm"),
    *("progress_percent", "U_progress_percent", "verdict_before", "verdict_after", "base"),
)
"""Columns of compare.csv; sessions count from 1."""

STATE_WORDS: dict[State, str] = {
    "unmoved": "not moved",
    "closer": "closer to the sheet",
    "worse": "farther from the sheet",
    "aside": "moved, no closer",
    "moved": "moved (not on the sheet)",
}
"""Each state as people read it."""

_FAR_MM = 150.0
"""No pull takes a reference point this far (our choice)."""

_ORDER: tuple[State, ...] = ("worse", "aside", "closer", "moved", "unmoved")


def telling_first(points: Sequence[PointMove]) -> list[PointMove]:
    """Points that got worse first, then those that moved, each the largest movement first."""
    return sorted(points, key=lambda p: (_ORDER.index(p.state), -p.size_mm))


def compare_lines(comparison: Comparison) -> list[str]:
    """The comparison as the terminal says it."""
    lines = [line for job in comparison.sessions for line in job.warnings]
    lines += [f"Session {n}: {job.title}" for n, job in enumerate(comparison.sessions, 1)]
    lines += [*order_notes(comparison.sessions), *sheet_notes(comparison.sessions)]
    for found in comparison.from_first:
        lines += ["", *_moves_lines(found), *far_sentences(found, comparison.sessions)]
    if len(comparison.sessions) > 2:
        lines += ["", *spring_back_sentences(comparison)]
    return lines


def frame_sentences(found: Moves) -> list[str]:
    """How two sessions were tied, and which base points did not keep their place."""
    said = [
        f"Tied by {len(found.base)} base points ({', '.join(found.base)}), which agree to "
        f"{found.misfit_mm:.2f} mm rms; their uncertainty explains {found.explained_mm:.2f} mm."
    ]
    for name in found.strayed:
        said.append(f"Base point {name} moved against the others and was left out.")
    if found.perhaps:
        said.append(
            f"It may as well be {' or '.join(found.perhaps)}: too few base points to tell them "
            "apart; measure more of them."
        )
    for names, session in ((found.only_earlier, found.earlier), (found.only_later, found.later)):
        if names:
            said.append(f"Only in session {session + 1}: {', '.join(names)}.")
    return said


def far_sentences(found: Moves, sessions: Sequence[Measured]) -> list[str]:
    """Points that moved farther than a pull takes them: a card on another point, most likely."""
    before = sessions[found.earlier]
    place = dict(zip(before.names, before.positions_mm, strict=True))
    said = []
    for point in found.points:
        if point.size_mm < _FAR_MM:
            continue
        now = place[point.name] + point.shift_mm
        near = [n for n, at in place.items() if np.linalg.norm(at - now) < _FAR_MM / 2]
        where = f", to where {near[0]} was" if near else ""
        said.append(
            f"{point.name} lies {point.size_mm:.0f} mm from where it was{where}: its card sits on "
            "another point, or cards.csv of one session is wrong."
        )
    return said


def answer_sentence(found: Moves) -> str:
    """How many points moved, which way, and how far the pull has come."""
    counts = {state: sum(p.state == state for p in found.points) for state in STATE_WORDS}
    moved = len(found.points) - counts["unmoved"]
    if not moved:
        return "No point moved beyond its uncertainty."
    told_as: dict[State, str] = {
        "closer": "closer to the sheet",
        "worse": "farther from it",
        "aside": "neither",
    }
    parts = [f"{counts[state]} {words}" for state, words in told_as.items() if counts[state]]
    out = [sum(v == "out" for v in verdicts) for verdicts in _verdicts(found)]
    told = f": {', '.join(parts)}" if parts else ""
    return (
        f"{moved} of {len(found.points)} points moved{told}. "
        f"Out of tolerance before: {out[0]}, now: {out[1]}."
    )


def spring_back_sentences(comparison: Comparison) -> list[str]:
    """Which points went back between later sessions."""
    if not comparison.spring_backs:
        return ["No point sprang back between later sessions beyond its uncertainty."]
    return [
        f"{back.name} sprang back by {back.back_mm:.1f} ± {rounded_U(back.U_mm, 1):.1f} mm between "
        f"sessions {back.earlier + 1} and {back.later + 1}."
        for back in comparison.spring_backs
    ]


def order_notes(sessions: Sequence[Measured]) -> list[str]:
    """Which session was photographed before the one that is named before it.

    By the clocks of the cameras, where the photos of both tell the time, else by the dates in
    job.toml; a movement from the later to the earlier state has the wrong sign.
    """
    notes = []
    for number, (one, two) in enumerate(itertools.pairwise(sessions), 1):
        was, now = one.photographed, two.photographed
        if was is not None and now is not None:
            by, older = "photos", now < was
            told = [f"{time:%Y-%m-%d %H:%M}" for time in (was, now)]
        else:
            by, told = "job.toml", [str(job.settings.get("date", "")) for job in (one, two)]
            older = "" < told[1] < told[0]
        if older:
            notes.append(
                f"Warning: session {number + 1} ({two.folder.name}, {told[1]} by its {by}) is "
                f"older than session {number} ({one.folder.name}, {told[0]}): name the oldest job "
                "first, or every movement has the wrong sign."
            )
    return notes


def sheet_notes(sessions: Sequence[Measured]) -> list[str]:
    """Where the sessions do not speak of the same thing: other sheets, other state of the parts."""
    first, notes = sessions[0], []
    places = {(p.point, p.side): p.position_mm for p in first.sheet}
    for number, job in enumerate(sessions[1:], 2):
        if job.settings["parts"] != first.settings["parts"]:
            notes.append(
                f"Note: parts are {first.settings['parts']} in session 1 and "
                f"{job.settings['parts']} in session {number}; their weight may move points."
            )
        other = [
            f"{p.point} {p.side}"
            for p in job.sheet
            if (p.point, p.side) in places
            and not np.allclose(places[p.point, p.side], p.position_mm, atol=1e-6)
        ]
        if other:
            notes.append(
                f"Note: the sheets of sessions 1 and {number} differ at {', '.join(other[:4])}"
                f"{' and more' if len(other) > 4 else ''}; progress is told by the sheet of "
                "session 1."
            )
    return notes


def progress_text(point: PointMove) -> str:
    """How far a point has come, in per cent of its way; "" where it was not off."""
    if not math.isfinite(point.progress):
        return ""
    return f"{100 * point.progress:.0f} ± {rounded_U(100 * point.U_progress, 0):.0f} %"


def write_comparison(comparison: Comparison, folder: Path) -> None:
    """Write compare.csv and compare.json into ``folder``."""
    rows = (
        _cells(found, point)
        for found in (*comparison.from_first, *comparison.neighbours[1:])
        for point in found.points
    )
    write_text(folder / "compare.csv", csv_text(COMPARE_COLUMNS, rows))
    write_text(folder / "compare.json", json_text(_document(comparison)))


def _moves_lines(found: Moves) -> Iterator[str]:
    yield f"From session {found.earlier + 1} to {found.later + 1}: {answer_sentence(found)}"
    yield from frame_sentences(found)
    moved = [p for p in telling_first(found.points) if p.state != "unmoved"]
    if not moved:
        return
    width = max(len(p.name) for p in moved)
    yield (
        f"{'point':<{max(width, 5)}}  {'length':>7} {'width':>7} {'height':>7}  {'± U':>5}  "
        f"{'off, was':>8} {'now':>6}  {'progress':>12}  mm"
    )
    for p in moved:
        shift = " ".join(f"{v:>+7.1f}" for v in p.shift_mm)
        was, now = (float(np.linalg.norm(v)) for v in (p.before_mm, p.after_mm))
        off = f"{was:>8.1f} {now:>6.1f}" if math.isfinite(was) else f"{'-':>8} {'-':>6}"
        yield (
            f"{p.name:<{max(width, 5)}}  {shift}  {rounded_U(p.U_size_mm, 1):>5.1f}  {off}  "
            f"{progress_text(p):>12}  {STATE_WORDS[p.state]}"
        )


def _verdicts(found: Moves) -> tuple[list[str], list[str]]:
    return [p.verdict_before for p in found.points], [p.verdict_after for p in found.points]


def _cells(found: Moves, point: PointMove) -> list[str]:
    was, now = (float(np.linalg.norm(v)) for v in (point.before_mm, point.after_mm))
    return [
        *(text_cell(part) for part in point.name.rsplit(" ", 1)),
        str(found.earlier + 1),
        str(found.later + 1),
        *(number_cell(v) for v in (*point.shift_mm, *point.U_shift_mm)),
        STATE_WORDS[point.state],
        *(number_cell(v) for v in (was, now, point.change_mm, point.U_change_mm)),
        *(number_cell(100 * v, 1) for v in (point.progress, point.U_progress)),
        point.verdict_before,
        point.verdict_after,
        "yes" if point.base else "no",
    ]


def _document(comparison: Comparison) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "units": "mm in the vehicle frame of the earlier session; U is k = 2; sessions from 1",
        "sessions": [
            {"title": job.title, "changed_since_solved": list(job.changed)}
            for job in comparison.sessions
        ],
        "notes": [*order_notes(comparison.sessions), *sheet_notes(comparison.sessions)],
        "moves": [
            {
                "from": found.earlier + 1,
                "to": found.later + 1,
                "base": list(found.base),
                "base_left_out": list(found.strayed),
                "base_perhaps": list(found.perhaps),
                "misfit_mm": _number(found.misfit_mm),
                "explained_mm": _number(found.explained_mm),
                "only_from": list(found.only_earlier),
                "only_to": list(found.only_later),
                "points": [_point(point) for point in found.points],
            }
            for found in (*comparison.from_first, *comparison.neighbours[1:])
        ],
        "spring_back": [
            {
                "point": back.name,
                "from": back.earlier + 1,
                "to": back.later + 1,
                "back_mm": _number(back.back_mm),
                "U_mm": _number(back.U_mm),
            }
            for back in comparison.spring_backs
        ],
    }


def _point(point: PointMove) -> dict[str, Any]:
    return {
        "point": point.name.rsplit(" ", 1)[0],
        "side": point.name.rsplit(" ", 1)[1],
        "move_mm": [_number(v) for v in point.shift_mm],
        "U_move_mm": [_number(v) for v in point.U_shift_mm],
        "before_mm": [_number(v) for v in point.before_mm],
        "after_mm": [_number(v) for v in point.after_mm],
        "progress": _number(point.progress),
        "U_progress": _number(point.U_progress),
        "state": point.state,
        "verdict_before": point.verdict_before,
        "verdict_after": point.verdict_after,
        "base": point.base,
    }


def _number(value: float) -> float | None:
    return round(float(value), 6) if math.isfinite(value) else None
