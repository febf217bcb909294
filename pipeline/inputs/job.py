"""The job: a folder, its settings and its files, strictly read."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.inputs.bars_and_marks import LARGEST_ALPHA_PER_K, check_card, read_bars, read_marks
from pipeline.inputs.csv_rows import read_rows
from pipeline.inputs.sheet import PARTS, ReferenceSheet, read_sheet
from pipeline.language import LANGUAGES
from targets.bar import Bar
from targets.errors import UserError
from targets.mark import (
    Marks,
)
from targets.said import say
from targets.strict_toml import Table, read_toml
from targets.wording import nearest, shown, shown_value

CARD_COLUMNS = ("card", "point", "side", "stem_mm", "note")
"""Columns of the job's cards.csv; the last may be absent."""

STEEL_ALPHA_PER_K = 11.5e-6
"""Linear expansion of steel (Swyt, NIST J. Res. 99:31, 1994)."""

STEM_U_MM = 0.05
"""Standard uncertainty of a stem's length (turned or bought part, assumed)."""

_KEYS = (
    *("title", "parts", "temperature_c", "tolerance_mm", "lens", "seating_u_mm"),
    *("stem_u_mm", "body_alpha_per_k", "bar", "datum", "marks", "mark", "language", "inches"),
    *("date", "technician"),
)
_LARGEST_TOLERANCE_MM = 1000.0
_LONGEST_STEM_MM = 2000.0


@dataclass(frozen=True)
class CardOnPoint:
    """A row of cards.csv: which card sits in which reference hole, on what stem."""

    card: int
    point: str
    side: str
    stem_mm: float
    note: str


@dataclass(frozen=True)
class Job:
    """A job folder, read and checked.

    Attributes
    ----------
    folder : the job folder.
    title : as the customer reads it.
    parts : "in" or "out", the state of the mechanical parts.
    temperature_c : of the car and the bars when shooting.
    tolerance_mm : where the sheet gives none.
    lens : path of the lens profile, or None for "self".
    seating_u_mm : standard uncertainty of a card's seat in its hole, per axis.
    body_alpha_per_k : linear expansion of the body.
    bars : the bars.
    base : names "POINT SIDE" of the base points, or None for "auto".
    cards : rows of cards.csv, empty when there is none.
    sheet : the reference sheet, None when there is none.
    stem_u_mm : standard uncertainty of a stem's length.
    marks : bare tags to look for as further ties, or None.
    language : code of the language in which people are told, "" for that of the system.
    inches : whether the page shows inches beside millimetres.
    build_sd_mm : how far sound bodies scatter about the sheet (standard deviation per axis), None
        for the default of ``pipeline.datum.base_points.build_sd_mm``.
    date : of the photos, as YYYY-MM-DD, or "".
    technician : initials, or "".
    """

    folder: Path
    title: str
    parts: str
    temperature_c: float
    tolerance_mm: float
    lens: Path | None
    seating_u_mm: float
    body_alpha_per_k: float
    bars: tuple[Bar, ...]
    base: tuple[str, ...] | None
    cards: tuple[CardOnPoint, ...]
    sheet: ReferenceSheet | None
    stem_u_mm: float = STEM_U_MM
    marks: Marks | None = None
    language: str = ""
    inches: bool = False
    build_sd_mm: float | None = None
    date: str = ""
    technician: str = ""


