"""The next photos that help most, told so that a person can take them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Array, Pose
from capture.photo_set import PhotoSet
from pipeline.adjustment.network import NetworkFound
from pipeline.adjustment.points import card_axes
from pipeline.datum.datum import closest_pose
from pipeline.datum.symmetry import symmetry_of_job
from pipeline.inputs.job import Job
from pipeline.rounding import rounded_U
from pipeline.shoot.gain import (
    GainModel,
    Rows,
    best_photos,
    dot_noise_of,
    gain_model,
    improved,
    rows_of,
    with_photo,
)
from pipeline.shoot.obstacles import UNDER, obstacles
from pipeline.shoot.planned_network import PlacedCards, card_dots, position_of, see
from pipeline.shoot.point_precision import Chain
from pipeline.shoot.stations import Extent, Station, candidates, instruction
from targets.mark import is_mark
from targets.said import Figure, listed, opening, say, say_count

_PHOTOS_ADVISED = 3
_AIMED_SHARE = 0.9
"""Of the wanted U: photos never turn out quite as planned."""
_LEAST_GAIN = 0.1
"""In ``GainModel.lacking``: a photo that brings less is advised only where none brings more."""
_TOLD = 0.97
"""A point's U is told where it falls below this share of what it was."""
_EVALUATED = 120
"""Candidate stations that are worked through; the rest promise less."""


@dataclass(frozen=True)
class Advice:
    """A photo to take next.

    Attributes
    ----------
    text : where to stand and what to aim at.
    gain : what it is expected to do, in words.
    station : the same for a program; in the vehicle frame.
    first_views : ids of cards that no photo has shown yet and this one should.
    """

    text: str
    gain: str
    station: Station
    first_views: tuple[int, ...]


def advise(
    job: Job,
    network: NetworkFound,
    chain: Chain,
    seen: PhotoSet,
    wanted_U_mm: float,
    clearance_mm: float,
    place: str,
) -> tuple[Advice, ...]:
    """The next photos that help most, among stations round the car at heights used so far.

    Stations under the car only where the place allows it.
    """
    vehicle_from_network = _rough_frame(job, chain)
    if vehicle_from_network is None:
        return ()
    back = vehicle_from_network.inverse()
    unseen = _unseen_dots(job, chain, vehicle_from_network)
    group = max(chain.free.groups, key=lambda g: len(g.photos))
    noise = dot_noise_of(seen.sightings, network.found.stated_factor)
    model = gain_model(
        network,
        chain,
        job,
        group.camera,
        unseen,
        _AIMED_SHARE * wanted_U_mm,
        noise,
        _chances(chain),
    )
    places = vehicle_from_network.apply(
        np.array([position_of(p) for p in chain.free.camera_from_network])
    )
    cards = PlacedCards(model.cards.ids, vehicle_from_network.apply(model.cards.dots_mm))
    extent = Extent.of(cards.centres_mm)
    heights = sorted({float(h) for h in np.quantile(places[:, 2], [0.2, 0.8]).round(-2)})
    # A clearance that puts photos below the floor is not that of this car.
    floor = -clearance_mm if places[:, 2].min() > -clearance_mm else None
    stations = candidates(extent, heights, place in UNDER)
    hidden = obstacles(place, extent) @ back.rotation.T
    hidden[:, 0] += back.translation
    chosen, _ = best_stations(model, stations, vehicle_from_network, _PHOTOS_ADVISED, hidden)
    lack = urgency(model)
    advice: list[Advice] = []
    now = model
    for station, rows in chosen:
        variances, _, _ = improved(now, rows)
        gained = now.lacking(now.variances_mm2) - now.lacking(variances)
        lacks = (now.variances_mm2 > now.wanted_u_mm**2).any()
        if gained < _LEAST_GAIN and (advice or not lacks):
            break
        text = instruction(station, cards, model.camera, extent, floor, lack)
        first = tuple(sorted(c for i in rows.cards if (c := model.cards.ids[i]) in model.unseen))
        gain = _gain_words(now, variances, first)
        advice.append(Advice(opening(listed([text, "."], "")), gain, station, first))
        now = with_photo(now, rows)
    return tuple(advice)


def best_stations(
    model: GainModel,
    stations: Sequence[Station],
    vehicle_from_network: Pose,
    count: int,
    blockers: Array | None = None,
) -> tuple[list[tuple[Station, Rows]], GainModel]:
    """The stations (vehicle frame) to shoot from next, with what each brings, and the model after.

    Those that show most of the cards that lack most are worked through. ``blockers`` as in
    ``planned_network.see``, in the network frame.
    """
    poses = [s.pose.compose(vehicle_from_network) for s in stations]
    seen = see(model.cards, poses, model.camera, blockers)
    worth = seen.visible @ (urgency(model) + 0.1)
    likely = [int(i) for i in np.argsort(-worth)[:_EVALUATED] if worth[i] > 0]
    rows = rows_of(model, [poses[i] for i in likely], blockers)
    chosen, after = best_photos(model, rows, count)
    found = []
    for i in chosen:
        own = rows[i]
        if own is not None:
            found.append((stations[likely[i]], own))
    return found, after


