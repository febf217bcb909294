"""The files for other programs: points.csv, cards.csv and result.json.

Their columns and keys are a public interface: later versions only add.
"""

from __future__ import annotations

import csv
import importlib.metadata
import io
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from calib.camera import CONSTANTS
from calib.frames import Array, Pose
from pipeline.base_points import BaseChoice, Congruence, PairCheck
from pipeline.budget import (
    COVERAGE_FACTOR,
    DECISION_RULE,
    SOURCES,
    BudgetRow,
    budget_sentence,
)
from pipeline.deviation import AXES, DeviationRow
from pipeline.job import Job
from pipeline.looked_again import LookedAgain
from pipeline.printing import PrintScale
from pipeline.reliability import CardReliability
from pipeline.report.damage_document import damage_document
from pipeline.report.words import answer, unmeasured
from pipeline.result import CardRow, Result
from pipeline.sentences import parts_of, with_parts
from pipeline.solution import CameraGroup, Solution
from pipeline.symmetry import CANNOT, Symmetry
from targets.atomic import write_text
from targets.errors import UserError, system_reason
from targets.said import changed, say
from targets.sums import sha256_if_readable
from targets.wording import shown_value

SCHEMA = "datumshot/result/1"
"""Name and number of the layout of result.json."""

POINT_COLUMNS = (
    "point",
    "side",
    *(f"{axis}_mm" for axis in AXES),
    *(f"U_{axis}_mm" for axis in AXES),
    *(f"dev_{axis}_mm" for axis in AXES),
    *(f"U_dev_{axis}_mm" for axis in AXES),
    "tol_mm",
    "verdict",
    "base",
    "photos",
)
"""Columns of points.csv."""

CARD_COLUMNS = (
    *("card", "role", "x_mm", "y_mm", "z_mm", "nx", "ny", "nz"),
    *("U_x_mm", "U_y_mm", "U_z_mm", "photos"),
)
"""Columns of cards.csv."""

_LARGEST_RESULT_BYTES = 300_000_000
_LARGEST_MATRIX = 8000
"""Rows: 12 for each of 586 cards."""

# A spreadsheet takes a cell that begins like this for a formula, which may fetch or run things.
_FORMULA_STARTS = ("=", "+", "-", "@")


def write_tables(
    result: Result, folder: Path, hashes: Sequence[tuple[str, str | None]] | None = None
) -> None:
    """Write points.csv, cards.csv and result.json into ``folder`` (made when missing).

    Parameters
    ----------
    result : what one ``solve`` found.
    folder : where to.
    hashes : of the inputs as ``input_hashes`` gives them; worked out here when None.

    Raises
    ------
    UserError : the folder may not be written to.
    """
    write_text(folder / "points.csv", points_csv(result.deviations.rows))
    write_text(folder / "cards.csv", cards_csv(result.cards))
    if hashes is None:
        hashes = input_hashes(result.job, [photo.name for photo in result.photos])
    write_text(folder / "result.json", json_text(result_document(result, hashes)))


def points_csv(rows: Iterable[DeviationRow]) -> str:
    """Text of points.csv: one reference point a row, mm in the vehicle frame, widths signed."""
    return csv_text(
        POINT_COLUMNS,
        (
            [
                text_cell(row.point),
                text_cell(row.side),
                *(
                    number_cell(value)
                    for values in (
                        row.position_mm,
                        row.U_mm,
                        row.deviation_mm,
                        row.U_deviation_mm,
                    )
                    for value in values
                ),
                number_cell(row.tol_mm),
                text_cell(row.verdict),
                "yes" if row.base else "no",
                str(row.photos),
            ]
            for row in rows
        ),
    )


