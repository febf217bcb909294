"""The short list of cautions by place, from a text file that a shop may replace by its own."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass
from pathlib import Path

from targets.errors import UserError, system_reason
from targets.said import say

PLACES = ("two-post", "four-post", "yard", "arches")
"""Where a car is measured: two-post lift; four-post lift, ramps or stands; tow yard, from the
sides; wheel arches, to tie the upper body to the underbody."""

PLACE_WORDS = {
    "two-post": say("two-post"),
    "four-post": say("four-post"),
    "yard": say("yard"),
    "arches": say("arches"),
}
CLEARANCE_MM = {"two-post": 1700.0, "four-post": 1600.0, "yard": 300.0, "arches": 1000.0}
"""Height of the datum plane above the floor where nobody says (common practice, no source)."""

_ALWAYS = "always"
_FILE = "safety.txt"


@dataclass(frozen=True)
class Cautions:
    """Lines to show, and the file that they came from."""

    lines: tuple[str, ...]
    path: Path


def cautions(place: str, job_folder: Path | None = None) -> Cautions:
    """The cautions for a place: the shop's own list where there is one, else ours.

    Looked for in this order: ``safety.txt`` in the job folder, ``datumshot/safety.txt`` in the
    user's folder of settings, the list that comes with the program.

    Raises
    ------
    UserError : there is no such place, or the list cannot be read, has lines under no heading, or
        says nothing for the place.
    """
    if place not in PLACES:
        raise UserError(
            say("'{place}' is not a place", place=place),
            "--at",
            say("write one of {known}", known=", ".join(PLACES)),
        )
    path = next((p for p in _own_lists(job_folder) if p.is_file()), _packaged())
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise UserError(
            say("cannot read the list of cautions ({reason})", reason=system_reason(error)),
            str(path),
            "check it",
        ) from error
    except UnicodeDecodeError as error:
        raise UserError("this is not UTF-8 text", str(path), "save it as UTF-8") from error
    shown: list[str] = []
    heading = ""
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.strip()
        if not line or line.startswith("#"):
            continue
        if match := re.fullmatch(r"\[(.+)\]", line):
            heading = match[1].strip()
            if heading not in (*PLACES, _ALWAYS):
                raise UserError(
                    say("[{heading}] is not a place", heading=heading),
                    say("{path}, line {number}", path=path, number=number),
                    say("write one of {known}", known=", ".join((_ALWAYS, *PLACES))),
                )
        elif not heading:
            raise UserError(
                "a caution stands before the first heading",
                say("{path}, line {number}", path=path, number=number),
                "write [always] above it",
            )
        elif heading in (place, _ALWAYS):
            shown.append(line)
    if not shown:
        raise UserError(
            "the list of cautions says nothing for this place",
            str(path),
            say(
                "add lines under [{always}] or [{place}], or delete the file to use the usual list",
                always=_ALWAYS,
                place=place,
            ),
        )
    return Cautions(tuple(shown), path)


def packaged_lines() -> list[str]:
    """All cautions of the list that comes with the program."""
    lines = _packaged().read_text(encoding="utf-8").splitlines()
    return [line for line in lines if line and not line.startswith(("#", "["))]


def _own_lists(job_folder: Path | None) -> list[Path]:
    own = [job_folder / _FILE] if job_folder else []
    settings = os.environ.get("APPDATA") or os.environ.get("XDG_CONFIG_HOME")
    return [*own, (Path(settings) if settings else Path.home() / ".config") / "datumshot" / _FILE]


def _packaged() -> Path:
    return Path(__file__).with_name(_FILE)
