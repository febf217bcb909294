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
from pipeline.advice import best_stations
from pipeline.cameras import PhotoGroup, group_photos
from pipeline.gain import gain_model
from pipeline.job import CardOnPoint, Job
from pipeline.language import Said, say
from pipeline.network import NetworkFound
from pipeline.obstacles import SILL_EDGE_MM, UNDER, obstacles
from pipeline.planned_network import DOT_SD_PX, PlacedCards, card_dots, plan_network, see
from pipeline.point_precision import CARD_FLATNESS_MM, PointPrecision, chain_of, precision_of
from pipeline.rounding import rounded_U
from pipeline.safety import CLEARANCE_MM
from pipeline.sheet import ReferenceSheet, SheetPoint
from pipeline.stations import Extent, Station, candidates, instruction
from targets.bar import Bar
from targets.card import card_of
from targets.errors import UserError

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
_STEM_MM = 40.0
_BAR_MM = 1200.0
_BAR_U_MM = 0.1
_DOWN = np.array([0.0, 0.0, -1.0])
_OUTWARD = np.radians(60.0)
"""How far cards are turned out from facing down where nobody can get under the car."""
_UPPER_MM = 500.0
"""Points above this height are on the upper body and face outward."""
_HEIGHTS_MM = {
    "two-post": (500.0, 900.0),
    "four-post": (500.0, 900.0),
    "yard": (60.0, 150.0),
    "arches": (450.0, 1000.0, 1500.0),
}
"""Of the phone above the floor (common practice, no source)."""
_OUTER_SHARE = 0.85
"""Points farther out than this share of the half width lie on the sills."""


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
class PlannedCard:
    """A card to fix.

    Attributes
    ----------
    card : id; role "point", "base", "tie" or "bar".
    where : its point, or where to stick it.
    centre_mm, normal : vehicle frame.
    """

    card: int
    role: str
    where: str
    centre_mm: Array
    normal: Array


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
    job, cards = _with_cards(job, place, proposed)
    groups = camera_groups(profile)
    placed = PlacedCards(
        tuple(c.card for c in cards),
        np.array([card_dots(c.card, c.centre_mm, c.normal) for c in cards]),
    )
    extent = Extent.of(placed.centres_mm)
    blockers = obstacles(place, extent, _sill_edge_mm(cards))
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
        notes=_notes(place, points, wanted_U_mm, len(chosen) >= most_photos, within_reach),
        extent=extent,
        blockers=blockers,
    )


def generic_sheet(length_mm: float, width_mm: float) -> ReferenceSheet:
    """Pairs of points spread over an underbody of this size; no vehicle's figures."""
    pairs = (
        ("P1", 0.48, 0.62, 320.0, False),
        ("P2", 0.34, 0.60, 250.0, False),
        ("P3", 0.22, 0.55, 130.0, False),
        ("P4", 0.12, 0.56, 100.0, True),
        ("P5", 0.06, 0.96, 150.0, True),
        ("P6", -0.06, 0.56, 100.0, True),
        ("P7", -0.17, 0.94, 150.0, True),
        ("P8", -0.28, 0.62, 260.0, False),
        ("P9", -0.48, 0.65, 340.0, False),
    )
    points = []
    for name, along, across, height_mm, base in pairs:
        for side, sign in (("L", 1.0), ("R", -1.0)):
            place = np.array([along * length_mm, sign * across * width_mm / 2.0, height_mm])
            points.append(SheetPoint(name, side, place, 3.0, base, ""))
    return ReferenceSheet(tuple(points))


def plan_lines(plan: ShootPlan, page: Path, paper: Path) -> list[str]:
    """The ten lines that matter."""
    worst = max(plan.points, key=lambda p: p.worst_mm)
    figures = sorted(p.worst_mm for p in plan.points)
    largest = f"{rounded_U(worst.worst_mm, 2):.2f} mm" if np.isfinite(worst.worst_mm) else "unknown"
    roles = [c.role for c in plan.cards]
    counts = ", ".join(
        f"{roles.count(r)} {word}"
        for r, word in (("base", "on base points"), ("point", "on points"), ("tie", "ties"))
        if r in roles
    )
    turned = sum("upright" in shot.text for shot in plan.shots)
    lines = [
        f"Plan for {plan.title}: {plan.place}, datum plane {plan.clearance_mm:.0f} mm above the "
        f"floor, {plan.lens}",
        f"Cards: {counts}, {roles.count('bar')} on bars",
        f"Photos: {len(plan.shots)}, {turned} of them with the phone upright",
        f"Expected U (k = 2): typically {rounded_U(figures[len(figures) // 2], 2):.2f} mm, at most "
        f"{largest} ({worst.name}); asked: {plan.wanted_U_mm:.2f} mm",
        "As asked: every point"
        if plan.reached
        else "Not as asked: "
        + ", ".join(p.name for p in plan.points if p.worst_mm > plan.wanted_U_mm),
    ]
    if plan.proposed:
        lines.append(f"Proposed by this plan, not from the job: {'; '.join(plan.proposed)}")
    return [*lines, *plan.notes, f"Page: {page}", f"To print: {paper}"]


