"""The page of tape and tram readings held against a job."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.language import language_of
from pipeline.report.templates import templates
from pipeline.report.words import inches, number, signed, uncertainty
from pipeline.sessions.measured import Measured
from pipeline.sessions.tape import (
    BEYOND_DOUBT,
    MODE_WORDS,
    VERDICT_WORDS,
    TapeCheck,
    TapeVerdict,
    counts_sentence,
)
from targets.atomic import write_text
from targets.said import say

# Style class and mark of each verdict; the words stand beside it, so no colour is needed.
_MARKS: dict[TapeVerdict, tuple[str, str]] = {
    "disagrees": ("out", "▲"),
    "cannot tell": ("undecided", "?"),
    "agrees": ("within", "✓"),
}


def write_tape_page(
    measured: Measured, checks: Sequence[TapeCheck], path: Path, language: str = "en"
) -> None:
    """Write the page as one self-contained HTML file, in the language of this code.

    Raises
    ------
    UserError : the file cannot be written.
    """
    write_text(path, tape_html(measured, checks, language))


def tape_html(measured: Measured, checks: Sequence[TapeCheck], language: str = "en") -> str:
    """Text of the page."""
    verdicts = {check.verdict for check in checks}
    worst_css = next(css for verdict, (css, _) in _MARKS.items() if verdict in verdicts)
    told_in = language_of(language)
    page = {
        "title": measured.title,
        "answer": counts_sentence(checks),
        "answer_css": worst_css,
        "warnings": measured.warnings,
        "beyond": number(BEYOND_DOUBT, 1),
        "checks": [_check(check, measured.inches) for check in checks],
    }
    return templates(told_in).get_template("tape.html").render(**told_in.put_all(page))


def _check(check: TapeCheck, in_inches: bool) -> dict[str, Any]:
    css, mark = _MARKS[check.verdict]
    values = check.compared_mm, check.expected_mm, check.difference_mm
    return {
        "between": say("{one} to {other}", one=check.reading.ends[0], other=check.reading.ends[1]),
        "mode": MODE_WORDS[check.mode],
        "reading": number(check.compared_mm, 1),
        "expected": number(check.expected_mm, 1),
        "difference": signed(check.difference_mm, 1),
        "U": uncertainty(check.U_mm, 1),
        "verdict": VERDICT_WORDS[check.verdict],
        "css": css,
        "mark": mark,
        "cause": check.cause,
        "inches": [inches(v, 2, with_sign=k == 2) for k, v in enumerate(values)]
        if in_inches
        else ("", "", ""),
    }
