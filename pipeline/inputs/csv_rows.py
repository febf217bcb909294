"""Tables that people type: CSV read strictly, every fault told with its row."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.csv_text import text_of
from targets.errors import UserError
from targets.said import Said, one_of, say
from targets.typed_file import read_typed
from targets.wording import nearest, shown

# Not float(): that takes "nan", "1_000" and digits of every script.
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,4})?")
# A decimal one or one between thousands: "1,985" may be either.
_COMMA = re.compile(r"[+-]?[0-9]+(,[0-9]+)+\.?[0-9]*")


@dataclass(frozen=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    where : file and row as a spreadsheet counts them ("sheet.csv, row 4").
    cells : column name to text without surrounding blanks; absent columns are missing.
    """

    where: str
    cells: dict[str, str]

    def text(self, column: str) -> str:
        """The cell's text, "" when the cell or its column is absent."""
        return self.cells.get(column, "")

    def name(self, column: str) -> str:
        """A name: not empty, one line, blanks inside made single."""
        name = " ".join(self.text(column).split())
        if not name:
            raise UserError(say("{column} is empty", column=column), self.where, "give a name")
        if not name.isprintable():
            raise UserError(
                say(
                    "{column} {name} holds signs that cannot be printed",
                    column=column,
                    name=shown(name),
                ),
                self.where,
                "type the name anew",
            )
        return name

    def choice(self, column: str, choices: Sequence[str], default: str | None = None) -> str:
        """One of ``choices``; an empty cell means ``default`` if there is one."""
        text = self.text(column)
        if not text and default is not None:
            return default
        if text not in choices:
            raise UserError(
                say("{column} {text} is not known", column=column, text=shown(text))
                if text
                else say("{column} is empty", column=column),
                self.where,
                say("write {known}", known=one_of(choices)),
            )
        return text

    def whole(self, column: str) -> int:
        """A whole number from 0 on."""
        text = self.text(column)
        digits = text.lstrip("0") or "0"
        if not re.fullmatch("[0-9]+", text) or len(digits) > 9:
            raise UserError(
                say("{column} {text} is not a whole number", column=column, text=shown(text)),
                self.where,
                "count without signs",
            )
        return int(digits)

    def number(self, column: str, low: float, high: float) -> float:
        """A number from ``low`` to ``high``."""
        text = self.text(column)
        if not text:
            raise UserError(say("{column} is empty", column=column), self.where, "give a number")
        if _COMMA.fullmatch(text):
            raise UserError(
                say("{column} {text} has a comma", column=column, text=shown(text)),
                self.where,
                "write a decimal point, and nothing between thousands",
            )
        if not _NUMBER.fullmatch(text):
            raise UserError(
                say("{column} {text} is not a number", column=column, text=shown(text)),
                self.where,
                "write digits with a decimal point, without a unit",
            )
        value = float(text)
        if not low <= value <= high:
            raise UserError(
                say("{column} {text} cannot be", column=column, text=shown(text)),
                self.where,
                say("it lies between {low:g} and {high:g}", low=low, high=high),
            )
        return value


def read_rows(path: Path, columns: Sequence[str], optional: int) -> tuple[Row, ...]:
    """Read a CSV file: a header and its rows, blank ones left out.

    UTF-8 (a byte order mark is allowed), commas, any line ends. The columns may stand in any
    order. An apostrophe that keeps a spreadsheet from taking a cell for a formula does not count.

    Parameters
    ----------
    path : the file.
    columns : the columns there are.
    optional : how many of them, counted from the end, may be absent.

    Raises
    ------
    UserError : the file cannot be read, or is not such a table.
    """
    records = _records(path)
    where, header = _header(path, records)
    _check_header(header, columns, optional, where)

    rows = []
    for number, record in records[1:]:
        cells = [text_of(cell.strip()) for cell in record]
        if not any(cells):
            continue
        where = _row(path, number)
        if any(cells[len(header) :]):
            raise UserError(
                say(
                    "there are more cells than the {columns} columns of the header",
                    columns=len(header),
                ),
                where,
                "put a text that contains a comma in double quotes and use decimal points",
            )
        rows.append(Row(where, dict(zip(header, cells, strict=False))))
    return tuple(rows)


def read_header(path: Path) -> tuple[str, list[str]]:
    """Where the header of a CSV file stands, and its columns, unchecked.

    Raises
    ------
    UserError : the file cannot be read.
    """
    return _header(path, _records(path))


def _header(path: Path, records: Sequence[tuple[int, list[str]]]) -> tuple[str, list[str]]:
    first, names = records[0] if records else (1, [])
    header = [cell.strip() for cell in names]
    while header and not header[-1]:  # a spreadsheet may write empty columns after the last one
        header.pop()
    return _row(path, first), header


def _row(path: Path, number: int) -> Said:
    """How messages name a row."""
    return say("{file}, row {row}", file=path.name, row=number)


def _records(path: Path) -> list[tuple[int, list[str]]]:
    """Row numbers from 1 and cells; blank rows are left out."""
    text = read_typed(
        path, path.name, not_utf8=say('save it from the spreadsheet program as "CSV UTF-8"')
    )
    records: list[tuple[int, list[str]]] = []
    number = 0
    try:
        for number, record in enumerate(csv.reader(io.StringIO(text, newline=""), strict=True), 1):
            if any(cell.strip() for cell in record):
                records.append((number, record))
    except csv.Error as error:
        raise UserError(
            say("this row cannot be read ({reason})", reason=str(error)),
            _row(path, number + 1),
            "look for a double quote too many or too few",
        ) from error
    return records


def _check_header(header: list[str], columns: Sequence[str], optional: int, where: str) -> None:
    expected = say("the first row reads {columns}", columns=",".join(columns))
    if not header:
        raise UserError("the header is missing", where, expected)
    for sign, name in ((";", say("semicolons")), ("\t", say("tabs"))):
        if len(header) == 1 and sign in header[0]:
            raise UserError(
                say("the columns are separated by {signs}", signs=name),
                where,
                "separate them by commas and write decimal points",
            )
    for position, column in enumerate(header):
        if column not in columns:
            raise UserError(
                say("the column {column} is not known", column=shown(column)),
                where,
                say(
                    "the nearest is '{nearest}'; {expected}",
                    nearest=nearest(column, columns),
                    expected=expected,
                ),
            )
        if column in header[:position]:
            raise UserError(
                say("the column '{column}' is there twice", column=column),
                where,
                "keep one of them",
            )
    for column in columns[: len(columns) - optional]:
        if column not in header:
            raise UserError(say("the column '{column}' is missing", column=column), where, expected)
