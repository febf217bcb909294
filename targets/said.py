"""Sentences that remember how they were put together.

Code says a sentence in English with ``say``; what it gets is that very text, to print or to keep,
which also knows its pattern and its values. Only where a page or the terminal is written does
``pipeline.language`` put it into other words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence


class Figure(str):
    """A number as text, with a decimal point; a language may write another mark."""

    __slots__ = ()


class Said(str):
    """English text that knows the pattern (and its plural) and the values it was made of."""

    pattern: str
    plural: str
    how_many: int
    values: Mapping[str, object]


class Opening(Said):
    """One that opens a line: it begins with a capital letter in every language."""


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


def opening(text: Said) -> Opening:
    """A part of a sentence as the opening of a line.

    >>> opening(say("kneel at {place}", place="the front"))
    'Kneel at the front'
    """
    told = Opening(text[:1].upper() + text[1:])
    told.pattern, told.plural = text.pattern, text.plural
    told.how_many, told.values = text.how_many, text.values
    return told


def indented(text: str) -> Said:
    """A line that belongs below the one before."""
    return say("  {line}", line=text)


def columns(*cells: tuple[object, str], between: str = "  ") -> Said:
    """A line of a table: what stands in each column, and the format that makes it as wide.

    >>> columns(("A L", "<5"), (say("length"), ">8"), (2.5, ">6.1f"))
    'A L      length     2.5'
    """
    values = {f"cell{n}": value for n, (value, _) in enumerate(cells)}
    pattern = between.join(f"{{cell{n}:{form}}}" for n, (_, form) in enumerate(cells))
    return say(pattern, **values)


def either(parts: Sequence[str]) -> Said:
    """Texts of which one may hold: "this; or that"."""
    said = fixed(parts[0])
    for part in parts[1:]:
        said = say("{first}; or {second}", first=said, second=part)
    return said


def one_of(names: Sequence[str]) -> str:
    """Names of which one is to be taken.

    >>> one_of(["a"]), one_of(["a", "b", "c"])
    ('a', 'a, b or c')
    """
    if len(names) == 1:
        return names[0]
    return say("{some} or {last}", some=listed(names[:-1]), last=names[-1])


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
