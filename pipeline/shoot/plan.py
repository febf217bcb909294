"""A shoot planned beforehand: where cards and bars go, which photos to take, how sure it will be.

The same planned network as in ``look``, before the first photo. Stations come from a grid around
the car: first a few that show every card twice and tie all together, then those that lower U most.
"""

from __future__ import annotations

from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.frames import Array, Pose
from calib.lens_file import LensProfile
from calib.photo import CameraIdentity, PhotoHeader
from pipeline.adjustment.cameras import PhotoGroup, group_photos
from pipeline.adjustment.network import NetworkFound
from pipeline.inputs.job import Job
from pipeline.rounding import rounded_U
from pipeline.shoot.advice import best_stations
from pipeline.shoot.gain import gain_model
from pipeline.shoot.obstacles import UNDER, obstacles
from pipeline.shoot.planned_cards import PlannedCard, generic_sheet, planned_cards, sill_edge_mm
from pipeline.shoot.planned_network import DOT_SD_PX, PlacedCards, card_dots, plan_network, see
from pipeline.shoot.point_precision import CARD_FLATNESS_MM, PointPrecision, chain_of, precision_of
from pipeline.shoot.safety import CLEARANCE_MM, PLACE_WORDS
from pipeline.shoot.stations import Extent, Station, candidates, instruction
from targets.card import card_of
from targets.errors import UserError
from targets.said import listed, say

FOUND_SHARE = 0.85
"""Share of the visible cards that a photo really shows (0.93 and 0.80 in two rendered scenes: the
demo, a lift)."""
_YARD_FOUND_SHARE = 0.67
_YARD_DOT_SD_PX = 0.08
"""The same outdoors, in shadow, dirt and glare: as one rendered scene had it."""
MOST_PHOTOS = 50
_LEAST_VIEWS = 3
_AT_ONCE = 3
_AIMED_SHARE = 0.95
_LEAST_GAIN = 0.01
"""Photos that lower U of the points that lack by a smaller share than this, on average, are not
worth taking."""
_HEIGHTS_MM = {
    "two-post": (500.0, 900.0),
    "four-post": (500.0, 900.0),
    "yard": (60.0, 150.0),
    "arches": (450.0, 1000.0, 1500.0),
}
"""Of the phone above the floor (common practice, no source)."""


@dataclass(frozen=True)
class Conditions:
    """What a place does to photos: noise of a dot of 8 px, and share of the visible cards found."""

    at_8_px: float
    found_share: float


def conditions_at(place: str) -> Conditions:
    """What is assumed at one of ``safety.PLACES``."""
    if place == "yard":
        return Conditions(_YARD_DOT_SD_PX, _YARD_FOUND_SHARE)
    return Conditions(DOT_SD_PX, FOUND_SHARE)


@dataclass(frozen=True)
class Shot:
    """A photo to take: where, what for, and the cards that it should show."""

    text: str
    station: Station
    cards: tuple[int, ...]


@dataclass(frozen=True)
class ShootPlan:
    """A planned shoot.

    Attributes
    ----------
    title, place, lens : of the job; where the car is; the camera in words.
    clearance_mm : height of the datum plane above the floor.
    wanted_U_mm : what was asked of every point.
    cards, shots, points : what to fix, what to take, how sure the points will be.
    proposed : whether points, cards or bars are proposals of ours, not the job's.
    notes : what to know about this plan, in sentences.
    extent : of the cards; blockers (K, 3, 3) what hides cards.
    """

    title: str
    place: str
    lens: str
    clearance_mm: float
    wanted_U_mm: float
    cards: tuple[PlannedCard, ...]
    shots: tuple[Shot, ...]
    points: tuple[PointPrecision, ...]
    proposed: tuple[str, ...]
    notes: tuple[str, ...]
    extent: Extent
    blockers: Array

    @property
    def reached(self) -> bool:
        """Whether every point is planned to be as sure as asked."""
        return all(p.worst_mm <= self.wanted_U_mm for p in self.points)


