"""The page for people: one file that needs nothing else, to read, to print and to pass on."""

from __future__ import annotations

import datetime
import math
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import CONSTANTS
from capture.sightings import Sighting
from pipeline.budget import COVERAGE_FACTOR, DECISION_RULE, SOURCES, budget_sentence
from pipeline.deviation import AXES, DeviationRow
from pipeline.report import drawing, words
from pipeline.report.thumbnails import thumbnails
from pipeline.result import Result
from pipeline.solution import CameraGroup, Solution
from pipeline.tables import version, without_folder
from targets.atomic import write_text

# Constants in px carry two decimals, the others as many as their uncertainty makes useful.
_CONSTANT_DECIMALS = dict.fromkeys(CONSTANTS[:4], 2) | dict.fromkeys(CONSTANTS[4:], 6)

_WEAKEST = 5
"""How many cards the page shows of those that are checked least; result.json has them all."""


def write_report(result: Result, sightings: tuple[Sighting, ...], path: Path) -> None:
    """Write the page as one self-contained HTML file.

    Parameters
    ----------
    result : everything one ``solve`` found.
    sightings : what was found in the photos, drawn over their thumbnails.
    path : of the file.

    Raises
    ------
    UserError : the file cannot be written. A photo that is gone is named on the page instead.
    """
    write_text(path, page_html(result, sightings))


