"""A look at the shoot in words, for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.look import Looked
from pipeline.rounding import rounded_U
from pipeline.safety import Cautions
from pipeline.watch import Answer

_WEAK_SHOWN = 4
_NAMES_SHOWN = 3


def caution_lines(cautions: Cautions, place: str) -> list[str]:
    """The cautions under a heading."""
    return [f"First ({place}):", *(f"  {line}" for line in cautions.lines), ""]


def look_lines(looked: Looked) -> list[str]:
    """What was found, how sure it is, what to do next, and whether it is enough."""
    lines = [*_photo_lines(looked), *_card_lines(looked), *_precision_lines(looked)]
    lines += [f"Camera: {line}" for line in looked.camera]
    lines += list(looked.limits)
    return [*lines, *_next_lines(looked)]


def answer_lines(answer: Answer) -> list[str]:
    """What is new, then the look."""
    if answer.absent:
        return ["The folder of the photos is gone: waiting for it to come back."]
    lines = []
    if answer.new:
        lines.append(f"New: {_some(answer.new)}, answered after {answer.seconds:.1f} s")
    if answer.gone:
        lines.append(f"Gone: {_some(answer.gone)}")
    if answer.waiting:
        lines.append(f"Not whole yet: {_some(answer.waiting)}")
    if answer.looked is None:
        return [*lines, "No photo yet: waiting."]
    return [*lines, *look_lines(answer.looked)]


def verdict_line(looked: Looked) -> str:
    """Whether it is enough, in one line."""
    if looked.enough:
        return (
            f"ENOUGH: every point is sure to {looked.wanted_U_mm:.2f} mm or better. Leave the car "
            "as it is until datumshot solve has agreed."
        )
    return "NOT ENOUGH YET"


def _photo_lines(looked: Looked) -> list[str]:
    lines = [f"Photos: {looked.photos}, {looked.tied} of them hang together"]
    if looked.apart and looked.photos:
        lines[0] += f" (apart: {_some(looked.apart)})"
    lines += [f"  {name}: {why}" for name, why in list(looked.unreadable.items())[:_NAMES_SHOWN]]
    more = len(looked.unreadable) - _NAMES_SHOWN
    if more > 0:
        lines.append(f"  and {more} more that cannot be read")
    return lines


def _card_lines(looked: Looked) -> list[str]:
    if not looked.cards:
        return [
            "Cards: none found in any photo: are the printed cards in the pictures, sharp, lit?"
        ]
    counts = np.array(list(looked.cards.values()))
    few = [c for c, n in looked.cards.items() if n < 2]
    line = f"Cards: {len(counts)} found, in {float(np.median(counts)):g} photos each (median)"
    if few:
        line += f"; in one photo only: {_some(few)}"
    lines = [line]
    if looked.unseen:
        lines.append(f"Not seen yet: card{_s(looked.unseen)} {', '.join(map(str, looked.unseen))}")
    return lines


def _precision_lines(looked: Looked) -> list[str]:
    if not looked.points:
        return []
    worst = np.array([p.worst_mm for p in looked.points])
    good = int((worst <= looked.wanted_U_mm).sum())
    line = f"U (k = 2): {good} of {len(worst)} points reach {looked.wanted_U_mm:.2f} mm"
    if np.isfinite(worst).any():
        last = int(np.argmax(np.where(np.isfinite(worst), worst, -1.0)))
        largest = f"{rounded_U(worst[last], 2):.2f} mm ({looked.points[last].name})"
        line += f"; worst of those measured {largest}"
    lines = [line]
    for weak in looked.weak[:_WEAK_SHOWN]:
        sure = f"U {rounded_U(weak.U_mm, 2):.2f} mm" if np.isfinite(weak.U_mm) else "no U yet"
        lines.append(f"  {weak.name} (card {weak.card}), {sure}: {'; '.join(weak.reasons)}")
    if len(looked.weak) > _WEAK_SHOWN:
        lines.append(f"  and {len(looked.weak) - _WEAK_SHOWN} more")
    return lines


def _next_lines(looked: Looked) -> list[str]:
    lines = [verdict_line(looked)]
    if looked.enough:
        return lines
    if looked.unseen and looked.tied > 1 and not any(a.first_views for a in looked.advice):
        lines.append(
            "Walk on around the car until the cards not seen yet come into the picture, each photo "
            "sharing three cards with the last."
        )
    for number, advice in enumerate(looked.advice, 1):
        lines += [f"{number}. {advice.text}", f"   Expected: {advice.gain}"]
    if len(lines) == 1:
        if looked.tied and all(np.isfinite(w.U_mm) for w in looked.weak):
            lines.append("Further photos bring these points no nearer; see above what holds them.")
        elif looked.tied < 2:
            lines.append(
                "Take two photos side by side, far enough off to show four cards or more in both, "
                "then walk on around the car so that each photo shares three cards with the last."
            )
        else:
            lines.append(
                "Where the car's front is cannot be told yet: walk on around the car, and show "
                "cards on three base points or more, or without a sheet on three pairs."
            )
    return lines


def _some(names: Sequence[object]) -> str:
    shown = ", ".join(map(str, names[:_NAMES_SHOWN]))
    more = len(names) - _NAMES_SHOWN
    return f"{shown} and {more} more" if more > 0 else shown


def _s(items: Sequence[object]) -> str:
    return "" if len(items) == 1 else "s"