def plan_shoot(
    job: Job,
    place: str,
    profile: LensProfile | None,
    wanted_U_mm: float,
    clearance_mm: float | None = None,
    size_mm: tuple[float, float] = (4200.0, 1500.0),
    most_photos: int = MOST_PHOTOS,
) -> ShootPlan:
    """Plan a shoot.

    Parameters
    ----------
    place : one of ``safety.PLACES``.
    size_mm : length and width of the underbody where the job has no sheet.

    Raises
    ------
    UserError : no photos from these places tie the cards together.
    """
    clearance = clearance_mm or CLEARANCE_MM[place]
    assumed = conditions_at(place)
    proposed: list[str] = []
    if job.sheet is None:
        job = replace(job, sheet=generic_sheet(*size_mm), cards=(), base=None)
        proposed.append(
            say(
                "points of a generic underbody of {length:.0f} x {width:.0f} mm",
                length=float(size_mm[0]),
                width=float(size_mm[1]),
            )
        )
    job, cards = planned_cards(job, place, proposed)
    groups = camera_groups(profile)
    placed = PlacedCards(
        tuple(c.card for c in cards),
        np.array([card_dots(c.card, c.centre_mm, c.normal) for c in cards]),
    )
    extent = Extent.of(placed.centres_mm)
    blockers = obstacles(place, extent, sill_edge_mm(cards))
    stations = candidates(extent, [h - clearance for h in _HEIGHTS_MM[place]], place in UNDER)
    chosen = _turned(_covering(placed, stations, groups[0], blockers), placed, groups[0], blockers)
    views = see(placed, [s.pose for s in stations], groups[0].guess.camera, blockers).visible
    within_reach = {c for c, n in zip(placed.ids, views.sum(axis=0), strict=True) if n >= 2}
    network, points = _judged(job, placed, chosen, groups[0], blockers, assumed)
    while len(chosen) < most_photos and network is not None:
        aimed_mm = _AIMED_SHARE * wanted_U_mm
        if not any(p.photos_can_mend(aimed_mm) for p in points if p.card in within_reach):
            break
        chain = chain_of(network, [_as_planned(groups[0], network.photos)], job, CARD_FLATNESS_MM)
        lost = {c: placed.dots_mm[i] for i, c in enumerate(placed.ids) if c not in network.cards}
        model = gain_model(
            network,
            chain,
            job,
            groups[0].guess.camera,
            lost,
            aimed_mm,
            assumed.at_8_px,
            dict.fromkeys(placed.ids, assumed.found_share),
        )
        best, _ = best_stations(model, stations, Pose.identity(), _AT_ONCE, blockers)
        if not best:
            break
        chosen += [station for station, _ in best][: most_photos - len(chosen)]
        before = points
        network, points = _judged(job, placed, chosen, groups[0], blockers, assumed)
        if _gain(before, points, aimed_mm) < _LEAST_GAIN:
            break
    if network is None:
        raise UserError(
            "no photos from these places tie the cards together",
            f"--at {place}",
            "plan more ties, another height of the car, or another place",
        )
    camera = groups[0].guess.camera
    seen = see(placed, [s.pose for s in chosen], camera, blockers).visible
    shots = [
        Shot(
            instruction(station, placed, camera, extent, -clearance),
            station,
            tuple(placed.ids[int(c)] for c in np.flatnonzero(seen[i])),
        )
        for i, station in enumerate(chosen)
    ]
    shots.sort(key=lambda shot: _round(shot.station.position_mm))
    return ShootPlan(
        title=job.title,
        place=place,
        lens=groups[0].name if profile else say("a phone of 12 MP whose lens is not calibrated"),
        clearance_mm=clearance,
        wanted_U_mm=wanted_U_mm,
        cards=tuple(cards),
        shots=tuple(shots),
        points=points,
        proposed=tuple(proposed),
        notes=_notes(place, points, wanted_U_mm, len(chosen) >= most_photos, within_reach, assumed),
        extent=extent,
        blockers=blockers,
    )