def cards_csv(cards: Iterable[CardRow]) -> str:
    """Text of cards.csv: one measured card a row, mm in the frame of the result.

    Normals have 6 decimals: at 3, the hole at the end of a stem of 80 mm would move by 0.04 mm.
    """
    return csv_text(
        CARD_COLUMNS,
        (
            [
                str(card.card),
                text_cell(card.role),
                *(number_cell(value) for value in card.centre_mm),
                *(number_cell(value, 6) for value in card.normal),
                *(number_cell(value) for value in card.U_mm),
                str(card.photos),
            ]
            for card in cards
        ),
    )


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
        "vehicle_from_network": _pose(result.vehicle_from_network),
        "base": list(result.base),
        "datum_rms_mm": _number(result.datum_rms_mm),
        "points": [_point(row) for row in result.deviations.rows],
        "points_covariance_mm2": _triangle(
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
        "card_centres_covariance_mm2": _triangle(
            solution.centres_covariance_mm2, "network", list(solution.cards)
        ),
        "bars": [
            {
                "cards": list(bar.cards),
                "length_mm": _number(bar.length_mm),
                "measured_mm": _number(bar.measured_mm),
                "U_mm": _number(bar.U_mm),
            }
            for bar in result.bars
        ],
        "photos": _photos(result),
        "cameras": [_camera(group) for group in solution.groups],
        "adjustment": {
            "sigma0": _number(solution.sigma0),
            "redundancy": int(solution.redundancy),
            "rejected": [
                {"card": card, "photo": photo, "dot": dot} for card, photo, dot in solution.rejected
            ],
            "sightings": _sightings(solution),
        },
        "print_scale": _print_scale(result.print_scale),
        "reliability": [_reliability(row) for row in result.reliability],
        "dots": [
            {"card": card, "network_mm": _numbers(dots)}
            for card, dots in zip(solution.cards, solution.dots_mm, strict=True)
        ],
        "dots_covariance_mm2": _triangle(solution.covariance_mm2, "network", list(solution.cards)),
        "sheet": [
            {
                "point": point.point,
                "side": point.side,
                "position_mm": _numbers(point.position_mm),
                "tol_mm": _number(point.tol_mm),
                "base": point.base,
                "note": point.note,
                "zone": point.zone,
                "kind": point.kind,
                "u_mm": _numbers(point.u_mm),
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
        "seconds": {stage: _number(round(s, 3)) for stage, s in result.seconds.items()},
        "inputs": [{"file": name, "sha256": digest} for name, digest in hashes],
    }
    return {**document, "sentences": parts_of(document)}


def json_text(document: Mapping[str, Any]) -> str:
    """Strict JSON, UTF-8 kept as it is: one key a line, and in lists of tables one row a line."""
    lines = []
    for key, value in document.items():
        if isinstance(value, list) and value and isinstance(value[0], dict):
            body = "[\n" + ",\n".join(f"  {_dumps(row)}" for row in value) + "\n ]"
        else:
            body = _dumps(value)
        lines.append(f" {_dumps(key)}: {body}")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def load_result_json(path: Path) -> dict[str, Any]:
    """Read a result.json back as ``result_document`` made it, sentences with their parts.

    Raises
    ------
    UserError : there is no such file, it is not JSON, or another program or version wrote it.
    """
    try:
        if path.stat().st_size > _LARGEST_RESULT_BYTES:
            raise ValueError("far too large")
        document = json.loads(path.read_text(encoding="utf-8"), parse_constant=_refuse)
    except OSError as error:
        raise UserError(
            say("cannot read the result ({reason})", reason=system_reason(error)),
            str(path),
            "run datumshot solve first",
        ) from error
    except (ValueError, RecursionError) as error:
        raise UserError(
            "this is not a whole result file", str(path), "run datumshot solve again"
        ) from error
    schema = document.get("schema") if isinstance(document, dict) else None
    if schema != SCHEMA:
        raise UserError(
            say(
                "the layout is {found}, this version reads {known}",
                found=shown_value(schema),
                known=repr(SCHEMA),
            ),
            str(path),
            "run datumshot solve again",
        )
    return with_parts(document)


def matrix_from_triangle(triangle: Mapping[str, Any]) -> Array:
    """The full symmetric matrix (n, n) of a covariance in result.json.

    >>> matrix_from_triangle({"size": 2, "upper": [4.0, 1.0, 9.0]}).tolist()
    [[4.0, 1.0], [1.0, 9.0]]
    """
    size = int(triangle["size"])
    if not 0 <= size <= _LARGEST_MATRIX:
        raise ValueError(f"no matrix has {size} rows")
    upper = np.zeros((size, size))
    upper[np.triu_indices(size)] = [np.nan if v is None else v for v in triangle["upper"]]
    return np.asarray(upper + np.triu(upper, 1).T)


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no JSON")


def input_hashes(job: Job, photos: Iterable[str]) -> list[tuple[str, str | None]]:
    """File names of a job's inputs and their SHA-256, None where a file cannot be read.

    Names only: a folder may tell who the customer is.
    """
    files = [
        job.folder / "job.toml",
        *([job.folder / "sheet.csv"] if job.sheet else []),
        *([job.folder / "cards.csv"] if job.cards else []),
        *([job.lens] if job.lens else []),
        *(job.folder / "photos" / name for name in photos),
    ]
    # hashlib lets go of the interpreter's lock, so threads do run side by side.
    with ThreadPoolExecutor(4) as pool:
        return list(
            zip((file.name for file in files), pool.map(sha256_if_readable, files), strict=True)
        )


def version() -> str:
    """Version of datumshot as installed."""
    try:
        return importlib.metadata.version("datumshot")
    except importlib.metadata.PackageNotFoundError:
        return "not installed, run from its source"


def without_folder(text: str, folder: Path) -> str:
    """The text with paths inside the job folder made relative, so that no absolute one leaves it.

    >>> without_folder("/home/kim/van/photos/a.jpg: too dark", Path("/home/kim/van"))
    'photos/a.jpg: too dark'
    """
    wholes = {str(folder), str(folder.absolute())} - {"."}

    def without(part: str) -> str:
        for whole in wholes:
            part = part.replace(f"{whole}/", "").replace(f"{whole}\\", "")
        return part

    return changed(text, without)


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table as CSV text with line feeds."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return stream.getvalue()


def number_cell(value: float, decimals: int = 3) -> str:
    """A number with so many decimals; empty where it is not finite."""
    if not math.isfinite(value):
        return ""
    # Adding zero turns -0.0 into 0.0; a sheet full of "-0.000" looks like a finding.
    return f"{round(float(value), decimals) + 0.0:.{decimals}f}"


def text_cell(text: str) -> str:
    """One line of text that no spreadsheet takes for a formula, blanks in front of it or not."""
    line = re.sub(r"[\t\r\n\v\f]+", " ", text)
    return f"'{line}" if line.lstrip().startswith(_FORMULA_STARTS) else line


def _dumps(value: object) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False)


def _number(value: float) -> float | None:
    """To 1e-9 (a picometre): below any meaning, and short in the file; None when not finite."""
    value = float(value)
    return round(value, 9) if math.isfinite(value) else None


def _numbers(values: Array, decimals: int = 6) -> list[Any]:
    """Nested lists of an array, None for what is not finite."""
    array = np.asarray(values, dtype=float)
    if array.ndim > 1:
        return [_numbers(row, decimals) for row in array]
    return [round(v, decimals) if math.isfinite(v) else None for v in array.tolist()]


def _triangle(matrix: Array, frame: str, order: list[Any]) -> dict[str, Any]:
    """A covariance as its upper triangle; ``order`` names what its blocks belong to."""
    size = len(matrix)
    upper = matrix[np.triu_indices(size)].tolist()
    return {
        "frame": frame,
        "order": order,
        "size": size,
        "upper": [float(f"{v:.6g}") if math.isfinite(v) else None for v in upper],
    }


def _pose(pose: Pose | None) -> dict[str, Any] | None:
    if pose is None:
        return None
    return {
        "rotation": _numbers(pose.rotation, 12),
        "translation_mm": _numbers(pose.translation),
    }


def _settings(job: Job) -> dict[str, Any]:
    return {
        "title": job.title,
        "date": job.date,
        "technician": job.technician,
        "language": job.language,
        "inches": job.inches,
        "parts": job.parts,
        "temperature_c": _number(job.temperature_c),
        "tolerance_mm": _number(job.tolerance_mm),
        "lens": job.lens.name if job.lens else "self",
        "seating_u_mm": _number(job.seating_u_mm),
        "stem_u_mm": _number(job.stem_u_mm),
        "body_alpha_per_k": float(job.body_alpha_per_k),
        "bars": [
            {
                "cards": list(bar.cards),
                "length_mm": _number(bar.length_mm),
                "U_mm": _number(bar.U_mm),
                "alpha_per_k": float(bar.alpha_per_k),
            }
            for bar in job.bars
        ],
        "base": "auto" if job.base is None else list(job.base),
        "build_sd_mm": None if job.build_sd_mm is None else _number(job.build_sd_mm),
        "cards": [
            {
                "card": card.card,
                "point": card.point,
                "side": card.side,
                "stem_mm": _number(card.stem_mm),
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
        "position_mm": _numbers(row.position_mm),
        "U_mm": _numbers(row.U_mm),
        "deviation_mm": _numbers(row.deviation_mm),
        "U_deviation_mm": _numbers(row.U_deviation_mm),
        "tol_mm": _number(row.tol_mm),
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
            "chi_square": _number(test.statistic),
            "freedom": test.freedom,
            "probability": _number(test.probability),
        }

    def pairs(check: PairCheck | None) -> dict[str, Any] | None:
        if check is None:
            return None
        return {
            "pairs": list(check.pairs),
            "value_mm": _number(check.value_mm),
            "U_mm": _number(check.U_mm),
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
            {"moved": named(one.moved), "probability": _number(one.probability)}
            for one in choice.explained
        ],
        "scatter_if_none_moved_mm": _number(choice.loose_mm),
    }


def _symmetry(symmetry: Symmetry | None) -> dict[str, Any] | None:
    if symmetry is None:
        return None
    U = 2.0 * np.sqrt(np.diag(symmetry.covariance_mm2)).reshape(-1, 3)
    return {
        "vehicle_from_network": _pose(symmetry.vehicle_from_network),
        "scatter_mm": _number(symmetry.scatter_mm),
        "agree": symmetry.agree,
        "points": [
            {"name": name, "position_mm": _numbers(place), "U_mm": _numbers(u)}
            for name, place, u in zip(symmetry.names, symmetry.positions_mm, U, strict=True)
        ],
        "points_covariance_mm2": _triangle(
            symmetry.covariance_mm2, "vehicle", list(symmetry.names)
        ),
        "pairs": [
            {
                "point": row.point,
                "difference_mm": _numbers(row.difference_mm),
                "U_mm": _numbers(row.U_mm),
                "used": row.used,
                "verdict": row.verdict,
            }
            for row in symmetry.pairs
        ],
        "comparisons": [
            {
                "what": one.what,
                "points": list(one.points),
                "left_mm": _number(one.left_mm),
                "right_mm": _number(one.right_mm),
                "U_mm": _number(one.U_mm),
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
        "u_mm": {source: _numbers(u) for source, u in row.u_mm.items()},
        "dominant": row.dominant,
    }


def _card(card: CardRow) -> dict[str, Any]:
    return {
        "card": int(card.card),
        "role": card.role,
        "centre_mm": _numbers(card.centre_mm),
        "normal": _numbers(card.normal, 9),
        "U_mm": _numbers(card.U_mm),
        "photos": int(card.photos),
    }


def _print_scale(printed: PrintScale | None) -> dict[str, Any] | None:
    if printed is None:
        return None
    return {
        "across": _number(printed.scale[0]),
        "up": _number(printed.scale[1]),
        "U_across": _number(printed.U[0]),
        "U_up": _number(printed.U[1]),
    }


def _second_look(again: LookedAgain | None) -> dict[str, Any] | None:
    if again is None:
        return None
    return {
        "added": again.added,
        "new_cards": [int(card) for card in again.new_cards],
        "weakest": again.weakest,
        "U_before_mm": _number(again.U_before_mm),
        "U_after_mm": _number(again.U_after_mm),
        "weakest_after": again.weakest_after,
        "U_weakest_after_mm": _number(again.U_weakest_after_mm),
    }


def _reliability(row: CardReliability) -> dict[str, Any]:
    return {
        "card": int(row.card),
        "redundancy": _number(row.redundancy),
        "photo": row.photo,
        "dot": int(row.dot),
        "error_px": _number(row.error_px),
        "shift_mm": _number(row.shift_mm),
    }


def _camera(group: CameraGroup) -> dict[str, Any]:
    constants = [float(c) if math.isfinite(c) else None for c in group.camera.constants]
    return {
        "name": group.name,
        "width_px": int(group.camera.width_px),
        "height_px": int(group.camera.height_px),
        "constants": dict(zip(CONSTANTS, constants, strict=True)),
        "sd_constants": dict(zip(CONSTANTS, _numbers(group.sd_constants, 12), strict=True)),
        "from_profile": bool(group.from_profile),
        "photos": list(group.photos),
        "distortion_terms": {
            "criterion": "BIC",
            "taken": list(group.terms.taken),
            "left_out": list(group.terms.left_out),
            "gain": {name: _number(gain) for name, gain in group.terms.gain.items()},
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
                "rms_px": _number(photo.rms_px),
                "camera": None if index is None else int(solution.group_of_photo[index]),
                "camera_from_network": (
                    None if index is None else _pose(solution.camera_from_network[index])
                ),
                "drift": None if index is None else _drift(solution.drift[index]),
                "shift_px": None if index is None else _numbers(solution.shift_px[index]),
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
            _numbers(solution.residuals_px, 4),
            _numbers(solution.measured_px, 4),
            strict=True,
        )
    ]


def _drift(drift: Array) -> dict[str, Any]:
    return {"rotation_rad": _numbers(drift[:3], 9), "translation_mm": _numbers(drift[3:])}
