"""A user's words in a sentence of ours: shown safely, and the known word that they came near to."""

import difflib
from collections.abc import Iterable

from targets.said import say


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word that looks most like ``word`` (case aside), "" when there is none.

    >>> nearest("tolerence_mm", ["title", "tolerance_mm"]), nearest("a l", ["B L", "A L"])
    ('tolerance_mm', 'A L')
    >>> nearest("a", [])
    ''
    """
    folded: dict[str, str] = {}
    for one in known:
        folded.setdefault(one.casefold(), one)
    # SequenceMatcher takes time with the square of the length: a slip of the pen is short.
    found = difflib.get_close_matches(word[:80].casefold(), folded, n=1, cutoff=0.0)
    return folded[found[0]] if found else ""


def shown(text: str) -> str:
    """A user's text in quotes, control characters escaped, cut to what a sentence can bear.

    >>> shown("19x")
    "'19x'"
    """
    return repr(text if len(text) <= 40 else f"{text[:40]}...")


def shown_value(value: object) -> str:
    """A value of a TOML file as a message shows it.

    >>> shown_value("warm"), shown_value(True), shown_value([1, 2]), shown_value({"a": 1})
    ("'warm'", 'true', 'a list', 'a table')
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, list):
        return say("a list")
    if isinstance(value, dict):
        return say("a table")
    if isinstance(value, int) and abs(value) >= 10**15:
        return say(
            "this number"
        )  # longer than a sentence can bear; Python may even refuse to write it
    return str(value)