def plan_lines(plan: ShootPlan, page: Path, paper: Path) -> list[str]:
    """The ten lines that matter."""
    worst = max(plan.points, key=lambda p: p.worst_mm)
    figures = sorted(p.worst_mm for p in plan.points)
    largest = say("unknown")
    if np.isfinite(worst.worst_mm):
        largest = say("{U:.2f} mm", U=rounded_U(worst.worst_mm, 2))
    roles = [c.role for c in plan.cards]
    words = {"base": say("on base points"), "point": say("on points"), "tie": say("ties")}
    counts = [
        say("{n} {word}", n=roles.count(role), word=word)
        for role, word in words.items()
        if role in roles
    ]
    turned = sum("upright" in shot.text for shot in plan.shots)
    short = [p.name for p in plan.points if p.worst_mm > plan.wanted_U_mm]
    lines: list[str] = [
        say(
            "Plan for {title}: {place}, datum plane {clearance:.0f} mm above the floor, {lens}",
            title=plan.title,
            place=PLACE_WORDS[plan.place],
            clearance=plan.clearance_mm,
            lens=plan.lens,
        ),
        say("Cards: {counts}, {bars} on bars", counts=listed(counts), bars=roles.count("bar")),
        say(
            "Photos: {shots}, {turned} of them with the phone upright",
            shots=len(plan.shots),
            turned=turned,
        ),
        say(
            "Expected U (k = 2): typically {typical:.2f} mm, at most {largest} "
            "({worst}); asked: {wanted:.2f} mm",
            typical=rounded_U(figures[len(figures) // 2], 2),
            largest=largest,
            worst=worst.name,
            wanted=plan.wanted_U_mm,
        ),
        say("As asked: every point")
        if plan.reached
        else say("Not as asked: {points}", points=", ".join(short)),
    ]
    if plan.proposed:
        lines.append(
            say(
                "Proposed by this plan, not from the job: {proposed}",
                proposed=listed(plan.proposed, "; "),
            )
        )
    return [
        *lines,
        *plan.notes,
        say("Page: {page}", page=page),
        say("To print: {paper}", paper=paper),
    ]


def camera_groups(profile: LensProfile | None) -> list[PhotoGroup]:
    identity = (
        profile.identity if profile else CameraIdentity("", "", "", None, 27, 4000, 3000, None)
    )
    return group_photos([PhotoHeader("planned", Path("planned"), identity, 1, "")], profile)


def _as_planned(group: PhotoGroup, photos: Sequence[str]) -> PhotoGroup:
    return replace(group, photos=tuple(photos))


def _judged(
    job: Job,
    cards: PlacedCards,
    stations: Sequence[Station],
    group: PhotoGroup,
    blockers: Array,
    assumed: Conditions,
) -> tuple[NetworkFound | None, tuple[PointPrecision, ...]]:
    """The network of these stations, and how sure it makes the points."""
    poses = [s.pose for s in stations]
    seen = see(cards, poses, group.guess.camera, blockers)
    network = plan_network(cards, poses, group.guess, seen, assumed.at_8_px, assumed.found_share)
    if network is None:
        never = np.full(3, np.inf)
        lost = tuple(PointPrecision(f"{r.point} {r.side}", r.card, never, never) for r in job.cards)
        return None, lost
    chain = chain_of(network, [_as_planned(group, network.photos)], job, CARD_FLATNESS_MM)
    return network, precision_of(chain, job)


def _gain(
    before: Sequence[PointPrecision], after: Sequence[PointPrecision], wanted_U_mm: float
) -> float:
    """By which share U of the points that photos can mend fell; 1 where one had no U before."""
    lacking = [i for i, p in enumerate(before) if p.photos_can_mend(wanted_U_mm)]
    was = np.array([before[i].worst_mm for i in lacking])
    now = np.array([after[i].worst_mm for i in lacking])
    return float(1.0 - np.exp(np.log(now / was).mean())) if np.isfinite(was).all() else 1.0


def _covering(
    cards: PlacedCards, stations: Sequence[Station], group: PhotoGroup, blockers: Array
) -> list[Station]:
    """Few stations that show every card some times, each sharing cards with those before."""
    visible = see(cards, [s.pose for s in stations], group.guess.camera, blockers).visible
    views = np.zeros(len(cards.ids))
    chosen: list[int] = []
    while True:
        fresh = visible @ np.maximum(_LEAST_VIEWS - views, 0.0)
        if chosen:
            shared = visible[:, views > 0].sum(axis=1)
            fresh = np.where(shared >= 3, fresh, 0.0)
            fresh[chosen] = 0.0
        best = int(np.argmax(fresh))
        if fresh[best] < 1.0 or len(chosen) >= MOST_PHOTOS // 2:
            return [stations[i] for i in chosen]
        chosen.append(best)
        views += visible[best]


def _turned(
    stations: Sequence[Station], cards: PlacedCards, group: PhotoGroup, blockers: Array
) -> list[Station]:
    """The stations, every third turned by 90 degrees if it shows nearly as many cards then.

    Photos of both kinds are what lets the camera be checked.
    """
    turned = [s.rolled(1) for s in stations]
    camera = group.guess.camera
    before = see(cards, [s.pose for s in stations], camera, blockers).visible.sum(axis=1)
    after = see(cards, [s.pose for s in turned], camera, blockers).visible.sum(axis=1)
    return [
        turned[i] if i % 3 == 2 and after[i] >= 0.7 * before[i] else s
        for i, s in enumerate(stations)
    ]


def _round(position_mm: Array) -> float:
    """Order of walking: around the car, from the left front corner to the rear and back."""
    return float(-np.arctan2(position_mm[1], position_mm[0]) % (2.0 * np.pi))


def _notes(
    place: str,
    points: Sequence[PointPrecision],
    wanted: float,
    full: bool,
    within_reach: AbstractSet[int],
    assumed: Conditions,
) -> tuple[str, ...]:
    notes = []
    hidden = [p.name for p in points if p.card not in within_reach]
    if hidden:
        notes.append(
            say(
                "From these places nobody sees {points}: longer stems, other brackets, or a lift.",
                points=", ".join(hidden),
            )
        )
    held = [p for p in points if p.is_held(_AIMED_SHARE * wanted)]
    if held:
        worst = max(held, key=lambda p: float(p.fixed_mm.max()))
        names: str = ", ".join(p.name for p in held[:4])
        if len(held) > 4:
            names = say("{names} and others", names=names)
        notes.append(
            say(
                "Photos alone do not bring {points} to {wanted:.2f} mm: seat, stem, bars and base "
                "points make {fixed:.2f} mm at {worst}. No more photos are planned than help.",
                points=names,
                wanted=float(wanted),
                fixed=rounded_U(worst.fixed_mm.max(), 2),
                worst=worst.name,
            )
        )
    elif full:
        notes.append(say("More photos than this are not planned: use larger cards or go nearer."))
    if place == "yard":
        notes.append(
            say(
                "In a yard cards are large and turned 60 degrees outward; the two sides hang "
                "together only by the cards at front and rear: take those corners with care."
            )
        )
    notes.append(
        say(
            "Nothing to spare is planned: take two photos at each place, a step apart, and run "
            "datumshot look before you leave: it says what is missing."
        )
    )
    notes.append(
        say(
            "Foreseen: geometry, noise, a hand that shakes, one card in {hidden} hidden. Not "
            "foreseen: glare, lines and shields in the way, a body that was not built to its "
            "sheet.",
            hidden=round(1.0 / (1.0 - assumed.found_share)),
        )
    )
    return tuple(notes)


def cards_of_size(plan: ShootPlan) -> dict[float, list[int]]:
    """Ids by width of the card, mm: what to print."""
    sizes: dict[float, list[int]] = {}
    for card in plan.cards:
        if card.card < 1000:
            sizes.setdefault(card_of(card.card).width_mm, []).append(card.card)
    return {size: sorted(ids) for size, ids in sorted(sizes.items())}
