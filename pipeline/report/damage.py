"""Damage by zone in words, as a table and as a small drawing; the way back of points in words."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from pipeline.correction import CAUTIONS, Correction, way
from pipeline.damage import Damage, LocalDamage, Term, Zone, end_change
from pipeline.deviation import Verdict, worst_verdict
from pipeline.language import Language
from pipeline.report import drawing
from pipeline.report.words import LOOKS, direction, number, signed
from pipeline.result import Result
from pipeline.suspension import Figure, SuspensionChange

ZONE_NAMES = {"front": "Front", "centre": "Centre", "rear": "Rear"}
_VAGUE_MM = 20.0
"""With a U beyond this the points do not tell a term at all, as one side does not tell twist."""
_SIDES = {"L": "left", "R": "right", "C": "centre"}

# Words for an amount above and below nought, and the term of the trade.
_END_WORDS = {
    "mash": ("lengthened", "shortened", "mash"),
    "diamond": (
        "right side further back than the left",
        "left side further back than the right",
        "diamond",
    ),
    "sway": ("shifted to the left", "shifted to the right", "sway"),
    "width": ("widened", "narrowed", "width"),
    "height": ("raised", "lowered", ""),
    "twist": ("left side higher than the right", "right side higher than the left", "twist"),
}
_CENTRE_WORDS = _END_WORDS | {
    "side mash": (
        "left side longer than the right",
        "left side shorter than the right",
        "mash of one side",
    ),
    "sway": ("bowed to the left in the middle", "bowed to the right in the middle", "sway"),
    "height": ("raised in the middle", "lowered in the middle", ""),
    "twist": (
        "twisted, front left and rear right up",
        "twisted, front right and rear left up",
        "twist",
    ),
}


def trade_term(term: Term) -> str:
    """The term of the trade: height is kick-up or sag by its sign."""
    if term.term == "height":
        return "kick-up" if term.largest_mm[0] > 0 else "sag"
    return "mash of one side" if term.term == "side mash" else term.term


def phrase(zone: Zone, term: Term) -> str:
    """A term with its figure: "shortened by 6.9 ± 1.0 mm (mash)"."""
    amount, U = term.largest_mm
    words = (_CENTRE_WORDS if zone.zone == "centre" else _END_WORDS)[term.term]
    name = trade_term(term)
    named = "" if name == "width" else f" ({name})"
    word = words[0] if amount > 0 else words[1]
    return f"{word} by {number(abs(amount), 1)} ± {number(U, 1)} mm{named}"


def zone_verdict(zone: Zone) -> Verdict:
    """out: a term is shown and out of tolerance; undecided: one may be; else within."""
    verdicts: list[Verdict] = []
    for term in zone.terms:
        if term.by_turn:
            continue
        doubtful = term.verdict == "out" and not term.shown
        verdicts.append("undecided" if doubtful else term.verdict)
    return worst_verdict(verdicts) if verdicts else "undecided"


def zone_sentence(zone: Zone, local: tuple[LocalDamage, ...]) -> str:
    """What a customer is told of a zone, with figures and U; says where it cannot tell."""
    name = f"{ZONE_NAMES[zone.zone]} section"
    tolerance = f"{number(zone.tolerance_mm, 1)} mm"
    shown = [term for term in zone.terms if term.shown]
    unsure = [
        term
        for term in zone.terms
        if not term.shown and not term.by_turn and term.verdict != "within"
    ]
    out = [term for term in shown if term.verdict == "out"]
    sentences = []
    if shown:
        said = "; ".join(phrase(zone, term) for term in shown)
        if out:
            judged = "damaged"
        elif any(term.verdict == "undecided" for term in shown):
            judged = (
                f"changed, and whether by more than the tolerance of {tolerance} cannot be told"
            )
        else:
            judged = f"changed, within the tolerance of {tolerance}"
        sentences.append(f"{name} {judged}: {said}.")
    elif not unsure and zone.terms:
        most = max(abs(a) + U for a, U in (term.largest_mm for term in zone.terms))
        sentences.append(
            f"{name} straight: any bend, twist or shift of it is smaller than {number(most, 1)} mm "
            f"(tolerance {tolerance})."
        )
    if any(term.by_turn for term in zone.terms):
        sentences.append("Left and right lengths differ by its turn sideways, which is no diamond.")
    vague = [term for term in unsure if term.largest_mm[1] > _VAGUE_MM]
    close = [term for term in unsure if term not in vague]
    if close:
        listed = ", ".join(
            f"{trade_term(t)} ({number(abs(t.largest_mm[0]), 1)} ± {number(t.largest_mm[1], 1)} mm)"
            for t in close
        )
        lead = "Cannot tell" if sentences else f"{name}: cannot tell"
        sentences.append(f"{lead} whether within {tolerance}: {listed}.")
    if vague:
        listed = ", ".join("sag or kick-up" if t.term == "height" else trade_term(t) for t in vague)
        lead = "Cannot tell" if sentences else f"{name}: cannot tell"
        sentences.append(f"{lead} at all, for want of points: {listed}.")
    for one in local:
        if one.zone == zone.zone:
            sentences.append(
                f"{_place(one.point, one.side)} departs from that by itself: {_departure(one)}."
            )
    return " ".join(sentences)


def missing_zones(damage: Damage) -> str:
    """A sentence on zones without points, "" when all have some."""
    missing = [name for name in ZONE_NAMES if name not in {zone.zone for zone in damage.zones}]
    if not missing:
        return ""
    return f"Not measured, so nothing can be told: {' and '.join(missing)} section."


def summary_lines(damage: Damage) -> list[str]:
    """The terminal's lines: one for each zone."""
    lines = [zone_sentence(zone, damage.local) for zone in damage.zones]
    return [*lines, *([missing_zones(damage)] if missing_zones(damage) else [])]


