"""What moved suspension pick-up points mean for the wheels: words, table rows, result.json."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pipeline.repair.suspension import Figure, SuspensionChange
from pipeline.report.words import number, signed, uncertainty
from targets.said import Said, listed, say

_NAMES = {
    ("front", "camber"): say("Front camber"),
    ("front", "caster"): say("Front caster"),
    ("rear", "camber"): say("Rear camber"),
    ("rear", "caster"): say("Rear caster"),
    ("", "wheelbase"): say("Wheelbase"),
}
_DIRECTIONS = {
    "camber": (say("top inward"), say("top outward")),
    "caster": (say("top forward"), say("top rearward")),
    "wheelbase": (say("shorter"), say("longer")),
}
"""What a negative and a positive change is called."""
SUSPENSION_LIMITS = say(
    "Against the sheet, by the pick-up points alone, with arms, struts and bushes taken as sound: "
    "camber + top outward, caster + top rearward, wheelbase + longer. It tells where to look; it "
    "complements and never replaces a wheel alignment."
)
"""What stands beside the figures wherever they are told."""


def suspension_document(changes: Iterable[SuspensionChange]) -> list[dict[str, Any]]:
    """The key ``suspension`` of result.json."""
    return [
        {
            "what": one.what,
            "axle": one.axle,
            "unit": "mm" if one.what == "wheelbase" else "degrees",
            "points": list(one.points),
            "left": _document(one.left),
            "right": _document(one.right),
            "difference": _document(one.difference),
        }
        for one in changes
    ]


def suspension_of(document: Iterable[Mapping[str, Any]]) -> tuple[SuspensionChange, ...]:
    """The changes as ``suspension_document`` wrote them."""
    return tuple(
        SuspensionChange(
            one["what"],
            one["axle"],
            _figure(one["left"]),
            _figure(one["right"]),
            _figure(one["difference"]),
            tuple(one["points"]),
        )
        for one in document
    )


def suspension_rows(changes: Iterable[SuspensionChange]) -> list[dict[str, Any]]:
    """A row of the page's table for each change."""
    return [
        {
            "name": _NAMES[one.axle, one.what],
            "left": _side(one, one.left),
            "right": _side(one, one.right),
            "difference": _told(one, one.difference),
            "judged": _judged(one),
            # No line ends within a point's name.
            "points": ", ".join(point.replace(" ", "\u00a0") for point in one.points),
        }
        for one in changes
    ]


def suspension_lines(changes: Sequence[SuspensionChange]) -> list[Said]:
    """The terminal's lines: what changed, or that nothing did; none without pick-up points."""
    if not changes:
        return []
    told = [one for one in changes if _changed(one)]
    if not told:
        names = listed(_NAMES[one.axle, one.what] for one in changes)
        return [say("Suspension pick-up points: no change shown ({names}).", names=names)]
    return [
        say("Suspension pick-up points:"),
        *(listed(["  ", suspension_sentence(one)], "") for one in told),
        listed(["  ", SUSPENSION_LIMITS], ""),
    ]


def suspension_sentence(change: SuspensionChange) -> Said:
    """One change in words, with its figures."""
    return say(
        "{name}: left {left}, right {right}, left minus right {difference}: {judged}.",
        name=_NAMES[change.axle, change.what],
        left=_side(change, change.left),
        right=_side(change, change.right),
        difference=_told(change, change.difference),
        judged=_judged(change),
    )


def _changed(change: SuspensionChange) -> bool:
    figures = (change.left, change.right, change.difference)
    return any(figure is not None and figure.shown for figure in figures)


def _judged(change: SuspensionChange) -> Said:
    if change.difference is None:
        return say("one side is missing")
    if change.difference.shown:
        return say("left and right differ")
    if _changed(change):
        return say("changed, no difference between the sides shown")
    return say("no difference shown")


def _side(change: SuspensionChange, figure: Figure | None) -> str:
    """The figure of one side, with its direction in words where it is beyond doubt."""
    told = _told(change, figure)
    if figure is None or not figure.shown:
        return told
    direction = _DIRECTIONS[change.what][figure.value > 0.0]
    return say("{figure} ({direction})", figure=told, direction=direction)


def _told(change: SuspensionChange, figure: Figure | None) -> str:
    if figure is None:
        return number(math.nan, 1)
    if change.what == "wheelbase":
        value, U = signed(figure.value, 1), uncertainty(figure.U, 1)
        return say("{value} ± {U} mm", value=value, U=U)
    return say("{value} ± {U}°", value=signed(figure.value, 2), U=uncertainty(figure.U, 2))


def _document(figure: Figure | None) -> dict[str, float] | None:
    return None if figure is None else {"value": round(figure.value, 6), "U": round(figure.U, 6)}


def _figure(document: Mapping[str, float] | None) -> Figure | None:
    return None if document is None else Figure(document["value"], document["U"])
