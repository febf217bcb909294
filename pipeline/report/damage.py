"""Damage by zone in words, as a table and as a small drawing; the way back of points in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from calib.frames import Array
from pipeline.correction import CAUTIONS, Correction, way
from pipeline.damage import Corner, Damage, LocalDamage, Term, Zone, end_change
from pipeline.deviation import Verdict, worst_verdict
from pipeline.language import Language, Said, listed, say
from pipeline.report import drawing
from pipeline.report.words import (
    LOOKS,
    VERDICTS,
    direction,
    number,
    place_name,
    signed,
    uncertainty,
)
from pipeline.result import Result
from pipeline.suspension import Figure, SuspensionChange

ZONE_NAMES = {"front": say("front"), "centre": say("centre"), "rear": say("rear")}
SECTIONS = {
    "front": say("Front section"),
    "centre": say("Centre section"),
    "rear": say("Rear section"),
}
"""The zones as they begin a line."""
_VAGUE_MM = 20.0
"""With a U beyond this the points do not tell a term at all, as one side does not tell twist."""

# Words for an amount above and below nought.
_END_WORDS = {
    "mash": (say("lengthened"), say("shortened")),
    "diamond": (
        say("right side further back than the left"),
        say("left side further back than the right"),
    ),
    "sway": (say("shifted to the left"), say("shifted to the right")),
    "width": (say("widened"), say("narrowed")),
    "height": (say("raised"), say("lowered")),
    "twist": (
        say("left side higher than the right"),
        say("right side higher than the left"),
    ),
}
_CENTRE_WORDS = _END_WORDS | {
    "side mash": (
        say("left side longer than the right"),
        say("left side shorter than the right"),
    ),
    "sway": (say("bowed to the left in the middle"), say("bowed to the right in the middle")),
    "height": (say("raised in the middle"), say("lowered in the middle")),
    "twist": (
        say("front left and rear right up"),
        say("front right and rear left up"),
    ),
}
_TRADE_TERMS = {
    "mash": say("mash"),
    "diamond": say("diamond"),
    "side mash": say("mash of one side"),
    "sway": say("sway"),
    "width": say("width"),
    "twist": say("twist"),
}


def trade_term(term: Term) -> Said:
    """The term of the trade: height is kick-up or sag by its sign."""
    if term.term == "height":
        return say("kick-up") if term.largest_mm[0] > 0 else say("sag")
    return _TRADE_TERMS[term.term]


def phrase(zone: Zone, term: Term) -> Said:
    """A term with its figure: "mash: shortened by 6.9 ± 1.0 mm"."""
    amount, U = term.largest_mm
    words = (_CENTRE_WORDS if zone.zone == "centre" else _END_WORDS)[term.term]
    return say(
        "{term}: {change} by {far} ± {U} mm",
        term=trade_term(term),
        change=words[0] if amount > 0 else words[1],
        far=number(abs(amount), 1),
        U=uncertainty(U, 1),
    )


def zone_verdict(zone: Zone) -> Verdict:
    """out: a term is shown and out of tolerance; undecided: one may be; else within."""
    verdicts: list[Verdict] = []
    for term in zone.terms:
        if term.by_turn:
            continue
        doubtful = term.verdict == "out" and not term.shown
        verdicts.append("undecided" if doubtful else term.verdict)
    return worst_verdict(verdicts) if verdicts else "undecided"


def zone_sentence(zone: Zone, local: Sequence[LocalDamage]) -> Said:
    """What a customer is told of a zone, with figures and U; says where it cannot tell."""
    return listed(_zone_sentences(zone, local), " ")


def _zone_sentences(zone: Zone, local: Sequence[LocalDamage]) -> list[Said]:
    """The same, the verdict first."""
    shown = [term for term in zone.terms if term.shown]
    unsure = [
        term
        for term in zone.terms
        if not term.shown and not term.by_turn and term.verdict != "within"
    ]
    named = {"section": SECTIONS[zone.zone], "tolerance": number(zone.tolerance_mm, 1)}
    sentences: list[Said] = []
    if shown:
        verdict = worst_verdict([term.verdict for term in shown])
        if verdict == "out":
            sentences.append(say("{section} damaged.", **named))
        elif verdict == "undecided":
            sentences.append(
                say(
                    "{section} changed; whether by more than {tolerance} mm cannot be told.",
                    **named,
                )
            )
        else:
            sentences.append(
                say("{section} changed, within the tolerance of {tolerance} mm.", **named)
            )
        sentences += [
            _corner_sentence(corner, zone.tolerance_mm)
            for corner in zone.corners
            if corner.U_mm.max() < _VAGUE_MM
        ]
        sentences.append(
            say(
                "In the trade's terms: {terms}.",
                terms=listed([phrase(zone, t) for t in shown], "; "),
            )
        )
    elif not unsure:
        most = max(abs(a) + U for a, U in (term.largest_mm for term in zone.terms))
        sentences.append(
            say(
                "{section} straight: any bend, twist or shift of it is smaller than {most} mm "
                "(tolerance {tolerance} mm).",
                most=number(most, 1),
                **named,
            )
        )
    if any(term.by_turn for term in zone.terms):
        sentences.append(say("Left and right lengths differ by its turn sideways: no diamond."))
    vague = [term for term in unsure if term.largest_mm[1] > _VAGUE_MM]
    close = [term for term in unsure if term not in vague]
    if close:
        doubts = listed(
            say(
                "{term} ({far} ± {U} mm)",
                term=trade_term(term),
                far=number(abs(term.largest_mm[0]), 1),
                U=uncertainty(term.largest_mm[1], 1),
            )
            for term in close
        )
        sentences.append(
            say("Cannot tell whether within {tolerance} mm: {doubts}.", doubts=doubts, **named)
            if shown
            else say(
                "{section}: cannot tell whether within {tolerance} mm: {doubts}.",
                doubts=doubts,
                **named,
            )
        )
    if vague:
        doubts = listed(
            say("sag or kick-up") if term.term == "height" else trade_term(term) for term in vague
        )
        sentences.append(
            say("Cannot tell at all, for want of points: {doubts}.", doubts=doubts)
            if sentences
            else say(
                "{section}: cannot tell, for want of points: {doubts}.", doubts=doubts, **named
            )
        )
    sentences += [
        say(
            "{place} departs from that by itself: {way}.",
            place=place_name(one),
            way=_axes_said(one.departure_mm, one.U_mm, one.side, 0.0),
        )
        for one in local
        if one.zone == zone.zone
    ]
    return sentences


def _corner_sentence(corner: Corner, tolerance_mm: float) -> Said:
    """Where one side of a zone's end stands."""
    change, U = corner.change_mm, corner.U_mm
    out = (np.abs(change) - U > tolerance_mm).any()
    values: dict[str, str] = {"tolerance": number(tolerance_mm, 1)}
    if out:
        values["way"] = _axes_said(change, U, corner.side, tolerance_mm)
    left = corner.side == "L"
    if out and left:
        return say("The left side of its end has moved {way}.", **values)
    if out:
        return say("The right side of its end has moved {way}.", **values)
    if (np.abs(change) + U <= tolerance_mm).all():
        return (
            say("The left side of its end is within {tolerance} mm.", **values)
            if left
            else say("The right side of its end is within {tolerance} mm.", **values)
        )
    return (
        say("Whether the left side of its end is within {tolerance} mm cannot be told.", **values)
        if left
        else say(
            "Whether the right side of its end is within {tolerance} mm cannot be told.", **values
        )
    )