_ARCHES = {
    (True, True): say("left front wheel arch"),
    (True, False): say("right front wheel arch"),
    (False, True): say("left rear wheel arch"),
    (False, False): say("right rear wheel arch"),
}
"""By (front, left)."""
_ENDS = {
    (True, True): say("front corner"),
    (True, False): say("front bumper"),
    (False, True): say("rear corner"),
    (False, False): say("rear bumper"),
}
"""By (front, at a corner)."""


def _with_cards(job: Job, place: str, proposed: list[str]) -> tuple[Job, list[PlannedCard]]:
    """Cards for points, ties and bars, those that the job does not name being proposed."""
    assert job.sheet is not None
    taken = {r.card for r in job.cards} | {c for bar in job.bars for c in bar.cards}
    large = place == "yard"
    free = (i for i in range(450 if large else 0, 587 if large else 300) if i not in taken)
    rows = {f"{r.point} {r.side}": r for r in job.cards}
    new = 0
    cards = []
    for point in job.sheet.points:
        row = rows.get(point.name)
        if row is None and job.cards:
            continue
        if row is None:
            row = CardOnPoint(next(free), point.point, point.side, _STEM_MM, "")
            rows[point.name] = row
            new += 1
        normal = _facing(point.position_mm, place)
        centre = point.position_mm + row.stem_mm * normal
        role = "base" if point.base else "point"
        cards.append(PlannedCard(row.card, role, point.name, centre, normal))
    if new:
        proposed.append(
            say("cards on {count} points, stems of {stem:.0f} mm", count=new, stem=_STEM_MM)
        )
    job = replace(job, cards=tuple(rows[c.where] for c in cards))
    extent = Extent.of(np.array([c.centre_mm for c in cards]))
    for where, centre, normal in _tie_places(place, extent):
        cards.append(PlannedCard(next(free), "tie", where, centre, normal))
    bars = job.bars
    if not bars:
        bars = tuple(
            Bar((next(free), next(free)), _BAR_MM, _BAR_U_MM, job.body_alpha_per_k)
            for _ in range(2)
        )
        proposed.append(
            say("two bars of {length:.0f} mm (U {U:g} mm)", length=_BAR_MM, U=_BAR_U_MM)
        )
    for n, bar in enumerate(bars):
        where, ends, normal = _bar_place(place, extent, n, bar.length_mm)
        cards += [
            PlannedCard(card, "bar", where, end, normal)
            for card, end in zip(bar.cards, ends, strict=True)
        ]
    return replace(job, bars=bars), cards


def _facing(position_mm: Array, place: str) -> Array:
    """Where a card on a point looks: down, or out to its own side where nobody gets under."""
    side = 1.0 if position_mm[1] >= 0 else -1.0
    if position_mm[2] > _UPPER_MM:
        return np.array([0.0, side, 0.0])
    if place == "yard":
        return np.array([0.0, side * np.sin(_OUTWARD), -np.cos(_OUTWARD)])
    return _DOWN


