"""Damage, way back and suspension as result.json holds them."""

from __future__ import annotations

from typing import Any

from pipeline.report.damage_words import zone_sentence, zone_verdict
from pipeline.report.suspension import suspension_document
from pipeline.results.result import Result
from pipeline.results.result_json import plain_number, plain_numbers


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
                "start_mm": plain_number(zone.frame.start_mm, 6),
                "end_mm": plain_number(zone.frame.end_mm, 6),
                "width_mm": plain_number(zone.frame.width_mm, 6),
                "tolerance_mm": plain_number(zone.tolerance_mm, 6),
                "misfit": plain_number(zone.misfit, 6),
                "corners": [
                    {
                        "side": corner.side,
                        "change_mm": plain_numbers(corner.change_mm),
                        "U_mm": plain_numbers(corner.U_mm),
                    }
                    for corner in zone.corners
                ],
                "terms": [
                    {
                        "term": term.term,
                        "near_mm": plain_number(term.near_mm, 6),
                        "U_near_mm": plain_number(term.U_near_mm, 6),
                        "far_mm": plain_number(term.far_mm, 6),
                        "U_far_mm": plain_number(term.U_far_mm, 6),
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
            "scatter_mm": plain_number(damage.scatter_mm, 6),
            "zones": zones,
            "local": [
                {
                    "point": one.point,
                    "side": one.side,
                    "zone": one.zone,
                    "departure_mm": plain_numbers(one.departure_mm),
                    "U_mm": plain_numbers(one.U_mm),
                }
                for one in damage.local
            ],
        },
        "corrections": [
            {
                "point": one.point,
                "side": one.side,
                "travel_mm": plain_numbers(one.travel_mm),
                "U_mm": plain_numbers(one.U_mm),
                "length_mm": plain_number(one.length_mm, 6),
                "U_length_mm": plain_number(one.U_length_mm, 6),
            }
            for one in result.corrections
        ],
        "suspension": suspension_document(result.suspension),
    }
