"""The repair on paper: before and after, damage by zone, the way back of points, suspension."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from pipeline.repair.correction import CAUTIONS, Correction
from pipeline.report import words
from pipeline.report.damage_words import correction_words
from pipeline.report.paper_blocks import Paper, capital
from pipeline.report.suspension import (
    SUSPENSION_LIMITS,
    suspension_of,
    suspension_sentence,
)
from targets.said import listed, say, say_count

_MOST_MOVED = 20
_MOST_CORRECTIONS = 8


def sessions(paper: Paper) -> list[Any]:
    """What moved since an earlier session, if results/compare.json says so of this result."""
    found = paper.source.moved
    if found is None:
        return []
    head = (
        *(say("Point"), say("It is"), say("Off before, mm"), say("Off now, mm")),
        *(say("Change ± U, mm"), say("Verdict before"), say("Verdict now")),
    )
    table = [[paper.cell(text, True, 1 < i < 5) for i, text in enumerate(head)]]
    for point in found["points"][:_MOST_MOVED]:
        change = say("{value} ± {U}", value=point["change"], U=point["U"])
        verdicts = zip(point["looks"], point["verdicts"], strict=True)
        table.append(
            [
                paper.cell(f"{point['name']} {point['side']}", True),
                paper.cell(f"{point['mark']} {paper.put(point['state'])}", ink=point["look"].ink),
                *(paper.cell(off, right=True) for off, _ in point["off"]),
                paper.cell(change, right=True),
                *(
                    paper.cell(f"{look.mark} {paper.put(said)}", ink=look.ink)
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
    told = listed([told, *found["notes"], *found["spring_backs"], *([left] if left else [])], " ")
    unmoved = say_count(
        found["unmoved"],
        "{count} other point did not move beyond its uncertainty.",
        "{count} other points did not move beyond their uncertainty.",
    )
    return [
        paper.heading(say("Before and after")),
        paper.text(found["answer"], 9.0, True),
        paper.text(told, 8.5),
        *([paper.table(table, (1.0, 2.2, 1.2, 1.2, 1.9, 1.5, 1.5))] if len(table) > 1 else []),
        *([paper.text(unmoved, 8.5, spaceBefore=3.0)] if found["unmoved"] else []),
        paper.text(
            say(
                "Off is the distance of a point from its place on the sheet, told in the "
                "vehicle frame of the earlier session; ± is the expanded uncertainty (k = 2). "
                "All figures are in compare.json; the result before has the SHA-256 {sha256}.",
                sha256=before["result_sha256"] or say("unknown"),
            ),
            7.5,
        ),
    ]


def damage(paper: Paper) -> list[Any]:
    """A sentence a zone, as the page and the terminal have it."""
    damage = paper.document.get("damage")
    if not damage or not damage["zones"]:
        return []
    marks = {str(verdict): look.mark for verdict, look in words.LOOKS.items()}
    lines = [
        paper.pair(
            f"{marks[zone['verdict']]} {capital(paper.word(zone['verdict']))}.",
            zone["sentence"],
            size=8.5,
        )
        for zone in damage["zones"]
    ]
    return [paper.heading(say("Damage by zone")), *lines]


def way_back(paper: Paper) -> list[Any]:
    """How far each point that is out has to travel, and the cautions at a pull."""
    found = paper.document.get("corrections") or []
    if not found:
        return []
    verdicts = {(row.point, row.side): row.axis_verdicts for row in paper.measured.points}
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
            paper.pair(
                f"{one['point']} {one['side']}:",
                listed([correction_words(correction), "."], ""),
            )
        )
    if len(found) > _MOST_CORRECTIONS:
        left = len(found) - _MOST_CORRECTIONS
        lines.append(paper.text(say("{more} more, all shorter, are on the page.", more=left)))
    cautions = say("At a pull: {cautions}", cautions=listed([say(one) for one in CAUTIONS], " "))
    heading = paper.heading(say("Way back of the points that are out, mm"))
    return [heading, *lines, paper.text(cautions, 8.0, spaceBefore=2.0)]


def suspension(paper: Paper) -> list[Any]:
    """What moved pick-up points mean for the wheels, where the sheet names such points."""
    changes = suspension_of(paper.document.get("suspension") or [])
    if not changes:
        return []
    return [
        paper.heading(say("What moved pick-up points mean for the wheels")),
        *(paper.text(suspension_sentence(one)) for one in changes),
        paper.text(SUSPENSION_LIMITS, 8.0, spaceBefore=2.0),
    ]


def moved_rows(paper: Paper) -> int:
    """How many rows the table before and after has."""
    moved = paper.source.moved
    return min(len(moved["points"]), _MOST_MOVED) if moved is not None else 0


def _title_and_date(session: Mapping[str, Any]) -> dict[str, object]:
    return {"title": session["title"], "date": session["date"]}
