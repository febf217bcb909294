"""The section 'before and after' of the report page, put in its place when sessions are compared.

The page of a job is written when the job is solved, before anybody compares it. It keeps a place
for the section, and ``datumshot compare`` fills it from what it writes into compare.json: that file
alone holds the figures. A new ``solve`` makes a new page without the section and moves compare.json
away, so the section never outlives the result that it speaks of.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.language import LANGUAGES, Language, language_of
from pipeline.report.templates import BEFORE_AFTER_BEGINS, BEFORE_AFTER_ENDS, templates
from pipeline.report.words import LOOKS, VERDICTS, Look, inches, number, signed, uncertainty
from pipeline.results.results_folder import rewrite
from pipeline.sessions.compare import State
from pipeline.sessions.compare_tables import STATE_WORDS
from targets.said import Said, say

STATE_LOOKS: dict[State, Look] = {
    "worse": LOOKS["out"],
    "aside": LOOKS["undecided"],
    "closer": LOOKS["within"],
    "moved": LOOKS["no reference"],
    "unmoved": LOOKS["no reference"],
}
"""Style of each state; the words stand beside it, so no colour is needed."""
STATE_MARKS: dict[State, str] = {
    "worse": "▲",
    "aside": "↔",
    "closer": "✓",
    "moved": "↔",
    "unmoved": "–",
}

_PLACE = re.compile(f"{BEFORE_AFTER_BEGINS}.*?{BEFORE_AFTER_ENDS}", re.DOTALL)
_LANGUAGE = re.compile(f'<html lang="({"|".join(LANGUAGES)})">')


def put_before_after(document: Mapping[str, Any], results: Path, in_inches: bool) -> Said | None:
    """Put the section into the results' report.html, in the language of that page.

    Parameters
    ----------
    document : of compare.json, whose last session these results are.
    in_inches : whether inches stand beside millimetres.

    Returns
    -------
    Why it could not be done, None if it was.
    """
    try:
        page = (results / "report.html").read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        return say("report.html cannot be read, so it has no section on before and after.")
    language, place = _LANGUAGE.search(page), _PLACE.search(page)
    if language is None or place is None:
        return say(
            "report.html is of an older version and has no place for before and after: solve "
            "again, then compare again."
        )
    section = section_html(document, language_of(language[1]), in_inches)
    filled = f"{BEFORE_AFTER_BEGINS}\n{section}\n{BEFORE_AFTER_ENDS}"
    if not rewrite(results, "report.html", page[: place.start()] + filled + page[place.end() :]):
        return say(
            "report.html was changed after it was written, so before and after was not put into "
            "it: solve again, then compare again."
        )
    return None


def section_html(document: Mapping[str, Any], told_in: Language, in_inches: bool = False) -> str:
    """The section, from the document of compare.json."""
    template = templates(told_in).get_template("sections/before_after.html")
    return str(template.render(**told_in.put_all(before_after(document, in_inches))))


def before_after(document: Mapping[str, Any], in_inches: bool = False) -> dict[str, Any]:
    """Words and figures of the first session against the last, for page and paper."""
    sessions = document["sessions"]
    last = len(sessions)
    found = next(m for m in document["moves"] if (m["from"], m["to"]) == (1, last))
    order: list[State] = ["worse", "aside", "closer", "moved"]
    moved = sorted(
        (point for point in found["points"] if point["state"] != "unmoved"),
        key=lambda p: (order.index(p["state"]), -_length(p["move_mm"])),
    )
    return {
        "before": {**sessions[0], "title": sessions[0]["title"] or say("Untitled job")},
        "between": last - 2,
        "answer": found["answer"],
        "look": answer_look(
            any(point["state"] == "worse" for point in moved),
            document.get("sheet_of_this_car", False),  # older versions wrote none
        ),
        "spring_backs": [back["told"] for back in document["spring_back"]],
        "notes": document["notes"],
        "points": [_point(point, in_inches) for point in moved],
        "unmoved": len(found["points"]) - len(moved),
        "misfit": number(found["misfit_mm"], 2),
    }


def answer_look(bad: bool, own_sheet: bool) -> Look:
    """Style of the answer: a sheet made from this very car tells neither good nor bad."""
    if own_sheet:
        return LOOKS["no reference"]
    return LOOKS["out" if bad else "within"]


def _point(point: Mapping[str, Any], in_inches: bool) -> dict[str, Any]:
    state: State = point["state"]
    off = [_length(point[key]) for key in ("before_mm", "after_mm")]
    change, U = (_known(point[key]) for key in ("change_mm", "U_change_mm"))
    return {
        "name": point["point"],
        "side": point["side"],
        "base": point["base"],
        "look": STATE_LOOKS[state],
        "mark": STATE_MARKS[state],
        "state": STATE_WORDS[state],
        "off": [(number(v, 1), inches(v, 2) if in_inches else "") for v in off],
        "change": signed(change, 1),
        "U": uncertainty(U, 1),
        "verdicts": [VERDICTS[point[key]] for key in ("verdict_before", "verdict_after")],
        "looks": [LOOKS[point[key]] for key in ("verdict_before", "verdict_after")],
    }


def _length(vector: list[float | None]) -> float:
    return float(np.linalg.norm([_known(v) for v in vector]))


def _known(value: float | None) -> float:
    return math.nan if value is None else value