def read_job(folder: Path) -> Job:
    """Read job.toml, sheet.csv and cards.csv of a job folder.

    ``parts`` must be given; the other keys have defaults: title the folder's name, temperature_c
    20, tolerance_mm 3, lens "self", seating_u_mm 0.2, stem_u_mm 0.05, body_alpha_per_k that of
    steel, no bars, no marks, base "auto". A sheet.csv with nothing below its header counts as
    none. Whether enough base points were measured is for the datum to say.

    Raises
    ------
    UserError : a file is missing, or something in one is not as it should be.
    """
    settings = Table(_read_toml(folder), "job.toml", _KEYS)
    if "parts" not in settings:
        raise UserError(
            "the key 'parts' is missing",
            "job.toml",
            'write parts = "in" with engine and axles fitted or parts = "out" without them, for '
            "the sheet has other figures for each",
        )
    parts = settings.text("parts")
    if parts not in PARTS:
        raise UserError(
            say("{parts} is not a state of the mechanical parts", parts=shown(parts)),
            settings.place("parts"),
            'write "in" or "out"',
        )
    tolerance_mm = settings.number("tolerance_mm", 0.0, _LARGEST_TOLERANCE_MM, 3.0, above=True)
    marks = read_marks(settings)
    bars = read_bars(settings, marks)

    sheet_path, cards_path = folder / "sheet.csv", folder / "cards.csv"
    sheet = read_sheet(sheet_path, parts, tolerance_mm) if sheet_path.exists() else None
    if sheet is not None and not sheet.points:
        sheet = None
    base, build_sd_mm = _datum(settings, sheet)
    bar_cards = [card for bar in bars for card in bar.cards]
    return Job(
        folder=folder,
        title=settings.text("title", folder.resolve().name),
        parts=parts,
        temperature_c=settings.number("temperature_c", -30.0, 60.0, 20.0),
        tolerance_mm=tolerance_mm,
        lens=_lens(settings, folder),
        seating_u_mm=settings.number("seating_u_mm", 0.0, 100.0, 0.2),
        body_alpha_per_k=settings.number(
            "body_alpha_per_k", 0.0, LARGEST_ALPHA_PER_K, STEEL_ALPHA_PER_K
        ),
        bars=bars,
        base=base,
        cards=read_cards(cards_path, sheet, bar_cards) if cards_path.exists() else (),
        sheet=sheet,
        stem_u_mm=settings.number("stem_u_mm", 0.0, 100.0, STEM_U_MM),
        marks=marks,
        language=_language(settings),
        inches=settings.yes("inches", False),
        build_sd_mm=build_sd_mm,
        date=_date(settings),
        technician=_initials(settings),
    )


def read_cards(
    path: Path, sheet: ReferenceSheet | None, bar_cards: Collection[int] = ()
) -> tuple[CardOnPoint, ...]:
    """Read cards.csv.

    Parameters
    ----------
    path : the file.
    sheet : the points there are; None allows any.
    bar_cards : cards that sit on bars and cannot sit in a hole as well.

    Raises
    ------
    UserError : the file, or a row of it, is not as it should be.
    """
    names = None if sheet is None else [f"{row.point} {row.side}" for row in sheet.points]
    row_of_card: dict[int, str] = {}
    row_of_name: dict[str, str] = {}
    cards = []
    for row in read_rows(path, CARD_COLUMNS, optional=1):
        card = row.whole("card")
        check_card(card, row.where)
        if card in bar_cards:
            raise UserError(
                say("card {card} is on a bar in job.toml", card=card),
                row.where,
                "a card sits in one place: correct one of the two files",
            )
        if card in row_of_card:
            raise UserError(
                say(
                    "card {card} stands in {row} already",
                    card=card,
                    row=row_of_card[card],
                ),
                row.where,
                "a card sits in one place: correct one of the two rows",
            )
        point, side = row.name("point"), row.choice("side", ("L", "R", "C"))
        name = f"{point} {side}"
        if names is not None and name not in names:
            raise UserError(
                say(
                    "point '{name}' is not among the rows of sheet.csv that hold for this "
                    "job's parts",
                    name=name,
                ),
                row.where,
                _of_another_side(point, names)
                or say("the nearest is '{nearest}'", nearest=nearest(name, names)),
            )
        if name in row_of_name:
            raise UserError(
                say(
                    "point '{name}' has a card in {row} already",
                    name=name,
                    row=row_of_name[name],
                ),
                row.where,
                "give each point one card",
            )
        row_of_card[card] = row_of_name[name] = row.where
        stem_mm = row.number("stem_mm", 0.0, _LONGEST_STEM_MM)
        cards.append(CardOnPoint(card, point, side, stem_mm, row.text("note")))
    return tuple(cards)


def _read_toml(folder: Path) -> dict[str, Any]:
    if not folder.exists():
        raise UserError(
            "there is no such folder",
            str(folder),
            say("start one with {command}", command=f"`datumshot new {folder}`"),
        )
    if not folder.is_dir():
        raise UserError("this is a file", str(folder), "name the job folder that it is in")
    if not (folder / "job.toml").exists():
        raise UserError(
            "there is no job.toml in it",
            str(folder),
            say("start a job with {command}", command=f"`datumshot new {folder}`"),
        )
    return read_toml(folder / "job.toml", "job.toml", missing="check its permissions")


def _language(settings: Table) -> str:
    """The key language, "" where there is none."""
    code = settings.text("language", "", may_be_empty=True)
    if code and code not in LANGUAGES:
        raise settings.wrong(
            "language",
            say("the language {code} is not known", code=shown(code)),
            say("write one of {known}", known=", ".join(LANGUAGES)),
        )
    return code


