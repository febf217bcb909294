"""What the page says and in which colours: figures, directions and the answer in two sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.adjustment.solution import CameraGroup, Solution
from pipeline.datum.budget import SOURCES, BudgetRow
from pipeline.datum.deviation import DeviationRow, Verdict
from pipeline.findings import Severity
from pipeline.inputs.job import CardOnPoint
from pipeline.repair.damage import Carried, LocalDamage
from pipeline.results.result import BarCheck, Result
from pipeline.rounding import rounded_U
from targets.said import Figure, Said, listed, say, say_count


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
# purple are darkened until words in them reach 4.5 : 1, purple more, so that without red it is not
# taken for blue: `tests/test_browser.py` looks at them as the colour blind do.
LOOKS: dict[Verdict, Look] = {
    "out": Look("out", "▲", "#b34700", "#fdece0"),
    "undecided": Look("undecided", "?", "#5f1a4a", "#f8e9f4"),
    "within": Look("within", "✓", "#0069a3", "#e6f2fa"),
    "no reference": Look("none", "–", "#50565e", "#f0f1f3"),
}

MM_PER_INCH = 25.4
"""Exactly, by the definition of 1959 (ISO 31-1, from memory)."""

BEFORE_WORK = (
    say(
        "Lift the car only with a lift rated for it, arms and locks engaged. Never work under a "
        "car that stands on a jack."
    ),
    say(
        "Removed or heavy parts shift the weight: check the balance on the lift again after every "
        "removal."
    ),
    say("High-voltage cars: a qualified person makes the battery safe first."),
    say("Let the exhaust cool. Wear eye protection: dirt and rust fall when cards are set."),
    say("When pulling: nobody stands in line with chains, clamps or straps."),
)
"""Cautions on everything that is handed on, page or paper (common practice, no source)."""
COMPLEMENT = say(
    "These figures complement the vehicle maker's repair procedure, local codes, licensed practice "
    "and a wheel alignment; they never replace any of them."
)

_RANK: dict[Verdict, int] = {"out": 0, "undecided": 1, "within": 2, "no reference": 3}
ROLES = {"base": say("base"), "point": say("point"), "bar": say("bar"), "tie": say("tie")}
SEVERITIES: dict[Severity, Said] = {
    "note": say("note"),
    "warning": say("warning"),
    "fault": say("fault"),
}
AXIS_WORDS = (say("length"), say("width"), say("height"))
VERDICTS: dict[Verdict, Said] = {
    "out": say("out"),
    "undecided": say("undecided"),
    "within": say("within"),
    "no reference": say("no reference"),
}


def number(value: float, decimals: int) -> Figure:
    """A figure with a true minus sign; a dash where there is none.

    >>> number(-1.25, 1), number(float("nan"), 1), number(-0.001, 2)
    ('−1.2', '–', '0.00')
    """
    if not math.isfinite(value):
        return Figure("–")
    return Figure(f"{round(float(value), decimals) + 0.0:.{decimals}f}".replace("-", "−"))


def signed(value: float, decimals: int) -> Figure:
    """As ``number``, with a plus sign before what is above zero.

    >>> signed(3.04, 1), signed(0.0, 1)
    ('+3.0', '0.0')
    """
    text = number(value, decimals)
    above = math.isfinite(value) and round(float(value), decimals) > 0
    return Figure(f"+{text}") if above else text


def uncertainty(U: float, decimals: int) -> Figure:
    """As ``number``, for what stands behind ±: rounded by the one rule for uncertainties.

    >>> uncertainty(0.15, 1), uncertainty(float("nan"), 1)
    ('0.2', '–')
    """
    return number(rounded_U(U, decimals), decimals)


def inches(value_mm: float, decimals: int, with_sign: bool = False) -> Said | str:
    """A length in inches, to stand beside the millimetres; "" where there is none.

    >>> inches(-25.4, 2), inches(2.54, 3, with_sign=True)
    ('−1.00 in', '+0.100 in')
    """
    if not math.isfinite(value_mm):
        return ""
    write = signed if with_sign else number
    return say("{inches} in", inches=write(value_mm / MM_PER_INCH, decimals))


def decimals_for(uncertainties_mm: np.ndarray) -> int:
    """Decimals worth showing: two when the typical U is below half a millimetre, else one."""
    finite = uncertainties_mm[np.isfinite(uncertainties_mm)]
    return 2 if finite.size and float(np.median(finite)) < 0.5 else 1


def place_name(row: DeviationRow | CardOnPoint | BudgetRow | LocalDamage | Carried) -> str:
    """A point as people say it: "A left"."""
    if row.side == "L":
        return say("{point} left", point=row.point)
    if row.side == "R":
        return say("{point} right", point=row.point)
    if row.side == "C":
        return say("{point} centre", point=row.point)
    return f"{row.point} {row.side}".strip()


def direction(axis: int, deviation_mm: float, side: str) -> Said:
    """Where a deviation points, in the words of the trade.

    >>> direction(0, -3.0, "L"), direction(1, -3.0, "L"), direction(1, -3.0, "C")
    ('rearward', 'inward', 'to the right')
    """
    up = deviation_mm > 0
    if axis == 0:
        return say("forward") if up else say("rearward")
    if axis == 2:
        return say("up") if up else say("down")
    if side in ("L", "R"):
        return say("outward") if up == (side == "L") else say("inward")
    return say("to the left") if up else say("to the right")


def moved(row: DeviationRow, unit_mm: float = 1.0, decimals: int = 1) -> Said:
    """The axes that are not within, in words and a unit: "14.2 rearward, 5.5 inward"."""
    return listed(
        say(
            "{far} {way}",
            far=number(abs(row.deviation_mm[axis]) / unit_mm, decimals),
            way=direction(axis, row.deviation_mm[axis], row.side),
        )
        for axis in range(3)
        if row.axis_verdicts[axis] in ("out", "undecided")
    )


def told(row: DeviationRow) -> list[Said]:
    """The figures of a point in a few short lines."""
    decimals = decimals_for(row.U_deviation_mm)
    verdict = VERDICTS[row.verdict]
    lines = [
        say("{verdict}: {moved}", verdict=verdict, moved=moved(row)) if moved(row) else verdict
    ]
    lines += [
        say(
            "{axis} {deviation} ± {U} mm",
            axis=AXIS_WORDS[axis],
            deviation=signed(row.deviation_mm[axis], decimals),
            U=uncertainty(row.U_deviation_mm[axis], decimals),
        )
        for axis in range(3)
        if math.isfinite(row.deviation_mm[axis])
    ]
    if math.isfinite(row.tol_mm):
        lines.append(say("tolerance {tolerance} mm", tolerance=number(row.tol_mm, 1)))
    at = listed([number(v, 1) for v in row.position_mm], "; ")
    lines.append(say("measured at {at} mm", at=at))
    seen = say_count(row.photos, "in {count} photo", "in {count} photos")
    if row.base:
        lines.append(say("base point, card {card}, {seen}", card=row.card, seen=seen))
    else:
        lines.append(say("card {card}, {seen}", card=row.card, seen=seen))
    return lines


def least_sure(row: DeviationRow) -> Said:
    """The axis of a point whose deviation is least sure, with its figures."""
    axis = int(np.argmax(row.U_deviation_mm))
    decimals = decimals_for(row.U_deviation_mm)
    return say(
        "{axis} {deviation} ± {U} mm",
        axis=AXIS_WORDS[axis],
        deviation=signed(row.deviation_mm[axis], decimals),
        U=uncertainty(row.U_deviation_mm[axis], decimals),
    )


def why_unsure(row: DeviationRow, budget: BudgetRow | None) -> Said:
    """What makes the least sure axis of a point unsure: its largest source, and its photos."""
    seen = say_count(row.photos, "Its card is in {count} photo.", "Its card is in {count} photos.")
    if budget is None:
        return seen
    axis = int(np.argmax(row.U_deviation_mm))
    shares = {source: float(u[axis] ** 2) for source, u in budget.u_mm.items()}
    whole = sum(shares.values())
    if whole <= 0.0:
        return seen
    source = max(shares, key=lambda name: shares[name])
    return say(
        "{share:.0f} % of U² come from {source}. {seen}",
        share=100.0 * shares[source] / whole,
        source=say(SOURCES[source]),
        seen=seen,
    )


def told_terms(group: CameraGroup) -> list[Said]:
    """Which further terms of distortion the photos ask for, in a sentence or two."""

    def named(names: Sequence[str]) -> Said:
        return listed(
            (listed((name, signed(group.terms.gain[name], 0)), " ") for name in names),
            "; ",
        )

    told = []
    if group.terms.taken:
        told.append(
            say(
                "Terms of distortion taken in, because the photos ask for them: {terms}.",
                terms=named(group.terms.taken),
            )
        )
    if group.terms.left_out:
        told.append(
            say(
                "Held near nought, because the photos do not ask for them: {terms}.",
                terms=named(group.terms.left_out),
            )
        )
    if told:
        told.append(say("The figure is what each gains by the Bayesian information criterion."))
    return told


def told_photos(solution: Solution) -> Said:
    """Which cameras took how many photos, in one sentence."""
    return say(
        "Measured in {photos}, each card in {median:.0f} of them (median; {least} to {most}).",
        photos=listed(
            say_count(
                len(group.photos),
                "{count} photo by {camera}",
                "{count} photos by {camera}",
                camera=group.name,
            )
            for group in solution.groups
        ),
        median=float(np.median(solution.sightings_of_card)),
        least=int(solution.sightings_of_card.min()),
        most=int(solution.sightings_of_card.max()),
    )


def told_scale(result: Result) -> Said:
    """Where the millimetres come from, in one sentence."""
    if not result.scaled:
        return say("No bar gave the scale.")
    return say_count(
        len(result.bars),
        "The scale comes from a bar of {lengths} mm at {temperature:g} °C.",
        "The scale comes from {count} bars of {lengths} mm at {temperature:g} °C.",
        lengths=listed([number(bar.length_mm, 2) for bar in result.bars], "; "),
        temperature=float(result.job.temperature_c),
    )


def told_frame(result: Result) -> Said:
    """Where lengths, widths and heights count from, in one sentence."""
    if result.vehicle_from_network is None:
        return say("There is no vehicle frame.")
    return say_count(
        len(result.base),
        "Datum plane, centre plane and zero line come from {count} undamaged base point.",
        "Datum plane, centre plane and zero line come from {count} undamaged base points, so how "
        "the car stood does not matter.",
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
    measured = {row.card for row in result.cards}
    elsewhere = [card for card in missing if card.card in measured]
    unseen = [card for card in missing if card.card not in measured]

    def names(cards: list[CardOnPoint]) -> Said:
        return listed(
            say("{place} (card {card})", place=place_name(card), card=card.card) for card in cards
        )

    told = []
    if unseen:
        told.append(
            say_count(
                len(unseen),
                "{count} point has no result, because its card was not measured: {names}.",
                "{count} points have no result, because their cards were not measured: {names}.",
                names=names(unseen),
            )
        )
    if elsewhere:
        told.append(
            say_count(
                len(elsewhere),
                "{count} point has no result, because its card sits elsewhere than cards.csv "
                "says: {names}.",
                "{count} points have no result, because their cards sit elsewhere than cards.csv "
                "says: {names}.",
                names=names(elsewhere),
            )
        )
    return listed(told, " ")


def answer(result: Result) -> tuple[Said, Said]:
    """What the technician came for, in two sentences."""
    rows = [row for row in result.deviations.rows if row.verdict != "no reference"]
    if result.vehicle_from_network is None or not rows:
        return _answer_without_deviations(result)
    out = worst_first(tuple(row for row in rows if row.verdict == "out"))
    undecided = sum(row.verdict == "undecided" for row in rows)
    of_points = say_count(len(rows), "of {count} point", "of {count} points")
    if out:
        row, axis = _largest_out(out)
        first = say_count(
            len(out),
            "{count} {of_points} is out of tolerance, the largest by {far} mm "
            "({place}, {axis}){doubt}.",
            "{count} {of_points} are out of tolerance, the largest by {far} mm "
            "({place}, {axis}){doubt}.",
            of_points=of_points,
            far=number(abs(row.deviation_mm[axis]), 1),
            place=place_name(row),
            axis=AXIS_WORDS[axis],
            doubt=say_count(
                undecided,
                "; {count} point is too close to the limit to tell",
                "; {count} points are too close to the limit to tell",
            )
            if undecided
            else "",
        )
    elif why := why_no_verdicts(result):
        first = why
    elif undecided:
        first = say_count(
            undecided,
            "No point is out of tolerance beyond doubt, but {count} {of_points} is too close "
            "to the limit to tell.",
            "No point is out of tolerance beyond doubt, but {count} {of_points} are too close "
            "to the limit to tell.",
            of_points=of_points,
        )
    else:
        first = say_count(
            len(rows),
            "The one point measured is within tolerance.",
            "All {count} points are within tolerance.",
        )
    if any(finding.code == "sheet-of-this-car" for finding in result.findings):
        second = say(
            "The sheet was made from this car itself: this says what has moved since then, not "
            "whether the car is straight."
        )
    elif math.isfinite(result.datum_rms_mm):
        second = say(
            "The {base} base points fit the sheet to {rms} mm rms.",
            base=len(result.base),
            rms=number(result.datum_rms_mm, 1 if result.datum_rms_mm >= 0.1 else 2),
        )
    else:
        second = say("How well the base points fit the sheet is not known.")
    return first, second


def why_no_verdicts(result: Result) -> Said | None:
    """What takes the verdict of every point, if anything does."""
    if any(row.verdict in ("within", "out") for row in result.deviations.rows):
        return None
    codes = {finding.code for finding in result.findings}
    if not result.scaled:
        return say("No verdict can be given, because no bar gave the scale.")
    if "points-unclear" in codes:
        return say("No verdict can be given, because the points fit the sheet in no position.")
    if "bar-length-odd" in codes:
        return say("No verdict can be given, because the length of the bar cannot be right.")
    if "photos-contradict" in codes:
        return say("No verdict can be given, because photos contradict each other.")
    if "not-converged" in codes:
        return say("No verdict can be given, because the adjustment did not settle.")
    if any(f.code == "photos-from-one-place" and f.severity == "fault" for f in result.findings):
        return say("No verdict can be given, because all photos were taken from nearly one place.")
    return None


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


def _answer_without_deviations(result: Result) -> tuple[Said, Said]:
    first = say_count(
        len(result.cards),
        "{count} card was measured, but no deviation can be given.",
        "{count} cards were measured, but no deviation can be given.",
    )
    if result.vehicle_from_network is not None:
        return first, say("None of the measured points stands in the reference sheet.")
    if result.symmetry is not None:
        return first, say("The job has no reference sheet, so left was compared with right.")
    if result.job.sheet is None:
        return first, say(
            "The job has no reference sheet, so distances between cards are all there is to say."
        )
    return first, say(
        "The vehicle frame could not be set from the base points; the findings below say why."
    )


def bar_verdict(bar: BarCheck, only_one: bool) -> Said:
    """What a bar says of the scale, in words."""
    if only_one:
        return say("sets the scale; one bar cannot check itself, a second one would")
    off_mm = abs(bar.measured_mm - bar.length_mm)
    if off_mm <= bar.U_mm:
        return say("agrees")
    return say("does not agree: bent, bumped or mistyped?")
