"""The figures on paper: left against right, and the table of points."""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

import numpy as np

from pipeline.datum.deviation import DeviationRow
from pipeline.report import words
from pipeline.report.paper_blocks import AXES_AND_U, Paper, some, with_U
from pipeline.report.paper_damage import moved_rows
from targets.said import fixed, listed, say

_MOST_ROWS = 50
"""Rows of the table of points: with them the report has four pages at most."""
_ROOM_TO_BEGIN = 120.0
"""Of a page, points: heading, note, head row and three rows of the table of points."""
_MOST_PAIRS, _MOST_COMPARED = 30, 12


def left_against_right(paper: Paper) -> list[Any]:
    """Left against right, which a job without a sheet has to say."""
    symmetry = paper.document.get("symmetry")
    if not symmetry:
        return []
    pairs, others = symmetry["pairs"], symmetry["comparisons"]
    table = [
        [
            paper.cell(text, True, i > 1)
            for i, text in enumerate((say("Pair"), say("Verdict"), *AXES_AND_U))
        ]
    ]
    for pair in pairs[:_MOST_PAIRS]:
        figures = zip(pair["difference_mm"], pair["U_mm"], strict=True)
        table.append(
            [paper.cell(pair["point"], True), paper.verdict(pair["verdict"])]
            + [paper.cell(with_U(value, U), right=True) for value, U in figures]
        )
    for one in [one for one in others if one["verdict"] != "within"][:_MOST_COMPARED]:
        table.append(
            [
                paper.cell(f"{paper.word(one['what'])} {'-'.join(one['points'])}", True),
                paper.verdict(one["verdict"]),
                paper.cell(
                    say(
                        "{left} left, {right} right",
                        left=words.number(one["left_mm"], 1),
                        right=words.number(one["right_mm"], 1),
                    )
                ),
                paper.cell(say("difference"), right=True),
                paper.cell(with_U(one["left_mm"] - one["right_mm"], one["U_mm"]), right=True),
            ]
        )
    return [
        paper.heading(say("Left against right")),
        paper.text(
            say(
                "Left minus right, mm; widths count from the centre plane outward, heights "
                "up. {cannot}",
                cannot=fixed(symmetry["cannot"]),
            ),
            8.5,
        ),
        paper.table(table, (2.4, 1.8, 2.6, 2.0, 2.0)),
        paper.text(
            say(
                "{pairs} pairs and {others} comparisons of lengths are in report.html.",
                pairs=len(pairs),
                others=len(others),
            ),
            8.5,
            spaceBefore=3.0,
        ),
    ]


def points(paper: Paper) -> list[Any]:
    """The table of points, the worst first; it begins with some of its rows below its heading."""
    from reportlab.platypus import CondPageBreak

    rows = words.worst_first(paper.measured.points)
    if not rows:
        return []
    most = _MOST_ROWS - moved_rows(paper)
    most //= 2 if paper.measured.inches else 1  # inches stand on a line of their own
    shown, rest = rows[:most], rows[most:]
    head = (say("Point"), say("Verdict"), *AXES_AND_U, say("Tol."))
    table = [
        [paper.cell(text, True, i > 1) for i, text in enumerate(head)]
        + [paper.cell(say("at {axis}", axis=axis), True, True) for axis in words.AXIS_WORDS]
    ]
    decimals = words.decimals_for(np.concatenate([row.U_deviation_mm for row in rows]))
    for row in shown:
        table.append(_row(paper, row, decimals))
    parts = [
        CondPageBreak(_ROOM_TO_BEGIN),
        paper.heading(say("Points")),
        paper.text(
            say(
                "Millimetres from the datum: length + forward, width + left, height + up. A "
                "deviation is measured minus sheet; ± is its expanded uncertainty (k = 2: "
                "about 95 of 100 true values lie within)."
            ),
            8.5,
        ),
        paper.table(table, (1.9, 3.2, 2.8, 2.8, 2.8, 0.9, 1.4, 1.4, 1.4)),
    ]
    if rest:
        count = Counter(row.verdict for row in rest)
        told = listed(
            listed([str(count[v]), said], " ") for v, said in words.VERDICTS.items() if count[v]
        )
        parts.append(
            paper.text(
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
    if paper.measured.base:
        parts.append(
            paper.text(
                say(
                    "Base points, which carry the vehicle frame: {base}. Their deviations "
                    "cannot show a movement that all of them share.",
                    base=some(paper.measured.base, 30),
                ),
                8.5,
                spaceBefore=3.0,
            )
        )
    return parts


def _row(paper: Paper, row: DeviationRow, decimals: int) -> list[Any]:
    look = words.LOOKS[row.verdict]
    moved = words.moved(row)
    said = words.VERDICTS[row.verdict]
    told = say("{verdict}: {moved}", verdict=said, moved=moved) if moved else said
    verdict = f"{look.mark} {paper.put(told)}"
    base = f" ({paper.put(words.ROLES['base'])})" if row.base else ""
    cells = [
        paper.cell(f"{row.point} {row.side}{base}", True),
        paper.cell(verdict, ink=look.ink),
    ]
    for axis in range(3):
        of_axis = row.axis_verdicts[axis]
        mark = f"{words.LOOKS[of_axis].mark} " if of_axis in ("out", "undecided") else ""
        known = math.isfinite(row.deviation_mm[axis])
        text: str = "–"
        if known:
            figure = with_U(row.deviation_mm[axis], row.U_deviation_mm[axis], decimals)
            text = f"{mark}{paper.put(figure)}"
            if paper.measured.inches:
                text += f" ({paper.put(words.inches(row.deviation_mm[axis], 3, True))})"
        cells.append(paper.cell(text, bool(mark), True, words.LOOKS[of_axis].ink))
    cells.append(paper.cell(words.number(row.tol_mm, 1), right=True))
    cells += [paper.cell(words.number(v, 1), right=True) for v in row.position_mm]
    return cells
