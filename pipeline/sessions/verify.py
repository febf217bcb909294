"""Whether the results of a job belong to its photos and files, and to each other.

The sums show every mix-up and every later change by accident. They are no signature: who can write
the results can write the sums. Measuring once more is what proves the figures.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calib.photo import photo_paths
from pipeline.inputs.job import read_job
from pipeline.results.provenance import input_hashes
from pipeline.results.result import Result
from pipeline.results.result_json import load_result_json
from pipeline.results.results_folder import NOTE, RESULTS, SUMS
from targets.errors import UserError
from targets.said import indented, say
from targets.sums import sha256_if_readable

Hashes = Sequence[tuple[str, str | None]]
"""File names and SHA-256, None where a file could not be read."""


@dataclass(frozen=True)
class Verification:
    """What was compared, and what does not fit.

    Attributes
    ----------
    title : of the job, as the results give it.
    version : of datumshot that wrote them.
    inputs, outputs : number of files compared.
    differences : a line each, file first; empty when everything belongs together.
    """

    title: str
    version: str
    inputs: int
    outputs: int
    differences: tuple[str, ...]


def require_unchanged(result: Result, typed: Hashes, inputs: Hashes) -> None:
    """See that the files were the same while they were measured.

    Parameters
    ----------
    result : its photos carry the SHA-256 of what was measured.
    typed : of the typed files when they were read.
    inputs : of typed files and photos when all was done.

    Raises
    ------
    UserError : a file changed in between, so that the results would name the wrong one.
    """
    now = dict(inputs)
    then = dict(typed) | {p.name: p.sha256 for p in result.photos if p.sha256}
    for name, digest in then.items():
        if now.get(name) != digest:
            raise UserError("this file changed while it was measured", name, "measure once more")


def verify(folder: Path) -> Verification:
    """Compare a job's results with its files as they are now.

    Raises
    ------
    UserError : there are no results, or they cannot be read.
    """
    results = folder / RESULTS
    if not folder.is_dir():
        raise UserError("there is no such job folder", str(folder), "check its name")
    document = load_result_json(results / "result.json")
    try:
        inputs = [(str(one["file"]), one["sha256"]) for one in document["inputs"]]
        title, version = str(document["settings"]["title"]), str(document["version"])
    except (KeyError, TypeError) as error:
        raise UserError(
            "this is not a whole result file",
            str(results / "result.json"),
            "run datumshot solve again",
        ) from error
    outputs = _listed(results)
    differences = [
        *_note_differences(results),
        *_output_differences(results, outputs),
        *_page_differences(results, inputs),
        *_input_differences(folder, inputs),
    ]
    return Verification(title, version, len(inputs), len(outputs), tuple(differences))


def figures_differ(stored: Mapping[str, Any], again: Mapping[str, Any]) -> str:
    """How a second measurement differs from the first: "" when it is the same to the last digit.

    Parameters
    ----------
    stored, again : documents of result.json. Times are not compared.
    """
    one, other = (
        json.loads(json.dumps({**document, "seconds": {}, "version": ""}))
        for document in (stored, again)
    )
    keys = [key for key in dict.fromkeys([*one, *other]) if one.get(key) != other.get(key)]
    if not keys:
        return ""
    first, second = ({c["card"]: c["centre_mm"] for c in d["cards"]} for d in (one, other))
    if first.keys() != second.keys():
        return say("other cards were measured")
    moved_mm = max(
        (abs(a - b) for card in first for a, b in zip(first[card], second[card], strict=True)),
        default=0.0,
    )
    return say(
        "cards by up to {moved:.6f} mm, in result.json the keys {keys}",
        moved=moved_mm,
        keys=", ".join(keys),
    )


def verification_lines(found: Verification) -> list[str]:
    """The comparison as the terminal says it."""
    head = say(
        "{title}: {inputs} files measured, {outputs} files of results, written "
        "by datumshot {version}",
        title=found.title,
        inputs=found.inputs,
        outputs=found.outputs,
        version=found.version,
    )
    if not found.differences:
        return [head, say("All of them belong together.")]
    return [head, say("They do not belong together:"), *map(indented, found.differences)]


def _listed(results: Path) -> dict[str, str]:
    """File name to SHA-256 as the run wrote them."""
    try:
        lines = (results / SUMS).read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return {}
    found = (re.fullmatch(r"([0-9a-f]{64})  ([^/\\]+)", line) for line in lines)
    return {match[2]: match[1] for match in found if match is not None}


def _note_differences(results: Path) -> list[str]:
    if (results / NOTE).exists():
        return [say("{file}: a later run did not finish", file=NOTE)]
    return []


def _output_differences(results: Path, listed: Mapping[str, str]) -> list[str]:
    if "result.json" not in listed:
        return [say("{file}: is missing or does not list the results", file=SUMS)]
    found: list[str] = []
    for name, digest in listed.items():
        now = sha256_if_readable(results / name)
        if now is None:
            found.append(say("{name}: is gone", name=name))
        elif now != digest:
            found.append(say("{name}: changed after it was written", name=name))
    return found


def _page_differences(results: Path, inputs: Hashes) -> list[str]:
    """The page lists what it was made from, because it travels alone."""
    try:
        page = (results / "report.html").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return []  # told among the outputs
    missing = [name for name, digest in inputs if digest and digest not in page]
    return [say("report.html: was made from another {name}", name=name) for name in missing]


def _input_differences(folder: Path, inputs: Hashes) -> list[str]:
    then = dict(inputs)
    found: list[str] = []
    try:
        photos = [path.name for path in photo_paths(folder / "photos")]
    except UserError:
        photos = []
    try:
        now = dict(input_hashes(read_job(folder), photos))
    except UserError as error:
        found.append(
            say(
                "{where}: cannot be used now ({what})",
                where=error.where or "job.toml",
                what=error.what,
            )
        )
        names = {*then, *photos}
        now = {
            name: sha256_if_readable(folder / name) or sha256_if_readable(folder / "photos" / name)
            for name in names
        }
    for name in dict.fromkeys([*then, *now]):
        if now.get(name) is None and then.get(name) is not None:
            found.append(say("{name}: is gone", name=name))
        elif name not in then:
            found.append(say("{name}: was not there when the job was measured", name=name))
        elif now.get(name) != then[name]:
            found.append(say("{name}: changed after the job was measured", name=name))
    return found
