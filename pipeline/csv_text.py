"""Tables as CSV text that no spreadsheet takes for formulas, and texts read back from it."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence

# A spreadsheet takes a cell that begins like this for a formula, which may fetch or run things.
# Apostrophes in front, which keep it from doing so, count as well: thus each text reads back.
_FORMULA = re.compile(r"'*\s*[=+\-@]")


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
    """One line of text that no spreadsheet takes for a formula, blanks in front of it or not.

    >>> text_cell("=A+1"), text_cell("A=1"), text_cell("'=A+1")
    ("'=A+1", 'A=1', "''=A+1")
    """
    line = re.sub(r"[\t\r\n\v\f]+", " ", text)
    return f"'{line}" if _FORMULA.match(line) else line


def text_of(cell: str) -> str:
    """The line of text that ``text_cell`` made a cell of.

    >>> [text_of(text_cell(text)) for text in ("=A+1", "'=A+1", "'A", "-x")]
    ['=A+1', "'=A+1", "'A", '-x']
    """
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell
