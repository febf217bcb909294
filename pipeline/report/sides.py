"""What page and terminal say of left against right, and of how the base points agree."""

from __future__ import annotations

import math
from typing import Any

from pipeline.base_points import BaseChoice, PairCheck
from pipeline.language import Said, say, say_count
from pipeline.report import words
from pipeline.result import Result
from pipeline.symmetry import CANNOT, Comparison, PairRow, Symmetry

_SHOWN = 3


def symmetry_lines(result: Result) -> list[str]:
    """Left against right in a few lines for the terminal; none with a sheet."""
    symmetry = result.symmetry
    if symmetry is None:
        return []
    lines = [str(symmetry_sentence(symmetry))]
    far = [row for row in symmetry.pairs if row.verdict == "out"]
    lines += [
        f"  {row.point}: {_apart(row)} (U {words.uncertainty(max(row.U_mm), 1)})"
        for row in far[:_SHOWN]
    ]
    if len(far) > _SHOWN:
        lines.append(f"  and {len(far) - _SHOWN} more")
    told = _told(symmetry)
    lines += [
        f"{one.what.capitalize()} {' to '.join(one.points)}: {one.left_mm:.1f} and "
        f"{one.right_mm:.1f} mm, {one.difference_mm:+.1f} mm "
        f"(U {words.uncertainty(one.U_mm, 1)}): {one.verdict}"
        for one in told
    ]
    return [*lines, CANNOT]


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
                "what": one.what,
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
    parts = [f"{len(result.base)} base points fit to {result.datum_rms_mm:.2f} mm rms"]
    if choice.left_out:
        parts[0] += f" without {_names(choice, choice.left_out)}"
    parts += [
        f"{what} {' to '.join(one.pairs)} {one.value_mm:+.1f} mm "
        f"(U {words.uncertainty(one.U_mm, 1)})"
        for what, one in (("twist", choice.kept_twist), ("diagonals", choice.kept_diagonals))
        if one is not None
    ]
    return [f"Datum: {'; '.join(parts)}"]


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


def _apart(row: PairRow) -> str:
    return ", ".join(
        f"{axis} {value:+.1f}"
        for axis, value in zip(("length", "width", "height"), row.difference_mm, strict=True)
    )


def _told(symmetry: Symmetry) -> list[Comparison]:
    """The diagonals of the whole vehicle, wheelbase and track."""
    diagonals = [one for one in symmetry.comparisons if one.what == "diagonals"]
    return diagonals[-1:] + [one for one in symmetry.comparisons if one.what != "diagonals"]