def _date(settings: Table) -> str:
    """A date, written as TOML's own or as a text."""
    value = settings.value("date", "")
    if isinstance(value, datetime.datetime) or not isinstance(value, datetime.date | str):
        raise settings.wrong(
            "date", say("{value} is not a date", value=shown_value(value)), "write it 2026-05-12"
        )
    if value == "":
        return ""
    try:
        return datetime.date.fromisoformat(str(value)).isoformat()
    except ValueError as error:
        raise settings.wrong(
            "date", say("{value} is not a date", value=shown(str(value))), "write it 2026-05-12"
        ) from error


def _initials(settings: Table) -> str:
    """Initials only: the report leaves the shop."""
    text = settings.text("technician", "", may_be_empty=True).strip()
    letters = text.replace(".", "").replace(" ", "").replace("-", "")
    if text and not (letters.isalpha() and len(letters) <= 4):
        raise settings.wrong(
            "technician",
            say("{text} is more than initials", text=shown(text)),
            "give four letters at most: the report leaves the shop",
        )
    return text


def _lens(settings: Table, folder: Path) -> Path | None:
    lens = settings.text("lens", "self")
    if lens == "self":
        return None
    path = folder / lens
    try:
        found = path.is_file()
    except (OSError, ValueError):  # a name no file system takes
        found = False
    if not found:
        raise UserError(
            say("there is no lens profile {lens}", lens=shown(lens)),
            settings.place("lens"),
            say('make it with {command}, or write "self"', command="`datumshot lens`"),
        )
    return path


def _datum(
    settings: Table, sheet: ReferenceSheet | None
) -> tuple[tuple[str, ...] | None, float | None]:
    """The table [datum]: names of base points or None for "auto", and the scatter of the build."""
    table = settings.table("datum", ("base", "build_sd_mm"))
    build_sd_mm = (
        table.number("build_sd_mm", 0.0, _LARGEST_TOLERANCE_MM, above=True)
        if "build_sd_mm" in table.values
        else None
    )
    return _base(table, sheet), build_sd_mm


def _base(table: Table, sheet: ReferenceSheet | None) -> tuple[str, ...] | None:
    listed = table.value("base", "auto")
    if listed == "auto":
        return None
    place = table.place("base")
    if not isinstance(listed, list) or not all(isinstance(one, str) for one in listed):
        raise UserError(
            say("{value} does not say which points", value=shown_value(listed)),
            place,
            'write "auto" or a list like ["A L", "A R", "B L"]',
        )
    if not listed:
        raise UserError("the list is empty", place, 'name base points or write "auto"')
    if sheet is None:
        raise UserError("there are no points in sheet.csv", place, "type them in there")
    return tuple(_base_names(listed, sheet, place))


def _of_another_side(point: str, names: Collection[str]) -> str:
    """What to do where the sheet knows a point, but not on this side; "" where it does not."""
    there = [f"'{point} {side}'" for side in "LRC" if f"{point} {side}" in names]
    if not there:
        return ""
    it_has = there[0]
    for name in there[1:]:
        it_has = say("{one} and {other}", one=it_has, other=name)
    return say("it has {there} only: correct the side, or add the row to sheet.csv", there=it_has)


def _base_names(listed: Iterable[str], sheet: ReferenceSheet, place: str) -> list[str]:
    allowed = {row.name: row for row in sheet.points}
    names: list[str] = []
    for text in listed:
        name = " ".join(text.split())
        if name not in allowed:
            raise UserError(
                say(
                    "point {name} is not among the rows of sheet.csv that hold for this "
                    "job's parts",
                    name=shown(name),
                ),
                place,
                say(
                    "the nearest is '{nearest}' (point, blank, side)",
                    nearest=nearest(name, allowed),
                ),
            )
        if allowed[name].kind == "sill flange":
            raise UserError(
                say(
                    "point '{name}' is a sill flange, which is often bent and on no drawing, "
                    "so it cannot carry the datum",
                    name=name,
                ),
                place,
                "take another point",
            )
        if not allowed[name].base:
            raise UserError(
                say("point '{name}' is not marked as base in sheet.csv", name=name),
                place,
                "write base = yes there, or take another point",
            )
        if name in names:
            raise UserError(say("point '{name}' is named twice", name=name), place, "name it once")
        names.append(name)
    return names
