"""What mending the network found, in words: what moved, when, and which photos were set aside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from pipeline.adjustment.misprints import Misprint
from pipeline.faults.mend import Mended, shooting_order
from pipeline.faults.moved_cards import TwoPlaces
from pipeline.faults.parted import Parted
from pipeline.findings import Finding
from targets.said import say, say_count

_REFOCUS = 0.003
"""A phone that refocuses changes its focal length by up to this
(``pipeline.adjustment.cameras``)."""
_TOGETHER = 3
"""So many cards that move at one time, beside those of one bar, are the car or the floor."""
_NAMED = 4


def contradiction_findings(
    mended: Mended, bars: Sequence[tuple[int, int]], points: Mapping[int, str], scale: float
) -> list[Finding]:
    """Findings of a mended network.

    Parameters
    ----------
    bars : pairs of cards of each bar; points : "POINT SIDE" of the cards on points.
    scale : true millimetres in one of the network.
    """
    order = shooting_order([p.name for p in mended.seen.photos])
    findings = _parted(mended.parted) + _group_moves(mended.moved, bars, order)
    if not mended.settled:
        findings.append(
            Finding(
                "photos-contradict",
                "fault",
                "photos",
                "Some photos contradict each other in ways that could not be told apart.",
                "Take all photos again in one go, at 1x, with nothing moving, or solve the job "
                "with those of one half of the session only.",
            )
        )
    findings += _misprinted(mended.misprinted)
    ends = {card: bar for bar in bars for card in bar}
    for moved in mended.moved:
        point = points.get(moved.card)
        told = {
            "where": say(" ({point})", point=point) if point else "",
            "way": say("{apart:.1f} mm apart", apart=float(moved.shift_mm * scale))
            if np.isfinite(moved.shift_mm)
            else say("far apart"),
            "sets": say("{odd} and in {most}", odd=_some(moved.odd), most=_some(moved.most)),
        }
        kept = say("Its place is that of the larger set of {count} photos.", count=len(moved.most))
        if point:
            kept = say(
                "{kept} Point {point} gets no verdict, since either place may be its seat.",
                kept=kept,
                point=point,
            )
        if moved.in_turn:
            findings.append(
                Finding(
                    "card-doubled",
                    "warning",
                    say("card {card}", card=moved.card),
                    say(
                        "This card{where} lies at places {way} in turn, in {sets}: two cards have "
                        "its number, or it hangs loose.",
                        **told,
                    ),
                    "Take one of the two off the car, or fix it, and photograph it again.",
                    kept,
                )
            )
        elif moved.card in ends:
            bar = ends[moved.card]
            findings.append(
                Finding(
                    "bar-moved",
                    "warning",
                    say("bar {first}-{second}", first=bar[0], second=bar[1]),
                    say(
                        "Its card {card} moved {when}: it lies at places {way}, in {sets}.",
                        card=moved.card,
                        when=_when(moved),
                        way=told["way"],
                        sets=told["sets"],
                    ),
                    "Lay the bar where nobody kicks it, and photograph it again.",
                    say(
                        "The bar counts as it lay in the larger set of {count} photos.",
                        count=len(moved.most),
                    ),
                )
            )
        else:
            findings.append(
                Finding(
                    "card-moved",
                    "warning",
                    say("card {card}", card=moved.card),
                    say(
                        "This card{where} moved {when}: it lies at places {way}, in {sets}.",
                        when=_when(moved),
                        **told,
                    ),
                    "Fix it and photograph it again from all sides.",
                    kept,
                )
            )
    for group in mended.groups[len(mended.groups) - len(mended.zoomed) :]:
        first = _parent_focal(mended, group.photos)
        share = 100.0 * (_focal(mended, group.photos) / first - 1.0)
        strong = abs(share) > 100.0 * _REFOCUS
        findings.append(
            Finding(
                "zoom-changed",
                "warning" if strong else "note",
                _some(group.photos),
                say_count(
                    len(group.photos),
                    "{count} photo has a focal length {share:+.2f} % from that of the others of "
                    "this camera{why}",
                    "{count} photos have a focal length {share:+.2f} % from that of the others of "
                    "this camera{why}",
                    share=float(share),
                    why=say(": zoomed, another lens, or focused anew.")
                    if strong
                    else say(", as by focusing."),
                ),
                say("Shoot at 1x with focus locked, and leave zoom and lens alone.")
                if strong
                else "",
            )
        )
    findings += [
        Finding(
            "photo-astray",
            "warning",
            name,
            "Most cards in this photo lie elsewhere than the other photos have them: another car, "
            "another zoom, or an edited photo.",
            "Take it out if it does not belong to this job, else take it again.",
        )
        for name in mended.astray
    ]
    return findings


def _misprinted(misprinted: Sequence[Misprint]) -> list[Finding]:
    """Cards whose size or shape differs from that of the others."""
    return [
        Finding(
            "card-misprinted",
            "warning",
            say("card {card}", card=own.card),
            say(
                "This card is printed {across:+.1f} % across and {up:+.1f} % up beside the others.",
                across=float(100.0 * (own.scale[0] - 1.0)),
                up=float(100.0 * (own.scale[1] - 1.0)),
            ),
            "Print all cards in one go at actual size, replace this one and photograph it again.",
        )
        for own in misprinted
    ]


def _parted(parted: Parted | None) -> list[Finding]:
    """That all fell into two at one moment: by the car, or where no card moved by the camera."""
    if parted is None:
        return []
    subject = say("{one} to {other}", one=parted.last, other=parted.first)
    effect = say(
        "Only the {kept} photos of the larger part were used; {photos} were left out.",
        kept=len(parted.kept),
        photos=_some(parted.other),
    )
    if parted.rest is not None and not parted.moved:
        return [
            Finding(
                "zoom-changed",
                "warning",
                subject,
                "Between these photos the camera changed, while all cards stayed: zoomed, another "
                "lens, or focused anew.",
                "Shoot at 1x with focus locked, and leave zoom and lens alone.",
                effect,
            )
        ]
    return [
        Finding(
            "car-moved",
            "warning",
            subject,
            say(
                "Between these photos {count} cards moved against the others ({cards}): the car "
                "rolled, settled or was lifted against cards that do not sit on it.",
                count=len(parted.moved),
                cards=", ".join(map(str, parted.moved)),
            )
            if parted.moved
            else say(
                "The photos before and those after agree among themselves, but not with each "
                "other: the car rolled, settled or was lifted, or the camera changed."
            ),
            "Put all cards and bars on the car, and let nothing move until the last photo.",
            effect,
        )
    ]


def _group_moves(
    moved: Sequence[TwoPlaces], bars: Sequence[tuple[int, int]], order: Mapping[str, int]
) -> list[Finding]:
    """Cards that moved at one time, together: the car rolled or settled, or the floor's cards."""
    once = [m for m in moved if len(m.between) == 1 and not m.in_turn]
    best: list[TwoPlaces] = []
    for at in {order[m.between[0][1]] for m in once}:
        same = [m for m in once if order[m.between[0][0]] < at <= order[m.between[0][1]]]
        if len(same) > len(best):
            best = same
    cards = {m.card for m in best}
    on_one_bar = any(cards <= set(bar) for bar in bars)
    if len(best) < _TOGETHER or on_one_bar:
        return []
    last = max((m.between[0][0] for m in best), key=lambda p: order[p])
    first = min((m.between[0][1] for m in best), key=lambda p: order[p])
    return [
        Finding(
            "car-moved",
            "warning",
            say("{one} to {other}", one=last, other=first),
            say(
                "Between these photos {count} cards moved against the others ({cards}): the car "
                "rolled, settled or was lifted against cards that do not sit on it.",
                count=len(best),
                cards=", ".join(str(c) for c in sorted(cards)),
            ),
            "Put all cards and bars on the car, and let nothing move until the last photo.",
            "Each card counts as it lay in the larger set of its photos; distances between cards "
            "on the car and cards beside it may be those of either state.",
        )
    ]


def _when(moved: TwoPlaces) -> str:
    last, first = moved.between[0]
    if len(moved.between) == 1:
        return say("between {last} and {first}", last=last, first=first)
    again_last, again_first = moved.between[-1]
    return say(
        "between {last} and {first}, and back between {again_last} and {again_first}",
        last=last,
        first=first,
        again_last=again_last,
        again_first=again_first,
    )


def _some(photos: Sequence[str]) -> str:
    """Photos by name, the first and last of many."""
    if len(photos) <= _NAMED:
        return ", ".join(photos)
    return say(
        "{first} to {last} ({count} photos)", first=photos[0], last=photos[-1], count=len(photos)
    )


def _focal(mended: Mended, photos: Sequence[str]) -> float:
    network = mended.network
    at = [i for i, p in enumerate(network.photos) if p in photos]
    groups = network.network.group[at]
    return float(network.network.constants[groups, :2].mean()) if len(at) else float("nan")


def _parent_focal(mended: Mended, photos: Sequence[str]) -> float:
    """Focal length of the group from which these photos were split."""
    parent = next(z.group for z in mended.zoomed if z.photos == tuple(photos))
    return float(mended.network.network.constants[parent, :2].mean())
