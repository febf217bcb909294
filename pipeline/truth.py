"""Measured against known: how far a result lies from the truth of a rendered job."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import Array
from pipeline.datum.datum import closest_pose
from pipeline.datum.deviation import DeviationRow, Verdict
from pipeline.report.words import AXIS_WORDS, VERDICTS
from pipeline.results.result import Result
from targets.errors import UserError, system_reason
from targets.said import listed, say

SIDES = ("left", "right")
WELL_SEEN = 4
"""Card centres count if their card was measured in so many photos."""


@dataclass(frozen=True)
class Truth:
    """What a renderer knows of its scene, vehicle frame, mm.

    Attributes
    ----------
    centres_mm : card id to the true centre of the card, (3,).
    deviations_mm : (point, side) to the true deviation from the sheet, (3,).
    wheels : (axle, what, "left" or "right") to the true change of camber, caster or wheelbase,
        degrees or mm; empty where the sheet names no pick-up points.
    """

    centres_mm: Mapping[int, Array]
    deviations_mm: Mapping[tuple[str, str], Array]
    wheels: Mapping[tuple[str, str, str], float]


@dataclass(frozen=True)
class Comparison:
    """A result against the truth, mm; figures are nan where there was nothing to compare.

    Attributes
    ----------
    cards : number of card centres compared: those measured in ``WELL_SEEN`` photos or more.
    centre_rms_mm, centre_max_mm : their 3-D errors after a rigid fit (the scale is the bars').
    farthest_card : the card with the largest of them, None without cards.
    points : number of points whose deviation was compared.
    deviation_rms_mm : (3,) rms error of the deviations along length, width, height.
    covered : share of their errors that are not larger than U.
    beyond : points that truly are out of tolerance: name to verdict.
    wrongly_out : points called out that truly are within tolerance.
    wheel_figures : number of changes of camber, caster and wheelbase compared, each side one.
    wheel_figures_held : how many of them are off by no more than their U.
    """

    cards: int
    centre_rms_mm: float
    centre_max_mm: float
    farthest_card: int | None
    points: int
    deviation_rms_mm: Array
    covered: float
    beyond: Mapping[str, Verdict]
    wrongly_out: tuple[str, ...]
    wheel_figures: int
    wheel_figures_held: int


def read_truth(path: Path) -> Truth:
    """Read truth.json as written beside a rendered job.

    Raises
    ------
    UserError : the file is missing or is not such a file.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return Truth(
            {int(card["card"]): _three(card["vehicle"]["centre_mm"]) for card in document["cards"]},
            {(p["point"], p["side"]): _three(p["deviation_mm"]) for p in document["points"]},
            {
                (change["axle"], change["what"], side): _finite(change[side])
                for change in document["suspension"]
                for side in SIDES
            },
        )
    except OSError as error:
        raise UserError(
            say("cannot read the truth ({reason})", reason=system_reason(error)),
            str(path),
            "make the demo folder anew",
        ) from error
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError) as error:
        raise UserError(
            "this is not the truth of a rendered job", str(path), "make the demo folder anew"
        ) from error


