"""The section on damage: zones as a table and drawings, the way back of points, suspension."""

from __future__ import annotations

import math
from typing import Any

from pipeline.language import Language
from pipeline.repair.correction import CAUTIONS
from pipeline.repair.damage import Damage, Term, Zone
from pipeline.report import drawing
from pipeline.report.damage_drawing import draw_heights, draw_zones
from pipeline.report.damage_words import (
    SECTIONS,
    VAGUE_MM,
    ZONE_NAMES,
    correction_words,
    missing_zones,
    trade_term,
    zone_sentence,
    zone_verdict,
)
from pipeline.report.suspension import suspension_rows
from pipeline.report.words import LOOKS, VERDICTS, number, signed, uncertainty
from pipeline.results.result import Result
from targets.said import Said, say


def damage_section(result: Result, language: Language) -> dict[str, Any]:
    """What the template says; empty without damage to speak of (no base points, no scale)."""
    from markupsafe import Markup

    damage = result.damage
    if damage is None:
        return {}
    times = drawing.exaggeration(result.deviations.rows)
    return {
        "zones": [_zone_row(zone, damage) for zone in damage.zones],
        "missing": missing_zones(damage) or "",
        "scatter": number(damage.scatter_mm, 1),
        "times": times,
        "plan": Markup(drawing.svg(draw_zones(result, damage, times), language.put)),
        "heights": Markup(drawing.svg(draw_heights(result, damage, times), language.put)),
        "corrections": [
            {
                "name": one.point,
                "side": one.side,
                "way": correction_words(one),
                "axes": [
                    {
                        "value": signed(one.travel_mm[axis], 1),
                        "U": uncertainty(one.U_mm[axis], 1),
                        "out": one.axis_verdicts[axis] == "out",
                    }
                    for axis in range(3)
                ],
                "length": number(one.length_mm, 1),
                "U_length": uncertainty(one.U_length_mm, 1),
            }
            for one in result.corrections
        ],
        "cautions": [say(caution) for caution in CAUTIONS],
        "suspension": suspension_rows(result.suspension),
    }


def _zone_row(zone: Zone, damage: Damage) -> dict[str, Any]:
    verdict = zone_verdict(zone)
    return {
        "name": ZONE_NAMES[zone.zone],
        "section": SECTIONS[zone.zone],
        "look": LOOKS[verdict],
        "verdict": VERDICTS[verdict],
        "sentence": zone_sentence(zone, damage.local),
        "points": ", ".join(zone.points),
        "terms": [
            {
                "name": trade_term(term)
                if term.shown or term.term != "height"
                else say("sag or kick-up"),
                "near": _with_u(term.near_mm, term.U_near_mm),
                "far": _with_u(term.far_mm, term.U_far_mm),
                "judged": _judged(term),
                "shown": term.shown,
            }
            for term in zone.terms
        ],
    }


def _judged(term: Term) -> Said:
    """A few words for the table."""
    if term.by_turn:
        return say("by the turn sideways")
    if not term.shown:
        return say("none shown") if term.verdict == "within" else say("cannot tell")
    if term.verdict == "out":
        return say("out")
    return say("changed, within") if term.verdict == "within" else say("changed, undecided")


def _with_u(value: float, U: float) -> str:
    if not math.isfinite(value):
        return number(value, 1)
    if U >= VAGUE_MM:
        return say("cannot tell")
    return say("{value} ± {U}", value=signed(value, 1), U=uncertainty(U, 1))
