"""A simulated shoot under an invented car: cards, stations, and what each photo would measure.

The truth is a vehicle frame with the demo's kind of underbody: twenty points, ties, two bars. What
a photo shows follows from the geometry of ``pipeline.shoot.planned_network`` less cards hidden by
chance; projection and noise are those of ``scene.py``. Pure and seeded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calib.camera import Camera
from calib.frames import Array, Pose
from calib.photo import CameraIdentity, PhotoHeader
from capture.photo_set import PhotoSeen, PhotoSet
from capture.sightings import Sighting
from pipeline.inputs.job import CardOnPoint, Job
from pipeline.inputs.sheet import SheetPoint
from pipeline.shoot.planned_network import PlacedCards, card_dots, see, station_pose
from targets.bar import Bar
from targets.card import card_of
from tests.scene import CAMERA, project_all
from tests.stated_job import job_of

MODEL_PX = 0.015
_PAIRS = (
    ("A", (1985.0, 455.0, 318.0), False),
    ("B", (1560.0, 448.0, 305.0), False),
    ("C", (1345.0, 372.0, 142.0), False),
    ("D", (905.0, 390.0, 128.0), False),
    ("E", (560.0, 418.0, 101.0), True),
    ("F", (310.0, 716.0, 148.0), True),
    ("G", (-215.0, 418.0, 101.0), True),
    ("H", (-760.0, 700.0, 150.0), True),
    ("J", (-1130.0, 470.0, 265.0), False),
    ("K", (-1985.0, 487.0, 341.0), False),
)
_STEM_MM = 40.0
_DOWN = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True)
class Shoot:
    """The truth of a shoot: the job as typed in, cards and camera as they are.

    Attributes
    ----------
    job : sheet, cards, bars; no folder is read.
    planned, true : cards where the plan has them, and where they are.
    camera : the true one; drift_sd (6,), shift_sd_px, at_8_px, hidden as simulated.
    """

    job: Job
    planned: PlacedCards
    true: PlacedCards
    camera: Camera
    drift_sd: Array
    shift_sd_px: float
    at_8_px: float
    hidden: float


def invented_shoot(
    seed: int,
    *,
    at_8_px: float = 0.07,
    hidden: float = 0.18,
    unsteady: float = 0.5,
    seating_u_mm: float = 0.02,
    strayed_mm: float = 15.0,
) -> Shoot:
    """Points, ties and bars, each card some way off its planned place and tilted by degrees.

    Noise and share of hidden cards are about those of two rendered scenes (docs/planning.md).
    """
    rng = np.random.default_rng([seed, 1])
    rows, points, ids, places = [], [], [], []
    for n, (name, (x, y, z), base) in enumerate(_PAIRS):
        for k, side in enumerate("LR"):
            place = np.array([x, y if side == "L" else -y, z])
            card = 2 * n + k
            rows.append(CardOnPoint(card, name, side, _STEM_MM, ""))
            points.append(SheetPoint(name, side, place, 3.0, base, ""))
            ids.append(card)
            places.append(place + _STEM_MM * _DOWN)
    bars = (Bar((90, 91), 1200.0, 0.05, 11.5e-6), Bar((92, 93), 1400.0, 0.05, 11.5e-6))
    bar_places = [[730, 600, 20], [730, -600, 20], [300, -60, 10], [-1100, -60, 10]]
    places += [np.array(p, dtype=float) for p in bar_places]
    ids += [90, 91, 92, 93]
    for n in range(12):
        share = (n + 0.5) / 12.0
        places.append(np.array([2000.0 - 4000.0 * share, (250.0, -220.0, 20.0)[n % 3], 120.0]))
        ids.append(100 + n)
    centres = np.array(places)
    planned = np.array([card_dots(c, p, _DOWN) for c, p in zip(ids, centres, strict=True)])
    true = []
    on_bar = np.isin(ids, [90, 91, 92, 93])
    for card, place, rigid in zip(ids, centres, on_bar, strict=True):
        off = np.zeros(3) if rigid else strayed_mm * rng.uniform(-1.0, 1.0, 3)
        normal = _DOWN + 0.1 * np.append(rng.standard_normal(2), 0.0)
        dots = card_dots(card, place + off, normal, rng.uniform(0.0, 2.0 * np.pi))
        true.append(dots + rng.standard_normal((4, 3)) * [0.02, 0.02, 0.05])
    # Base points lie where the sheet says, to the seat; the others may be anywhere.
    where = {f"{r.point} {r.side}": i for i, r in enumerate(rows)}
    for point in points:
        if point.base:
            i = where[f"{point.point} {point.side}"]
            # The stem runs along the card's own normal, so the hole is where the sheet says.
            one, other = true[i][1] - true[i][0], true[i][3] - true[i][0]
            up = np.cross(one, other) / np.linalg.norm(np.cross(one, other))
            seat = seating_u_mm * rng.standard_normal(3)
            true[i] = true[i] - true[i].mean(axis=0) + point.position_mm - _STEM_MM * up + seat
    cards = np.array(true)
    index = {c: i for i, c in enumerate(ids)}
    stated = []
    for bar in bars:
        ends = [cards[index[c]].mean(axis=0) for c in bar.cards]
        length = float(np.linalg.norm(ends[1] - ends[0]))
        stated.append(replace(bar, length_mm=length + 0.5 * bar.U_mm * rng.standard_normal()))
    job = job_of(
        rows,
        points,
        folder=Path("."),
        title="simulated",
        seating_u_mm=seating_u_mm,
        stem_u_mm=0.02,
        bars=tuple(stated),
    )
    drift = unsteady * np.array([2e-4] * 3 + [0.15] * 3)
    return Shoot(
        job,
        PlacedCards(tuple(ids), planned),
        PlacedCards(tuple(ids), cards),
        CAMERA,
        drift,
        0.5 * unsteady,
        at_8_px,
        hidden,
    )


def taken(shoot: Shoot, station: Pose, number: int, seed: int) -> PhotoSeen:
    """The photo from a station (camera_from_vehicle), as measured; the person strays a little."""
    rng = np.random.default_rng([seed, 2, number])
    turn = station.rotation.T @ np.array([0.0, 0.0, 1.0])
    place = -station.rotation.T @ station.translation + rng.uniform(-80.0, 80.0, 3)
    aim = place + 1500.0 * turn + rng.uniform(-60.0, 60.0, 3)
    rolls = [station_pose(place, aim, a) for a in np.linspace(0.0, 2.0 * np.pi, 73)]
    nearest = max(rolls, key=lambda p: float(np.trace(p.rotation @ station.rotation.T)))
    return photo_of(shoot, nearest, number, rng)


def photo_of(shoot: Shoot, pose: Pose, number: int, rng: np.random.Generator) -> PhotoSeen:
    """What the camera at a pose measures."""
    name = f"{number:04d}.jpg"
    constants = shoot.camera.constants.copy()
    constants[2:4] += shoot.shift_sd_px * rng.standard_normal(2)
    camera = replace(shoot.camera, constants=constants)
    drift = shoot.drift_sd * rng.standard_normal(6)
    seen = see(shoot.true, [pose], camera)
    sightings = []
    for i, card in enumerate(shoot.true.ids):
        if not seen.visible[0, i] or rng.uniform() < shoot.hidden:
            continue
        exact = project_all(camera, pose, drift, shoot.true.dots_mm[i])
        sd = shoot.at_8_px * 8.0 / seen.dot_px[0, i] * rng.uniform(0.8, 1.25)
        noise = np.hypot(sd, MODEL_PX) * rng.standard_normal((4, 2))
        tag = card_of(card).corners_mm[0, 0] / card_of(card).dots_mm[0, 0]
        middle = exact.mean(axis=0)
        corners = middle + tag * (exact - middle) + rng.normal(0.0, 0.3, (4, 2))
        sightings.append(
            Sighting(
                card=card,
                photo=name,
                corners_px=corners,
                dots_px=exact + noise,
                covariance_px2=np.tile(sd**2 * np.eye(2), (4, 1, 1)),
                measured=np.ones(4, dtype=bool),
            )
        )
    identity = CameraIdentity(
        "", "", "", None, 27, shoot.camera.width_px, shoot.camera.height_px, None
    )
    header = PhotoHeader(name, Path(name), identity, 1, "")
    return PhotoSeen(header, tuple(sightings), ())


def walk_around(rng: np.random.Generator, count: int, lap: int = 8) -> list[Pose]:
    """Stations of somebody who walks around the car, lap after lap, and aims across.

    Heights, aims and rolls are left to chance; a third of the photos with the phone turned.
    """
    stations = []
    for i in range(count):
        if i % lap == 0:
            start = rng.uniform(0.0, 2.0 * np.pi)
        angle = start + 2.0 * np.pi * (i + rng.uniform(-0.4, 0.4)) / lap
        place = np.array(
            [
                2400.0 * np.cos(angle),
                1050.0 * np.sin(angle) * rng.uniform(0.5, 1.2),
                -rng.uniform(900.0, 1500.0),
            ]
        )
        aim = np.array([0.75 * place[0], 0.0, 150.0]) + rng.uniform(-1.0, 1.0, 3) * [600, 400, 0]
        roll = np.pi / 2 if rng.uniform() < 1 / 3 else 0.0
        stations.append(station_pose(place, aim, roll + rng.uniform(-0.15, 0.15)))
    return stations


def photo_set(photos: Sequence[PhotoSeen]) -> PhotoSet:
    """The photos as ``see_photos`` would give them."""
    return PhotoSet(tuple(photos), {})
