"""What a comparison of sessions says: lines for the terminal, compare.csv and compare.json."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.csv_text import csv_text, number_cell, text_cell
from pipeline.datum.deviation import AXES
from pipeline.report.words import AXIS_WORDS, VERDICTS
from pipeline.results.result_json import json_text, plain_number, plain_numbers
from pipeline.results.results_folder import RESULTS
from pipeline.rounding import rounded_U
from pipeline.sentences import parts_of, with_parts
from pipeline.sessions.compare import Comparison, Moves, PointMove, SpringBack, State
from pipeline.sessions.measured import Measured
from targets.atomic import write_text
from targets.said import Said, columns, fixed, listed, say
from targets.sums import sha256_if_readable

SCHEMA = "datumshot/compare/1"
"""Name and number of the layout of compare.json."""

SENTENCES = ("notes", "moves", "spring_back")
"""Keys of compare.json that hold sentences; their parts stand under "sentences"."""

COMPARE_COLUMNS = (
    *("point", "side", "from_session", "to_session"),
    *(f"move_{axis}_mm" for axis in AXES),
    *(f"U_move_{axis}_mm" for axis in AXES),
    *("state", "off_before_mm", "off_after_mm", "change_mm", "U_change_mm"),
    *("progress_percent", "U_progress_percent", "verdict_before", "verdict_after", "base"),
)
"""Columns of compare.csv; sessions count from 1."""

STATE_WORDS: dict[State, Said] = {
    "unmoved": say("not moved"),
    "closer": say("closer to the sheet"),
    "worse": say("farther from the sheet"),
    "aside": say("moved, no closer"),
    "moved": say("moved (not on the sheet)"),
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
    lines += [
        say("Session {session}: {title}", session=n, title=job.title)
        for n, job in enumerate(comparison.sessions, 1)
    ]
    lines += [
        *own_sheet_notes(comparison.sessions),
        *order_notes(comparison.sessions),
        *sheet_notes(comparison.sessions),
    ]
    for found in comparison.from_first:
        lines += ["", *_moves_lines(found), *far_sentences(found, comparison.sessions)]
    if len(comparison.sessions) > 2:
        lines += ["", *spring_back_sentences(comparison)]
    return lines


def frame_sentences(found: Moves) -> list[Said]:
    """How two sessions were tied, and which base points did not keep their place."""
    said = [
        say(
            "Tied by {count} base points ({names}), which agree to {misfit:.2f} mm rms; their "
            "uncertainty explains {explained:.2f} mm.",
            count=len(found.base),
            names=", ".join(found.base),
            misfit=found.misfit_mm,
            explained=found.explained_mm,
        )
    ]
    for name in found.strayed:
        said.append(say("Base point {name} moved against the others and was left out.", name=name))
    if found.perhaps:
        names: str = found.perhaps[0]
        for other in found.perhaps[1:]:
            names = say("{one} or {other}", one=names, other=other)
        said.append(
            say(
                "It may as well be {names}: too few base points to tell them apart; measure more "
                "of them.",
                names=names,
            )
        )
    for lost, session in ((found.only_earlier, found.earlier), (found.only_later, found.later)):
        if lost:
            said.append(
                say(
                    "Only in session {session}: {names}.",
                    session=session + 1,
                    names=", ".join(lost),
                )
            )
    return said


def far_sentences(found: Moves, sessions: Sequence[Measured]) -> list[Said]:
    """Points that moved farther than a pull takes them: a card on another point, most likely."""
    before = sessions[found.earlier]
    place = dict(zip(before.names, before.positions_mm, strict=True))
    said = []
    for point in found.points:
        if point.size_mm < _FAR_MM:
            continue
        now = place[point.name] + point.shift_mm
        near = [n for n, at in place.items() if np.linalg.norm(at - now) < _FAR_MM / 2]
        said.append(
            say(
                "{point} lies {far:.0f} mm from where it was{where}: its card sits on another "
                "point, or cards.csv of one session is wrong.",
                point=point.name,
                far=point.size_mm,
                where=say(", to where {other} was", other=near[0]) if near else "",
            )
        )
    return said


def answer_sentence(found: Moves) -> Said:
    """How many points moved, which way, and how far the pull has come."""
    counts = {state: sum(p.state == state for p in found.points) for state in STATE_WORDS}
    moved = len(found.points) - counts["unmoved"]
    if not moved:
        return say("No point moved beyond its uncertainty.")
    told: dict[State, Said] = {
        "closer": say("{count} closer to the sheet", count=counts["closer"]),
        "worse": say("{count} farther from it", count=counts["worse"])
        if counts["closer"]
        else say("{count} farther from the sheet", count=counts["worse"]),
        "aside": say("{count} neither", count=counts["aside"]),
    }
    parts = [said for state, said in told.items() if counts[state]]
    before, now = (sum(v == "out" for v in verdicts) for verdicts in _verdicts(found))
    return say(
        "{moved} of {points} points moved{told}. Out of tolerance before: {before}, now: {now}.",
        moved=moved,
        points=len(found.points),
        told=listed([": ", listed(parts)], "") if parts else "",
        before=before,
        now=now,
    )


def spring_back_sentences(comparison: Comparison) -> list[Said]:
    """Which points went back between later sessions."""
    if not comparison.spring_backs:
        return [say("No point sprang back between later sessions beyond its uncertainty.")]
    return [spring_back_sentence(back) for back in comparison.spring_backs]


def own_sheet_notes(sessions: Sequence[Measured]) -> list[Said]:
    """What closer and farther mean where a sheet was made from this very car, as solve found."""
    if not any(f.code == "sheet-of-this-car" for job in sessions for f in job.findings):
        return []
    return [
        say(
            'The sheet was made from this car itself: "closer", "farther" and the verdicts only '
            "tell how far points lie from where they were then, not whether the car is straight."
        )
    ]


def order_notes(sessions: Sequence[Measured]) -> list[Said]:
    """Which session was photographed before the one that is named before it.

    By the clocks of the cameras, where the photos of both tell the time, else by the dates in
    job.toml; a movement from the later to the earlier state has the wrong sign.
    """
    notes = []
    for number, (one, two) in enumerate(itertools.pairwise(sessions), 1):
        was, now = one.photographed, two.photographed
        if was is not None and now is not None:
            by, older = say("photos"), now < was
            told = [f"{time:%Y-%m-%d %H:%M}" for time in (was, now)]
        else:
            by, told = fixed("job.toml"), [str(job.settings.get("date", "")) for job in (one, two)]
            older = "" < told[1] < told[0]
        if older:
            notes.append(
                say(
                    "Warning: session {later} ({later_job}, {now} by its {by}) is older than "
                    "session {earlier} ({earlier_job}, {was}): name the oldest job first, or every "
                    "movement has the wrong sign.",
                    later=number + 1,
                    later_job=two.folder.name,
                    now=told[1],
                    by=by,
                    earlier=number,
                    earlier_job=one.folder.name,
                    was=told[0],
                )
            )
    return notes


def spring_back_sentence(back: SpringBack) -> Said:
    """One point that went back."""
    return say(
        "{point} sprang back by {back:.1f} ± {U:.1f} mm between sessions {earlier} and {later}.",
        point=back.name,
        back=back.back_mm,
        U=rounded_U(back.U_mm, 1),
        earlier=back.earlier + 1,
        later=back.later + 1,
    )


def sheet_notes(sessions: Sequence[Measured]) -> list[Said]:
    """Where the sessions do not speak of the same thing: other sheets, other state of the parts."""
    first, notes = sessions[0], []
    places = {(p.point, p.side): p.position_mm for p in first.sheet}
    for number, job in enumerate(sessions[1:], 2):
        if job.settings["parts"] != first.settings["parts"]:
            notes.append(
                say(
                    "Note: session 1 was measured with the mechanical parts in, session {session} "
                    "with them out; their weight may move points.",
                    session=number,
                )
                if first.settings["parts"] == "in"
                else say(
                    "Note: session 1 was measured with the mechanical parts out, session "
                    "{session} with them in; their weight may move points.",
                    session=number,
                )
            )
        other = [
            f"{p.point} {p.side}"
            for p in job.sheet
            if (p.point, p.side) in places
            and not np.allclose(places[p.point, p.side], p.position_mm, atol=1e-6)
        ]
        if other:
            notes.append(
                say(
                    "Note: the sheets of sessions 1 and {session} differ at {points}{more}; "
                    "progress is told by the sheet of session 1.",
                    session=number,
                    points=", ".join(other[:4]),
                    more=say(" and more") if len(other) > 4 else "",
                )
            )
    return notes


def progress_text(point: PointMove) -> str:
    """How far a point has come, in per cent of its way; "" where it was not off."""
    if not math.isfinite(point.progress):
        return ""
    return say(
        "{progress:.0f} ± {U:.0f} %",
        progress=100.0 * point.progress,
        U=rounded_U(100.0 * point.U_progress, 0),
    )


def write_comparison(comparison: Comparison, folder: Path) -> dict[str, Any]:
    """Write compare.csv and compare.json into ``folder``; the document of the latter."""
    document = comparison_document(comparison)
    rows = (
        _cells(found, point)
        for found in (*comparison.from_first, *comparison.neighbours[1:])
        for point in found.points
    )
    write_text(folder / "compare.csv", csv_text(COMPARE_COLUMNS, rows))
    write_text(folder / "compare.json", json_text(document))
    return document


def read_comparison(folder: Path, result_sha256: str) -> dict[str, Any] | None:
    """The compare.json of a folder, sentences with their parts, if it speaks of this result.

    None where there is none, or where it is of another result or no whole file.
    """
    try:
        document = json.loads((folder / "compare.json").read_text(encoding="utf-8"))
        if document["schema"] != SCHEMA:
            return None
        if document["sessions"][-1]["result_sha256"] != result_sha256:
            return None
        return with_parts(document, SENTENCES)
    except (OSError, ValueError, KeyError, TypeError, IndexError, RecursionError):
        return None


def _moves_lines(found: Moves) -> Iterator[str]:
    yield say(
        "From session {earlier} to {later}: {answer}",
        earlier=found.earlier + 1,
        later=found.later + 1,
        answer=answer_sentence(found),
    )
    yield from frame_sentences(found)
    moved = [p for p in telling_first(found.points) if p.state != "unmoved"]
    if not moved:
        return
    yield say(
        "Movement in mm: length + forward, width + left, height + up; U is k = 2; off is the "
        "distance from the place on the sheet."
    )
    name = f"<{max(5, *(len(p.name) for p in moved))}"
    yield columns(
        (say("point"), name),
        (columns(*((axis, ">7") for axis in AXIS_WORDS), between=" "), ""),
        ("± U", ">5"),
        (columns((say("off, was"), ">8"), (say("now"), ">6"), between=" "), ""),
        (say("progress"), ">12"),
        (say("verdict now"), ""),
    )
    for p in moved:
        was, now = (float(np.linalg.norm(v)) for v in (p.before_mm, p.after_mm))
        off: tuple[tuple[object, str], ...] = (("-", ">8"), ("-", ">6"))
        if math.isfinite(was):
            off = ((was, ">8.1f"), (now, ">6.1f"))
        yield columns(
            (p.name, name),
            (columns(*((float(v), ">+7.1f") for v in p.shift_mm), between=" "), ""),
            (rounded_U(p.U_size_mm, 1), ">5.1f"),
            (columns(*off, between=" "), ""),
            (progress_text(p), ">12"),
            (VERDICTS[p.verdict_after], "<12"),
            (STATE_WORDS[p.state], ""),
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


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """What compare.json holds."""
    document = {
        "schema": SCHEMA,
        "units": "mm in the vehicle frame of the earlier session; U is k = 2; sessions from 1",
        "sessions": [
            {
                "title": job.title,
                "date": job.settings.get("date", ""),
                "result_sha256": sha256_if_readable(job.folder / RESULTS / "result.json"),
                "changed_since_solved": list(job.changed),
            }
            for job in comparison.sessions
        ],
        "notes": [
            *own_sheet_notes(comparison.sessions),
            *(line for job in comparison.sessions for line in job.warnings),
            *order_notes(comparison.sessions),
            *sheet_notes(comparison.sessions),
        ],
        "sheet_of_this_car": bool(own_sheet_notes(comparison.sessions)),
        "moves": [
            {
                "from": found.earlier + 1,
                "to": found.later + 1,
                "answer": answer_sentence(found),
                "base": list(found.base),
                "base_left_out": list(found.strayed),
                "base_perhaps": list(found.perhaps),
                "misfit_mm": plain_number(found.misfit_mm, 6),
                "explained_mm": plain_number(found.explained_mm, 6),
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
                "back_mm": plain_number(back.back_mm, 6),
                "U_mm": plain_number(back.U_mm, 6),
                "told": spring_back_sentence(back),
            }
            for back in comparison.spring_backs
        ],
    }
    return {**document, "sentences": parts_of(document, SENTENCES)}


def _point(point: PointMove) -> dict[str, Any]:
    return {
        "point": point.name.rsplit(" ", 1)[0],
        "side": point.name.rsplit(" ", 1)[1],
        "move_mm": plain_numbers(point.shift_mm),
        "U_move_mm": plain_numbers(point.U_shift_mm),
        "before_mm": plain_numbers(point.before_mm),
        "after_mm": plain_numbers(point.after_mm),
        "change_mm": plain_number(point.change_mm, 6),
        "U_change_mm": plain_number(point.U_change_mm, 6),
        "progress": plain_number(point.progress, 6),
        "U_progress": plain_number(point.U_progress, 6),
        "state": point.state,
        "verdict_before": point.verdict_before,
        "verdict_after": point.verdict_after,
        "base": point.base,
    }