def correction_words(correction: Correction) -> str:
    """The way back of a point along the axes that are not within: "14.2 forward, 6.1 down"."""
    return ", ".join(
        f"{number(abs(correction.travel_mm[axis]), 1)} ± {number(correction.U_mm[axis], 1)} "
        f"{way(axis, correction.travel_mm[axis], correction.side)}"
        for axis in range(3)
        if correction.axis_verdicts[axis] != "within"
    )


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
        "suspension": [
            {
                "what": one.what,
                "axle": one.axle,
                "unit": "mm" if one.what == "wheelbase" else "degrees",
                "points": list(one.points),
                **{
                    name: None if f is None else {"value": _figure(f.value), "U": _figure(f.U)}
                    for name, f in (
                        ("left", one.left),
                        ("right", one.right),
                        ("difference", one.difference),
                    )
                },
            }
            for one in result.suspension
        ],
    }


def damage_section(result: Result, language: Language) -> dict[str, Any]:
    """What the template says; empty without damage to speak of (no base points, no scale)."""
    from markupsafe import Markup

    damage = result.damage
    if damage is None:
        return {}
    times = drawing.exaggeration(result.deviations.rows)
    return {
        "zones": [_zone_row(zone, damage) for zone in damage.zones],
        "missing": missing_zones(damage),
        "scatter": number(damage.scatter_mm, 1),
        "times": times,
        "plan": Markup(drawing.svg(draw_zones(result, damage, times), language.put)),
        "corrections": [
            {
                "name": one.point,
                "side": one.side,
                "way": correction_words(one),
                "axes": [
                    {
                        "value": signed(one.travel_mm[axis], 1),
                        "U": number(one.U_mm[axis], 1),
                        "out": one.axis_verdicts[axis] == "out",
                    }
                    for axis in range(3)
                ],
                "length": number(one.length_mm, 1),
                "U_length": number(one.U_length_mm, 1),
            }
            for one in result.corrections
        ],
        "cautions": CAUTIONS,
        "suspension": [_suspension_row(one) for one in result.suspension],
    }


