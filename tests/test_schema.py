"""The published JSON Schema of result.json, read by the library jsonschema (draft 2020-12)."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from pipeline.results.result import Result
from pipeline.results.result_document import result_document
from pipeline.results.result_json import SCHEMA, json_text
from tests.report_case import (
    first_points,
    invented,
    titled,
    with_second_look,
    with_terms,
    without_sheet,
)

SCHEMA_FILE = Path(__file__).resolve().parents[1] / "docs" / "result.schema.json"
PUBLISHED = json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(PUBLISHED)


def faults(document: Any) -> list[str]:
    return [f"{e.json_path}: {e.message[:200]}" for e in VALIDATOR.iter_errors(document)]


def as_written(result: Result) -> Any:
    return json.loads(json_text(result_document(result, [("job.toml", None)])))


def without_scale(result: Result) -> Result:
    return replace(result, scaled=False, bars=())


def test_the_schema_is_one_and_of_this_layout() -> None:
    Draft202012Validator.check_schema(PUBLISHED)
    assert PUBLISHED["properties"]["schema"]["const"] == SCHEMA


def test_the_demo_is_valid(solved_demo: Path) -> None:
    document = json.loads((solved_demo / "results" / "result.json").read_text(encoding="utf-8"))
    assert faults(document) == []
    for part in ("points", "cards", "bars", "photos", "cameras", "dots", "inputs", "reliability"):
        assert document[part], part  # an empty list would prove nothing of its rows


@pytest.mark.parametrize(
    "change",
    [
        lambda r: r,
        without_sheet,
        without_scale,
        with_terms,
        with_second_look,
        lambda r: first_points(r, 1),
        lambda r: titled(r, "سيارة <b>车</b>"),
    ],
)
def test_results_of_every_sort_are_valid(change: Callable[[Result], Result]) -> None:
    assert faults(as_written(change(invented(Path("van"))[0]))) == []


def drop(document: Any) -> None:
    del document["points"][0]["U_mm"]


def two_coordinates(document: Any) -> None:
    document["cards"][0]["centre_mm"].pop()


def unknown_verdict(document: Any) -> None:
    document["points"][0]["verdict"] = "good"


def text_for_number(document: Any) -> None:
    document["cameras"][0]["constants"]["fx"] = "640"


def negative_uncertainty(document: Any) -> None:
    document["points"][0]["U_mm"][1] = -0.1


def half_a_pose(document: Any) -> None:
    document["vehicle_from_network"]["rotation"].pop()


@pytest.mark.parametrize(
    "spoil",
    [drop, two_coordinates, unknown_verdict, text_for_number, negative_uncertainty, half_a_pose],
)
def test_what_is_wrong_is_seen(spoil: Callable[[Any], None]) -> None:
    document = copy.deepcopy(as_written(invented(Path("van"))[0]))
    spoil(document)
    assert len(faults(document)) == 1


def test_later_versions_may_add() -> None:
    document = as_written(invented(Path("van"))[0])
    document["of a later version"] = 1
    document["points"][0]["zone"] = "front"
    assert faults(document) == []
