"""Sentences kept in a file with the parts they were made of, to be told in any language later.

result.json holds its sentences in English. Beside them, under the key "sentences", stand the
pattern and the values of each, so that the report on paper can be written in another language
without measuring anew.
"""

from __future__ import annotations

import math
import string
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from targets.said import Figure, Said

KEYS = ("answer", "unmeasured", "findings", "damage", "symmetry", "budget")
"""Keys of result.json that hold sentences; what others hold is typed by people or a figure."""

_SPECS = frozenset({"", "g", "+g", *(f"{sign}.{n}f" for sign in ("", "+") for n in range(7))})
"""How values may be formatted: a file from elsewhere must not name others."""
_DEEPEST = 12


def parts_of(document: Mapping[str, Any], keys: Sequence[str] = KEYS) -> dict[str, Any]:
    """The parts of every sentence below these keys of a document, by the sentence in English."""
    told = (text for key in keys for text in texts_in(document.get(key)))
    return {str(said): _parts(said) for said in told if isinstance(said, Said) and said.values}


def texts_in(value: Any) -> Iterator[str]:
    """Every text in a part of a document, in order."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping | list):
        for part in value.values() if isinstance(value, Mapping) else value:
            yield from texts_in(part)


def with_parts(document: Mapping[str, Any], keys: Sequence[str] = KEYS) -> dict[str, Any]:
    """The document with its sentences knowing their parts again, where the file tells them.

    Parts that do not make the very sentence they stand for are not taken: it stays English.
    """
    told = document.get("sentences")
    known = told if isinstance(told, dict) else {}

    def put(value: Any) -> Any:
        if isinstance(value, str):
            said = _said(known.get(value), 0)
            return said if said is not None and said == value else value
        if isinstance(value, dict):
            return {key: put(part) for key, part in value.items()}
        if isinstance(value, list):
            return [put(part) for part in value]
        return value

    return {key: put(value) if key in keys else value for key, value in document.items()}


def _parts(said: Said) -> dict[str, Any]:
    many = {"many": said.plural, "count": said.how_many} if said.plural else {}
    values = {name: _kept(value) for name, value in said.values.items()}
    return {"say": said.pattern, **many, "values": values}


def _kept(value: object) -> object:
    if isinstance(value, Said):
        return _parts(value)
    if isinstance(value, Figure):
        return {"figure": str(value)}
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else {"number": str(float(value))}
    return value if isinstance(value, int) else str(value)


def _said(parts: object, depth: int) -> Said | None:
    """A sentence of its parts, None where they are not whole or would do more than be filled in."""
    if not isinstance(parts, dict) or depth > _DEEPEST:
        return None
    pattern, many, count = parts.get("say"), parts.get("many", ""), parts.get("count", 1)
    kept = parts.get("values")
    if not isinstance(pattern, str) or not isinstance(many, str) or not isinstance(kept, dict):
        return None
    if type(count) is not int:
        return None
    values = {str(name): _value(value, depth) for name, value in kept.items()}
    try:
        places = [place for text in (pattern, many) for place in string.Formatter().parse(text)]
        for _, name, spec, conversion in places:
            if name is not None and (name not in values or spec not in _SPECS or conversion):
                return None
        said = Said((many if many and count != 1 else pattern).format(**values))
    except (ValueError, KeyError, TypeError, IndexError):
        return None
    said.pattern, said.plural, said.how_many, said.values = pattern, many, count, values
    return said


def _value(kept: object, depth: int) -> object:
    if not isinstance(kept, dict):
        return kept if isinstance(kept, str | int | float) else ""
    if "say" in kept:
        said = _said(kept, depth + 1)
        return "" if said is None else said
    if "figure" in kept:
        return Figure(kept["figure"])
    return float(kept["number"]) if kept.get("number") in ("nan", "inf", "-inf") else ""
