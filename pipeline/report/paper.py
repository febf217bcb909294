"""The report on paper: a PDF of two to four pages for customer and insurer, to sign and to keep.

It says what the page says, in the same words and with the same drawings, from result.json alone:
photos and lens need not be there any more. What fills more than four pages is left to the page and
the tables, and named.
"""

from __future__ import annotations

import datetime
import hashlib
import io
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.compare_tables import read_comparison
from pipeline.correction import CAUTIONS, Correction
from pipeline.deviation import DeviationRow
from pipeline.language import Language, Said, fixed, language_of, listed, say, say_count
from pipeline.measured import Measured
from pipeline.report import drawing, words
from pipeline.report.archive import PDF_VERSION, archived, ended_lines
from pipeline.report.before_after import before_after
from pipeline.report.damage import SECTIONS, correction_words
from pipeline.report.letters import REGULAR, Letters, letters_for, starts_right
from pipeline.report.paper_drawing import draw
from pipeline.result import BarCheck
from pipeline.sentences import texts_in
from pipeline.tables import version, without_folder
from targets.atomic import write_bytes
from targets.errors import UserError
from targets.pages import paper_size_mm

_MM = 72.0 / 25.4
_SIDE_MM, _TOP_MM, _FOOT_MM = 17.0, 15.0, 18.0
_SHEET_PX = 760.0
"""Width of a drawing in its own px: one is then 0.66 points, and its smallest print 8 points."""
_DRAWING_SHARE = 0.9
"""Of the width of the text: so plan and both sides stand on the first page."""
_MOST_HIGH = 300.0
"""Height of a drawing, points: few points make a high one."""
_MOST_TITLE_LINES = 4
_MOST_ROWS = 50
"""Rows of the table of points: with them the report has four pages at most."""
_MOST_FINDINGS = 12
_MOST_MOVED = 20
_MOST_PAIRS, _MOST_COMPARED, _MOST_CORRECTIONS = 30, 12, 8

_NOT_TO_SCALE = say(
    "No bar of known length was measured, so these millimetres are the printer's: every length "
    "here may be off by the same per cent as the printed cards. Measure a bar and solve again "
    "before acting on any figure."
)


_AXES_AND_U = tuple(say("{axis} ± U", axis=axis) for axis in words.AXIS_WORDS)


@dataclass(frozen=True)
class _Source:
    """What the report is made of: a result.json, typed and as it is, its SHA-256, and drawings.

    ``language`` is that of the report; ``moved`` is what ``before_after`` says, None without a
    comparison with an earlier session.
    """

    measured: Measured
    document: Mapping[str, Any]
    sha256: str
    views: tuple[drawing.Drawing, ...]
    language: Language
    moved: Mapping[str, Any] | None


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
    source = _Source(measured, document, sha256, _views_of(measured), language_of(language), moved)
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


def _texts_of(source: _Source) -> list[str]:
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
    source: _Source, letters: Letters, size: tuple[float, ...], written: str, pages: int
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
    template.build(_Story(source, letters, room[0]).parts(), canvasmaker=canvas)
    return ended_lines(stream.getvalue()), template.page


