"""The page of tape and tram readings held against a job."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.measured import Measured
from pipeline.report.templates import templates
from pipeline.report.words import inches, number, signed, uncertainty
from pipeline.tape import BEYOND_DOUBT, TapeCheck, TapeVerdict, counts_sentence
from targets.atomic import write_text

# Style class and mark of each verdict; the words stand beside it, so no colour is needed.
_MARKS: dict[TapeVerdict, tuple[str, str]] = {
    "disagrees": ("out", "▲"),
    "cannot tell": ("undecided", "?"),
    "agrees": ("within", "✓"),
}


def write_tape_page(measured: Measured, checks: Sequence[TapeCheck], path: Path) -> None:
    """Write the page as one self-contained HTML file.

    Raises
    ------
    UserError : the file cannot be written.
    """
    write_text(path, tape_html(measured, checks))


def tape_html(measured: Measured, checks: Sequence[TapeCheck]) -> str:
    """Text of the page."""
    verdicts = {check.verdict for check in checks}
    worst_css = next(css for verdict, (css, _) in _MARKS.items() if verdict in verdicts)
    return (
        templates()
        .get_template("tape.html")
        .render(
            title=measured.title,
            answer=counts_sentence(checks),
            answer_css=worst_css,
            warnings=measured.warnings,
            beyond=number(BEYOND_DOUBT, 1),
            checks=[_check(check, measured.inches) for check in checks],
        )
    )


def _check(check: TapeCheck, in_inches: bool) -> dict[str, Any]:
    css, mark = _MARKS[check.verdict]
    values = check.compared_mm, check.expected_mm, check.difference_mm
    return {
        "between": " to ".join(check.reading.ends),
        "mode": check.mode,
        "reading": number(check.compared_mm, 1),
        "expected": number(check.expected_mm, 1),
        "difference": signed(check.difference_mm, 1),
        "U": uncertainty(check.U_mm, 1),
        "verdict": check.verdict,
        "css": css,
        "mark": mark,
        "cause": check.cause,
        "inches": [inches(v, 2, with_sign=k == 2) for k, v in enumerate(values)]
        if in_inches
        else ("", "", ""),
    }
