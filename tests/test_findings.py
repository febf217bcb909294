"""The vocabulary of findings: every code listed, documented and shown alike."""

from __future__ import annotations

import ast
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from pipeline.findings import CATALOGUE, Finding, document
from pipeline.report.page import page_html
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from pipeline.summary import summary_lines
from tests.report_case import invented

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("targets", "calib", "capture", "pipeline")


def used() -> Iterator[tuple[str, str, str]]:
    """Where, code and severity of each finding that the code may make; "" for what is computed."""
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            tree = ast.parse(path.read_text(encoding="utf-8"))
            for call in ast.walk(tree):
                if not isinstance(call, ast.Call) or getattr(call.func, "id", "") != "Finding":
                    continue
                if path.name == "measured.py":
                    continue  # read back from a file
                given = list(call.args) + [
                    k.value for name in ("code", "severity") for k in call.keywords if k.arg == name
                ]
                where = f"{path.relative_to(ROOT)}:{call.lineno}"
                code, severity = (
                    str(node.value) if isinstance(node, ast.Constant) else "" for node in given[:2]
                )
                yield where, code, severity


def test_every_code_is_written_out_and_listed() -> None:
    found = list(used())
    assert len(found) > 15
    assert [where for where, code, _ in found if not code] == [], "write the code out"
    missing = sorted({f"{code} ({where})" for where, code, _ in found if code not in CATALOGUE})
    assert missing == [], "add these codes to CATALOGUE in pipeline/findings.py"


def test_every_severity_is_one_that_its_kind_may_have() -> None:
    odd = [
        f"{code} as {severity} ({where})"
        for where, code, severity in used()
        if severity and severity not in CATALOGUE[code].severities
    ]
    assert odd == [], "mend the severity, or the kind's severities in pipeline/findings.py"


def test_every_listed_code_is_used() -> None:
    assert sorted(set(CATALOGUE) - {code for _, code, _ in used()}) == []


def test_the_document_lists_the_catalogue() -> None:
    written = (ROOT / "docs" / "findings.md").read_text(encoding="utf-8")
    missing = [code for code in CATALOGUE if f"`{code}`" not in written]
    assert missing == [], "python -m pipeline.findings > docs/findings.md"
    assert written == document(), "python -m pipeline.findings > docs/findings.md"


def test_every_kind_but_a_note_says_what_it_does_to_the_result() -> None:
    assert [c for c, k in CATALOGUE.items() if k.severities != ("note",) and not k.effect] == []


def test_an_effect_of_its_own_comes_before_that_of_its_kind() -> None:
    general = CATALOGUE["card-twice"].effect
    assert Finding("card-twice", "warning", "card 3", "Seen.").effect_told == general
    assert Finding("card-twice", "warning", "card 3", "Seen.", "", "Lost.").effect_told == "Lost."


def test_terminal_page_and_json_tell_the_effect(tmp_path: Path) -> None:
    result, sightings = invented(tmp_path)
    finding = Finding("card-twice", "warning", "card 3", "Seen twice.", "Take one off.", "Lost.")
    result = replace(result, findings=(finding,))
    told = "  warning: card 3: Seen twice. Lost. Take one off."
    assert told in summary_lines(result, tmp_path / "report.html")
    assert "Effect: Lost." in page_html(result, sightings)
    document_ = json.loads(json_text(result_document(result, [])))
    assert document_["findings"][0]["effect"] == "Lost."