class _Story:
    """The parts of the report from top to bottom; ``width`` is that of the text, points."""

    def __init__(self, source: _Source, letters: Letters, width: float) -> None:
        self.measured, self.document = source.measured, source.document
        self.sha256, self.views, self.moved = source.sha256, source.views, source.moved
        self.put, self.word = source.language.put, source.language.word
        self.letters = letters
        self.width = width
        self.decimals = words.decimals_for(
            np.concatenate([row.U_deviation_mm for row in self.measured.points] or [np.zeros(0)])
        )

    def parts(self) -> list[Any]:
        """All of it."""
        return [
            *self._answer(),
            *self._views(),
            *self._before_after(),
            *self._damage(),
            *self._way_back(),
            *self._sides(),
            *self._points(),
            *self._findings(),
            *self._method(),
            *self._signature(),
        ]

    # --- building blocks ---

    def _style(self, size: float = 9.0, **settings: Any) -> Any:
        from reportlab.lib.styles import ParagraphStyle

        return ParagraphStyle(
            "text",
            **{
                "fontName": REGULAR,
                "bulletFontName": REGULAR,  # any other would be named in the file, unembedded
                "fontSize": size,
                "leading": 1.35 * size,
                "textColor": drawing.INK,
                "spaceAfter": 3.0,
                "splitLongWords": 1,
                **settings,
            },
        )

    def _text(self, text: str, size: float = 9.0, bold: bool = False, **settings: Any) -> Any:
        from reportlab.platypus import Paragraph

        return Paragraph(self.letters.markup(self.put(text), bold), self._style(size, **settings))

    def _pair(self, bold: str, plain: str, **settings: Any) -> Any:
        from reportlab.platypus import Paragraph

        markup = " ".join(
            (self.letters.markup(self.put(bold), True), self.letters.markup(self.put(plain)))
        )
        return Paragraph(markup, self._style(**settings))

    def _heading(self, text: str) -> Any:
        return self._text(text, 11.5, True, spaceBefore=8.0, keepWithNext=1)

    def _table(self, rows: list[list[Any]], shares: Sequence[float], **settings: Any) -> Any:
        """A table with a line under its head row, columns as wide as their shares."""
        from reportlab.platypus import Table, TableStyle

        whole = sum(shares)
        table = Table(
            rows,
            colWidths=[self.width * share / whole for share in shares],
            repeatRows=1,
            hAlign="LEFT",
            **settings,
        )
        table.setStyle(
            TableStyle(
                [
                    ("FONTNAME", (0, 0), (-1, -1), REGULAR),
                    ("VALIGN", (0, 0), (-1, -1), "TOP"),
                    ("LEFTPADDING", (0, 0), (-1, -1), 2),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                    ("TOPPADDING", (0, 0), (-1, -1), 1.2),
                    ("BOTTOMPADDING", (0, 0), (-1, -1), 1.2),
                    ("LINEBELOW", (0, 0), (-1, 0), 0.8, drawing.INK),
                    ("LINEBELOW", (0, 1), (-1, -1), 0.3, drawing.GRID),
                ]
            )
        )
        return table

    def _cell(self, text: str, bold: bool = False, right: bool = False, ink: str = "") -> Any:
        return self._text(
            text,
            7.5,
            bold,
            spaceAfter=0.0,
            leading=9.2,
            alignment=2 if right else 0,
            textColor=ink or drawing.INK,
        )

    # --- sections ---

    def _answer(self) -> list[Any]:
        verdicts = [row.verdict for row in self.measured.points]
        worst = next((v for v in ("out", "undecided", "within") if v in verdicts), "no reference")
        look = words.LOOKS[worst]  # type: ignore[index]
        first, second = self.document["answer"]
        parts = self._title(self.measured.title or self.put(say("Untitled job")))
        parts.append(
            self._pair(
                f"{look.mark} {self.put(first)}",
                second,
                backColor=look.wash,
                borderColor=look.ink,
                borderWidth=0.8,
                borderPadding=5.0,
                spaceBefore=5.0,
                spaceAfter=9.0,
            )
        )
        taken = self._taken()
        if taken:
            parts.insert(len(parts) - 1, self._text(taken, 8.5, spaceAfter=8.0))
        zones = (self.document.get("damage") or {}).get("zones", [])
        if zones:
            marks = {str(verdict): look.mark for verdict, look in words.LOOKS.items()}
            told = [
                say(
                    "{section}: {mark} {verdict}",
                    section=SECTIONS[zone["zone"]],
                    mark=marks[zone["verdict"]],
                    verdict=fixed(zone["verdict"]),
                )
                for zone in zones
            ]
            parts.append(self._text(listed(told, "; "), 9.0, True, spaceAfter=6.0))
        alarms = []
        if not self.measured.scaled:
            alarms.append((say("Not to scale."), _NOT_TO_SCALE))
        if self.document["unmeasured"]:
            alarms.append((say("Not measured."), self.document["unmeasured"]))
        changed = self.measured.changed
        if changed:
            alarms.append(
                (
                    say("Older than its files."),
                    say(
                        "{files} changed or went after this was solved.",
                        files=_some([without_folder(n, self.measured.folder) for n in changed]),
                    ),
                )
            )
        parts += [self._pair(*alarm) for alarm in alarms]
        if "render" in self.measured.title.lower():
            parts.append(
                self._text(
                    say(
                        "The photographs of this job are rendered by a computer; no real car is "
                        "shown."
                    )
                )
            )
        if self.letters.missing:
            codes = [f"U+{ord(sign):04X}" for sign in self.letters.missing]
            parts.append(
                self._text(
                    say(
                        "An empty square stands for a sign that no font of this computer has "
                        "({codes}); report.html shows it.",
                        codes=_some(codes, 12),
                    ),
                    8.0,
                )
            )
        return parts

    def _title(self, title: str) -> list[Any]:
        from reportlab.platypus import Paragraph, Spacer

        size = 17.0 if len(title) < 60 else 12.0
        lines = self.letters.lines(title, size, self.width, bold=True)
        if len(lines) > _MOST_TITLE_LINES:
            lines = [*lines[: _MOST_TITLE_LINES - 1], f"{lines[_MOST_TITLE_LINES - 1]} ..."]
        # Right-to-left writing begins at the right.
        side = 2 if starts_right(title) else 0
        style = self._style(size, alignment=side, spaceAfter=0.0)
        texts = [Paragraph(self.letters.markup(line, True, own_way=True), style) for line in lines]
        return [*texts, Spacer(0, 6)]

    def _taken(self) -> str:
        """When and by whom, as far as the job says."""
        date, technician = (self.measured.settings.get(key) for key in ("date", "technician"))
        told = [say("Photographed on {date}", date=date)] if date else []
        told += [say("technician {technician}", technician=technician)] if technician else []
        return listed([listed(told, "; "), "."], "") if told else ""

    def _views(self) -> list[Any]:
        rows = self.measured.points
        if not rows:
            return [
                self._heading(say("Points")),
                self._text(
                    say(
                        "This job has no points with a place in a vehicle frame, so there are no "
                        "deviations and nothing is drawn. Its cards are in cards.csv."
                    )
                ),
            ]
        parts = [
            self._heading(say("Where the points moved")),
            self._text(
                say(
                    "To scale. Each arrow runs from where the point belongs to where it is, drawn "
                    "{times} times as large; the grey square is the tolerance, drawn just as "
                    "large. Black squares are base points. Lines join the two sides of a pair.",
                    times=drawing.exaggeration(rows),
                ),
                8.5,
            ),
            self._legend(rows),
        ]
        parts += [self._view(view) for view in self.views]
        return parts

    def _view(self, view: drawing.Drawing) -> Any:
        from reportlab.platypus import KeepTogether

        scale = min(_DRAWING_SHARE * self.width / view.width_px, _MOST_HIGH / view.height_px)
        return KeepTogether(
            [
                self._text(view.title, 9.0, True, spaceBefore=4.0, spaceAfter=1.0),
                _flowable(view, self.letters, scale, self.put),
            ]
        )

    def _legend(self, rows: Sequence[DeviationRow]) -> Any:
        from reportlab.platypus import Table

        cells: list[Any] = []
        widths: list[float] = []
        for verdict, look in words.LOOKS.items():
            count = sum(row.verdict == verdict for row in rows)
            if not count:
                continue
            label = f"{look.mark} {self.put(words.VERDICTS[verdict])} ({count})"
            cells += [
                _flowable(drawing.legend_arrow(verdict), self.letters, 0.75, self.put),
                self._cell(label, ink=look.ink),
            ]
            widths += [40.0, self.letters.width(label, 7.5) + 18.0]
        # A table names the font of its empty cells, too.
        style = [("FONTNAME", (0, 0), (-1, -1), REGULAR)]
        return Table([cells], colWidths=widths, hAlign="LEFT", style=style)

    def _before_after(self) -> list[Any]:
        """What moved since an earlier session, if results/compare.json says so of this result."""
        found = self.moved
        if found is None:
            return []
        head = (
            *(say("Point"), say("It is"), say("Off before, mm"), say("Off now, mm")),
            *(say("Change ± U, mm"), say("Verdict before"), say("Verdict now")),
        )
        table = [[self._cell(text, True, 1 < i < 5) for i, text in enumerate(head)]]
        for point in found["points"][:_MOST_MOVED]:
            change = say("{value} ± {U}", value=point["change"], U=point["U"])
            verdicts = zip(point["looks"], point["verdicts"], strict=True)
            table.append(
                [
                    self._cell(f"{point['name']} {point['side']}", True),
                    self._cell(
                        f"{point['mark']} {self.put(point['state'])}", ink=point["look"].ink
                    ),
                    *(self._cell(off, right=True) for off, _ in point["off"]),
                    self._cell(change, right=True),
                    *(
                        self._cell(f"{look.mark} {self.put(said)}", ink=look.ink)
                        for look, said in verdicts
                    ),
                ]
            )
        before = found["before"]
        told = (
            say("Before is {title}, {date}; after is this job.", **_title_and_date(before))
            if before["date"]
            else say("Before is {title}; after is this job.", title=before["title"])
        )
        more = len(found["points"]) - _MOST_MOVED
        left = say("{more} more are in report.html.", more=more) if more > 0 else ""
        told = listed(
            [told, *found["notes"], *found["spring_backs"], *([left] if left else [])], " "
        )
        unmoved = say_count(
            found["unmoved"],
            "{count} other point did not move beyond its uncertainty.",
            "{count} other points did not move beyond their uncertainty.",
        )
        return [
            self._heading(say("Before and after")),
            self._text(found["answer"], 9.0, True),
            self._text(told, 8.5),
            *([self._table(table, (1.0, 2.2, 1.2, 1.2, 1.9, 1.5, 1.5))] if len(table) > 1 else []),
            *([self._text(unmoved, 8.5, spaceBefore=3.0)] if found["unmoved"] else []),
            self._text(
                say(
                    "Off is the distance of a point from its place on the sheet, told in the "
                    "vehicle frame of the earlier session; ± is the expanded uncertainty (k = 2). "
                    "All figures are in compare.json; the result before has the SHA-256 {sha256}.",
                    sha256=before["result_sha256"] or say("unknown"),
                ),
                7.5,
            ),
        ]

    def _damage(self) -> list[Any]:
        """A sentence a zone, as the page and the terminal have it."""
        damage = self.document.get("damage")
        if not damage or not damage["zones"]:
            return []
        marks = {str(verdict): look.mark for verdict, look in words.LOOKS.items()}
        lines = [
            self._pair(
                f"{marks[zone['verdict']]} {_upper(self.word(zone['verdict']))}.",
                zone["sentence"],
                size=8.5,
            )
            for zone in damage["zones"]
        ]
        return [self._heading(say("Damage by zone")), *lines]

    def _way_back(self) -> list[Any]:
        """How far each point that is out has to travel, and the cautions at a pull."""
        found = self.document.get("corrections") or []
        if not found:
            return []
        verdicts = {(row.point, row.side): row.axis_verdicts for row in self.measured.points}
        lines = []
        for one in found[:_MOST_CORRECTIONS]:
            correction = Correction(
                one["point"],
                one["side"],
                np.array(one["travel_mm"]),
                np.array(one["U_mm"]),
                verdicts[one["point"], one["side"]],
                one["length_mm"],
                one["U_length_mm"],
            )
            lines.append(
                self._pair(
                    f"{one['point']} {one['side']}:",
                    listed([correction_words(correction), "."], ""),
                )
            )
        if len(found) > _MOST_CORRECTIONS:
            left = len(found) - _MOST_CORRECTIONS
            lines.append(self._text(say("{more} more, all shorter, are on the page.", more=left)))
        cautions = say(
            "At a pull: {cautions}", cautions=listed([say(one) for one in CAUTIONS], " ")
        )
        heading = self._heading(say("Way back of the points that are out, mm"))
        return [heading, *lines, self._text(cautions, 8.0, spaceBefore=2.0)]

    def _sides(self) -> list[Any]:
        """Left against right, which a job without a sheet has to say."""
        symmetry = self.document.get("symmetry")
        if not symmetry:
            return []
        pairs, others = symmetry["pairs"], symmetry["comparisons"]
        table = [
            [
                self._cell(text, True, i > 1)
                for i, text in enumerate((say("Pair"), say("Verdict"), *_AXES_AND_U))
            ]
        ]
        for pair in pairs[:_MOST_PAIRS]:
            figures = zip(pair["difference_mm"], pair["U_mm"], strict=True)
            table.append(
                [self._cell(pair["point"], True), self._verdict(pair["verdict"])]
                + [self._cell(_with_U(value, U), right=True) for value, U in figures]
            )
        for one in [one for one in others if one["verdict"] != "within"][:_MOST_COMPARED]:
            table.append(
                [
                    self._cell(f"{self.word(one['what'])} {'-'.join(one['points'])}", True),
                    self._verdict(one["verdict"]),
                    self._cell(
                        say(
                            "{left} left, {right} right",
                            left=words.number(one["left_mm"], 1),
                            right=words.number(one["right_mm"], 1),
                        )
                    ),
                    self._cell(say("difference"), right=True),
                    self._cell(_with_U(one["left_mm"] - one["right_mm"], one["U_mm"]), right=True),
                ]
            )
        return [
            self._heading(say("Left against right")),
            self._text(
                say(
                    "Left minus right, mm; widths count from the centre plane outward, heights "
                    "up. {cannot}",
                    cannot=fixed(symmetry["cannot"]),
                ),
                8.5,
            ),
            self._table(table, (2.4, 1.8, 2.6, 2.0, 2.0)),
            self._text(
                say(
                    "{pairs} pairs and {others} comparisons of lengths are in report.html.",
                    pairs=len(pairs),
                    others=len(others),
                ),
                8.5,
                spaceBefore=3.0,
            ),
        ]

    def _verdict(self, verdict: str) -> Any:
        look = next(look for name, look in words.LOOKS.items() if name == verdict)
        return self._cell(f"{look.mark} {self.word(verdict)}", ink=look.ink)

    def _points(self) -> list[Any]:
        rows = words.worst_first(self.measured.points)
        if not rows:
            return []
        most = _MOST_ROWS - (min(len(self.moved["points"]), _MOST_MOVED) if self.moved else 0)
        most //= 2 if self.measured.inches else 1  # inches stand on a line of their own
        shown, rest = rows[:most], rows[most:]
        head = (say("Point"), say("Verdict"), *_AXES_AND_U, say("Tol."))
        table = [
            [self._cell(text, True, i > 1) for i, text in enumerate(head)]
            + [self._cell(say("at {axis}", axis=axis), True, True) for axis in words.AXIS_WORDS]
        ]
        for row in shown:
            table.append(self._row(row))
        parts = [
            self._heading(say("Points")),
            self._text(
                say(
                    "Millimetres from the datum: length + forward, width + left, height + up. A "
                    "deviation is measured minus sheet; ± is its expanded uncertainty (k = 2: "
                    "about 95 of 100 true values lie within)."
                ),
                8.5,
            ),
            self._table(table, (1.9, 3.2, 2.8, 2.8, 2.8, 0.9, 1.4, 1.4, 1.4)),
        ]
        if rest:
            count = Counter(row.verdict for row in rest)
            told = listed(
                listed([str(count[v]), said], " ") for v, said in words.VERDICTS.items() if count[v]
            )
            parts.append(
                self._text(
                    say(
                        "{more} more points are not listed here ({told}); all are in report.html "
                        "and points.csv.",
                        more=len(rest),
                        told=told,
                    ),
                    8.5,
                    True,
                )
            )
        if self.measured.base:
            parts.append(
                self._text(
                    say(
                        "Base points, which carry the vehicle frame: {base}. Their deviations "
                        "cannot show a movement that all of them share.",
                        base=_some(self.measured.base, 30),
                    ),
                    8.5,
                    spaceBefore=3.0,
                )
            )
        return parts

    def _row(self, row: DeviationRow) -> list[Any]:
        look = words.LOOKS[row.verdict]
        moved = words.moved(row)
        said = words.VERDICTS[row.verdict]
        told = say("{verdict}: {moved}", verdict=said, moved=moved) if moved else said
        verdict = f"{look.mark} {self.put(told)}"
        base = f" ({self.put(words.ROLES['base'])})" if row.base else ""
        cells = [
            self._cell(f"{row.point} {row.side}{base}", True),
            self._cell(verdict, ink=look.ink),
        ]
        for axis in range(3):
            of_axis = row.axis_verdicts[axis]
            mark = f"{words.LOOKS[of_axis].mark} " if of_axis in ("out", "undecided") else ""
            known = math.isfinite(row.deviation_mm[axis])
            text: str = "–"
            if known:
                figure = _with_U(row.deviation_mm[axis], row.U_deviation_mm[axis], self.decimals)
                text = f"{mark}{self.put(figure)}"
                if self.measured.inches:
                    text += f" ({self.put(words.inches(row.deviation_mm[axis], 3, True))})"
            cells.append(self._cell(text, bool(mark), True, words.LOOKS[of_axis].ink))
        cells.append(self._cell(words.number(row.tol_mm, 1), right=True))
        cells += [self._cell(words.number(v, 1), right=True) for v in row.position_mm]
        return cells

    def _findings(self) -> list[Any]:
        findings = self.measured.findings
        parts = [self._heading(say("What to look at"))]
        for finding in findings[:_MOST_FINDINGS]:
            subject = f"{self.put(fixed(finding.subject))}: " if finding.subject else ""
            told = [self.put(fixed(t)) for t in (finding.text, finding.effect, finding.remedy) if t]
            parts.append(
                self._pair(
                    f"{_upper(self.put(words.SEVERITIES[finding.severity]))}.",
                    " ".join(f"{subject}{' '.join(told)}".split()),
                    size=8.5,
                )
            )
        if not findings:
            parts.append(self._text(say("Nothing doubtful was found."), 8.5))
        if len(findings) > _MOST_FINDINGS:
            more = len(findings) - _MOST_FINDINGS
            parts.append(self._text(say("{more} more are in report.html.", more=more), 8.5, True))
        return parts

    def _method(self) -> list[Any]:
        document, measured = self.document, self.measured
        adjustment, settings = document["adjustment"], measured.settings
        used = sum(photo.used for photo in measured.photos)
        cameras = "; ".join(camera["name"] for camera in document["cameras"])
        residuals = [
            value
            for sighting in adjustment["sightings"]
            for dot in sighting["residuals_px"]
            for value in dot
            if value is not None
        ]
        rms_px = float(np.sqrt(np.mean(np.square(residuals)))) if residuals else math.nan
        parts = [
            self._heading(say("How it was measured, and how sure it is")),
            self._text(
                say(
                    "{used} of {photos} photos ({cameras}), {cards} cards, {dots} dots, adjusted "
                    "together: typical misfit {rms} px per coordinate, {redundancy} more "
                    "observations than needed; dots left out: {rejected}. {parts}, "
                    "{temperature:g} °C.",
                    used=used,
                    photos=len(measured.photos),
                    cameras=cameras,
                    cards=len(measured.cards),
                    dots=len(residuals) // 2,
                    rms=words.number(rms_px, 3),
                    redundancy=adjustment["redundancy"],
                    rejected=len(adjustment["rejected"]),
                    parts=say("Mechanical parts in place")
                    if settings["parts"] == "in"
                    else say("Mechanical parts taken out"),
                    temperature=float(settings["temperature_c"]),
                ),
                8.5,
            ),
        ]
        parts += [self._text(line, 8.5) for line in self._bars()]
        if measured.points:
            budget = document["budget"]
            parts.append(
                self._text(
                    say(
                        "{summary} Verdicts: {rule}",
                        summary=fixed(budget["summary"]),
                        rule=fixed(budget["decision_rule"]),
                    ),
                    8.5,
                )
            )
        parts.append(self._text(listed([*words.BEFORE_WORK, words.COMPLEMENT], " "), 8.5))
        files = [
            listed([file, sha256[:16] if sha256 else say("(could not be read)")], " ")
            for file, sha256 in measured.inputs
            if not any(file == photo.name for photo in measured.photos)
        ]
        parts.append(
            self._text(
                say(
                    "All figures are in results/result.json, whose SHA-256 is {sha256}; it holds "
                    "the SHA-256 of every photo and file this was made from, of which the first "
                    "16 digits are: {files}.",
                    sha256=self.sha256,
                    files=listed(files, "; "),
                ),
                7.5,
            )
        )
        return parts

    def _bars(self) -> list[Said]:
        bars = [
            BarCheck(
                (bar["cards"][0], bar["cards"][1]),
                bar["length_mm"],
                math.nan if bar["measured_mm"] is None else bar["measured_mm"],
                math.nan if bar["U_mm"] is None else bar["U_mm"],
            )
            for bar in self.document["bars"]
        ]
        lines = []
        for bar in bars:
            told = words.bar_verdict(bar, only_one=len(bars) == 1)
            read = (
                say(
                    ", from the photos {measured} ± {U} mm",
                    measured=words.number(bar.measured_mm, 2),
                    U=words.uncertainty(bar.U_mm, 2),
                )
                if math.isfinite(bar.measured_mm)
                else ""
            )
            lines.append(
                say(
                    "Bar {first}-{second}: {length} mm by its certificate{read}: {told}.",
                    first=bar.cards[0],
                    second=bar.cards[1],
                    length=words.number(bar.length_mm, 2),
                    read=read,
                    told=told,
                )
            )
        return lines or [say("No bar was measured.")]

    def _signature(self) -> list[Any]:
        from reportlab.platypus import KeepTogether, Table, TableStyle

        labels = (say("Place and date"), say("Name, in print"), say("Signature"))
        lines = []
        for who in (say("Measured by"), say("Read by (customer or insurer)")):
            lines.append([self._cell(who, True), "", ""])
            lines.append(["", "", ""])
            lines.append([self._cell(label, ink=drawing.FAINT) for label in labels])
        table = Table(lines, colWidths=[self.width / 3.0] * 3, rowHeights=[14.0, 24.0, 14.0] * 2)
        table.setStyle(
            TableStyle(
                [
                    *(
                        ("LINEABOVE", (column, row), (column, row), 0.6, drawing.INK)
                        for row in (2, 5)
                        for column in range(3)
                    ),
                    *(("SPAN", (0, row), (-1, row)) for row in (0, 3)),
                    ("FONTNAME", (0, 0), (-1, -1), REGULAR),
                    ("LEFTPADDING", (0, 0), (-1, -1), 0),
                    ("RIGHTPADDING", (0, 0), (-1, -1), 12),
                ]
            )
        )
        return [KeepTogether([self._heading(say("Signatures")), table])]


