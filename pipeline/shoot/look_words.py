"""A look at the shoot in words, for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.rounding import rounded_U
from pipeline.shoot.look import Looked
from pipeline.shoot.safety import PLACE_WORDS, Cautions
from pipeline.shoot.watch import Answer
from targets.said import fixed, indented, listed, say, say_count

_WEAK_SHOWN = 4
_NAMES_SHOWN = 3


def caution_lines(cautions: Cautions, place: str) -> list[str]:
    """The cautions under a heading."""
    lines = [indented(fixed(line)) for line in cautions.lines]
    return [say("First ({place}):", place=PLACE_WORDS[place]), *lines, ""]


def look_lines(looked: Looked) -> list[str]:
    """What was found, how sure it is, what to do next, and whether it is enough."""
    lines = [*_photo_lines(looked), *_card_lines(looked), *_precision_lines(looked)]
    lines += [say("Camera: {doubt}", doubt=line) for line in looked.camera]
    lines += list(looked.limits)
    return [*lines, *_next_lines(looked)]


def answer_lines(answer: Answer) -> list[str]:
    """What is new, then the look."""
    if answer.absent:
        return [say("The folder of the photos is gone: waiting for it to come back.")]
    lines: list[str] = []
    if answer.new:
        lines.append(
            say(
                "New: {photos}, answered after {seconds:.1f} s",
                photos=_some(answer.new),
                seconds=answer.seconds,
            )
        )
    if answer.gone:
        lines.append(say("Gone: {photos}", photos=_some(answer.gone)))
    if answer.waiting:
        lines.append(say("Not whole yet: {photos}", photos=_some(answer.waiting)))
    if answer.looked is None:
        return [*lines, say("No photo yet: waiting.")]
    return [*lines, *look_lines(answer.looked)]


def verdict_line(looked: Looked) -> str:
    """Whether it is enough, in one line."""
    if looked.enough:
        return say(
            "{enough}: every point is sure to {wanted:.2f} mm or better. Leave the car as it is "
            "until datumshot solve has agreed.",
            enough=say("ENOUGH"),
            wanted=looked.wanted_U_mm,
        )
    return say("NOT ENOUGH YET")


def _photo_lines(looked: Looked) -> list[str]:
    lines: list[str] = [
        say(
            "Photos: {photos}, {tied} of them hang together{apart}",
            photos=looked.photos,
            tied=looked.tied,
            apart=say(" (apart: {photos})", photos=_some(looked.apart))
            if looked.apart and looked.photos
            else "",
        )
    ]
    unreadable = list(looked.unreadable.items())
    lines += [
        indented(say("{photo}: {why}", photo=name, why=why))
        for name, why in unreadable[:_NAMES_SHOWN]
    ]
    more = len(unreadable) - _NAMES_SHOWN
    if more > 0:
        lines.append(say("  and {more} more that cannot be read", more=more))
    return lines


def _card_lines(looked: Looked) -> list[str]:
    if not looked.cards:
        return [
            say(
                "Cards: none found in any photo: are the printed cards in the pictures, sharp, lit?"
            )
        ]
    counts = np.array(list(looked.cards.values()))
    few = [c for c, n in looked.cards.items() if n < 2]
    lines: list[str] = [
        say(
            "Cards: {cards} found, in {median:g} photos each (median){few}",
            cards=len(counts),
            median=float(np.median(counts)),
            few=say("; in one photo only: {cards}", cards=_some(few)) if few else "",
        )
    ]
    if looked.unseen:
        lines.append(
            say_count(
                len(looked.unseen),
                "Not seen yet: card {cards}",
                "Not seen yet: cards {cards}",
                cards=", ".join(map(str, looked.unseen)),
            )
        )
    return lines


def _precision_lines(looked: Looked) -> list[str]:
    if not looked.points:
        return []
    worst = np.array([p.worst_mm for p in looked.points])
    largest: str = ""
    if np.isfinite(worst).any():
        last = int(np.argmax(np.where(np.isfinite(worst), worst, -1.0)))
        largest = say(
            "; worst of those measured {U:.2f} mm ({point})",
            U=rounded_U(worst[last], 2),
            point=looked.points[last].name,
        )
    lines: list[str] = [
        say(
            "U (k = 2): {good} of {points} points reach {wanted:.2f} mm{largest}",
            good=int((worst <= looked.wanted_U_mm).sum()),
            points=len(worst),
            wanted=looked.wanted_U_mm,
            largest=largest,
        )
    ]
    for weak in looked.weak[:_WEAK_SHOWN]:
        sure = say("no U yet")
        if np.isfinite(weak.U_mm):
            sure = say("U {U:.2f} mm", U=rounded_U(weak.U_mm, 2))
        lines.append(
            say(
                "  {point} (card {card}), {sure}: {reasons}",
                point=weak.name,
                card=weak.card,
                sure=sure,
                reasons=listed(weak.reasons, "; "),
            )
        )
    if len(looked.weak) > _WEAK_SHOWN:
        lines.append(say("  and {more} more", more=len(looked.weak) - _WEAK_SHOWN))
    return lines


def _next_lines(looked: Looked) -> list[str]:
    lines = [verdict_line(looked)]
    if looked.enough:
        return lines
    if looked.unseen and looked.tied > 1 and not any(a.first_views for a in looked.advice):
        lines.append(
            say(
                "Walk on around the car until the cards not seen yet come into the picture, each "
                "photo sharing three cards with the last."
            )
        )
    for number, advice in enumerate(looked.advice, 1):
        lines += [
            say("{number}. {advice}", number=number, advice=advice.text),
            say("   Expected: {gain}", gain=advice.gain),
        ]
    if len(lines) == 1:
        if looked.tied and all(np.isfinite(w.U_mm) for w in looked.weak):
            lines.append(
                say("Further photos bring these points no nearer; see above what holds them.")
            )
        elif looked.tied < 2:
            lines.append(
                say(
                    "Take two photos side by side, far enough off to show four cards or more in "
                    "both, then walk on around the car so that each photo shares three cards with "
                    "the last."
                )
            )
        else:
            lines.append(
                say(
                    "Where the car's front is cannot be told yet: walk on around the car, and show "
                    "cards on three base points or more, or without a sheet on three pairs."
                )
            )
    return lines


def _some(names: Sequence[object]) -> str:
    shown = ", ".join(map(str, names[:_NAMES_SHOWN]))
    more = len(names) - _NAMES_SHOWN
    return say("{shown} and {more} more", shown=shown, more=more) if more > 0 else shown
