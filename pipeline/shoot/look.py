"""The shoot so far: what was found, how sure each point is now, what is weak, what helps most."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Pose
from calib.lens_file import read_profile
from capture.photo_set import PhotoSet
from capture.sightings import Sighting
from pipeline.adjustment.cameras import PhotoGroup, group_photos
from pipeline.adjustment.job_network import (
    DRIFT_SD,
    HAND_HELD,
    SHIFT_SD_PX,
    STEADY,
    adjust_sightings,
)
from pipeline.adjustment.network import NetworkFound
from pipeline.inputs.job import Job
from pipeline.shoot.advice import Advice, advise
from pipeline.shoot.camera_check import camera_lines
from pipeline.shoot.gain import dot_noise_of
from pipeline.shoot.planned_network import DOT_SD_PX
from pipeline.shoot.point_precision import Chain, PointPrecision, base_of, chain_of, precision_of
from pipeline.shoot.safety import CLEARANCE_MM, PLACES
from targets.errors import UserError
from targets.said import say, say_count

U_SHARE = 0.2
"""Wanted U where nobody says: this share of the tolerance (rule of thumb for a gauge, a tenth to a
fifth; from memory)."""
MARGIN = 0.97
"""Enough is said when every U is at most this share of the wanted one: solve looks at the photos
once more and may drop a dot."""
_FEW_PHOTOS = 4
_NARROW_RAD = np.radians(40.0)
_SMALL_DOT_PX = 5.0
_GLARE = 2.5
"""A card whose dots are this many times as noisy as those of the other cards of the same size."""
_RESUMED_SHARE = 0.3


@dataclass(frozen=True)
class WeakPoint:
    """A point that is not sure enough yet.

    Attributes
    ----------
    name, card : the point and its card.
    U_mm : the largest of its three expanded uncertainties now, infinite where not measured.
    reasons : why, in words of the trade.
    """

    name: str
    card: int
    U_mm: float
    reasons: tuple[str, ...]


@dataclass(frozen=True)
class Looked:
    """A shoot so far.

    Attributes
    ----------
    photos, tied : how many photos could be read, and how many hang together.
    unreadable : photos that cannot be read, and why.
    apart : photos that do not hang together with the rest.
    cards : found cards, and in how many photos each.
    unseen : cards that the job lists and no photo shows.
    wanted_U_mm : what was asked.
    points : how sure each listed point is now.
    weak : those that are not sure enough, worst first.
    advice : the next photos that help most.
    enough : whether every listed point is as sure as asked.
    limits : what keeps U up that no photo mends, one sentence each.
    camera : doubts about the camera, see ``camera_check``.
    """

    photos: int
    tied: int
    unreadable: Mapping[str, str]
    apart: tuple[str, ...]
    cards: Mapping[int, int]
    unseen: tuple[int, ...]
    wanted_U_mm: float
    points: tuple[PointPrecision, ...]
    weak: tuple[WeakPoint, ...]
    advice: tuple[Advice, ...]
    enough: bool
    limits: tuple[str, ...]
    camera: tuple[str, ...]


def look(
    job: Job,
    seen: PhotoSet,
    wanted_U_mm: float | None = None,
    clearance_mm: float | None = None,
    earlier: NetworkFound | None = None,
    place: str = PLACES[0],
) -> tuple[Looked, NetworkFound | None]:
    """Judge a shoot by the photos so far.

    Parameters
    ----------
    seen : what the photos show.
    wanted_U_mm : expanded uncertainty asked of every point and axis; None for a fifth of the
        tolerance.
    clearance_mm : height of the datum plane above the floor, for words such as "kneel"; None for
        what is usual at the place.
    earlier : the network of an earlier look at the same shoot, to go on from.
    place : one of ``safety.PLACES``.

    Returns
    -------
    The judgement, and the network to go on from (None while nothing hangs together).
    """
    wanted = wanted_U_mm if wanted_U_mm is not None else U_SHARE * job.tolerance_mm
    profile = read_profile(job.lens) if job.lens else None
    groups = group_photos([p.header for p in seen.photos], profile)
    counts = Counter(s.card for s in seen.sightings if s.measured.sum() >= 2)
    listed = [r.card for r in job.cards] + [c for bar in job.bars for c in bar.cards]
    unseen = tuple(c for c in listed if c not in counts)
    network = network_so_far(job, seen, groups, earlier)
    chain = chain_of(network, groups, job) if network else None
    never = np.full(3, np.inf)
    points = (
        precision_of(chain, job)
        if chain
        else tuple(PointPrecision(f"{r.point} {r.side}", r.card, never, never) for r in job.cards)
    )
    tied = set(network.photos) if network else set()
    weak: tuple[WeakPoint, ...] = ()
    advice: tuple[Advice, ...] = ()
    poor = [p for p in points if p.worst_mm > MARGIN * wanted]
    scaled = bool(chain and chain.scaled.readings)
    limits = _limits(job, points, wanted, chain, scaled)
    enough = bool(points) and not poor and scaled
    if enough and earlier is not None:
        # A network that went on from an earlier one may end with other spreads of drift and shift
        # than solve will find: before enough is said, all of it is adjusted as solve does it.
        return look(job, seen, wanted_U_mm, clearance_mm, None, place)
    if network and chain:
        weak = _weak_points(poor, network, chain, seen)
        if not scaled or any(p.photos_can_mend(MARGIN * wanted) for p in poor):
            advice = advise(
                job,
                network,
                chain,
                seen,
                MARGIN * wanted,
                clearance_mm or CLEARANCE_MM[place],
                place,
            )
    else:
        weak = tuple(WeakPoint(p.name, p.card, np.inf, (_rays(counts[p.card]),)) for p in poor)
    looked = Looked(
        photos=len(seen.photos),
        tied=len(tied),
        unreadable=seen.unreadable,
        apart=tuple(p.name for p in seen.photos if p.name not in tied),
        cards=dict(sorted(counts.items())),
        unseen=unseen,
        wanted_U_mm=wanted,
        points=points,
        weak=weak,
        advice=advice,
        enough=enough,
        limits=limits,
        camera=camera_lines(seen, groups, network, job.lens is not None),
    )
    return looked, network


def network_so_far(
    job: Job, seen: PhotoSet, groups: Sequence[PhotoGroup], earlier: NetworkFound | None = None
) -> NetworkFound | None:
    """The network as solve adjusts it, without its second look; None while nothing hangs together.

    An earlier network of some of the same photos saves most of the work. It must be of the same
    cameras; a photo that is gone makes it useless.
    """
    names = {p.name for p in seen.photos}
    if earlier is not None:
        usable = set(earlier.photos) <= names and len(earlier.network.constants) == len(groups)
        if usable:
            least = _RESUMED_SHARE
            unsteadiness = (
                np.maximum(earlier.priors.drift_sd, least * DRIFT_SD),
                max(earlier.priors.shift_sd_px, least * SHIFT_SD_PX),
            )
            try:
                return adjust_sightings(seen, groups, job.marks, unsteadiness, earlier)
            except (UserError, np.linalg.LinAlgError):
                pass
    try:
        rough = adjust_sightings(seen, groups, job.marks, STEADY)
        return adjust_sightings(seen, groups, job.marks, HAND_HELD, rough)
    except (UserError, np.linalg.LinAlgError):
        return None


def _limits(
    job: Job, points: Sequence[PointPrecision], wanted: float, chain: Chain | None, scaled: bool
) -> tuple[str, ...]:
    lines = []
    if not job.cards:
        lines.append(say("cards.csv names no card, so no point is asked for."))
    elif job.sheet is None:
        lines.append(
            say(
                "There is no sheet.csv, so there is no vehicle frame: U is that of the "
                "points among each other."
            )
        )
    elif chain and not chain.datum:
        lines.append(
            say(
                "Fewer than three base points are measured, or they lie on one line: no "
                "vehicle frame yet."
            )
        )
    if not job.bars:
        lines.append(say("job.toml names no bar: nothing gives the scale."))
    elif chain and not scaled:
        lines.append(say("No bar is measured yet at both ends: nothing gives the scale."))
    whole = len(base_of(job, job.cards)[0])
    if chain and scaled and len(base_of(job, chain.holes.rows)[0]) == whole:
        # While base points are missing, their part of U is not settled.
        held = [p for p in points if p.is_held(MARGIN * wanted)]
        if held:
            worst = max(held, key=lambda p: float(p.fixed_mm.max()))
            parts = (
                say("seat, stem, bar and base points") if job.sheet else say("seat, stem and bar")
            )
            lines.append(
                say_count(
                    len(held),
                    "Photos alone do not bring {count} point to {wanted:.2f} mm: {parts} make "
                    "{part:.2f} mm at {worst}.",
                    "Photos alone do not bring {count} points to {wanted:.2f} mm: {parts} make "
                    "{part:.2f} mm at {worst}.",
                    wanted=wanted,
                    parts=parts,
                    part=float(worst.fixed_mm.max()),
                    worst=worst.name,
                )
            )
    return tuple(lines)


def _weak_points(
    poor: Sequence[PointPrecision], network: NetworkFound, chain: Chain, seen: PhotoSet
) -> tuple[WeakPoint, ...]:
    by_card: dict[int, list[Sighting]] = {}
    for s in seen.sightings:
        by_card.setdefault(s.card, []).append(s)
    sizes = {card: dot_noise_of(own, 1.0) for card, own in by_card.items()}
    usual = float(np.median(list(sizes.values()))) if sizes else DOT_SD_PX
    index = {card: i for i, card in enumerate(chain.free.cards)}
    apart_rad = chain.free.views_apart_rad
    weak = []
    for p in poor:
        own = by_card.get(p.card, [])
        if p.card not in index:
            weak.append(WeakPoint(p.name, p.card, p.worst_mm, (_rays(len(own)),)))
            continue
        i = index[p.card]
        photos = chain.free.sighting_photo[chain.free.sighting_card == i]
        reasons = []
        if len(photos) < _FEW_PHOTOS:
            reasons.append(_rays(len(photos)))
        if apart_rad[i] < _NARROW_RAD:
            reasons.append(
                say(
                    "narrow angle: its views differ by {angle:.0f} degrees",
                    angle=math.degrees(apart_rad[i]),
                )
            )
        tags = [_dot_px(s) for s in own]
        if np.median(tags) < _SMALL_DOT_PX:
            reasons.append(say("far: its dots are {wide:.0f} px wide", wide=float(np.median(tags))))
        if sizes[p.card] > _GLARE * usual:
            reasons.append(
                say("glare, dirt or blur: its dots are noisier than those of other cards")
            )
        if sum(not s.measured.all() for s in own) > len(own) / 2:
            reasons.append(say("partly hidden: dots are missing in most of its photos"))
        weak.append(WeakPoint(p.name, p.card, p.worst_mm, tuple(reasons)))
    rolls = {_quarter(p) for p in chain.free.camera_from_network}
    if len(rolls) < 2 and weak and not all(g.from_profile for g in chain.free.groups):
        extra = say("no photo with the phone turned, so the camera is not checked")
        weak = [WeakPoint(w.name, w.card, w.U_mm, (*w.reasons, extra)) for w in weak]
    told = [
        w if w.reasons else WeakPoint(w.name, w.card, w.U_mm, (say("it hangs on weak neighbours"),))
        for w in weak
    ]
    return tuple(sorted(told, key=lambda w: -w.U_mm))


def _rays(count: int) -> str:
    if count == 0:
        return say("not seen in any photo")
    return say_count(count, "few rays: seen in {count} photo", "few rays: seen in {count} photos")


def _dot_px(sighting: Sighting) -> float:
    corners = sighting.corners_px
    return float(np.linalg.norm(corners - np.roll(corners, 1, axis=0), axis=1).mean() / 6.0)


def _quarter(pose: Pose) -> int:
    """Which way up a photo was, in quarter turns about its viewing direction."""
    return round(float(np.arctan2(pose.rotation[1, 0], pose.rotation[0, 0])) / (np.pi / 2)) % 2