def _axes_said(change_mm: Array, U_mm: Array, side: str, limit_mm: float) -> Said:
    """The axes that surely pass a limit, else the clearest: "5.5 ± 2.0 mm inward"."""
    axes = [a for a in range(3) if abs(change_mm[a]) - U_mm[a] > limit_mm]
    axes = axes or [int(np.abs(change_mm / U_mm).argmax())]
    return listed(
        say(
            "{far} ± {U} mm {way}",
            far=number(abs(change_mm[a]), 1),
            U=uncertainty(U_mm[a], 1),
            way=direction(a, change_mm[a], side),
        )
        for a in axes
    )


def missing_zones(damage: Damage) -> Said | None:
    """A sentence on zones without points, None when all have some."""
    told = {zone.zone for zone in damage.zones}
    missing = [name for zone, name in ZONE_NAMES.items() if zone not in told]
    if not missing:
        return None
    return say("Without points, so nothing can be told: {zones}.", zones=listed(missing))


def summary_lines(damage: Damage) -> list[Said]:
    """The terminal's lines: each zone's verdict, and below it a line for each sentence more."""
    missing = missing_zones(damage)
    lines: list[Said] = []
    for zone in damage.zones:
        first, *more = _zone_sentences(zone, damage.local)
        lines += [first, *(listed(["  ", sentence], "") for sentence in more)]
    return [*lines, missing] if missing else lines


def correction_words(correction: Correction) -> Said:
    """The way back of a point along the axes that are not within: "14.2 ± 0.2 forward"."""
    return listed(
        say(
            "{far} ± {U} {way}",
            far=number(abs(correction.travel_mm[axis]), 1),
            U=uncertainty(correction.U_mm[axis], 1),
            way=_WAYS[way(axis, correction.travel_mm[axis], correction.side)],
        )
        for axis in range(3)
        if correction.axis_verdicts[axis] != "within"
    )