def _title_and_date(session: Mapping[str, Any]) -> dict[str, object]:
    return {"title": session["title"], "date": session["date"]}


def _flowable(
    view: drawing.Drawing, letters: Letters, scale: float, put: Callable[[str], str]
) -> Any:
    """A drawing as reportlab lays it out among paragraphs."""
    from reportlab.platypus import Flowable

    class Placed(Flowable):
        def wrap(self, *_: float) -> tuple[float, float]:
            return view.width_px * scale, view.height_px * scale

        def draw(self) -> None:
            self.canv.translate(0, view.height_px * scale)
            draw(self.canv, view, letters, scale, put)

    return Placed()


def _with_U(value_mm: float | None, U_mm: float | None, decimals: int = 1) -> str:
    """A length with its uncertainty, mm."""
    if value_mm is None or U_mm is None:
        return "–"
    return say(
        "{value} ± {U}",
        value=words.signed(value_mm, decimals),
        U=words.uncertainty(U_mm, decimals),
    )


def _upper(text: str) -> str:
    """The text with a capital in front, the rest as it is."""
    return text[:1].upper() + text[1:]


def _cut(text: str, letters: Letters, size: float, most_mm: float) -> str:
    """As much of a text as fits a line."""
    if letters.width(text, size) <= most_mm * _MM:
        return text
    while text and letters.width(f"{text}...", size) > most_mm * _MM:
        text = text[:-1]
    return f"{text}..."


def _some(names: Sequence[str], most: int = 5) -> str:
    more, first = len(names) - most, ", ".join(names[:most])
    return say("{names} and {more} more", names=first, more=more) if more > 0 else first
