"""Where a person can stand with the phone, and how to say so.

Stations are given in the vehicle frame and told in terms of the car: beside which wheel, how low,
which cards to aim at, which way to turn the phone. Wheels, front and rear are known only from the
extent of the points, so the words are rough, as a person needs them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from calib.camera import Camera
from calib.frames import Array, Pose
from pipeline.shoot.planned_network import PlacedCards, position_of, see, station_pose
from targets.said import Said, say, say_count

_ALONG = np.linspace(0.0, 1.0, 7)
_BESIDE_MM = 450.0
_BEYOND_MM = 600.0
_TURNS_MM = (-800.0, 0.0, 800.0)
_UNDER_SHARE = 0.4
"""Stations under the car stand this share of its half width off the middle."""
_AIMED_CARDS = 2


@dataclass(frozen=True)
class Extent:
    """What cards and points reach over, vehicle frame, mm: front and rear x, half width, z."""

    front_mm: float
    rear_mm: float
    half_mm: float
    low_mm: float
    high_mm: float

    @staticmethod
    def of(places_mm: Array) -> Extent:
        """The extent of points (N, 3)."""
        low, high = places_mm.min(axis=0), places_mm.max(axis=0)
        return Extent(high[0], low[0], float(np.abs(places_mm[:, 1]).max()), low[2], high[2])

    def along(self, share: float) -> float:
        """x at a share of the way from the rear to the front."""
        return self.rear_mm + share * (self.front_mm - self.rear_mm)


@dataclass(frozen=True)
class Station:
    """A photo to take: camera_from_vehicle, and where it aims, mm."""

    pose: Pose
    aim_mm: Array

    @property
    def position_mm(self) -> Array:
        """(3,) of the phone."""
        return position_of(self.pose)

    def rolled(self, quarter_turns: int) -> Station:
        """The same with the phone turned about its viewing direction."""
        angle = quarter_turns * np.pi / 2
        cos, sin = np.round(np.cos(angle)), np.round(np.sin(angle))
        turn = np.array([[cos, sin, 0.0], [-sin, cos, 0.0], [0.0, 0.0, 1.0]])
        return Station(Pose(turn @ self.pose.rotation, turn @ self.pose.translation), self.aim_mm)


def candidates(extent: Extent, heights_mm: Sequence[float], under: bool = True) -> list[Station]:
    """Places beside, in front of, behind and (unless not ``under``) under the car.

    Parameters
    ----------
    heights_mm : of the phone in the vehicle frame; below the cards they are negative.
    """
    middle = 0.5 * (extent.low_mm + extent.high_mm)
    sides = [extent.half_mm + _BESIDE_MM, _UNDER_SHARE * extent.half_mm]
    length = extent.front_mm - extent.rear_mm + 2.0 * _BEYOND_MM
    found: list[Station] = []
    for share, side, left, turn, height in product(
        _ALONG, sides, (1.0, -1.0), _TURNS_MM, heights_mm
    ):
        x = extent.rear_mm - _BEYOND_MM + share * length
        if not under and side < extent.half_mm and extent.rear_mm < x < extent.front_mm:
            continue
        position = np.array([x, left * side, height])
        inward = 0.5 * (extent.front_mm + extent.rear_mm) - x
        aim_x = x + turn + 0.35 * inward
        across = -0.1 if side > extent.half_mm else 0.2
        aim = np.array([aim_x, across * position[1], middle])
        if abs(aim[0] - x) + abs(aim[1] - position[1]) < 1.0:
            aim[1] -= 10.0 * left
        # Every other place with the phone the other way round, so that both occur everywhere.
        roll = len(found) % 2
        found.append(Station(station_pose(position, aim, 0.0), aim).rolled(roll))
    return found


_PLACES = {
    "front corner": (say("the left front corner"), say("the right front corner")),
    "front": (say("the front, left of the middle"), say("the front, right of the middle")),
    "rear corner": (say("the left rear corner"), say("the right rear corner")),
    "rear": (say("the rear, left of the middle"), say("the rear, right of the middle")),
    "front wheel": (say("the left front wheel"), say("the right front wheel")),
    "rear wheel": (say("the left rear wheel"), say("the right rear wheel")),
    "sill": (say("the left sill, half way along"), say("the right sill, half way along")),
}


def place_words(position_mm: Array, extent: Extent) -> Said:
    """Where on the car a place is: "the right rear wheel", "the front, left of the middle"."""
    share = (position_mm[0] - extent.rear_mm) / max(extent.front_mm - extent.rear_mm, 1.0)
    outside = abs(position_mm[1]) > extent.half_mm
    if share > 1.0:
        part = "front corner" if outside else "front"
    elif share < 0.0:
        part = "rear corner" if outside else "rear"
    elif share > 0.68:
        part = "front wheel"
    elif share < 0.32:
        part = "rear wheel"
    else:
        part = "sill"
    return _PLACES[part][0 if position_mm[1] > 0 else 1]


def posture_words(position_mm: Array, extent: Extent, floor_mm: float | None) -> Said:
    """How to get the phone there: on a pole, kneeling, bent, standing; under the car or beside."""
    under = abs(position_mm[1]) <= extent.half_mm and (
        extent.rear_mm < position_mm[0] < extent.front_mm
    )
    if floor_mm is None:
        below = extent.low_mm - position_mm[2]
        how = say("phone {below:.1f} m below the cards", below=float(below) / 1000.0)
        return say("{how}, under the car", how=how) if under else how
    height = position_mm[2] - floor_mm
    if height < 350.0:
        how = say("phone on a pole, just above the floor")
    elif height < 750.0:
        how = say("kneel")
    elif height < 1200.0:
        how = say("bend down")
    else:
        how = say("stand")
    return say("{how}, phone under the car", how=how) if under else how


def aimed_cards(
    station: Station, cards: PlacedCards, camera: Camera, wanted: Array | None = None
) -> tuple[int, ...]:
    """The visible cards nearest to the middle of the picture, those first that are ``wanted``."""
    seen = see(cards, [station.pose], camera)
    middle = np.array([camera.width_px, camera.height_px]) / 2.0
    off = np.linalg.norm(seen.px[0].mean(axis=1) - middle, axis=1) / middle[0]
    if wanted is not None:
        off = off - wanted
    order = [int(i) for i in np.argsort(off) if seen.visible[0, i]]
    return tuple(sorted(cards.ids[i] for i in order[:_AIMED_CARDS]))


def roll_words(pose: Pose, camera: Camera) -> Said:
    """Whether the phone is held upright (long side up) or level."""
    # The camera's x axis and y axis in the vehicle frame: the one that lies level runs across.
    across, down = pose.rotation[0], pose.rotation[1]
    level = abs(across[2]) <= abs(down[2])
    wide = camera.width_px >= camera.height_px
    return say("phone level") if level == wide else say("phone upright")


def instruction(
    station: Station,
    cards: PlacedCards,
    camera: Camera,
    extent: Extent,
    floor_mm: float | None,
    wanted: Array | None = None,
) -> Said:
    """One photo as a sentence that a person can follow."""
    aimed = aimed_cards(station, cards, camera, wanted)
    names = str(aimed[0]) if aimed else ""
    for other in aimed[1:]:
        names = say("{one} and {other}", one=names, other=str(other))
    return say_count(
        max(len(aimed), 1),
        "{posture} at {place}, aim at card {names}, {roll}",
        "{posture} at {place}, aim at cards {names}, {roll}",
        posture=posture_words(station.position_mm, extent, floor_mm),
        place=place_words(station.position_mm, extent),
        names=names,
        roll=roll_words(station.pose, camera),
    )