def compare(result: Result, truth: Truth) -> Comparison:
    """A result against the truth."""
    cards = [c for c in result.cards if c.photos >= WELL_SEEN and c.card in truth.centres_mm]
    errors_mm = fit_errors_mm(
        np.array([c.centre_mm for c in cards]).reshape(-1, 3),
        np.array([truth.centres_mm[c.card] for c in cards]).reshape(-1, 3),
    )
    lengths_mm = np.linalg.norm(errors_mm, axis=1)
    fitted = bool(np.isfinite(lengths_mm).any())

    rows = [r for r in result.deviations.rows if (r.point, r.side) in truth.deviations_mm]
    true_mm = np.array([truth.deviations_mm[r.point, r.side] for r in rows]).reshape(-1, 3)
    off_mm = np.array([r.deviation_mm for r in rows]).reshape(-1, 3) - true_mm
    U_mm = np.array([r.U_deviation_mm for r in rows]).reshape(-1, 3)
    wheels = [
        abs(figure.value - truth.wheels[one.axle, one.what, side]) <= figure.U
        for one in result.suspension
        for side, figure in zip(SIDES, (one.left, one.right), strict=True)
        if figure is not None and (one.axle, one.what, side) in truth.wheels
    ]
    beyond = {
        _name(row): row.verdict
        for row, moved in zip(rows, true_mm, strict=True)
        if np.abs(moved).max() > row.tol_mm
    }
    return Comparison(
        cards=len(cards),
        centre_rms_mm=rms(lengths_mm),
        centre_max_mm=float(lengths_mm.max()) if fitted else float("nan"),
        farthest_card=cards[int(lengths_mm.argmax())].card if fitted else None,
        points=len(rows),
        deviation_rms_mm=np.array([rms(off_mm[:, axis]) for axis in range(3)]),
        covered=float((np.abs(off_mm) <= U_mm).mean()) if rows else float("nan"),
        beyond=beyond,
        wrongly_out=tuple(
            _name(row) for row in rows if row.verdict == "out" and _name(row) not in beyond
        ),
        wheel_figures=len(wheels),
        wheel_figures_held=sum(wheels),
    )


def fit_errors_mm(measured_mm: Array, true_mm: Array) -> Array:
    """What is left (N, 3) after the rigid motion, without scale, that fits measured to true best.

    All nan for fewer than three points, which do not fix a motion.
    """
    if len(measured_mm) < 3:
        return np.full(measured_mm.shape, np.nan)
    return closest_pose(measured_mm, true_mm).apply(measured_mm) - true_mm


def rms(values: Array) -> float:
    """Root mean square; nan for no values.

    >>> round(rms(np.array([3.0, -4.0])), 4)
    3.5355
    """
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def comparison_lines(comparison: Comparison) -> list[str]:
    """The comparison as the terminal says it."""
    lines: list[str] = [
        say(
            "Against the truth of the rendering, {cards} cards and {points} points:",
            cards=comparison.cards,
            points=comparison.points,
        )
    ]
    if comparison.farthest_card is not None:
        lines.append(
            say(
                "  card centres, scaled by the bars alone: {rms:.3f} mm rms, "
                "{most:.3f} mm at most (card {card})",
                rms=comparison.centre_rms_mm,
                most=comparison.centre_max_mm,
                card=comparison.farthest_card,
            )
        )
    if comparison.points:
        axes = listed(
            [
                say("{axis} {rms:.3f}", axis=axis, rms=float(value))
                for axis, value in zip(AXIS_WORDS, comparison.deviation_rms_mm, strict=True)
            ]
        )
        called = [name for name, verdict in comparison.beyond.items() if verdict == "out"]
        missed = [
            say("{point} was called {verdict}", point=name, verdict=VERDICTS[verdict])
            for name, verdict in comparison.beyond.items()
            if verdict != "out"
        ]
        wrong = [
            say("{point} was called out wrongly", point=name) for name in comparison.wrongly_out
        ]
        lines += [
            say("  deviations: {axes} mm rms", axes=axes),
            say(
                "  errors within the stated U (k = 2): {share:.0f} %",
                share=100.0 * comparison.covered,
            ),
            say(
                "  points truly out of tolerance: {called} of {beyond} called out; {others}",
                called=len(called),
                beyond=len(comparison.beyond),
                others=listed([*missed, *wrong], "; ") or say("none called out wrongly"),
            ),
        ]
    if comparison.wheel_figures:
        lines.append(
            say(
                "  changes of camber, caster and wheelbase: {held} of {all} within their U",
                held=comparison.wheel_figures_held,
                all=comparison.wheel_figures,
            )
        )
    return lines


def _three(values: Any) -> Array:
    array = np.array(values, dtype=float)
    if array.shape != (3,) or not np.isfinite(array).all():
        raise ValueError("not three numbers")
    return array


def _finite(value: Any) -> float:
    if not np.isfinite(value):
        raise ValueError("not a number")
    return float(value)


def _name(row: DeviationRow) -> str:
    return f"{row.point} {row.side}"
