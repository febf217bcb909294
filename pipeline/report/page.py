"""The page for people: one file that needs nothing else, to read, to print and to pass on."""

from __future__ import annotations

import math
from base64 import b64encode
from collections import Counter
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import CONSTANTS
from capture.sightings import Sighting
from pipeline.adjustment.solution import CameraGroup, Solution
from pipeline.datum.budget import (
    COVERAGE_FACTOR,
    DECISION_RULE,
    SOURCES,
    BudgetRow,
    budget_sentence,
)
from pipeline.datum.deviation import DeviationRow
from pipeline.language import Language, language_of
from pipeline.report import drawing, words
from pipeline.report.damage import damage_section
from pipeline.report.sides import base_words, symmetry_words
from pipeline.report.space import space
from pipeline.report.templates import templates
from pipeline.report.thumbnails import Previews, thumbnails
from pipeline.results.provenance import without_folder
from pipeline.results.result import Result
from targets.atomic import write_text
from targets.said import Figure, fixed, listed, say, say_count

# Constants in px carry two decimals, the others as many as their uncertainty makes useful.
_CONSTANT_DECIMALS = dict.fromkeys(CONSTANTS[:4], 2) | dict.fromkeys(CONSTANTS[4:], 6)

_WEAKEST = 5
"""How many cards the page shows of those that are checked least; result.json has them all."""


def write_report(
    result: Result,
    sightings: tuple[Sighting, ...],
    path: Path,
    hashes: Sequence[tuple[str, str | None]] = (),
    language: str = "en",
    previews: Previews | None = None,
) -> None:
    """Write the page as one self-contained HTML file.

    Parameters
    ----------
    result : everything one ``solve`` found.
    sightings : what was found in the photos, drawn over their thumbnails.
    path : of the file.
    hashes : names and SHA-256 of the files it was made from (``tables.input_hashes``).
    language : code of the language of the page.
    previews : of the photos, where they were begun before.

    Raises
    ------
    UserError : the file cannot be written. A photo that is gone is named on the page instead.
    """
    write_text(path, page_html(result, sightings, hashes, language, previews))


def page_html(
    result: Result,
    sightings: tuple[Sighting, ...],
    hashes: Sequence[tuple[str, str | None]] = (),
    language: str = "en",
    previews: Previews | None = None,
) -> str:
    """Text of the page; parameters as in ``write_report``."""
    from markupsafe import Markup

    here = Path(__file__).parent
    told_in = language_of(language)
    script = "".join((here / "scripts" / name).read_text(encoding="utf-8") for name in _SCRIPTS)
    page = {
        "title": result.job.title or say("Untitled job"),
        "date": result.job.date,
        "technician": result.job.technician,
        "rendered": "render" in result.job.title.lower(),
        "scaled": result.scaled,
        "answer": words.answer(result),
        "unmeasured": words.unmeasured(result),
        "verdict_of_all": _verdict_of_all(result),
        "has_frame": result.vehicle_from_network is not None,
        "has_sheet": result.job.sheet is not None,
        "axes": words.AXIS_WORDS,
        "points": _points(result),
        "verdict_counts": _verdict_counts(result),
        "drawings": _drawings(result, told_in),
        "space": space(result),
        "damage": damage_section(result, told_in),
        "findings": _findings(result, told_in),
        "symmetry": symmetry_words(result),
        "base_check": base_words(result),
        "bars": _bars(result),
        "thumbnails": _thumbnails(result, sightings, previews),
        "budget": _budget(result),
        "budget_sentence": budget_sentence(result.budget),
        "decision_rule": say(DECISION_RULE),
        "cards": _cards(result),
        "weakest_points": _weakest_points(result),
        "weakest": _weakest(result),
        "method": _method(result),
        "figures": _figures(result.solution),
        "rejected": result.solution.rejected,
        "cameras": [_camera(group) for group in result.solution.groups],
        "seconds": [
            (told_in.word(stage), words.number(s, 2)) for stage, s in result.seconds.items()
        ],
        "seconds_in_all": words.number(sum(result.seconds.values()), 1),
        "base": ", ".join(result.base),
        "hashes": hashes,
    }
    return (
        templates(told_in)
        .get_template("page.html")
        .render(
            **told_in.put_all(page),
            script=Markup(script),
            script_hash=_hash(script),
        )
    )


_SCRIPTS = ("table.js", "tip.js", "space.js", "enlarge.js", "print.js")
"""What the page runs, in this order; a policy in its head lets nothing else run."""


def _hash(script: str) -> str:
    """The source expression of a script for a Content-Security-Policy (level 2, 4.2.5)."""
    return f"sha256-{b64encode(sha256(script.encode()).digest()).decode()}"


def _verdict_of_all(result: Result) -> str:
    """The verdict that colours the answer."""
    verdicts = [row.verdict for row in result.deviations.rows]
    return next((v for v in ("out", "undecided", "within") if v in verdicts), "no reference")


