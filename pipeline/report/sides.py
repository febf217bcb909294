"""What page and terminal say of left against right, and of how the base points agree."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from pipeline.datum.base_points import BaseChoice, PairCheck
from pipeline.datum.symmetry import CANNOT, Comparison, Symmetry
from pipeline.report import words
from pipeline.results.result import Result
from targets.said import Said, fixed, listed, say, say_count

_SHOWN = 3
COMPARED = {
    "diagonals": say("diagonals"),
    "wheelbase": say("wheelbase"),
    "half track": say("half track"),
}
"""What is compared between left and right, as people read it."""
_COMPARED_FIRST = {
    "diagonals": say("Diagonals"),
    "wheelbase": say("Wheelbase"),
    "half track": say("Half track"),
}


def symmetry_lines(result: Result) -> list[str]:
    """Left against right in a few lines for the terminal; none with a sheet."""
    symmetry = result.symmetry
    if symmetry is None:
        return []
    lines: list[str] = [symmetry_sentence(symmetry)]
    far = [row for row in symmetry.pairs if row.verdict == "out"]
    lines += [
        say(
            "  {point}: length {length:+.1f}, width {width:+.1f}, height {height:+.1f} (U {U})",
            point=row.point,
            length=float(row.difference_mm[0]),
            width=float(row.difference_mm[1]),
            height=float(row.difference_mm[2]),
            U=words.uncertainty(max(row.U_mm), 1),
        )
        for row in far[:_SHOWN]
    ]
    if len(far) > _SHOWN:
        lines.append(say("  and {more} more", more=len(far) - _SHOWN))
    lines += [
        say(
            "{what} {pairs}: {left} and {right} mm, {difference} mm (U {U}): {verdict}",
            pairs=_to(one.points),
            what=_COMPARED_FIRST[one.what],
            left=words.number(one.left_mm, 1),
            right=words.number(one.right_mm, 1),
            difference=words.signed(one.difference_mm, 1),
            U=words.uncertainty(one.U_mm, 1),
            verdict=words.VERDICTS[one.verdict],
        )
        for one in _told(symmetry)
    ]
    return [*lines, fixed(CANNOT)]


def symmetry_sentence(symmetry: Symmetry) -> Said:
    """How many pairs differ beyond doubt."""
    out = sum(row.verdict == "out" for row in symmetry.pairs)
    unsure = sum(row.verdict == "undecided" for row in symmetry.pairs)
    return say_count(
        out,
        "Left and right of {count} pair out of {pairs} differ by more than the tolerance beyond "
        "doubt, {unsure} undecided.",
        "Left and right of {count} pairs out of {pairs} differ by more than the tolerance beyond "
        "doubt, {unsure} undecided.",
        pairs=len(symmetry.pairs),
        unsure=unsure,
    )


def symmetry_words(result: Result) -> dict[str, Any]:
    """Figures of the page's section on left against right; empty with a sheet."""
    symmetry = result.symmetry
    if symmetry is None:
        return {}
    return {
        "sentence": symmetry_sentence(symmetry),
        "agree": symmetry.agree,
        "used": sum(row.used for row in symmetry.pairs),
        "tolerance": words.number(result.job.tolerance_mm, 1),
        "cannot": say(CANNOT),
        "pairs": [
            {
                "point": row.point,
                "figures": [
                    (words.signed(d, 1), words.uncertainty(u, 1))
                    for d, u in zip(row.difference_mm, row.U_mm, strict=True)
                ],
                "used": row.used,
                "verdict": row.verdict,
                "look": words.LOOKS[row.verdict],
            }
            for row in symmetry.pairs
        ],
        "comparisons": [
            {
                "what": COMPARED[one.what],
                "points": ", ".join(one.points),
                "left": words.number(one.left_mm, 1),
                "right": words.number(one.right_mm, 1),
                "difference": words.signed(one.difference_mm, 1),
                "U": words.uncertainty(one.U_mm, 1),
                "verdict": one.verdict,
                "look": words.LOOKS[one.verdict],
            }
            for one in symmetry.comparisons
        ],
    }


def base_lines(result: Result) -> list[str]:
    """How the base points agree, in one line for the terminal; none without a sheet."""
    choice = result.base_choice
    if choice is None:
        return []
    told = say(
        "{count} base points fit to {rms:.2f} mm rms",
        count=len(result.base),
        rms=float(result.datum_rms_mm),
    )
    if choice.left_out:
        told = say("{told} without {names}", told=told, names=_names(choice, choice.left_out))
    parts = [
        say(
            "{what} {pairs} {value} mm (U {U})",
            what=what,
            pairs=_to(one.pairs),
            value=words.signed(one.value_mm, 1),
            U=words.uncertainty(one.U_mm, 1),
        )
        for what, one in (
            (say("twist"), choice.kept_twist),
            (say("diagonals"), choice.kept_diagonals),
        )
        if one is not None
    ]
    return [say("Datum: {told}", told=listed([told, *parts], "; "))]


def base_words(result: Result) -> dict[str, Any]:
    """Figures of the page's section on the base points; empty without a sheet."""
    choice = result.base_choice
    if choice is None:
        return {}
    return {
        "base": ", ".join(result.base),
        "moved": _names(choice, choice.left_out),
        "unclear": _names(choice, choice.doubtful),
        "statistic": words.number(choice.kept_points.statistic, 1),
        "freedom": choice.kept_points.freedom,
        "percent": words.number(100 * choice.kept_points.probability, 1),
        "rms": words.number(result.datum_rms_mm, 2),
        "twist": _pair_words(choice.kept_twist),
        "diagonals": _pair_words(choice.kept_diagonals),
    }


def _names(choice: BaseChoice, indices: tuple[int, ...]) -> str:
    return ", ".join(choice.names[i] for i in indices)


def _pair_words(check: PairCheck | None) -> dict[str, Any] | None:
    if check is None or not math.isfinite(check.value_mm):
        return None
    return {
        "pairs": " – ".join(check.pairs),
        "value": words.signed(check.value_mm, 1),
        "U": words.uncertainty(check.U_mm, 1),
        "significant": check.significant,
    }


def _to(names: Sequence[str]) -> str:
    told: str = names[0]
    for name in names[1:]:
        told = say("{one} to {other}", one=told, other=name)
    return told


def _told(symmetry: Symmetry) -> list[Comparison]:
    """The diagonals of the whole vehicle, wheelbase and track."""
    diagonals = [one for one in symmetry.comparisons if one.what == "diagonals"]
    return diagonals[-1:] + [one for one in symmetry.comparisons if one.what != "diagonals"]
