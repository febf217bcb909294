"""The first page on paper: the answer, and drawings of where the points moved."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

from pipeline.datum.deviation import DeviationRow
from pipeline.report import drawing, words
from pipeline.report.damage_words import SECTIONS
from pipeline.report.letters import REGULAR, Letters, starts_right
from pipeline.report.paper_blocks import Paper, some
from pipeline.report.paper_drawing import draw
from pipeline.results.provenance import without_folder
from targets.said import fixed, listed, say

_DRAWING_SHARES = (0.9, 0.85, 0.8, 0.75)
"""Of the width of the text, the largest first; at the last the smallest print has 6.7 points."""
_MOST_HIGH = 300.0
"""Height of a drawing, points: few points make a high one."""
_MOST_TITLE_LINES = 4
_NOT_TO_SCALE = say(
    "No bar of known length was measured, so these millimetres are the printer's: every length "
    "here may be off by the same per cent as the printed cards. Measure a bar and solve again "
    "before acting on any figure."
)


def first_page(paper: Paper) -> list[Any]:
    """Answer and drawings, which are as large as lets all of them stand on the first page."""
    for share in _DRAWING_SHARES:
        parts = [*_answer(paper), *_moved_points(paper, share)]
        if _height(parts, paper.width) <= paper.height:
            return parts
    return [*_answer(paper), *_moved_points(paper, _DRAWING_SHARES[0])]


def _height(parts: Sequence[Any], width: float) -> float:
    """Height of parts below each other, points."""
    heights = [part.wrap(width, math.inf)[1] for part in parts]
    gaps = [
        max(above.getSpaceAfter(), below.getSpaceBefore())
        for above, below in itertools.pairwise(parts)
    ]
    return sum(heights) + sum(gaps)


def _answer(paper: Paper) -> list[Any]:
    verdicts = [row.verdict for row in paper.measured.points]
    worst = next((v for v in ("out", "undecided", "within") if v in verdicts), "no reference")
    look = words.LOOKS[worst]  # type: ignore[index]
    first, second = paper.document["answer"]
    parts = _title(paper, paper.measured.title or paper.put(say("Untitled job")))
    parts.append(
        paper.pair(
            f"{look.mark} {paper.put(first)}",
            second,
            backColor=look.wash,
            borderColor=look.ink,
            borderWidth=0.8,
            borderPadding=5.0,
            spaceBefore=5.0,
            spaceAfter=9.0,
        )
    )
    taken = _taken(paper)
    if taken:
        parts.insert(len(parts) - 1, paper.text(taken, 8.5, spaceAfter=8.0))
    zones = (paper.document.get("damage") or {}).get("zones", [])
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
        parts.append(paper.text(listed(told, "; "), 9.0, True, spaceAfter=6.0))
    alarms = []
    if not paper.measured.scaled:
        alarms.append((say("Not to scale."), _NOT_TO_SCALE))
    if paper.document["unmeasured"]:
        alarms.append((say("Not measured."), paper.document["unmeasured"]))
    changed = paper.measured.changed
    if changed:
        alarms.append(
            (
                say("Older than its files."),
                say(
                    "{files} changed or went after this was solved.",
                    files=some([without_folder(n, paper.measured.folder) for n in changed]),
                ),
            )
        )
    parts += [paper.pair(*alarm) for alarm in alarms]
    if "render" in paper.measured.title.lower():
        parts.append(
            paper.text(
                say("The photographs of this job are rendered by a computer; no real car is shown.")
            )
        )
    if paper.letters.missing:
        codes = [f"U+{ord(sign):04X}" for sign in paper.letters.missing]
        parts.append(
            paper.text(
                say(
                    "An empty square stands for a sign that no font of this computer has "
                    "({codes}); report.html shows it.",
                    codes=some(codes, 12),
                ),
                8.0,
            )
        )
    return parts


def _title(paper: Paper, title: str) -> list[Any]:
    from reportlab.platypus import Paragraph, Spacer

    size = 17.0 if len(title) < 60 else 12.0
    lines = paper.letters.lines(title, size, paper.width, bold=True)
    if len(lines) > _MOST_TITLE_LINES:
        lines = [*lines[: _MOST_TITLE_LINES - 1], f"{lines[_MOST_TITLE_LINES - 1]} ..."]
    # Right-to-left writing begins at the right.
    side = 2 if starts_right(title) else 0
    style = paper.style(size, alignment=side, spaceAfter=0.0)
    texts = [Paragraph(paper.letters.markup(line, True, own_way=True), style) for line in lines]
    return [*texts, Spacer(0, 6)]


def _taken(paper: Paper) -> str:
    """When and by whom, as far as the job says."""
    date, technician = (paper.measured.settings.get(key) for key in ("date", "technician"))
    told = [say("Photographed on {date}", date=date)] if date else []
    told += [say("technician {technician}", technician=technician)] if technician else []
    return listed([listed(told, "; "), "."], "") if told else ""


def _moved_points(paper: Paper, share: float) -> list[Any]:
    """Drawings as wide as a share of the text."""
    rows = paper.measured.points
    if not rows:
        return [
            paper.heading(say("Points")),
            paper.text(
                say(
                    "This job has no points with a place in a vehicle frame, so there are no "
                    "deviations and nothing is drawn. Its cards are in cards.csv."
                )
            ),
        ]
    parts = [
        paper.heading(say("Where the points moved")),
        paper.text(
            say(
                "To scale. Each arrow runs from where the point belongs to where it is, drawn "
                "{times} times as large; the grey square is the tolerance, drawn just as "
                "large. Black squares are base points. Lines join the two sides of a pair.",
                times=drawing.exaggeration(rows),
            ),
            8.5,
        ),
        _legend(paper, rows),
    ]
    return parts + [part for view in paper.source.views for part in _view(paper, view, share)]


def _view(paper: Paper, view: drawing.Drawing, share: float) -> list[Any]:
    scale = min(share * paper.width / view.width_px, _MOST_HIGH / view.height_px)
    return [
        paper.text(view.title, 9.0, True, spaceBefore=4.0, spaceAfter=1.0, keepWithNext=1),
        _flowable(view, paper.letters, scale, paper.put),
    ]


def _legend(paper: Paper, rows: Sequence[DeviationRow]) -> Any:
    from reportlab.platypus import Table

    cells: list[Any] = []
    widths: list[float] = []
    for verdict, look in words.LOOKS.items():
        count = sum(row.verdict == verdict for row in rows)
        if not count:
            continue
        label = f"{look.mark} {paper.put(words.VERDICTS[verdict])} ({count})"
        cells += [
            _flowable(drawing.legend_arrow(verdict), paper.letters, 0.75, paper.put),
            paper.cell(label, ink=look.ink),
        ]
        widths += [40.0, paper.letters.width(label, 7.5) + 18.0]
    # A table names the font of its empty cells, too.
    style = [("FONTNAME", (0, 0), (-1, -1), REGULAR)]
    return Table([cells], colWidths=widths, hAlign="LEFT", style=style)


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
