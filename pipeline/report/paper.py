"""The report on paper: a PDF of two to four pages for customer and insurer, to sign and to keep.

It says what the page says, in the same words and with the same drawings, from result.json alone:
photos and lens need not be there any more. What fills more than four pages is left to the page and
the tables, and named.
"""

from __future__ import annotations

import datetime
import hashlib
import io
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pipeline.language import language_of
from pipeline.report import drawing
from pipeline.report.archive import PDF_VERSION, archived, ended_lines
from pipeline.report.before_after import before_after
from pipeline.report.letters import REGULAR, Letters, letters_for
from pipeline.report.paper_answer import first_page
from pipeline.report.paper_blocks import Paper, Source
from pipeline.report.paper_damage import damage, sessions, suspension, way_back
from pipeline.report.paper_method import findings, method, signature
from pipeline.report.paper_points import left_against_right, points
from pipeline.results.provenance import version
from pipeline.sentences import texts_in
from pipeline.sessions.compare_tables import read_comparison
from pipeline.sessions.measured import Measured
from targets.atomic import write_bytes
from targets.errors import UserError
from targets.pages import paper_size_mm
from targets.said import say

_MM = 72.0 / 25.4
_SIDE_MM, _TOP_MM, _FOOT_MM = 17.0, 15.0, 18.0
_SHEET_PX = 760.0
"""Width of a drawing in its own px: one is then 0.66 points, and its smallest print 8 points."""


def write_paper(
    measured: Measured,
    document: Mapping[str, Any],
    path: Path,
    paper: str = "A4",
    language: str = "en",
) -> int:
    """Write the report.

    Parameters
    ----------
    measured, document : the same result.json, typed and as it is.
    paper : "A4" or "Letter".
    language : code of the language of the report.

    Returns
    -------
    Number of pages.

    Raises
    ------
    UserError : no such paper, the result is of an older version, or the file cannot be written.
    """
    data, pages = paper_bytes(measured, document, paper, language)
    write_bytes(path, data)
    return pages


def paper_bytes(
    measured: Measured, document: Mapping[str, Any], paper: str = "A4", language: str = "en"
) -> tuple[bytes, int]:
    """The PDF and the number of its pages; parameters as in ``write_paper``."""
    size = tuple(side * _MM for side in paper_size_mm(paper))
    file = measured.folder / "results" / "result.json"
    if not {"answer", "unmeasured"} <= document.keys():
        raise UserError(
            "an older version wrote this result", str(file), "run datumshot solve again"
        )
    sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
    comparison = read_comparison(measured.folder / "results", sha256)
    moved = before_after(comparison) if comparison is not None else None
    source = Source(measured, document, sha256, _views_of(measured), language_of(language), moved)
    letters = letters_for(_texts_of(source))
    written = datetime.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
    # Once to count the pages, and once to say on each how many there are.
    _, pages = _built(source, letters, size, written, 0)
    return _built(source, letters, size, written, pages)


def _views_of(measured: Measured) -> tuple[drawing.Drawing, ...]:
    """Plan and sides, of which those without a point are left out."""
    rows = measured.points
    if not rows:
        return ()
    times = drawing.exaggeration(rows)
    return tuple(
        drawing.draw_view(rows, view, times, _SHEET_PX)
        for view in (drawing.PLAN, *drawing.SIDES)
        if any(row.side in view.sides for row in rows)
    )


def _texts_of(source: Source) -> list[str]:
    """Every text that may hold letters of any script."""
    keys = ("settings", "answer", "unmeasured", "base", "findings", "photos", "cameras", "inputs")
    moved = source.moved
    parts = [
        [moved[key] for key in ("before", "points", "notes")] if moved is not None else [],
        *(source.document[key] for key in keys),
        [[row.point, row.side] for row in source.measured.points],
    ]
    return list(texts_in(parts))


def _built(
    source: Source, letters: Letters, size: tuple[float, ...], written: str, pages: int
) -> tuple[bytes, int]:
    from reportlab.pdfgen.canvas import Canvas
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    put = source.language.put
    title = put(source.measured.title or say("Untitled job"))
    about = {
        "title": title,
        "author": "datumshot",
        "subject": put(say("Measurement of a car's underbody from photographs")),
        "creator": f"datumshot {version()}",
    }
    stream = io.BytesIO()

    def canvas(*args: Any, **kwargs: Any) -> Canvas:
        made = Canvas(
            *args,
            **{
                **kwargs,
                "pdfVersion": PDF_VERSION,
                "initialFontName": REGULAR,  # else an unembedded Helvetica is named in the file
                "enforceColorSpace": "RGB",
                "lang": source.language.code,
            },
        )
        archived(made, **about)
        return made

    def foot(canvas: Canvas, template: BaseDocTemplate) -> None:
        canvas.saveState()
        canvas.setFillColor(drawing.FAINT)
        y, left, right = 9.0 * _MM, _SIDE_MM * _MM, size[0] - _SIDE_MM * _MM
        number = put(say("page {page} of {pages}", page=template.page, pages=pages))
        about_it = put(
            say("; written {written}; datumshot {version}", written=written, version=version())
        )
        label = _cut(title, letters, 7.0, 80.0) + about_it
        x = left
        for font, part in letters.runs(label):
            canvas.setFont(font, 7.0)
            canvas.drawString(x, y, part)
            x += canvas.stringWidth(part, font, 7.0)
        canvas.setFont(REGULAR, 7.0)
        canvas.drawRightString(right, y, number)
        canvas.restoreState()

    template = BaseDocTemplate(stream, pagesize=size, **about)
    room = (size[0] - 2 * _SIDE_MM * _MM, size[1] - (_TOP_MM + _FOOT_MM) * _MM)
    frame = Frame(_SIDE_MM * _MM, _FOOT_MM * _MM, *room, 0, 0, 0, 0)
    template.addPageTemplates(PageTemplate(frames=[frame], onPage=foot))
    template.build(_sections(Paper(source, letters, *room)), canvasmaker=canvas)
    return ended_lines(stream.getvalue()), template.page


def _sections(paper: Paper) -> list[Any]:
    """The report from top to bottom."""
    return [
        *first_page(paper),
        *sessions(paper),
        *damage(paper),
        *way_back(paper),
        *suspension(paper),
        *left_against_right(paper),
        *points(paper),
        *findings(paper),
        *method(paper),
        *signature(paper),
    ]


def _cut(text: str, letters: Letters, size: float, most_mm: float) -> str:
    """As much of a text as fits a line."""
    if letters.width(text, size) <= most_mm * _MM:
        return text
    while text and letters.width(f"{text}...", size) > most_mm * _MM:
        text = text[:-1]
    return f"{text}..."
