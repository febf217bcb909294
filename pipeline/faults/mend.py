"""What contradicts the rest is found, named and left out or given a camera of its own.

One kind of fault can look like another: a zoomed photo has every card a little off, a moved card
bends the photos that show it. So the kind that explains most is mended first, the network is
adjusted again, and what is then left is looked at again.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from calib.camera import Camera
from calib.frames import Pose
from capture.photo_set import PhotoSet
from capture.sightings import Sighting
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.consensus import places_of
from pipeline.adjustment.misprints import Misprint, misprints
from pipeline.adjustment.network import NetworkFound
from pipeline.adjustment.pulls import GROSS_PX, Pulls, pulls_of
from pipeline.adjustment.start import View, ViewsOf, prepare_views
from pipeline.faults.changed_cameras import OtherCamera, other_cameras, regrouped
from pipeline.faults.moved_cards import TwoPlaces, cards_at_two_places
from pipeline.faults.parted import Parted, parted
from targets.card import card_of
from targets.errors import UserError
from targets.mark import is_mark

_ROUNDS = 6
_LEAST_PHOTOS = 3
"""A dropped card must be in so many photos to be looked at again."""
_LIKE_WORST = 0.1
"""Cards with this share of the largest gain are mended in the same round."""

Again = Callable[
    [PhotoSet, Sequence[PhotoGroup], NetworkFound | None, Sequence[Misprint]], NetworkFound
]
"""Adjusts once more, from where a network stands or, without one, from the beginning; misprinted
cards with their own layout."""


@dataclass(frozen=True)
class Mended:
    """A network without what contradicted it.

    Attributes
    ----------
    seen : the photos without sightings left out.
    groups : cameras, split where photos wanted it.
    network : adjusted.
    moved, zoomed : what was found.
    astray : photos that do not fit the others at all, left out.
    settled : whether nothing contradicts the rest any more.
    parted : the moment at which all fell into two, its smaller part left out.
    misprinted : cards that were given a layout of their own.
    """

    seen: PhotoSet
    groups: Sequence[PhotoGroup]
    network: NetworkFound
    moved: tuple[TwoPlaces, ...]
    zoomed: tuple[OtherCamera, ...]
    astray: tuple[str, ...]
    settled: bool = True
    parted: Parted | None = None
    misprinted: tuple[Misprint, ...] = ()

    @property
    def found(self) -> bool:
        """Whether anything contradicted the rest."""
        some = self.moved or self.zoomed or self.astray or self.parted or self.misprinted
        return bool(some) or not self.settled

    @property
    def left_out(self) -> tuple[str, ...]:
        """Photos that have a finding of their own here."""
        return (*self.astray, *(self.parted.other if self.parted else ()))


def mend(
    seen: PhotoSet,
    groups: Sequence[PhotoGroup],
    network: NetworkFound,
    bars: Sequence[tuple[int, int]],
    again: Again,
) -> Mended:
    """Look for contradictions until none is left.

    Where cards and photos taken one by one do not settle it, or half of all cards would have moved,
    a moment is sought at which everything fell into two (``pipeline.faults.parted``).

    Parameters
    ----------
    bars : pairs of cards whose distance is known, so that both need the same set of photos.
    """
    mended = _one_by_one(seen, groups, network, bars, again)
    if mended.settled and 2 * len({m.card for m in mended.moved}) < len(network.cards):
        return mended
    return _in_two(seen, groups, again) or mended


def _in_two(seen: PhotoSet, groups: Sequence[PhotoGroup], again: Again) -> Mended | None:
    """The larger part of a session that fell into two, None where it did not."""
    names = [p.name for p in seen.photos]
    shown = [p.name for p in seen.photos if p.sightings]
    order = shooting_order(names)

    def part(some: Sequence[str]) -> NetworkFound | None:
        own = _without_photos(seen, [n for n in names if n not in some])
        network = _adjusted(again, own, groups, None, ())
        # A photo that has no place may be one too many here or there.
        if network is None or len(network.photos) < len(some) - 1:
            return None
        views, whole, pulls = _pulled(own, groups, network)
        strained = (
            _astray(whole, pulls)
            or cards_at_two_places(whole, pulls, views, order)
            or other_cameras(network, pulls, order)
        )
        return None if strained else network

    found = parted({n: order[n] for n in shown}, part)
    if found is None:
        return None
    return Mended(
        _without_photos(seen, found.other), groups, found.network, (), (), (), True, found
    )


def _one_by_one(
    seen: PhotoSet,
    groups: Sequence[PhotoGroup],
    network: NetworkFound,
    bars: Sequence[tuple[int, int]],
    again: Again,
) -> Mended:
    """Mend the card or camera that explains most, look again at what is left, and so on."""
    order = shooting_order([p.name for p in seen.photos])
    moved: list[TwoPlaces] = []
    zoomed: list[OtherCamera] = []
    astray: list[str] = []
    odd_prints: list[Misprint] = []
    settled, cameras_given = False, len(groups)
    for _ in range(_ROUNDS):
        before = seen, groups, network
        views, whole, pulls = _pulled(seen, groups, network)
        lost = _astray(whole, pulls)
        if lost:
            # Before its cards are blamed: most of them fit elsewhere.
            astray += lost
            seen = _without_photos(seen, lost)
            adjusted = _adjusted(again, seen, groups, network, odd_prints)
            if adjusted is None:
                seen, groups, network = before
                break
            network = adjusted
            continue
        printed = misprints(whole, pulls, views, {p.card for p in odd_prints})
        adjusted = (
            _adjusted(again, seen, groups, network, [*odd_prints, *printed]) if printed else None
        )
        if adjusted is not None:
            # Before it is called moved: photos see a stretched square at another tilt each.
            odd_prints += printed
            network = adjusted
            continue
        cards = cards_at_two_places(whole, pulls, views, order)
        cameras = other_cameras(network, pulls, order)
        if not cards and not cameras:
            settled = True
            break
        best_card = max((c.gain for c in cards), default=0.0)
        best_camera = max((c.gain for c in cameras), default=0.0)
        if best_camera > best_card and not any(c.place is not None for c in cards):
            camera = max(cameras, key=lambda c: c.gain)
            groups = regrouped(groups, camera, network.network.constants[camera.group])
            network = _with_group(network, groups)
            zoomed.append(camera)
        else:
            now = [c for c in cards if c.gain >= _LIKE_WORST * best_card]
            now = _one_side_of_bars(now, bars)
            seen = _without(seen, now)
            network = _replaced(network, now)
            moved += now
        adjusted = _adjusted(again, seen, groups, network, odd_prints)
        if adjusted is None:
            seen, groups, network = before
            zoomed = zoomed[: len(groups) - cameras_given]
            break
        network = adjusted
    return Mended(
        seen,
        groups,
        network,
        tuple(c for c in moved if c.odd),
        tuple(zoomed),
        tuple(astray),
        settled,
        misprinted=tuple(odd_prints),
    )


def _pulled(
    seen: PhotoSet, groups: Sequence[PhotoGroup], network: NetworkFound
) -> tuple[ViewsOf, NetworkFound, Pulls]:
    """Views, the network with the cards that it dropped, and how each sighting pulls there."""
    views = _views(seen, groups, network)
    dropped = dict.fromkeys(s.card for s in seen.sightings if s.card not in network.cards)
    whole = _with_dropped_cards(network, {card: views(card) for card in dropped})
    heights_px = [g.guess.camera.height_px for g in groups]
    return views, whole, pulls_of(whole, seen.sightings, heights_px)


def shooting_order(names: Sequence[str]) -> dict[str, int]:
    """Number of each photo in the order of its name, digits taken as numbers.

    >>> shooting_order(["IMG_10.jpg", "IMG_9.jpg"])
    {'IMG_9.jpg': 0, 'IMG_10.jpg': 1}
    """

    def key(name: str) -> list[tuple[int, str]]:
        return [(int(t), "") if t.isdigit() else (-1, t) for t in re.split(r"(\d+)", name)]

    return {name: i for i, name in enumerate(sorted(names, key=key))}


def _views(seen: PhotoSet, groups: Sequence[PhotoGroup], network: NetworkFound) -> ViewsOf:
    """Views of a card, with the cameras as adjusted; of a mark only where it has a place.

    Fewer than three dots do not tell where a card is.
    """
    cameras: dict[str, Camera] = {}
    for group, constants in zip(groups, network.network.constants, strict=True):
        camera = replace(group.guess.camera, constants=constants)
        cameras.update(dict.fromkeys(group.photos, camera))
    layout = network.priors.layout
    known = dict(zip(network.cards, layout.nominal_mm, strict=True)) if layout else {}
    scale = network.network.print_scale
    nominal = {c: n[:, :2] * scale for c, n in known.items()}
    for sighting in seen.sightings:
        if not is_mark(sighting.card):
            nominal.setdefault(sighting.card, card_of(sighting.card).dots_mm * scale)
    telling: dict[int, list[Sighting]] = defaultdict(list)
    for sighting in seen.sightings:
        if sighting.card in nominal and sighting.measured.sum() >= 3:
            telling[sighting.card].append(sighting)

    @cache
    def views(card: int) -> list[View]:
        return prepare_views(telling.get(card, ()), cameras, nominal)

    return views


def _adjusted(
    again: Again,
    seen: PhotoSet,
    groups: Sequence[PhotoGroup],
    network: NetworkFound | None,
    misprinted: Sequence[Misprint],
) -> NetworkFound | None:
    """The network adjusted once more; None where what is left determines it no more."""
    try:
        return again(seen, groups, network, misprinted)
    except (np.linalg.LinAlgError, UserError):
        return None


def _with_dropped_cards(network: NetworkFound, views: Mapping[int, Sequence[View]]) -> NetworkFound:
    """The network with cards that the outlier test dropped, where their photos have them.

    A card that moved half-way through the photos may lie nowhere that any photo agrees with. They
    are taken for known there; that is enough to tell which photos want them elsewhere.
    """
    at = {p: i for i, p in enumerate(network.photos)}
    unknowns, known = network.network, network.found.cofactors
    placed = {}
    for card, own in views.items():
        seen = [view for view in own if view.photo in at]
        photos = [
            Pose(unknowns.rotation[at[v.photo]], unknowns.translation[at[v.photo]]) for v in seen
        ]
        places = places_of(seen, photos) if len(seen) >= _LEAST_PHOTOS else []
        if places:
            placed[card] = places[0].pose.apply(seen[0].layout_mm)
    if not placed:
        return network
    points = np.concatenate([unknowns.points, *placed.values()])
    more = len(points) * 3 - known.points.shape[0]
    cofactors = replace(
        known,
        common_points=np.pad(known.common_points, ((0, 0), (0, more))),
        photo_points=np.pad(known.photo_points, ((0, 0), (0, 0), (0, more))),
        points=np.pad(known.points, ((0, more), (0, more))),
    )
    return replace(
        network,
        cards=(*network.cards, *placed),
        network=replace(unknowns, points=points),
        found=replace(network.found, cofactors=cofactors),
    )


def _astray(network: NetworkFound, pulls: Pulls) -> list[str]:
    """Photos whose cards mostly lie elsewhere in the picture than the network puts them."""
    gross = pulls.off_px > GROSS_PX
    shown = np.bincount(pulls.photo, minlength=len(network.photos))
    off = np.bincount(pulls.photo[gross], minlength=len(network.photos))
    return [p for p, n, k in zip(network.photos, shown, off, strict=True) if k >= 2 and 2 * k > n]


def _without_photos(seen: PhotoSet, names: Sequence[str]) -> PhotoSet:
    photos = tuple(replace(p, sightings=()) if p.name in names else p for p in seen.photos)
    return replace(seen, photos=photos)


def _without(seen: PhotoSet, cards: Sequence[TwoPlaces]) -> PhotoSet:
    gone = {(photo, c.card) for c in cards for photo in c.odd}
    photos = tuple(
        replace(p, sightings=tuple(s for s in p.sightings if (p.name, s.card) not in gone))
        for p in seen.photos
    )
    return replace(seen, photos=photos)


def _replaced(network: NetworkFound, cards: Sequence[TwoPlaces]) -> NetworkFound:
    """The network with cards where most of their photos have them."""
    points = network.network.points.reshape(-1, 4, 3).copy()
    layout = network.priors.layout
    for card in cards:
        if card.place is not None and layout is not None and card.card in network.cards:
            i = network.cards.index(card.card)
            printed_mm = layout.nominal_mm[i] * [*network.network.print_scale, 1.0]
            points[i] = card.place.apply(printed_mm)
    unknowns = replace(network.network, points=points.reshape(-1, 3))
    return replace(network, network=unknowns)


def _with_group(network: NetworkFound, groups: Sequence[PhotoGroup]) -> NetworkFound:
    """The network with the constants and photos of one more group, the last."""
    group = network.network.group.copy()
    for i, photo in enumerate(network.photos):
        if photo in groups[-1].photos:
            group[i] = len(groups) - 1
    constants = np.vstack([network.network.constants, groups[-1].guess.camera.constants])
    return replace(network, network=replace(network.network, constants=constants, group=group))


def _one_side_of_bars(
    cards: Sequence[TwoPlaces], bars: Sequence[tuple[int, int]]
) -> list[TwoPlaces]:
    """Both ends of a bar that moved together keep their photos of the same side of the change."""
    by_card = {c.card: c for c in cards}
    for bar in bars:
        if not all(end in by_card for end in bar):
            continue
        one, other = (by_card[end] for end in bar)
        if len(one.between) != 1 or len(other.between) != 1:
            continue
        same = bool(set(one.odd) & set(other.odd))
        crossed = bool(set(one.odd) & set(other.most))
        if same or not crossed:
            continue
        # The end whose sets are more alike in size gives way.
        weaker = min((one, other), key=lambda c: len(c.most) - len(c.odd))
        if len(weaker.odd) >= 2:
            by_card[weaker.card] = replace(weaker, odd=weaker.most, most=weaker.odd, place=None)
    return [by_card[c.card] for c in cards]
