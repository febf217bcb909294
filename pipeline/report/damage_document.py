"""Damage, way back and suspension as result.json holds them."""

from __future__ import annotations

import math
from typing import Any

from pipeline.report.damage_words import zone_sentence, zone_verdict
from pipeline.report.suspension import suspension_document
from pipeline.results.result import Result


def damage_document(result: Result) -> dict[str, Any]:
    """The keys of result.json: damage, corrections, suspension (None, and empty lists, without)."""
    damage = result.damage
    zones = []
    for zone in damage.zones if damage else ():
        zones.append(
            {
                "zone": zone.zone,
                "verdict": zone_verdict(zone),
                "sentence": zone_sentence(zone, damage.local if damage else ()),
                "points": list(zone.points),
                "start_mm": _figure(zone.frame.start_mm),
                "end_mm": _figure(zone.frame.end_mm),
                "width_mm": _figure(zone.frame.width_mm),
                "tolerance_mm": _figure(zone.tolerance_mm),
                "misfit": _figure(zone.misfit),
                "corners": [
                    {
                        "side": corner.side,
                        "change_mm": [_figure(v) for v in corner.change_mm],
                        "U_mm": [_figure(v) for v in corner.U_mm],
                    }
                    for corner in zone.corners
                ],
                "terms": [
                    {
                        "term": term.term,
                        "near_mm": _figure(term.near_mm),
                        "U_near_mm": _figure(term.U_near_mm),
                        "far_mm": _figure(term.far_mm),
                        "U_far_mm": _figure(term.U_far_mm),
                        "shown": term.shown,
                        "verdict": term.verdict,
                        "by_turn": term.by_turn,
                    }
                    for term in zone.terms
                ],
            }
        )
    return {
        "damage": None
        if damage is None
        else {
            "scatter_mm": _figure(damage.scatter_mm),
            "zones": zones,
            "local": [
                {
                    "point": one.point,
                    "side": one.side,
                    "zone": one.zone,
                    "departure_mm": [_figure(v) for v in one.departure_mm],
                    "U_mm": [_figure(v) for v in one.U_mm],
                }
                for one in damage.local
            ],
        },
        "corrections": [
            {
                "point": one.point,
                "side": one.side,
                "travel_mm": [_figure(v) for v in one.travel_mm],
                "U_mm": [_figure(v) for v in one.U_mm],
                "length_mm": _figure(one.length_mm),
                "U_length_mm": _figure(one.U_length_mm),
            }
            for one in result.corrections
        ],
        "suspension": suspension_document(result.suspension),
    }


def _figure(value: float) -> float | None:
    return round(float(value), 6) if math.isfinite(value) else None
