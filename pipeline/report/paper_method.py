"""How it was measured, on paper: what to look at, the method, its files, signatures."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.report import drawing, words
from pipeline.report.letters import REGULAR
from pipeline.report.paper_blocks import Paper, capital
from pipeline.results.result import BarCheck
from targets.said import Said, fixed, listed, say

_MOST_FINDINGS = 12


def findings(paper: Paper) -> list[Any]:
    findings = paper.measured.findings
    parts = [paper.heading(say("What to look at"))]
    for finding in findings[:_MOST_FINDINGS]:
        subject = f"{paper.put(fixed(finding.subject))}: " if finding.subject else ""
        told = [paper.put(fixed(t)) for t in (finding.text, finding.effect, finding.remedy) if t]
        parts.append(
            paper.pair(
                f"{capital(paper.put(words.SEVERITIES[finding.severity]))}.",
                " ".join(f"{subject}{' '.join(told)}".split()),
                size=8.5,
            )
        )
    if not findings:
        parts.append(paper.text(say("Nothing doubtful was found."), 8.5))
    if len(findings) > _MOST_FINDINGS:
        more = len(findings) - _MOST_FINDINGS
        parts.append(paper.text(say("{more} more are in report.html.", more=more), 8.5, True))
    return parts


def method(paper: Paper) -> list[Any]:
    document, measured = paper.document, paper.measured
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
        paper.heading(say("How it was measured, and how sure it is")),
        paper.text(
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
    parts += [paper.text(line, 8.5) for line in _bars(paper)]
    if measured.points:
        budget = document["budget"]
        parts.append(
            paper.text(
                say(
                    "{summary} Verdicts: {rule}",
                    summary=fixed(budget["summary"]),
                    rule=fixed(budget["decision_rule"]),
                ),
                8.5,
            )
        )
    parts.append(paper.text(listed([*words.BEFORE_WORK, words.COMPLEMENT], " "), 8.5))
    files = [
        listed([file, sha256[:16] if sha256 else say("(could not be read)")], " ")
        for file, sha256 in measured.inputs
        if not any(file == photo.name for photo in measured.photos)
    ]
    parts.append(
        paper.text(
            say(
                "All figures are in results/result.json, whose SHA-256 is {sha256}; it holds "
                "the SHA-256 of every photo and file this was made from, of which the first "
                "16 digits are: {files}.",
                sha256=paper.source.sha256,
                files=listed(files, "; "),
            ),
            7.5,
        )
    )
    return parts


def _bars(paper: Paper) -> list[Said]:
    bars = [
        BarCheck(
            (bar["cards"][0], bar["cards"][1]),
            bar["length_mm"],
            math.nan if bar["measured_mm"] is None else bar["measured_mm"],
            math.nan if bar["U_mm"] is None else bar["U_mm"],
        )
        for bar in paper.document["bars"]
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


def signature(paper: Paper) -> list[Any]:
    from reportlab.platypus import KeepTogether, Table, TableStyle

    labels = (say("Place and date"), say("Name, in print"), say("Signature"))
    lines = []
    for who in (say("Measured by"), say("Read by (customer or insurer)")):
        lines.append([paper.cell(who, True), "", ""])
        lines.append(["", "", ""])
        lines.append([paper.cell(label, ink=drawing.FAINT) for label in labels])
    table = Table(lines, colWidths=[paper.width / 3.0] * 3, rowHeights=[14.0, 24.0, 14.0] * 2)
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
    return [KeepTogether([paper.heading(say("Signatures")), table])]
