"""In which language people are told.

Where a page or the terminal is written, a ``Language`` puts sentences of ``targets.said`` into
other words. What no catalogue knows, and every plain text, stays English. Catalogues are
gettext's: ``languages/CODE.po`` for people, compiled to ``.mo`` beside it.
"""

from __future__ import annotations

import functools
import gettext
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from targets.errors import UserError
from targets.said import Figure, Opening, Said, say
from targets.strict_toml import read_toml

LANGUAGES = {"en": "English", "de": "Deutsch"}
"""Languages that people can be told in, and how each names itself."""

_DECIMAL_MARKS = {"de": ","}


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
            told = (
                self.words(text.pattern, text.plural, text.how_many)
                if text.plural
                else self.word(text.pattern)
            )
            if text.values:
                told = told.format(**{name: self._value(v) for name, v in text.values.items()})
            return told[:1].upper() + told[1:] if isinstance(text, Opening) else told
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
        raise UserError(
            "this language is not known", code, say("choose one of {known}", known=known)
        )
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


def language_of_job(folder: Path) -> str:
    """Code of the language that job.toml in a folder asks for, "" where none does or can be read.

    What else is wrong with the job is none of its business: in which language that is to be said
    must be known before.
    """
    if not (folder / "job.toml").is_file():
        return ""
    try:
        code = read_toml(folder / "job.toml", "job.toml").get("language", "")
    except UserError:
        return ""
    return code if code in LANGUAGES else ""


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
