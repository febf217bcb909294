"""Everything of a result as result.json holds it.

Its keys are a public interface: later versions only add.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from calib.camera import CONSTANTS
from calib.frames import Array
from pipeline.adjustment.looked_again import LookedAgain
from pipeline.adjustment.printing import PrintScale
from pipeline.adjustment.reliability import CardReliability
from pipeline.adjustment.solution import CameraGroup, Solution
from pipeline.datum.base_points import BaseChoice, Congruence, PairCheck
from pipeline.datum.budget import (
    COVERAGE_FACTOR,
    DECISION_RULE,
    SOURCES,
    BudgetRow,
    budget_sentence,
)
from pipeline.datum.deviation import DeviationRow
from pipeline.datum.symmetry import CANNOT, Symmetry
from pipeline.inputs.job import Job
from pipeline.report.damage_document import damage_document
from pipeline.report.words import answer, unmeasured
from pipeline.results.provenance import version, without_folder
from pipeline.results.result import CardRow, Result
from pipeline.results.result_json import (
    SCHEMA,
    plain_number,
    plain_numbers,
    plain_pose,
    upper_triangle,
)
from pipeline.sentences import parts_of


def result_document(
    result: Result, hashes: Sequence[tuple[str, str | None]] = ()
) -> dict[str, Any]:
    """Everything of a result as plain lists, numbers and texts; what is not a number is None.

    Covariances are the upper triangle, row by row with the diagonal, 6 significant digits: a
    symmetric matrix needs no more, and 40 cards stay below 3 MB.

    Parameters
    ----------
    result : what one ``solve`` found.
    hashes : file names and SHA-256 of the inputs.
    """
    solution, job = result.solution, result.job
    in_vehicle = result.vehicle_from_network is not None
    document = {
        "schema": SCHEMA,
        "version": version(),
        "units": "mm, degrees C, px; U is k = 2; covariances are upper triangles, row by row",
        "settings": _settings(job),
        "answer": list(answer(result)),
        "unmeasured": unmeasured(result),
        "frame": "vehicle" if in_vehicle else "network",
        "scaled": result.scaled,
        "vehicle_from_network": plain_pose(result.vehicle_from_network),
        "base": list(result.base),
        "datum_rms_mm": plain_number(result.datum_rms_mm),
        "points": [_point(row) for row in result.deviations.rows],
        "points_covariance_mm2": upper_triangle(
            result.deviations.covariance_mm2,
            "vehicle",
            [f"{row.point} {row.side}" for row in result.deviations.rows],
        ),
        "budget": {
            "coverage_factor": COVERAGE_FACTOR,
            "decision_rule": DECISION_RULE,
            "sources": SOURCES,
            "summary": budget_sentence(result.budget),
            "points": [_budget(row) for row in result.budget],
        },
        "cards": [_card(card) for card in result.cards],
        "card_centres_covariance_mm2": upper_triangle(
            solution.centres_covariance_mm2, "network", list(solution.cards)
        ),
        "bars": [
            {
                "cards": list(bar.cards),
                "length_mm": plain_number(bar.length_mm),
                "measured_mm": plain_number(bar.measured_mm),
                "U_mm": plain_number(bar.U_mm),
            }
            for bar in result.bars
        ],
        "photos": _photos(result),
        "cameras": [_camera(group) for group in solution.groups],
        "adjustment": {
            "sigma0": plain_number(solution.sigma0),
            "redundancy": int(solution.redundancy),
            "rejected": [
                {"card": card, "photo": photo, "dot": dot} for card, photo, dot in solution.rejected
            ],
            "sightings": _sightings(solution),
        },
        "print_scale": _print_scale(result.print_scale),
        "reliability": [_reliability(row) for row in result.reliability],
        "dots": [
            {"card": card, "network_mm": plain_numbers(dots)}
            for card, dots in zip(solution.cards, solution.dots_mm, strict=True)
        ],
        "dots_covariance_mm2": upper_triangle(
            solution.covariance_mm2, "network", list(solution.cards)
        ),
        "sheet": [
            {
                "point": point.point,
                "side": point.side,
                "position_mm": plain_numbers(point.position_mm),
                "tol_mm": plain_number(point.tol_mm),
                "base": point.base,
                "note": point.note,
                "zone": point.zone,
                "kind": point.kind,
                "u_mm": plain_numbers(point.u_mm),
            }
            for point in (job.sheet.points if job.sheet else ())
        ],
        "base_check": _base_check(result.base_choice),
        "symmetry": _symmetry(result.symmetry),
        **damage_document(result),
        "second_look": _second_look(result.second_look),
        "findings": [
            {
                "code": finding.code,
                "severity": finding.severity,
                "subject": without_folder(finding.subject, job.folder),
                "text": without_folder(finding.text, job.folder),
                "remedy": without_folder(finding.remedy, job.folder),
                "effect": without_folder(finding.effect_told, job.folder),
            }
            for finding in result.findings
        ],
        "seconds": {stage: plain_number(round(s, 3)) for stage, s in result.seconds.items()},
        "inputs": [{"file": name, "sha256": digest} for name, digest in hashes],
    }
    return {**document, "sentences": parts_of(document)}


def _settings(job: Job) -> dict[str, Any]:
    return {
        "title": job.title,
        "date": job.date,
        "technician": job.technician,
        "language": job.language,
        "inches": job.inches,
        "parts": job.parts,
        "temperature_c": plain_number(job.temperature_c),
        "tolerance_mm": plain_number(job.tolerance_mm),
        "lens": job.lens.name if job.lens else "self",
        "seating_u_mm": plain_number(job.seating_u_mm),
        "stem_u_mm": plain_number(job.stem_u_mm),
        "body_alpha_per_k": float(job.body_alpha_per_k),
        "bars": [
            {
                "cards": list(bar.cards),
                "length_mm": plain_number(bar.length_mm),
                "U_mm": plain_number(bar.U_mm),
                "alpha_per_k": float(bar.alpha_per_k),
            }
            for bar in job.bars
        ],
        "base": "auto" if job.base is None else list(job.base),
        "build_sd_mm": None if job.build_sd_mm is None else plain_number(job.build_sd_mm),
        "cards": [
            {
                "card": card.card,
                "point": card.point,
                "side": card.side,
                "stem_mm": plain_number(card.stem_mm),
                "note": card.note,
            }
            for card in job.cards
        ],
    }


def _point(row: DeviationRow) -> dict[str, Any]:
    return {
        "point": row.point,
        "side": row.side,
        "card": int(row.card),
        "position_mm": plain_numbers(row.position_mm),
        "U_mm": plain_numbers(row.U_mm),
        "deviation_mm": plain_numbers(row.deviation_mm),
        "U_deviation_mm": plain_numbers(row.U_deviation_mm),
        "tol_mm": plain_number(row.tol_mm),
        "axis_verdicts": list(row.axis_verdicts),
        "verdict": row.verdict,
        "base": bool(row.base),
        "photos": int(row.photos),
    }


def _base_check(choice: BaseChoice | None) -> dict[str, Any] | None:
    if choice is None:
        return None

    def named(indices: Iterable[int]) -> list[str]:
        return [choice.names[i] for i in indices]

    def congruence(test: Congruence) -> dict[str, Any]:
        return {
            "chi_square": plain_number(test.statistic),
            "freedom": test.freedom,
            "probability": plain_number(test.probability),
        }

    def pairs(check: PairCheck | None) -> dict[str, Any] | None:
        if check is None:
            return None
        return {
            "pairs": list(check.pairs),
            "value_mm": plain_number(check.value_mm),
            "U_mm": plain_number(check.U_mm),
            "significant": check.significant,
        }

    return {
        "tested": list(choice.names),
        "agree": named(choice.kept),
        "moved": named(choice.left_out),
        "unclear": named(choice.doubtful),
        "all": congruence(choice.all_points),
        "agreeing": congruence(choice.kept_points),
        "twist": pairs(choice.kept_twist),
        "diagonals": pairs(choice.kept_diagonals),
        "twist_of_all": pairs(choice.twist),
        "diagonals_of_all": pairs(choice.diagonals),
        "explained": [
            {"moved": named(one.moved), "probability": plain_number(one.probability)}
            for one in choice.explained
        ],
        "scatter_if_none_moved_mm": plain_number(choice.loose_mm),
    }


def _symmetry(symmetry: Symmetry | None) -> dict[str, Any] | None:
    if symmetry is None:
        return None
    U = 2.0 * np.sqrt(np.diag(symmetry.covariance_mm2)).reshape(-1, 3)
    return {
        "vehicle_from_network": plain_pose(symmetry.vehicle_from_network),
        "scatter_mm": plain_number(symmetry.scatter_mm),
        "agree": symmetry.agree,
        "points": [
            {"name": name, "position_mm": plain_numbers(place), "U_mm": plain_numbers(u)}
            for name, place, u in zip(symmetry.names, symmetry.positions_mm, U, strict=True)
        ],
        "points_covariance_mm2": upper_triangle(
            symmetry.covariance_mm2, "vehicle", list(symmetry.names)
        ),
        "pairs": [
            {
                "point": row.point,
                "difference_mm": plain_numbers(row.difference_mm),
                "U_mm": plain_numbers(row.U_mm),
                "used": row.used,
                "verdict": row.verdict,
            }
            for row in symmetry.pairs
        ],
        "comparisons": [
            {
                "what": one.what,
                "points": list(one.points),
                "left_mm": plain_number(one.left_mm),
                "right_mm": plain_number(one.right_mm),
                "U_mm": plain_number(one.U_mm),
                "verdict": one.verdict,
            }
            for one in symmetry.comparisons
        ],
        "cannot": CANNOT,
    }


def _budget(row: BudgetRow) -> dict[str, Any]:
    return {
        "point": row.point,
        "side": row.side,
        "u_mm": {source: plain_numbers(u) for source, u in row.u_mm.items()},
        "dominant": row.dominant,
    }


def _card(card: CardRow) -> dict[str, Any]:
    return {
        "card": int(card.card),
        "role": card.role,
        "centre_mm": plain_numbers(card.centre_mm),
        "normal": plain_numbers(card.normal, 9),
        "U_mm": plain_numbers(card.U_mm),
        "photos": int(card.photos),
    }


def _print_scale(printed: PrintScale | None) -> dict[str, Any] | None:
    if printed is None:
        return None
    return {
        "across": plain_number(printed.scale[0]),
        "up": plain_number(printed.scale[1]),
        "U_across": plain_number(printed.U[0]),
        "U_up": plain_number(printed.U[1]),
    }


def _second_look(again: LookedAgain | None) -> dict[str, Any] | None:
    if again is None:
        return None
    return {
        "added": again.added,
        "new_cards": [int(card) for card in again.new_cards],
        "weakest": again.weakest,
        "U_before_mm": plain_number(again.U_before_mm),
        "U_after_mm": plain_number(again.U_after_mm),
        "weakest_after": again.weakest_after,
        "U_weakest_after_mm": plain_number(again.U_weakest_after_mm),
    }


def _reliability(row: CardReliability) -> dict[str, Any]:
    return {
        "card": int(row.card),
        "redundancy": plain_number(row.redundancy),
        "photo": row.photo,
        "dot": int(row.dot),
        "error_px": plain_number(row.error_px),
        "shift_mm": plain_number(row.shift_mm),
    }


def _camera(group: CameraGroup) -> dict[str, Any]:
    constants = [float(c) if math.isfinite(c) else None for c in group.camera.constants]
    return {
        "name": group.name,
        "width_px": int(group.camera.width_px),
        "height_px": int(group.camera.height_px),
        "constants": dict(zip(CONSTANTS, constants, strict=True)),
        "sd_constants": dict(zip(CONSTANTS, plain_numbers(group.sd_constants, 12), strict=True)),
        "from_profile": bool(group.from_profile),
        "photos": list(group.photos),
        "distortion_terms": {
            "criterion": "BIC",
            "taken": list(group.terms.taken),
            "left_out": list(group.terms.left_out),
            "gain": {name: plain_number(gain) for name, gain in group.terms.gain.items()},
        },
    }


def _photos(result: Result) -> list[dict[str, Any]]:
    solution = result.solution
    adjusted = {name: index for index, name in enumerate(solution.photos)}
    rows = []
    for photo in result.photos:
        index = adjusted.get(photo.name)
        rows.append(
            {
                "name": photo.name,
                "used": bool(photo.used),
                "reason": without_folder(photo.reason, result.job.folder),
                "cards": [int(card) for card in photo.cards],
                "rms_px": plain_number(photo.rms_px),
                "camera": None if index is None else int(solution.group_of_photo[index]),
                "camera_from_network": (
                    None if index is None else plain_pose(solution.camera_from_network[index])
                ),
                "drift": None if index is None else _drift(solution.drift[index]),
                "shift_px": None if index is None else plain_numbers(solution.shift_px[index]),
            }
        )
    return rows


def _sightings(solution: Solution) -> list[dict[str, Any]]:
    """Measured dots and residuals, to 1e-4 px (a tenth of what a dot can be measured)."""
    return [
        {
            "photo": solution.photos[photo],
            "card": solution.cards[card],
            "residuals_px": residuals,
            "dots_px": dots,
        }
        for photo, card, residuals, dots in zip(
            solution.sighting_photo.tolist(),
            solution.sighting_card.tolist(),
            plain_numbers(solution.residuals_px, 4),
            plain_numbers(solution.measured_px, 4),
            strict=True,
        )
    ]


def _drift(drift: Array) -> dict[str, Any]:
    return {"rotation_rad": plain_numbers(drift[:3], 9), "translation_mm": plain_numbers(drift[3:])}