_WAYS = {
    "forward": say("forward"),
    "rearward": say("rearward"),
    "outboard": say("outboard"),
    "inboard": say("inboard"),
    "left": say("to the left"),
    "right": say("to the right"),
    "up": say("up"),
    "down": say("down"),
}


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
    px, low, high, scale = _plan(result, times, width_px)
    margin = 46.0
    sketch = drawing.Drawing(
        say("Plan of the zones, front to the left"), width_px, (high[1] - low[1]) * scale + 74.0
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
            say(
                "{section}: {mark} {verdict}",
                section=SECTIONS[zone.zone],
                mark=look.mark,
                verdict=VERDICTS[zone_verdict(zone)],
            ),
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
    sketch.write((margin, foot), say("◀ FRONT"), bold=True)
    sketch.write((width_px - margin, foot), say("left side of the car"), drawing.FAINT, "end")
    return sketch


def draw_heights(
    result: Result, damage: Damage, times: int, width_px: float = 1000.0
) -> drawing.Drawing:
    """Heights of both sides of front and rear against a level line, front to the left.

    Lengths as in ``draw_zones``; changes of height ``times`` as large. The centre is the line.
    """
    place, low, high, scale = _plan(result, times, width_px)
    shown = [zone for zone in damage.zones if zone.corners and _told(zone)]
    ends = [
        (zone, corner.side, corner.change_mm[2], _near_height_mm(zone, corner.side))
        for zone in shown
        for corner in zone.corners
    ]
    reach_px = max([30.0, *(abs(v) * times * scale for _, _, *both in ends for v in both)])
    level = reach_px + 24.0
    sketch = drawing.Drawing(
        say("Heights of both sides, front to the left"), width_px, 2.0 * reach_px + 60.0
    )
    left, right = place(np.array([high[0], 0.0]))[0], place(np.array([low[0], 0.0]))[0]
    sketch.line([(left, level), (right, level)], "#aab2bb", 2.0)
    for zone, side, far_mm, near_mm in ends:
        look = LOOKS[zone_verdict(zone)]
        points = [
            (place(np.array([x, 0.0]))[0], level - height * times * scale)
            for x, height in ((zone.frame.start_mm, near_mm), (zone.frame.end_mm, far_mm))
        ]
        sketch.line(points, look.ink, 3.0 if side == "L" else 2.0, side == "R")
        front = zone.zone == "front"
        sketch.write(
            (
                points[1][0] + (-8.0 if front else 8.0),
                points[1][1] + (4.0 if side == "L" else 17.0),
            ),
            say("left") if side == "L" else say("right"),
            look.ink,
            "end" if front else "start",
        )
    foot = sketch.height_px - 10.0
    sketch.write((46.0, foot), say("◀ FRONT"), bold=True)
    sketch.write(
        (width_px - 46.0, foot),
        say("left side drawn full, right side broken"),
        drawing.FAINT,
        "end",
    )
    return sketch


def _near_height_mm(zone: Zone, side: str) -> float:
    """Change of height of one side at the points nearest the centre section."""
    near = {term.term: term.near_mm for term in zone.terms}
    if zone.frame.one_station:
        near = {term.term: term.far_mm for term in zone.terms}
    return near["height"] + (0.5 if side == "L" else -0.5) * near["twist"]


def _plan(
    result: Result, times: int, width_px: float
) -> tuple[Callable[[Array], tuple[float, float]], Array, Array, float]:
    """Vehicle places to px of a plan; its least and largest length and width, mm; px per mm.

    The left side of the car is below, as in the plan of the points.
    """
    rows = [row for row in result.deviations.rows if np.isfinite(row.deviation_mm).all()]
    sheet = np.array([row.position_mm - row.deviation_mm for row in rows])
    seen = sheet + times * np.array([row.deviation_mm for row in rows])
    everything = np.vstack([sheet, seen])[:, :2]
    low, high = everything.min(axis=0) - 120.0, everything.max(axis=0) + 120.0
    margin = 46.0
    scale = (width_px - 2.0 * margin) / float(high[0] - low[0])

    def px(place: Array) -> tuple[float, float]:
        return (
            margin + (high[0] - float(place[0])) * scale,
            34.0 + (float(place[1]) - low[1]) * scale,
        )

    return px, low, high, scale


def _told(zone: Zone) -> bool:
    """Whether the points tell all of a zone's amounts."""
    return not any(max(term.U_far_mm, term.U_near_mm) > _VAGUE_MM for term in zone.terms)


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


_SUSPENSION_WORDS = {
    ("front", "camber"): say("Front camber"),
    ("front", "caster"): say("Front caster"),
    ("rear", "camber"): say("Rear camber"),
    ("rear", "caster"): say("Rear caster"),
    ("", "wheelbase"): say("Wheelbase"),
}


def _suspension_row(change: SuspensionChange) -> dict[str, Any]:
    unit, decimals = ("mm", 1) if change.what == "wheelbase" else ("°", 2)

    def told(figure: Figure | None) -> str:
        if figure is None:
            return number(math.nan, 1)
        return say(
            "{value} ± {U} {unit}",
            value=signed(figure.value, decimals),
            U=uncertainty(figure.U, decimals),
            unit=unit,
        )

    both = change.difference
    if both is None:
        judged = say("one side is missing")
    else:
        judged = say("left and right differ") if both.shown else say("no difference shown")
    return {
        "name": _SUSPENSION_WORDS[change.axle, change.what],
        "left": told(change.left),
        "right": told(change.right),
        "difference": told(both),
        "judged": judged,
        "points": ", ".join(change.points),
    }


def _with_u(value: float, U: float) -> str:
    if not math.isfinite(value):
        return number(value, 1)
    if U >= _VAGUE_MM:
        return say("cannot tell")
    return say("{value} ± {U}", value=signed(value, 1), U=uncertainty(U, 1))


def _figure(value: float) -> float | None:
    return round(float(value), 6) if math.isfinite(value) else None