def _points(result: Result) -> list[dict[str, Any]]:
    rows = result.deviations.rows
    spreads = [row.U_deviation_mm for row in rows]
    decimals = words.decimals_for(np.concatenate(spreads)) if spreads else 1
    places = {id(row): index for index, row in enumerate(rows)}
    return [
        {
            "index": places[id(row)],
            "rank": rank,
            **_point(row, decimals, result.job.inches),
        }
        for rank, row in enumerate(words.worst_first(rows))
    ]


def _point(row: DeviationRow, decimals: int, inches: bool) -> dict[str, Any]:
    look = words.LOOKS[row.verdict]
    return {
        "name": row.point,
        "side": row.side,
        "card": row.card,
        "base": row.base,
        "photos": row.photos,
        "position": [words.number(v, 1) for v in row.position_mm],
        "position_inches": [words.inches(v, 2) for v in row.position_mm] if inches else [],
        "sort": {"tol": _sort(row.tol_mm), "position": [_sort(v) for v in row.position_mm]},
        "deviation": [
            {
                "value": words.signed(row.deviation_mm[axis], decimals),
                "U": words.uncertainty(row.U_deviation_mm[axis], decimals),
                "known": math.isfinite(row.deviation_mm[axis]),
                "inches": words.inches(row.deviation_mm[axis], 3, with_sign=True) if inches else "",
                "sort": _sort(row.deviation_mm[axis]),
                "doubtful": row.axis_verdicts[axis] in ("out", "undecided"),
                "verdict": words.VERDICTS[row.axis_verdicts[axis]],
                "look": words.LOOKS[row.axis_verdicts[axis]],
            }
            for axis in range(3)
        ],
        "tol": words.number(row.tol_mm, 1),
        "verdict": words.VERDICTS[row.verdict],
        "look": look,
        "moved": words.moved(row),
    }


def _sort(value: float) -> str:
    """A figure to sort a table by; "" where there is none."""
    return f"{value:.4f}" if math.isfinite(value) else ""


def _verdict_counts(result: Result) -> list[tuple[str, words.Look, int]]:
    count = Counter(row.verdict for row in result.deviations.rows)
    return [(words.VERDICTS[v], look, count[v]) for v, look in words.LOOKS.items() if count[v]]


def _drawings(result: Result, language: Language) -> dict[str, Any]:
    from markupsafe import Markup as markup

    rows = result.deviations.rows
    if not rows:
        return {}
    times = drawing.exaggeration(rows)
    telling = [
        language.put(listed([words.place_name(row), *words.told(row)], "; ")) for row in rows
    ]

    def svg(view: drawing.View, **size: float) -> str:
        laid_out = drawing.draw_view(rows, view, times, **size)
        return markup(drawing.svg(laid_out, language.put, telling))

    return {
        "times": times,
        "plan": svg(drawing.PLAN),
        "upright": svg(drawing.PLAN_UPRIGHT, width_px=366.0),
        "sides": [
            (view.title, svg(view))
            for view in drawing.SIDES
            if any(row.side in view.sides for row in rows)
        ],
        "legend": [
            (words.VERDICTS[verdict], look, markup(drawing.legend_svg(look.css, language.put)))
            for verdict, look in words.LOOKS.items()
            if any(row.verdict == verdict for row in rows)
        ],
        "plan_title": drawing.PLAN.title,
        "upright_title": drawing.PLAN_UPRIGHT.title,
    }


def _findings(result: Result, language: Language) -> list[dict[str, str]]:
    def told(text: str) -> str:
        return without_folder(language.put(fixed(text)), result.job.folder)

    return [
        {
            "severity": finding.severity,
            "severity_word": words.SEVERITIES[finding.severity],
            "subject": told(finding.subject),
            "text": told(finding.text),
            "effect": told(finding.effect_told),
            "remedy": told(finding.remedy),
        }
        for finding in result.findings
    ]


def _bars(result: Result) -> list[dict[str, Any]]:
    return [
        {
            "cards": say("{first} and {second}", first=bar.cards[0], second=bar.cards[1]),
            "length": words.number(bar.length_mm, 2),
            "measured": words.number(bar.measured_mm, 2),
            "off": words.signed(bar.measured_mm - bar.length_mm, 2),
            "U": words.uncertainty(bar.U_mm, 2),
            "verdict": words.bar_verdict(bar, only_one=len(result.bars) == 1),
        }
        for bar in result.bars
    ]


def _budget(result: Result) -> list[dict[str, Any]]:
    """U of each deviation by axis, and what decides it: its source and share of the variance."""
    known = [row for row in result.budget if np.isfinite(row.U_mm).all()]
    decimals = words.decimals_for(np.concatenate([row.U_mm for row in known])) if known else 1
    rows = []
    for row in known:
        rows.append(
            {
                "name": row.point,
                "side": row.side,
                "U": [words.uncertainty(u, decimals) for u in row.U_mm],
                "sort": [_sort(u) for u in row.U_mm],
                "dominant": say(SOURCES[row.dominant]),
                "share": words.number(100 * _dominant_share(row), 0),
            }
        )
    return rows