def page_html(result: Result, sightings: tuple[Sighting, ...]) -> str:
    """Text of the page."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    here = Path(__file__).parent
    environment = Environment(
        loader=FileSystemLoader(here),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    template = environment.get_template("page.html")
    css = (here / "page.css").read_text(encoding="utf-8")
    return template.render(
        css=Markup(css),
        looks=words.LOOKS,
        title=result.job.title or "Untitled job",
        rendered="render" in result.job.title.lower(),
        scaled=result.scaled,
        answer=words.answer(result),
        unmeasured=words.unmeasured(result),
        verdict_of_all=_verdict_of_all(result),
        has_frame=result.vehicle_from_network is not None,
        has_sheet=result.job.sheet is not None,
        points=_points(result),
        drawings=_drawings(result, Markup),
        findings=_findings(result),
        bars=_bars(result),
        thumbnails=_thumbnails(result, sightings, Markup),
        budget=_budget(result),
        budget_sentence=budget_sentence(result.budget),
        decision_rule=DECISION_RULE,
        cards=_cards(result),
        weakest=_weakest(result),
        figures=_figures(result.solution),
        rejected=result.solution.rejected,
        cameras=[_camera(group) for group in result.solution.groups],
        seconds=[(stage, words.number(s, 2)) for stage, s in result.seconds.items()],
        seconds_in_all=words.number(sum(result.seconds.values()), 1),
        job=result.job,
        base=", ".join(result.base),
        version=version(),
        written=datetime.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M"),
    )


def _verdict_of_all(result: Result) -> str:
    """The verdict that colours the answer."""
    verdicts = [row.verdict for row in result.deviations.rows]
    return next((v for v in ("out", "undecided", "within") if v in verdicts), "no reference")


def _points(result: Result) -> list[dict[str, Any]]:
    rows = result.deviations.rows
    spreads = [row.U_deviation_mm for row in rows]
    decimals = words.decimals_for(np.concatenate(spreads)) if spreads else 1
    return [_point(row, decimals) for row in words.worst_first(rows)]


def _point(row: DeviationRow, decimals: int) -> dict[str, Any]:
    look = words.LOOKS[row.verdict]
    return {
        "name": row.point,
        "side": row.side,
        "card": row.card,
        "base": row.base,
        "photos": row.photos,
        "position": [words.number(v, 1) for v in row.position_mm],
        "deviation": [
            {
                "value": words.signed(row.deviation_mm[axis], decimals),
                "U": words.number(row.U_deviation_mm[axis], decimals),
                "known": math.isfinite(row.deviation_mm[axis]),
                "verdict": row.axis_verdicts[axis],
                "look": words.LOOKS[row.axis_verdicts[axis]],
                "axis": AXES[axis],
            }
            for axis in range(3)
        ],
        "tol": words.number(row.tol_mm, 1),
        "verdict": row.verdict,
        "look": look,
        "moved": words.moved(row),
    }


def _drawings(result: Result, markup: type) -> dict[str, Any]:
    rows = result.deviations.rows
    if not rows:
        return {}
    times = drawing.exaggeration(rows)
    return {
        "times": times,
        "plan": markup(drawing.svg(drawing.draw_view(rows, drawing.PLAN, times))),
        "upright": markup(
            drawing.svg(drawing.draw_view(rows, drawing.PLAN_UPRIGHT, times, width_px=366.0))
        ),
        "sides": [
            (view.title, markup(drawing.svg(drawing.draw_view(rows, view, times))))
            for view in drawing.SIDES
            if any(row.side in view.sides for row in rows)
        ],
        "legend": [
            (verdict, look, markup(drawing.legend_svg(look.css)))
            for verdict, look in words.LOOKS.items()
            if any(row.verdict == verdict for row in rows)
        ],
        "plan_title": drawing.PLAN.title,
        "upright_title": drawing.PLAN_UPRIGHT.title,
    }


def _findings(result: Result) -> list[dict[str, str]]:
    folder = result.job.folder
    return [
        {
            "severity": finding.severity,
            "subject": without_folder(finding.subject, folder),
            "text": without_folder(finding.text, folder),
            "effect": without_folder(finding.effect_told, folder),
            "remedy": without_folder(finding.remedy, folder),
        }
        for finding in result.findings
    ]


def _bars(result: Result) -> list[dict[str, Any]]:
    return [
        {
            "cards": f"{bar.cards[0]} and {bar.cards[1]}",
            "length": words.number(bar.length_mm, 2),
            "measured": words.number(bar.measured_mm, 2),
            "off": words.signed(bar.measured_mm - bar.length_mm, 2),
            "U": words.number(bar.U_mm, 2),
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
        whole = float((row.U_mm**2).sum()) / COVERAGE_FACTOR**2
        share = float((row.u_mm[row.dominant] ** 2).sum()) / whole if whole > 0 else 0.0
        rows.append(
            {
                "name": row.point,
                "side": row.side,
                "U": [words.number(u, decimals) for u in row.U_mm],
                "dominant": SOURCES[row.dominant],
                "share": words.number(100 * share, 0),
            }
        )
    return rows


def _thumbnails(
    result: Result, sightings: tuple[Sighting, ...], markup: type
) -> list[dict[str, Any]]:
    made = thumbnails(
        result.job.folder / "photos",
        result.photos,
        sightings,
        result.solution.rejected,
        result.deviations.rows,
    )
    return [
        {
            "name": thumbnail.photo.name,
            "used": thumbnail.photo.used,
            "reason": without_folder(thumbnail.photo.reason, result.job.folder),
            "cards": len(thumbnail.photo.cards),
            "rms": words.number(thumbnail.photo.rms_px, 3),
            "svg": markup(thumbnail.svg),
            "trouble": without_folder(thumbnail.trouble, result.job.folder),
        }
        for thumbnail in made
    ]


def _cards(result: Result) -> list[dict[str, Any]]:
    return [
        {
            "card": card.card,
            "role": card.role,
            "figures": [
                (words.number(v, 2), words.number(u, 2))
                for v, u in zip(card.centre_mm, card.U_mm, strict=True)
            ],
            "photos": card.photos,
        }
        for card in result.cards
    ]


def _weakest(result: Result) -> list[dict[str, Any]]:
    """The cards that an unseen error could shift most, worst first."""
    role = {card.card: card.role for card in result.cards}
    worst = sorted(result.reliability, key=lambda row: (-row.shift_mm, row.card))
    return [
        {
            "card": row.card,
            "role": role.get(row.card, "tie"),
            "redundancy": words.number(row.redundancy, 2),
            "photo": row.photo,
            "dot": row.dot + 1,
            "error": words.number(row.error_px, 2),
            "shift": words.number(row.shift_mm, 3),
            "checked": math.isfinite(row.shift_mm),
        }
        for row in worst[:_WEAKEST]
    ]


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
