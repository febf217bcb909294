"""In which language people are told: sentences that remember how they were put together.

Code says a sentence in English with ``say``; what it gets is that very text, to print or to keep,
which also knows its pattern and its values. Only where a page or the terminal is written does a
``Language`` put it into other words. What no catalogue knows, and every plain text, stays English.
Catalogues are gettext's: ``languages/CODE.po`` for people, compiled to ``.mo`` beside it.
"""

from __future__ import annotations

import functools
import gettext
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from targets.errors import UserError

LANGUAGES = {"en": "English", "de": "Deutsch"}
"""Languages that people can be told in, and how each names itself."""

_DECIMAL_MARKS = {"de": ","}


class Figure(str):
    """A number as text, with a decimal point; a language may write another mark."""

    __slots__ = ()


class Said(str):
    """English text that knows the pattern (and its plural) and the values it was made of."""

    pattern: str
    plural: str
    how_many: int
    values: Mapping[str, object]


def say(pattern: str, /, **values: object) -> Said:
    """A sentence in English that can be put into another language.

    >>> say("{point} is off by {off:.1f} mm.", point="A left", off=3.04)
    'A left is off by 3.0 mm.'
    """
    return _said(pattern, "", 1, values)


def say_count(count: int, one: str, many: str, /, **values: object) -> Said:
    """As ``say``, with the pattern that fits a count, which is the value ``count``.

    >>> say_count(1, "{count} card", "{count} cards"), say_count(2, "{count} card", "{count} cards")
    ('1 card', '2 cards')
    """
    return _said(one, many, count, {"count": count, **values})


def fixed(text: str) -> Said:
    """A text that may be a fixed sentence of the program; one with its values stays what it is.

    >>> fixed("Nothing in {braces} is filled in.")
    'Nothing in {braces} is filled in.'
    """
    if isinstance(text, Said):
        return text
    said = Said(text)
    said.pattern, said.plural, said.how_many, said.values = text, "", 1, {}
    return said


def listed(parts: Iterable[str], between: str = ", ") -> Said:
    """Texts one after another, each of which can be put into another language."""
    values = {f"part{n}": part for n, part in enumerate(parts)}
    return say(between.join(f"{{{name}}}" for name in values), **values)


def either(parts: Sequence[str]) -> Said:
    """Texts of which one may hold: "this; or that"."""
    said = fixed(parts[0])
    for part in parts[1:]:
        said = say("{first}; or {second}", first=said, second=part)
    return said


def changed(text: str, change: Callable[[str], str]) -> str:
    """A text with every plain text in it changed, as a name; a sentence stays one."""
    if not isinstance(text, Said):
        return text if isinstance(text, Figure) else change(text)
    values = {
        name: changed(value, change) if isinstance(value, str) else value
        for name, value in text.values.items()
    }
    return _said(text.pattern, text.plural, text.how_many, values) if values else text


def _said(pattern: str, plural: str, count: int, values: Mapping[str, object]) -> Said:
    text = Said((plural if plural and count != 1 else pattern).format(**values))
    text.pattern, text.plural, text.how_many, text.values = pattern, plural, count, values
    return text


class _Local(float):
    """A number that is formatted with the decimal mark of a language."""

    mark: str

    def __format__(self, spec: str) -> str:
        return float.__format__(self, spec).replace(".", self.mark)


@dataclass(frozen=True)
class Language:
    """Words and figures as readers of one language expect them.

    Attributes
    ----------
    code : of ISO 639-1, such as "de".
    catalogue : of gettext.
    decimal : decimal mark.
    """

    code: str
    catalogue: gettext.NullTranslations
    decimal: str

    def word(self, text: str) -> str:
        """A fixed word or sentence of the program; itself where the catalogue does not know it."""
        return self.catalogue.gettext(text) if text else text

    def words(self, one: str, many: str, count: int) -> str:
        """As ``word``, for what depends on a count."""
        return self.catalogue.ngettext(one, many, count)

    def put(self, text: str) -> str:
        """A text in this language: sentences and figures change, anything else stays as it is."""
        if isinstance(text, Said):
            pattern = (
                self.words(text.pattern, text.plural, text.how_many)
                if text.plural
                else self.word(text.pattern)
            )
            if not text.values:
                return pattern
            return pattern.format(**{name: self._value(v) for name, v in text.values.items()})
        if isinstance(text, Figure):
            return str(text).replace(".", self.decimal)
        return text

    def put_all(self, value: Any) -> Any:
        """The same for all texts in nested dictionaries, lists and tuples."""
        if isinstance(value, str):
            return self.put(value)
        if isinstance(value, dict):
            return {key: self.put_all(v) for key, v in value.items()}
        if isinstance(value, list | tuple):
            return [self.put_all(v) for v in value]
        return value

    def _value(self, value: object) -> object:
        if isinstance(value, str):
            return self.put(value)
        if isinstance(value, float):
            local = _Local(value)
            local.mark = self.decimal
            return local
        return value


@functools.cache
def language_of(code: str) -> Language:
    """The language of a code.

    Raises
    ------
    UserError : it is none of ``LANGUAGES``.
    """
    if code not in LANGUAGES:
        known = ", ".join(f"{c} ({name})" for c, name in LANGUAGES.items())
        raise UserError("this language is not known", code, f"choose one of {known}")
    compiled = Path(__file__).parent / "languages" / f"{code}.mo"
    if not compiled.is_file():
        return Language(code, gettext.NullTranslations(), _DECIMAL_MARKS.get(code, "."))
    with compiled.open("rb") as file:
        return Language(code, gettext.GNUTranslations(file), _DECIMAL_MARKS.get(code, "."))


def language_for(asked: str, of_job: str) -> Language:
    """The language of a command: the one asked for, else the job's, else the system's.

    Raises
    ------
    UserError : a code is none of ``LANGUAGES``.
    """
    return language_of(asked or of_job or language_of_system())


def language_of_system(environment: Mapping[str, str] = os.environ) -> str:
    """Code of the language that the system speaks, as gettext asks it; "en" where it is not known.

    >>> language_of_system({"LANG": "de_AT.UTF-8"}), language_of_system({"LANG": "C"})
    ('de', 'en')
    """
    for name in ("LC_ALL", "LC_MESSAGES", "LANG"):
        if environment.get(name):
            code = environment[name][:2].lower()
            return code if code in LANGUAGES else "en"
    return "en"