def _tie_places(place: str, extent: Extent) -> list[tuple[str, Array, Array]]:
    """Where further cards go, so that neighbouring photos share three and more."""
    ties: list[tuple[str, Array, Array]] = []
    if place != "yard":
        for n, share in enumerate(np.linspace(0.04, 0.96, 12)):
            y = (0.35, -0.3, 0.03)[n % 3] * extent.half_mm
            centre = np.array([extent.along(share), y, 0.5 * (extent.low_mm + extent.high_mm)])
            across = (say("left of the middle"), say("right of the middle"), say("middle"))[n % 3]
            where = say("underbody, {across}, {along}", across=across, along=_share_words(share))
            ties.append((where, centre, _DOWN))
    if place == "arches":
        for side, left in ((1.0, True), (-1.0, False)):
            for share, front in ((0.83, True), (0.17, False)):
                for off, up, turn, words in (
                    (-180.0, -150.0, 30.0, say("inner edge, facing down")),
                    (150.0, 0.0, 45.0, say("lip, half down, half out")),
                    (0.0, 450.0, 80.0, say("above the arch, facing out")),
                    (320.0, 250.0, 70.0, say("behind the arch, facing out")),
                ):
                    normal = np.array([0.0, side * np.sin(np.radians(turn)), 0.0])
                    normal[2] = -np.cos(np.radians(turn))
                    centre = np.array(
                        [extent.along(share) + off, side * (extent.half_mm + 60.0), 150.0 + up]
                    )
                    arch = _ARCHES[front, left]
                    where = say("{arch}, {words}", arch=arch, words=words)
                    ties.append((where, centre, normal))
    if place == "yard":
        for side, sill in ((1.0, say("left sill edge")), (-1.0, say("right sill edge"))):
            out = np.array([0.0, side * np.sin(_OUTWARD), -np.cos(_OUTWARD)])
            for share in np.linspace(0.1, 0.9, 5):
                centre = np.array([extent.along(share), side * (extent.half_mm + 30.0), 20.0])
                where = say("{sill}, {along}, turned out", sill=sill, along=_share_words(share))
                ties.append((where, centre, out))
        for end, front in ((1.0, True), (-1.0, False)):
            x = (extent.front_mm + 150.0) if end > 0 else (extent.rear_mm - 150.0)
            for y in (-0.8, -0.27, 0.27, 0.8):
                normal = np.array([end, 0.9 * np.sign(y) * (abs(y) > 0.5), -0.35])
                centre = np.array([x, y * extent.half_mm, 100.0])
                where = say(
                    "{part}, {side}",
                    part=_ENDS[front, abs(y) > 0.5],
                    side=say("left") if y > 0 else say("right"),
                )
                ties.append((where, centre, normal))
    return ties


def _bar_place(
    place: str, extent: Extent, number: int, length_mm: float
) -> tuple[str, tuple[Array, Array], Array]:
    """Where a bar lies: across and along under the car by turns, or along its sides in a yard."""
    middle = 0.5 * (extent.front_mm + extent.rear_mm)
    half = length_mm / 2.0
    if place == "yard":
        side = 1.0 if number % 2 == 0 else -1.0
        normal = np.array([0.0, side * np.sin(_OUTWARD), -np.cos(_OUTWARD)])
        y = side * (extent.half_mm + 60.0)
        ends = (np.array([middle + half, y, -60.0]), np.array([middle - half, y, -60.0]))
        left, right = (
            say("along the left sill, turned out"),
            say("along the right sill, turned out"),
        )
        return left if side > 0 else right, ends, normal
    low = extent.low_mm - 60.0
    if number % 2 == 0:
        x = extent.along(0.72)
        ends = (np.array([x, half, low]), np.array([x, -half, low]))
        return say("across, under the front of the floor"), ends, _DOWN
    x = extent.along(0.4)
    ends = (np.array([x + half, -40.0, low]), np.array([x - half, -40.0, low]))
    return say("along, under the middle of the floor"), ends, _DOWN


def _share_words(share: float) -> Said:
    if share > 0.68:
        return say("front")
    return say("rear") if share < 0.32 else say("middle")


def _sill_edge_mm(cards: Sequence[PlannedCard]) -> float:
    """How low the sills reach: as low as the cards on the outermost points."""
    own = [c.centre_mm for c in cards if c.role in ("point", "base")]
    half = max(abs(c[1]) for c in own)
    outer = [float(c[2]) for c in own if abs(c[1]) > _OUTER_SHARE * half and half > 600.0]
    return min(outer) + 30.0 if outer else SILL_EDGE_MM


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
    hidden_in = say("three") if place == "yard" else say("seven")
    notes.append(
        say(
            "Foreseen: geometry, noise, a hand that shakes, one card in {hidden} hidden. Not "
            "foreseen: glare, lines and shields in the way, a body that was not built to its "
            "sheet.",
            hidden=hidden_in,
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
