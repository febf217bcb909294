"""The bars and marks of job.toml: which there are, how long or large they are, strictly read."""

from __future__ import annotations

from collections.abc import Collection

from pipeline.inputs.sheet import LARGEST_MM
from targets.bar import Bar
from targets.card import card_of
from targets.errors import UserError
from targets.mark import (
    CARD_DICTIONARY,
    FIRST_MARK,
    Marks,
    dictionary_names,
    is_mark,
    tag_count,
)
from targets.said import say
from targets.strict_toml import Table
from targets.wording import nearest, shown, shown_value

_BAR_KEYS = ("cards", "length_mm", "U_mm", "alpha_per_k")
_MARKS_KEYS = ("dictionary", "side_mm", "ids")
_MARK_KEYS = ("ids", "side_mm")
_LONGEST_SIDE_MM = 2000.0
LARGEST_ALPHA_PER_K = 1e-4


def read_bars(settings: Table, marks: Marks | None) -> tuple[Bar, ...]:
    """The tables [[bar]]: between which cards or marks, and how long."""
    listed = settings.value("bar", [])
    if not isinstance(listed, list) or not all(isinstance(one, dict) for one in listed):
        raise UserError("this is no list of bars", settings.place("bar"), "head each with [[bar]]")
    bars: list[Bar] = []
    for number, values in enumerate(listed, 1):
        bar = _bar(Table(values, say("job.toml, bar {number}", number=number), _BAR_KEYS), marks)
        for earlier, other in enumerate(bars, 1):
            for card in bar.cards:
                if card in other.cards:
                    raise UserError(
                        say("card {card} is on bar {earlier} already", card=card, earlier=earlier),
                        say("job.toml, bar {number}, key 'cards'", number=number),
                        "a card sits on one bar: correct one of the two",
                    )
        bars.append(bar)
    return tuple(bars)


def _bar(table: Table, marks: Marks | None) -> Bar:
    cards = table.value("cards")
    whole = isinstance(cards, list) and all(type(card) is int for card in cards)
    if not whole or len(cards) != 2 or cards[0] == cards[1]:
        raise UserError(
            "these are not the ids of two different cards",
            table.place("cards"),
            "write them like [90, 91]",
        )
    for card in cards:
        if marks is None or not is_mark(card) or card - FIRST_MARK not in marks.sides_mm:
            check_card(card, table.place("cards"))
    length_mm = table.number("length_mm", 0.0, LARGEST_MM, above=True)
    # Cards do not overlap; a bar typed in metres or inches shows here.
    shortest_mm = sum(_width_mm(card, marks) for card in cards) / 2.0
    if length_mm < shortest_mm:
        raise UserError(
            say("{length:g} mm is too short: cards this wide would overlap", length=length_mm),
            table.place("length_mm"),
            say(
                "give millimetres between the two centres, {least:g} at least",
                least=shortest_mm,
            ),
        )
    return Bar(
        cards=(cards[0], cards[1]),
        length_mm=length_mm,
        U_mm=table.number("U_mm", 0.0, length_mm),
        alpha_per_k=table.number("alpha_per_k", 0.0, LARGEST_ALPHA_PER_K),
    )


def read_marks(settings: Table) -> Marks | None:
    """The tables [marks] and [[mark]]: which bare tags to look for, and how large they are."""
    others = settings.value("mark", [])
    if not isinstance(others, list) or not all(isinstance(one, dict) for one in others):
        raise UserError(
            "this is no list of marks", settings.place("mark"), "head each with [[mark]]"
        )
    if "marks" not in settings:
        if others:
            raise UserError(
                "the dictionary of these marks is not said",
                settings.place("mark"),
                "add a table [marks] with their dictionary and side_mm",
            )
        return None
    table = settings.table("marks", _MARKS_KEYS)
    dictionary = _dictionary(table)
    count = tag_count(dictionary)
    usual = _side(table)
    ids = _tag_ids(table, range(count)) if "ids" in table else range(count)
    sides_mm: dict[int, float | None] = dict.fromkeys(ids, usual)
    said: dict[int, int] = {}
    for number, other in enumerate(others, 1):
        own = Table(other, say("job.toml, mark {number}", number=number), _MARK_KEYS)
        side = _side(own)
        for tag in _tag_ids(own, sides_mm):
            if tag in said:
                raise UserError(
                    say("tag {tag} stands under mark {mark} already", tag=tag, mark=said[tag]),
                    own.place("ids"),
                    "a tag has one side: correct one of the two",
                )
            said[tag] = number
            sides_mm[tag] = side
    return Marks(dictionary, sides_mm)


def _dictionary(table: Table) -> str:
    name, known = table.text("dictionary"), dictionary_names()
    if name.upper() == CARD_DICTIONARY.upper():
        raise UserError(
            "the cards are of this dictionary, and a bare tag of it could not be told from a card",
            table.place("dictionary"),
            "take marks of another dictionary",
        )
    if name not in known:
        raise UserError(
            say("there is no dictionary {name}", name=shown(name)),
            table.place("dictionary"),
            say("the nearest is '{nearest}'", nearest=nearest(name, known)),
        )
    return name


def _side(table: Table) -> float | None:
    """Side of marks in mm, None for "unknown"."""
    if table.value("side_mm") == "unknown":
        return None
    return table.number("side_mm", 0.0, _LONGEST_SIDE_MM, above=True)


def _tag_ids(table: Table, known: Collection[int]) -> list[int]:
    """Ids of tags, each among those ``known``."""
    place = table.place("ids")
    ids = table.value("ids")
    if not isinstance(ids, list) or not ids or not all(type(tag) is int for tag in ids):
        raise UserError("these are not the ids of tags", place, "write them like [0, 1, 2]")
    for tag in ids:
        if tag not in known:
            raise UserError(
                say("tag {tag} is not among the marks", tag=shown_value(tag)),
                place,
                "its dictionary must have it, and the ids under [marks], if there are any",
            )
    return ids


def _width_mm(card: int, marks: Marks | None) -> float:
    """Width of a card, or of a mark's tag as far as known."""
    if marks is not None and is_mark(card):
        return marks.side_mm(card) or 0.0
    return card_of(card).width_mm


def check_card(card: int, where: str) -> None:
    """Refuse a number that no card has; ``where`` names the row or key."""
    try:
        card_of(card)
    except UserError as error:
        raise UserError(
            say("there is no card {card}", card=shown_value(card)), where, error.remedy
        ) from error
