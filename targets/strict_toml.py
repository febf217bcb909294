"""TOML read strictly: an unknown key names the nearest known one, every value is checked.

A misspelt key that is passed over, or a temperature of ``nan``, would give a wrong figure without a
word. Messages name the file, the table and the key.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from targets.errors import UserError
from targets.said import Said, say
from targets.typed_file import read_typed
from targets.wording import nearest, shown, shown_value

# The parser takes time with the square of a dotted key's length; without these limits a prepared
# file would keep it busy for days.
_LARGEST_LETTERS = 100_000
_MOST_DOTS = 200


def read_toml(
    path: Path,
    where: str,
    kind: str = say("this file"),
    missing: str = say("check that it is there"),
    broken: str = say("correct that place"),
) -> dict[str, Any]:
    """All tables of a TOML file, unchecked.

    Parameters
    ----------
    where : how messages name the file.
    kind : what they call it.
    missing, broken : what to do when it cannot be read, or is not TOML.

    Raises
    ------
    UserError : it cannot be read, or is not TOML.
    """
    text = read_typed(path, where, kind, missing, broken)
    longest = max(line.count(".") for line in text.split("\n"))
    if len(text) > _LARGEST_LETTERS or longest > _MOST_DOTS:
        raise UserError("this is too much for such a file", where, broken)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # ValueError: tomllib's own, with line and column
        reason = str(error).replace("\n", " ")
        raise UserError(say("this is not TOML ({reason})", reason=reason), where, broken) from error


@dataclass(frozen=True)
class Table:
    """A table of a TOML file; its values come out checked.

    Attributes
    ----------
    values : as parsed.
    where : names the table in messages ("job.toml, bar 1").
    known : the keys there may be; any other is refused here.
    again : for files that a program wrote: how to make them anew, said in place of advice how to
        mend them by hand.
    """

    values: Mapping[str, Any]
    where: str
    known: Sequence[str]
    again: str = ""

    def __post_init__(self) -> None:
        for key in self.values:
            if key not in self.known:
                remedy = say("the nearest is '{nearest}'", nearest=nearest(key, self.known))
                raise UserError(
                    say("the key {key} is not known", key=shown(key)),
                    self.where,
                    say("{remedy}, or {again}", remedy=remedy, again=self.again)
                    if self.again
                    else remedy,
                )

    def __contains__(self, key: str) -> bool:
        return key in self.values

    def place(self, key: str) -> str:
        """How messages name a key of this table."""
        return say("{where}, key '{key}'", where=self.where, key=key)

    def wrong(self, key: str, what: str, remedy: str) -> UserError:
        """The error of a key's value; ``what`` is wrong with it."""
        return UserError(what, self.place(key), self.again or remedy)

    def value(self, key: str, default: Any = None) -> Any:
        """What is there, else the default; a key without one must be there."""
        if key in self.values:
            return self.values[key]
        if default is None:
            raise UserError(
                say("the key '{key}' is missing", key=key), self.where, self.again or "add it"
            )
        return default

    def text(self, key: str, default: str | None = None, may_be_empty: bool = False) -> str:
        """A text, with more than blanks in it unless it ``may_be_empty``."""
        value = self.value(key, default)
        if not isinstance(value, str):
            raise self.wrong(
                key,
                say("{value} is not a text", value=shown_value(value)),
                'write it in quotes ("...")',
            )
        if not value.strip() and not may_be_empty:
            raise self.wrong(key, "the text is empty", "fill it in")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts."""
        value = self.value(key)
        if not isinstance(value, list) or not all(isinstance(one, str) for one in value):
            raise self.wrong(key, "this is not a list of texts", 'write it like ["a", "b"]')
        return tuple(value)

    def number(
        self,
        key: str,
        low: float = -math.inf,
        high: float = math.inf,
        default: float | None = None,
        above: bool = False,
    ) -> float:
        """A finite number from ``low`` (or only ``above`` it) to ``high``."""
        return self._number(key, self.value(key, default), low, high, above)

    def yes(self, key: str, default: bool) -> bool:
        """Whether a key is true; the default where it is absent."""
        value = self.values.get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(
                key,
                say("{value} is neither yes nor no", value=shown_value(value)),
                "write true or false, without quotes",
            )
        return value

    def numbers(
        self, key: str, count: int, low: float = -math.inf, high: float = math.inf
    ) -> tuple[float, ...]:
        """A list of ``count`` numbers."""
        value = self.value(key)
        if not isinstance(value, list) or len(value) != count:
            raise self.wrong(
                key, say("this is not a list of {count} numbers", count=count), "write all of them"
            )
        return tuple(self._number(key, one, low, high) for one in value)

    def whole(self, key: str, low: int, high: int) -> int:
        """A whole number from ``low`` to ``high``."""
        value = self.value(key)
        self._number(key, value, low, high)
        if not isinstance(value, int):
            raise self.wrong(
                key,
                say("{value} is not a whole number", value=shown_value(value)),
                "write it without a point",
            )
        return value

    def table(self, key: str, known: Sequence[str]) -> Table:
        """A table in this one, empty where it is absent."""
        value = self.value(key, {})
        if not isinstance(value, dict):
            raise self.wrong(key, "this is no table", say("head it with [{key}]", key=key))
        where = say("{where}, [{key}]", where=self.where, key=key)
        return Table(value, where, known, self.again)

    def _number(
        self, key: str, value: object, low: float, high: float, above: bool = False
    ) -> float:
        # TOML's true and false are no numbers, though Python's are.
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.wrong(
                key,
                say("{value} is not a number", value=shown_value(value)),
                "write a number without quotes, with a decimal point",
            )
        try:
            number = float(value)
        except OverflowError:  # a whole number of hundreds of digits
            number = math.inf
        if not math.isfinite(number) or not low <= number <= high or (above and number == low):
            raise self.wrong(
                key,
                say("{value} cannot be", value=shown_value(value)),
                _in_span(low, high, above),
            )
        return number


def _in_span(low: float, high: float, above: bool) -> Said:
    """
    >>> _in_span(0, 5, True), _in_span(-30, 60, False)
    ('give a number above 0, up to 5', 'give a number between -30 and 60')
    >>> _in_span(0, math.inf, False)
    'give a number of 0 or more'
    """
    if math.isinf(high) and math.isinf(low):
        return say("give a number that is finite")
    if math.isinf(high):
        if above:
            return say("give a number above {low:g}", low=low)
        return say("give a number of {low:g} or more", low=low)
    if above:
        return say("give a number above {low:g}, up to {high:g}", low=low, high=high)
    return say("give a number between {low:g} and {high:g}", low=low, high=high)