def _dominant_share(row: BudgetRow) -> float:
    """Share of the dominant source in the variance of all three axes."""
    whole = float((row.U_mm**2).sum()) / COVERAGE_FACTOR**2
    return float((row.u_mm[row.dominant] ** 2).sum()) / whole if whole > 0 else 0.0


def _thumbnails(
    result: Result, sightings: tuple[Sighting, ...], previews: Previews | None
) -> list[dict[str, Any]]:
    from markupsafe import Markup

    made = thumbnails(
        result.job.folder / "photos",
        result.photos,
        sightings,
        result.solution.rejected,
        result.deviations.rows,
        previews,
    )
    return [
        {
            "name": thumbnail.photo.name,
            "used": thumbnail.photo.used,
            "reason": fixed(without_folder(thumbnail.photo.reason, result.job.folder))
            or say("no reason was given"),
            "found": say_count(
                len(thumbnail.photo.cards),
                "{count} card, {rms} px rms",
                "{count} cards, {rms} px rms",
                rms=words.number(thumbnail.photo.rms_px, 3),
            ),
            "svg": Markup(thumbnail.svg),
            "trouble": without_folder(thumbnail.trouble, result.job.folder),
        }
        for thumbnail in made
    ]


def _cards(result: Result) -> list[dict[str, Any]]:
    return [
        {
            "card": card.card,
            "role": words.ROLES.get(card.role, card.role),
            "figures": [
                (words.number(v, 2), words.uncertainty(u, 2), _sort(v))
                for v, u in zip(card.centre_mm, card.U_mm, strict=True)
            ],
            "photos": card.photos,
        }
        for card in result.cards
    ]


def _weakest_points(result: Result) -> list[dict[str, Any]]:
    """The deviations with the largest U on any axis, worst first, and what makes it large."""
    budgets = {(row.point, row.side): row for row in result.budget}
    known = [row for row in result.deviations.rows if np.isfinite(row.U_deviation_mm).all()]
    worst = sorted(known, key=lambda row: -float(row.U_deviation_mm.max()))
    return [
        {
            "place": words.place_name(row),
            "figure": words.least_sure(row),
            "why": words.why_unsure(row, budgets.get((row.point, row.side))),
        }
        for row in worst[:_WEAKEST]
    ]


def _weakest(result: Result) -> list[dict[str, Any]]:
    """The cards that an unseen error could shift most, worst first."""
    role = {card.card: card.role for card in result.cards}
    worst = sorted(result.reliability, key=lambda row: (-row.shift_mm, row.card))
    return [
        {
            "card": row.card,
            "role": words.ROLES.get(role.get(row.card, "tie"), "tie"),
            "redundancy": words.number(row.redundancy, 2),
            "photo": row.photo,
            "dot": row.dot + 1,
            "error": words.number(row.error_px, 2),
            "shift": words.number(row.shift_mm, 3),
            "checked": math.isfinite(row.shift_mm),
        }
        for row in worst[:_WEAKEST]
    ]


def _method(result: Result) -> dict[str, Any]:
    """How it was measured, in plain sentences."""
    job, solution = result.job, result.solution
    return {
        "photos": words.told_photos(solution),
        "scale": words.told_scale(result),
        "frame": words.told_frame(result),
        "settings": say(
            "Settings: {parts}, {temperature} °C, tolerance {tolerance} mm where "
            "the sheet gives none, seat of a card in its hole good to {seat} mm, length of a stem "
            "to {stem} mm (one standard deviation).",
            parts=say("mechanical parts in place")
            if job.parts == "in"
            else say("mechanical parts taken out"),
            temperature=Figure(f"{job.temperature_c:g}"),
            tolerance=Figure(f"{job.tolerance_mm:g}"),
            seat=Figure(f"{job.seating_u_mm:g}"),
            stem=Figure(f"{job.stem_u_mm:g}"),
        ),
    }


def _figures(solution: Solution) -> dict[str, str]:
    used = np.isfinite(solution.residuals_px).all(axis=-1)
    residuals = solution.residuals_px[used]
    rms_px = float(np.sqrt(np.mean(residuals**2))) if residuals.size else float("nan")
    return {
        "photos": str(len(solution.photos)),
        "cards": str(len(solution.cards)),
        "dots": str(int(used.sum())),
        "rms_px": words.number(rms_px, 3),
        "sigma0": words.number(solution.sigma0, 2),
        "redundancy": str(int(solution.redundancy)),
    }


def _camera(group: CameraGroup) -> dict[str, Any]:
    return {
        "name": group.name,
        "photos": len(group.photos),
        "from_profile": group.from_profile,
        "terms": words.told_terms(group),
        "constants": [
            (
                name,
                words.number(float(value), _CONSTANT_DECIMALS[name]),
                words.number(float(sd), _CONSTANT_DECIMALS[name]),
                "px" if name in CONSTANTS[:4] else "",
            )
            for name, value, sd in zip(
                CONSTANTS, group.camera.constants, group.sd_constants, strict=True
            )
        ],
    }