def draw_zones(
    result: Result, damage: Damage, times: int, width_px: float = 1000.0
) -> drawing.Drawing:
    """Plan of the zones as they should be (grey) and are, and the way back of points that are out.

    Front to the left, seen from above; all changes ``times`` as large.
    """
    rows = [row for row in result.deviations.rows if np.isfinite(row.deviation_mm).all()]
    sheet = np.array([row.position_mm - row.deviation_mm for row in rows])
    seen = sheet + times * np.array([row.deviation_mm for row in rows])
    everything = np.vstack([sheet, seen])[:, :2]
    low, high = everything.min(axis=0) - 120.0, everything.max(axis=0) + 120.0
    margin = 46.0
    scale = (width_px - 2.0 * margin) / (high[0] - low[0])
    sketch = drawing.Drawing(
        "Plan of the zones, front to the left", width_px, (high[1] - low[1]) * scale + 74.0
    )

    def px(place: np.ndarray) -> tuple[float, float]:
        # The left side of the car is below, as in the plan of the points.
        return (
            margin + (high[0] - float(place[0])) * scale,
            34.0 + (float(place[1]) - low[1]) * scale,
        )

    for zone in damage.zones:
        corners = [
            np.array([x, side * 0.5 * zone.frame.width_mm, zone.frame.datum_mm])
            for x, side in (
                (zone.frame.start_mm, 1.0),
                (zone.frame.end_mm, 1.0),
                (zone.frame.end_mm, -1.0),
                (zone.frame.start_mm, -1.0),
            )
        ]
        look = LOOKS[zone_verdict(zone)]
        sketch.polygon([px(c) for c in corners], "#aab2bb", "#eceff2", 1.0)
        near = {term.term: term.near_mm for term in zone.terms}
        far = {term.term: term.far_mm for term in zone.terms}
        if zone.zone != "centre" and not zone.frame.one_station and _told(zone):
            moved = [c + times * end_change(c, near, far, zone.frame) for c in corners]
            sketch.polygon([px(c) for c in moved], look.ink, "none", 2.5)
        middle = px(np.mean(corners, axis=0))
        sketch.write(
            (middle[0], 18.0),
            f"{ZONE_NAMES[zone.zone]}: {look.mark} {zone_verdict(zone)}",
            look.ink,
            "middle",
            True,
        )
    out = {(one.point, one.side) for one in result.corrections}
    for row, place, now in zip(rows, sheet, seen, strict=True):
        start, tip = np.array(px(now)), np.array(px(place))
        if row.base:
            x, y = tip
            square = [(x - 4, y - 4), (x + 4, y - 4), (x + 4, y + 4), (x - 4, y + 4)]
            sketch.polygon(square, drawing.INK, drawing.INK)
        else:
            sketch.circle(tip, 3.0, drawing.INK, "#ffffff", 1.2)
        way_px = float(np.linalg.norm(tip - start))
        if (row.point, row.side) in out and way_px > 3.0:
            along = (tip - start) / way_px
            across = np.array([-along[1], along[0]])
            neck = tip - along * min(9.0, way_px)
            sketch.line([start, neck], drawing.INK, 2.0)
            sketch.polygon([tip, neck + 4 * across, neck - 4 * across], drawing.INK, drawing.INK)
            label = start - along * 12.0
            sketch.write((label[0], label[1] + 5.0), f"{row.point} {row.side}", anchor="middle")
    foot = sketch.height_px - 12.0
    sketch.write((margin, foot), "◀ FRONT", bold=True)
    sketch.write((width_px - margin, foot), "left side of the car below", drawing.FAINT, "end")
    return sketch


def _told(zone: Zone) -> bool:
    """Whether the points tell all of a zone's amounts."""
    return all(max(term.U_far_mm, term.U_near_mm) < _VAGUE_MM for term in zone.terms)


def _zone_row(zone: Zone, damage: Damage) -> dict[str, Any]:
    verdict = zone_verdict(zone)
    return {
        "name": ZONE_NAMES[zone.zone],
        "look": LOOKS[verdict],
        "verdict": verdict,
        "sentence": zone_sentence(zone, damage.local),
        "points": ", ".join(zone.points),
        "terms": [
            {
                "name": trade_term(term),
                "near": _with_u(term.near_mm, term.U_near_mm),
                "far": _with_u(term.far_mm, term.U_far_mm),
                "judged": _judged(term),
                "shown": term.shown,
            }
            for term in zone.terms
        ],
    }


def _judged(term: Term) -> str:
    """One word or two for the table."""
    if term.by_turn:
        return "by the turn sideways"
    if term.shown:
        return {"out": "out", "within": "changed, within"}.get(term.verdict, "changed, undecided")
    return "none shown" if term.verdict == "within" else "cannot tell"


def _suspension_row(change: SuspensionChange) -> dict[str, Any]:
    unit, decimals = ("mm", 1) if change.what == "wheelbase" else ("°", 2)

    def told(figure: Figure | None) -> str:
        if figure is None:
            return "–"
        return f"{signed(figure.value, decimals)} ± {number(figure.U, decimals)} {unit}"

    both = change.difference
    return {
        "name": f"{change.axle} {change.what}".strip().capitalize(),
        "left": told(change.left),
        "right": told(change.right),
        "difference": told(both),
        "judged": "one side is missing"
        if both is None
        else ("left and right differ" if both.shown else "no difference shown"),
        "points": ", ".join(change.points),
    }


def _departure(one: LocalDamage) -> str:
    """The axes along which it surely departs, else the largest: "5.5 ± 2.0 mm inward"."""
    axes = [a for a in range(3) if abs(one.departure_mm[a]) > one.U_mm[a]]
    axes = axes or [int(np.abs(one.departure_mm / one.U_mm).argmax())]
    return ", ".join(
        f"{number(abs(one.departure_mm[a]), 1)} ± {number(one.U_mm[a], 1)} mm "
        f"{direction(a, one.departure_mm[a], one.side)}"
        for a in axes
    )


def _place(point: str, side: str) -> str:
    return f"{point} {_SIDES.get(side, side)}"


def _with_u(value: float, U: float) -> str:
    if not math.isfinite(value):
        return "–"
    return f"{signed(value, 1)} ± {number(U, 1)}" if U < _VAGUE_MM else "cannot tell"


def _figure(value: float) -> float | None:
    return round(float(value), 6) if math.isfinite(value) else None
