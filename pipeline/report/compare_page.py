"""The page of a comparison of sessions: paths of the points, and a table for each later session."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.language import language_of
from pipeline.report import drawing
from pipeline.report.before_after import STATE_LOOKS, STATE_MARKS, answer_look
from pipeline.report.paths import draw_paths, exaggeration, paths
from pipeline.report.templates import templates
from pipeline.report.words import (
    AXIS_WORDS,
    VERDICTS,
    inches,
    number,
    signed,
    uncertainty,
)
from pipeline.sessions.compare import Comparison, Moves, PointMove
from pipeline.sessions.compare_tables import (
    STATE_WORDS,
    answer_sentence,
    far_sentences,
    frame_sentences,
    order_notes,
    own_sheet_notes,
    progress_text,
    sheet_notes,
    spring_back_sentences,
    telling_first,
)
from pipeline.sessions.measured import Measured
from targets.atomic import write_text
from targets.said import listed, say


def write_compare_page(comparison: Comparison, path: Path, language: str = "en") -> None:
    """Write the page as one self-contained HTML file, in the language of this code.

    Raises
    ------
    UserError : the file cannot be written.
    """
    write_text(path, compare_html(comparison, language))


def compare_html(comparison: Comparison, language: str = "en") -> str:
    """Text of the page."""
    from markupsafe import Markup

    told_in = language_of(language)
    all_paths = paths(comparison)
    times = exaggeration(all_paths)

    def figure(view: drawing.View, width_px: float = 1100.0) -> tuple[str, Markup]:
        return view.title, Markup(
            drawing.svg(draw_paths(all_paths, view, times, width_px), told_in.put)
        )

    last = comparison.from_first[-1]
    own_sheet = own_sheet_notes(comparison.sessions)
    worse = any(point.state == "worse" for point in last.points)
    out = any(point.verdict_after == "out" for point in last.points)
    page = {
        "title": comparison.sessions[-1].title,
        "answer": say(
            "From session 1 to {last}: {answer}", last=last.later + 1, answer=answer_sentence(last)
        ),
        "answer_css": answer_look(worse or out, bool(own_sheet)).css,
        "own_sheet": own_sheet,
        "spring_backs": spring_back_sentences(comparison) if len(comparison.sessions) > 2 else (),
        "sessions": [_session(job) for job in comparison.sessions],
        "warnings": order_notes(comparison.sessions),
        "notes": sheet_notes(comparison.sessions),
        "rendered": any("render" in job.title.lower() for job in comparison.sessions),
        "times": times,
        "plan": figure(drawing.PLAN),
        "upright": figure(drawing.PLAN_UPRIGHT, 420.0),
        "sides": [figure(view) for view in drawing.SIDES],
        "steps": [
            _step(found, comparison.sessions)
            for found in (*comparison.from_first, *comparison.neighbours[1:])
        ],
        "verdicts": VERDICTS,
        "axes": AXIS_WORDS,
    }
    return templates(told_in).get_template("compare.html").render(**told_in.put_all(page))


def _session(job: Measured) -> dict[str, Any]:
    return {
        "title": job.title,
        "date": job.settings.get("date", ""),
        "points": len(job.points),
        "out": sum(row.verdict == "out" for row in job.points),
        "warning": listed(job.warnings, " ") if job.warnings else "",
    }


def _step(found: Moves, sessions: tuple[Measured, ...]) -> dict[str, Any]:
    return {
        "earlier": found.earlier + 1,
        "later": found.later + 1,
        "answer": answer_sentence(found),
        "frame": frame_sentences(found),
        "far": far_sentences(found, sessions),
        "points": [_point(p, sessions[0].inches) for p in telling_first(found.points)],
    }


def _point(point: PointMove, in_inches: bool) -> dict[str, Any]:
    name, side = point.name.rsplit(" ", 1)
    return {
        "point": name,
        "side": side,
        "base": point.base,
        "css": STATE_LOOKS[point.state].css,
        "mark": STATE_MARKS[point.state],
        "state": STATE_WORDS[point.state],
        "shift": [
            (signed(v, 2), uncertainty(U, 2), inches(v, 3, with_sign=True) if in_inches else "")
            for v, U in zip(point.shift_mm, point.U_shift_mm, strict=True)
        ],
        "off": [
            (number(off, 1), inches(off, 2) if in_inches else "")
            for off in map(float, np.linalg.norm([point.before_mm, point.after_mm], axis=1))
        ],
        "progress": progress_text(point),
        "before": VERDICTS[point.verdict_before],
        "after": VERDICTS[point.verdict_after],
    }
