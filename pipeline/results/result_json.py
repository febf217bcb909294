"""How values stand in result.json, and reading it back."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import Array, Pose
from pipeline.sentences import with_parts
from targets.errors import UserError, system_reason
from targets.said import say
from targets.wording import shown_value

SCHEMA = "datumshot/result/1"
"""Name and number of the layout of result.json."""
_LARGEST_RESULT_BYTES = 300_000_000
_LARGEST_MATRIX = 8000
"""Rows: 12 for each of 586 cards."""


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
            "check its permissions"
            if isinstance(error, PermissionError)
            else "run datumshot solve first",
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


def upper_triangle(matrix: Array, frame: str, order: list[Any]) -> dict[str, Any]:
    """A covariance as its upper triangle; ``order`` names what its blocks belong to."""
    size = len(matrix)
    upper = matrix[np.triu_indices(size)].tolist()
    return {
        "frame": frame,
        "order": order,
        "size": size,
        "upper": [float(f"{v:.6g}") if math.isfinite(v) else None for v in upper],
    }


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


def plain_number(value: float, decimals: int = 9) -> float | None:
    """To 1e-9 (a picometre): below any meaning, and short in the file; None when not finite."""
    value = float(value)
    return round(value, decimals) if math.isfinite(value) else None


def plain_numbers(values: Array, decimals: int = 6) -> list[Any]:
    """Nested lists of an array, None for what is not finite."""
    array = np.asarray(values, dtype=float)
    if array.ndim > 1:
        return [plain_numbers(row, decimals) for row in array]
    return [round(v, decimals) if math.isfinite(v) else None for v in array.tolist()]


def plain_pose(pose: Pose | None) -> dict[str, Any] | None:
    """Rotation to 12 decimals and translation, mm; None where there is none."""
    if pose is None:
        return None
    return {
        "rotation": plain_numbers(pose.rotation, 12),
        "translation_mm": plain_numbers(pose.translation),
    }


def _dumps(value: object) -> str:
    return json.dumps(value, allow_nan=False, ensure_ascii=False)


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is no JSON")
