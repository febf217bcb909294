"""Damage by zone, and the way back of points, in words."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from calib.frames import Array
from pipeline.datum.deviation import Verdict, worst_verdict
from pipeline.repair.correction import Correction, way
from pipeline.repair.damage import Carried, Corner, Damage, LocalDamage, Term, Zone
from pipeline.report.words import direction, number, place_name, uncertainty
from targets.said import Said, listed, say

ZONE_NAMES = {"front": say("front"), "centre": say("centre"), "rear": say("rear")}
SECTIONS = {
    "front": say("Front section"),
    "centre": say("Centre section"),
    "rear": say("Rear section"),
}
"""The zones as they begin a line."""
VAGUE_MM = 20.0
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
        sides = [c for c in zone.corners if c.U_mm.max() < VAGUE_MM]
        # A point on the centreline belongs to both sides and is told once.
        sentences += dict.fromkeys(_side_sentence(zone, corner, local) for corner in sides)
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
    vague = [term for term in unsure if term.largest_mm[1] > VAGUE_MM]
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


def _side_sentence(zone: Zone, corner: Corner, local: Sequence[LocalDamage]) -> Said:
    """Where one side of a zone stands: its end if that is out, else the worst of its points."""
    carried = [one for one in zone.carried if one.side in (corner.side, "C")]
    worst = max(carried, key=lambda one: (np.abs(one.change_mm) - one.U_mm).max(), default=None)
    limit = zone.tolerance_mm
    left = corner.side == "L"
    if _out(corner, limit):
        way = _axes_said(corner.change_mm, corner.U_mm, corner.side, limit)
        return (
            say("The left side of its end has moved {way}.", way=way)
            if left
            else say("The right side of its end has moved {way}.", way=way)
        )
    if worst and _out(worst, limit):
        way = _axes_said(worst.change_mm, worst.U_mm, worst.side, limit)
        return say("At {place} it has moved {way}.", place=place_name(worst), way=way)
    tolerance = number(limit, 1)
    judged: list[Corner | Carried] = [corner, *carried]
    if all((np.abs(one.change_mm) + one.U_mm <= limit).all() for one in judged):
        by_itself = [o for o in local if o.zone == zone.zone and o.side in (corner.side, "C")]
        if by_itself:
            but = {"tolerance": tolerance, "places": listed(map(place_name, by_itself))}
            return (
                say("Its left side is within {tolerance} mm but for {places}.", **but)
                if left
                else say("Its right side is within {tolerance} mm but for {places}.", **but)
            )
        return (
            say("Its left side is within {tolerance} mm.", tolerance=tolerance)
            if left
            else say("Its right side is within {tolerance} mm.", tolerance=tolerance)
        )
    return (
        say("Whether its left side is within {tolerance} mm cannot be told.", tolerance=tolerance)
        if left
        else say(
            "Whether its right side is within {tolerance} mm cannot be told.", tolerance=tolerance
        )
    )


def _out(one: Corner | Carried, limit_mm: float) -> bool:
    return bool((np.abs(one.change_mm) - one.U_mm > limit_mm).any())


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


def told(zone: Zone) -> bool:
    """Whether the points tell all of a zone's amounts."""
    return not any(max(term.U_far_mm, term.U_near_mm) > VAGUE_MM for term in zone.terms)


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
    "outward": say("outward"),
    "inward": say("inward"),
    "left": say("to the left"),
    "right": say("to the right"),
    "up": say("up"),
    "down": say("down"),
}