def urgency(model: GainModel) -> Array:
    """(C,) how much each card lacks: log of u / wanted of the points that it carries."""
    lack = np.log(
        np.maximum(np.sqrt(np.maximum(model.variances_mm2, 0.0)) / model.wanted_u_mm, 1.0)
    )
    own = np.abs(model.by_cards.reshape(len(lack), -1, 6)[:, :, :3]).max(axis=2)
    return (
        np.asarray((own * lack[:, None]).max(axis=0)) if len(lack) else np.zeros(len(model.weight))
    )


def _gain_words(model: GainModel, variances: Array, first: Sequence[int]) -> str:
    """What a photo is expected to do, for the points that gain most."""
    before = model.U_mm.max(axis=1)
    after = 2.0 * np.sqrt(np.maximum(variances + model.fixed_mm2, 0.0)).reshape(-1, 3).max(axis=1)
    lacking = np.flatnonzero(
        (model.variances_mm2 > model.wanted_u_mm**2).reshape(-1, 3).any(axis=1)
    )
    gains = lacking[after[lacking] < _TOLD * before[lacking]]
    order = gains[np.argsort(after[gains] / before[gains])][:2]
    told = [
        say(
            "{point} {before} to {after} mm",
            point=model.names[i],
            before=_mm(before[i]),
            after=_mm(after[i]),
        )
        for i in order
    ]
    text = say("U of {points}", points=listed(told)) if told else say("ties the photos more firmly")
    if first:
        text = say_count(
            len(first),
            "first view of card {cards}; {text}",
            "first view of cards {cards}; {text}",
            cards=", ".join(map(str, first[:4])),
            text=text,
        )
    return text


def _mm(value: float) -> str:
    return Figure(f"{rounded_U(value, 2):.2f}") if value < 9.995 else say("more than 10")


def _rough_frame(job: Job, chain: Chain) -> Pose | None:
    """vehicle_from_network, good enough to say where to stand; None where nothing tells it."""
    if chain.datum:
        return chain.datum.vehicle_from_network
    if job.sheet is None:
        symmetry = symmetry_of_job(job, chain.holes, chain.scaled.solution)
        return symmetry.vehicle_from_network if symmetry else None
    sheet = {(p.point, p.side): p.position_mm for p in job.sheet.points}
    pairs = [
        (chain.holes.positions_mm[i], sheet[r.point, r.side])
        for i, r in enumerate(chain.holes.rows)
        if (r.point, r.side) in sheet
    ]
    if len(pairs) < 3:
        return None
    return closest_pose(np.array([a for a, _ in pairs]), np.array([b for _, b in pairs]))


def _unseen_dots(job: Job, chain: Chain, vehicle_from_network: Pose) -> dict[int, Array]:
    """Where cards that are not in the network should be, facing as the seen ones do.

    The sheet says it, or without one the other side's point, mirrored.
    """
    if job.sheet:
        sheet = {(p.point, p.side): p.position_mm for p in job.sheet.points}
    else:
        seen = vehicle_from_network.apply(chain.holes.positions_mm) * [1.0, -1.0, 1.0]
        other = {"L": "R", "R": "L"}
        sheet = {
            (r.point, other[r.side]): place
            for r, place in zip(chain.holes.rows, seen, strict=True)
            if r.side in other
        }
    network_from_vehicle = vehicle_from_network.inverse()
    known = set(chain.free.cards)
    normal = -card_axes(chain.free.dots_mm)[:, 2].mean(axis=0)
    normal /= np.linalg.norm(normal)
    dots = {}
    for row in job.cards:
        place = sheet.get((row.point, row.side))
        if row.card not in known and place is not None:
            hole = network_from_vehicle.apply(place)
            dots[row.card] = card_dots(row.card, hole + row.stem_mm * normal, normal)
    return dots


def _chances(chain: Chain) -> dict[int, float]:
    """How often each card was found among the photos that should show it, drawn towards 0.9."""
    free = chain.free
    cameras = [free.groups[g].camera for g in free.group_of_photo]
    cards = PlacedCards(free.cards, free.dots_mm)
    expected = np.zeros(len(free.cards))
    for pose, camera in zip(free.camera_from_network, cameras, strict=True):
        expected += see(cards, [pose], camera).visible[0]
    found = free.sightings_of_card
    share = (np.minimum(found, expected) + 1.8) / (expected + 2.0)
    return {c: float(s) for c, s in zip(free.cards, share, strict=True) if not is_mark(c)}
