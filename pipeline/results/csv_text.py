"""Tables as CSV text that no spreadsheet takes for formulas."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Sequence

# A spreadsheet takes a cell that begins like this for a formula, which may fetch or run things.
_FORMULA_STARTS = ("=", "+", "-", "@")


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
