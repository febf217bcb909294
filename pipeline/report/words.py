"""What the page says and in which colours: figures, directions and the answer in two sentences."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.deviation import AXES, DeviationRow, Verdict
from pipeline.result import BarCheck, Result


@dataclass(frozen=True)
class Look:
    """How a verdict is shown: never by colour alone.

    Attributes
    ----------
    css : name of its style class.
    mark : one character beside the word.
    ink : colour of lines and words, at least 4.5 : 1 against white and against ``wash``.
    wash : colour behind the words.
    """

    css: str
    mark: str
    ink: str
    wash: str


# Vermillion, blue and reddish purple of the palette of Okabe and Ito (Color Universal Design,
# 2008, from memory), which people with any form of colour blindness tell apart; vermillion and
# purple are darkened until words in them reach 4.5 : 1.
LOOKS: dict[Verdict, Look] = {
    "out": Look("out", "▲", "#b34700", "#fdece0"),
    "undecided": Look("undecided", "?", "#8a3f74", "#f8e9f4"),
    "within": Look("within", "✓", "#005f96", "#e6f2fa"),
    "no reference": Look("none", "–", "#50565e", "#f0f1f3"),
}

_RANK: dict[Verdict, int] = {"out": 0, "undecided": 1, "within": 2, "no reference": 3}
_SIDES = {"L": "left", "R": "right", "C": "centre"}


def number(value: float, decimals: int) -> str:
    """A figure with a true minus sign; a dash where there is none.

    >>> number(-1.25, 1), number(float("nan"), 1), number(-0.001, 2)
    ('−1.2', '–', '0.00')
    """
    if not math.isfinite(value):
        return "–"
    return f"{round(float(value), decimals) + 0.0:.{decimals}f}".replace("-", "−")


def signed(value: float, decimals: int) -> str:
    """As ``number``, with a plus sign before what is above zero.

    >>> signed(3.04, 1), signed(0.0, 1)
    ('+3.0', '0.0')
    """
    text = number(value, decimals)
    return f"+{text}" if math.isfinite(value) and round(float(value), decimals) > 0 else text


def decimals_for(uncertainties_mm: np.ndarray) -> int:
    """Decimals worth showing: two when the typical U is below half a millimetre, else one."""
    finite = uncertainties_mm[np.isfinite(uncertainties_mm)]
    return 2 if finite.size and float(np.median(finite)) < 0.5 else 1


def place_name(row: DeviationRow) -> str:
    """A point as people say it: "A left"."""
    return f"{row.point} {_SIDES.get(row.side, row.side)}".strip()


def direction(axis: int, deviation_mm: float, side: str) -> str:
    """Where a deviation points, in the words of the trade.

    >>> direction(0, -3.0, "L"), direction(1, -3.0, "L"), direction(1, -3.0, "C")
    ('rearward', 'inward', 'to the right')
    """
    up = deviation_mm > 0
    if axis == 0:
        return "forward" if up else "rearward"
    if axis == 2:
        return "up" if up else "down"
    if side in ("L", "R"):
        return "outward" if up == (side == "L") else "inward"
    return "to the left" if up else "to the right"


def moved(row: DeviationRow) -> str:
    """The axes that are not within, in words and mm: "14.2 rearward, 5.5 inward"."""
    return ", ".join(
        f"{number(abs(row.deviation_mm[axis]), 1)} "
        f"{direction(axis, row.deviation_mm[axis], row.side)}"
        for axis in range(3)
        if row.axis_verdicts[axis] in ("out", "undecided")
    )


def worst_first(rows: tuple[DeviationRow, ...]) -> list[DeviationRow]:
    """Out first, the largest deviation leading; then undecided; the rest in the given order."""

    def key(row: DeviationRow) -> tuple[int, float]:
        rank = _RANK[row.verdict]
        return rank, -float(np.nanmax(np.abs(row.deviation_mm))) if rank < 2 else 0.0

    return sorted(rows, key=key)


def unmeasured(result: Result) -> str:
    """A sentence that names the points of cards.csv that have no result; "" when all have one."""
    done = {(row.point, row.side) for row in result.deviations.rows}
    missing = [card for card in result.job.cards if (card.point, card.side) not in done]
    if result.vehicle_from_network is None or not missing:
        return ""
    names = ", ".join(
        f"{card.point} {_SIDES.get(card.side, card.side)} (card {card.card})" for card in missing
    )
    have, cards_were = (
        ("has", "its card was") if len(missing) == 1 else ("have", "their cards were")
    )
    return (
        f"{_count(len(missing), 'point')} {have} no result, because {cards_were} not measured: "
        f"{names}."
    )


def answer(result: Result) -> tuple[str, str]:
    """What the technician came for, in two sentences."""
    rows = [row for row in result.deviations.rows if row.verdict != "no reference"]
    if result.vehicle_from_network is None or not rows:
        return _answer_without_deviations(result)
    out = worst_first(tuple(row for row in rows if row.verdict == "out"))
    undecided = sum(row.verdict == "undecided" for row in rows)
    doubt = (
        f"; {_count(undecided, 'point')} {_be(undecided)} too close to the limit to tell"
        if undecided
        else ""
    )
    if out:
        row, axis = _largest_out(out)
        first = (
            f"{len(out)} of {_count(len(rows), 'point')} {_be(len(out))} out of tolerance, "
            f"the largest by {number(abs(row.deviation_mm[axis]), 1)} mm "
            f"({place_name(row)}, {AXES[axis]}){doubt}."
        )
    elif undecided:
        first = (
            f"No point is out of tolerance beyond doubt, but {undecided} of "
            f"{_count(len(rows), 'point')} {_be(undecided)} too close to the limit to tell."
        )
    elif len(rows) == 1:
        first = "The one point measured is within tolerance."
    else:
        first = f"All {len(rows)} points are within tolerance."
    if math.isfinite(result.datum_rms_mm):
        decimals = 1 if result.datum_rms_mm >= 0.1 else 2
        second = (
            f"The {len(result.base)} base points fit the sheet to "
            f"{number(result.datum_rms_mm, decimals)} mm rms."
        )
    else:
        second = "How well the base points fit the sheet is not known."
    return first, second


def _largest_out(out: list[DeviationRow]) -> tuple[DeviationRow, int]:
    """The row and axis of the largest deviation among the axes that are out."""
    places = [
        (abs(float(row.deviation_mm[axis])), row, axis)
        for row in out
        for axis in range(3)
        if row.axis_verdicts[axis] == "out"
    ]
    _, row, axis = max(places, key=lambda place: place[0])
    return row, axis


def _answer_without_deviations(result: Result) -> tuple[str, str]:
    measured = f"{_count(len(result.cards), 'card')} {_be(len(result.cards), past=True)} measured"
    if result.vehicle_from_network is not None:
        return (
            f"{measured}, but no deviation can be given.",
            "None of the measured points stands in the reference sheet.",
        )
    if result.job.sheet is None:
        return (
            f"{measured}, but no deviation can be given.",
            "The job has no reference sheet, so distances between cards are all there is to say.",
        )
    return (
        f"{measured}, but no deviation can be given.",
        "The vehicle frame could not be set from the base points; the findings below say why.",
    )


def bar_verdict(bar: BarCheck, only_one: bool) -> str:
    """What a bar says of the scale, in words."""
    if only_one:
        return "sets the scale; one bar cannot check itself, a second one would"
    off_mm = abs(bar.measured_mm - bar.length_mm)
    return "agrees" if off_mm <= bar.U_mm else "does not agree: bent, bumped or mistyped?"


def _count(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _be(count: int, past: bool = False) -> str:
    return ("was" if past else "is") if count == 1 else ("were" if past else "are")
