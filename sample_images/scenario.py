"""What the invented demo job holds: points and damage, cards, bars, camera, where it stood.

Nothing here is a real vehicle. Frames as everywhere in the project: vehicle x forward, y left,
z up; card x right, y down as printed, z into the card; world = workshop floor, z up; pixel (0, 0)
is the centre of the first pixel. Lengths in mm.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

# The script is run from a source tree, in an environment without the project itself.
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from targets.card import card_of

Array = NDArray[np.float64]

SEED = 20431
WIDTH_PX, HEIGHT_PX = 3264, 2448
CONSTANTS = np.array([2466.4, 2467.3, 1638.7, 1217.2, 0.0731, -0.1856, 0.00058, -0.00079, 0.1189])
"""fx, fy, cx, cy px, k1, k2, p1, p2, k3 of the invented phone."""

UNDAMAGED_LIMIT_MM = 0.3

# What the files of a session are called, when it was shot, and how its photos are kept; another
# session (pulled.py) puts its own in place of these, of the damage, the cards and the stations.
JOB, TITLE, TRUTH = "job", "Demo van, front left (rendered)", "truth.json"
LENS = "phone.toml"
HOUR, FIRST_PHOTO, HANDS_SEED, JPEG_QUALITY = 10, 1, SEED + 3, 82


@dataclass(frozen=True)
class PointPair:
    """A symmetrical pair of reference points: sheet values and what the crash did to each side."""

    name: str
    nominal_mm: tuple[float, float, float]
    base: bool
    zone: str
    kind: str
    note: str
    damage_left_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    damage_right_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)


# Damage is kept clear of the tolerance of 3 mm on at least one axis, so each verdict has one
# right answer; it dies away towards the centre section.
PAIRS = (
    PointPair(
        "A",
        (1985.0, 455.0, 318.0),
        False,
        "front",
        "hole",
        "front rail end",
        (-16.4, -6.8, 7.9),
        (0.3, -5.6, 0.4),
    ),
    PointPair(
        "B",
        (1562.5, 448.0, 305.0),
        False,
        "front",
        "hole",
        "front rail over axle",
        (-10.7, -5.2, 5.9),
    ),
    PointPair(
        "C",
        (1345.0, 372.5, 142.0),
        False,
        "front",
        "bolt",
        "subframe, front mount",
        (-6.9, -3.1, 4.8),
    ),
    PointPair(
        "D",
        (905.0, 390.0, 128.0),
        False,
        "front",
        "bolt",
        "subframe, rear mount",
        (-4.9, -0.8, 1.1),
    ),
    PointPair("E", (560.0, 418.5, 101.0), True, "centre", "hole", "rail, front of floor"),
    PointPair("F", (310.0, 716.0, 148.0), True, "centre", "hole", "sill, jig hole"),
    PointPair("G", (-215.0, 418.5, 101.0), True, "centre", "hole", "rail, mid floor"),
    PointPair("H", (-760.0, 700.0, 150.0), True, "centre", "hole", "sill, rear jig hole"),
    PointPair("J", (-1130.0, 470.0, 265.0), False, "rear", "hole", "rear rail, kick-up"),
    PointPair("K", (-1985.0, 487.5, 341.0), False, "rear", "hole", "rear rail end"),
    # Pick-up points of the suspension: the front left wheel was pushed back, its top further than
    # its bottom and inward, which turns it (camber, caster) and shortens the wheelbase there.
    PointPair(
        "M",
        (1225.0, 432.0, 110.0),
        False,
        "front",
        "control arm",
        "lower control arm, mount",
        (-6.4, -2.6, 3.4),
    ),
    PointPair(
        "N",
        (1660.0, 560.0, 420.0),
        False,
        "front",
        "control arm",
        "upper control arm, mount",
        (-12.1, -7.0, 6.4),
    ),
    PointPair("P", (-980.0, 575.0, 116.0), False, "rear", "bush", "trailing arm bush"),
)

POINT_CARDS: dict[str, tuple[int, float]] = {
    "A L": (11, 60.0),
    "A R": (12, 60.0),
    "B L": (23, 80.0),
    "B R": (24, 80.0),
    "C L": (35, 25.0),
    "C R": (36, 25.0),
    "D L": (47, 35.0),
    "D R": (48, 35.0),
    "E L": (51, 50.0),
    "E R": (52, 50.0),
    "F L": (63, 35.0),
    "F R": (64, 35.0),
    "G L": (75, 50.0),
    "G R": (302, 25.0),
    "H L": (87, 35.0),
    "H R": (88, 35.0),
    "J L": (99, 60.0),
    "J R": (100, 60.0),
    "K L": (111, 100.0),
    "K R": (112, 100.0),
    "M L": (123, 35.0),
    "M R": (124, 35.0),
    "N L": (135, 150.0),
    "N R": (136, 150.0),
    "P L": (159, 25.0),
    "P R": (160, 25.0),
}
"""Point and side: card id, stem length mm."""

# Card id: where on the body (x, y), and how far its carrier is tilted about vehicle x and y, deg.
TIES: dict[int, tuple[float, float, float, float]] = {
    141: (1180.0, -60.0, 12.0, -8.0),
    142: (1560.0, 60.0, -9.0, 14.0),
    143: (1700.0, -255.0, -6.0, -12.0),
    144: (896.0, -205.0, 16.0, 5.0),
    451: (330.0, -245.0, 3.0, -4.0),
    452: (-85.0, 235.0, -4.0, 3.0),
    145: (-120.0, 590.0, -14.0, 6.0),
    146: (-650.0, 230.0, 7.0, 10.0),
    147: (-700.0, -250.0, -3.0, -5.0),
    453: (-1250.0, 30.0, 5.0, 12.0),
    148: (-1700.0, -330.0, -10.0, 9.0),
    300: (1105.0, 205.0, 4.0, 6.0),
    301: (1640.0, 205.0, 10.0, -5.0),
    149: (2040.0, 40.0, 5.0, -18.0),
}

TIE_GAPS_MM = {147: 46.0, 451: 34.0, 452: 34.0}
"""Ties on longer magnets, clear of lines and rails beside them; the others are stuck flat."""

# Ids, length at 20 C, centre, heading, slope and twist of the bar (deg); cards face down.
BARS = (
    ((90, 91), 1200.418, (735.0, -15.0, 22.0), 88.0, 1.8, 3.0),
    ((92, 93), 1399.763, (-400.0, -20.0, 5.0), 10.0, -2.1, -4.0),
)
BAR_U_MM = 0.05
BAR_ALPHA_PER_K = 23.1e-6


def rotation(axis: str, angle_deg: float) -> Array:
    """Rotation matrix about a coordinate axis."""
    angle_rad = np.radians(angle_deg)
    cos, sin = np.cos(angle_rad), np.sin(angle_rad)
    if axis == "x":
        return np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]], dtype=float)
    if axis == "y":
        return np.array([[cos, 0, sin], [0, 1, 0], [-sin, 0, cos]], dtype=float)
    return np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]], dtype=float)


WORLD_FROM_VEHICLE_R = rotation("z", 3.7) @ rotation("y", -0.8) @ rotation("x", 0.5)
WORLD_FROM_VEHICLE_T = np.array([110.0, -65.0, 1790.0])


def to_world(points_mm: Array) -> Array:
    """Points (..., 3) of the vehicle frame in the world frame."""
    return points_mm @ WORLD_FROM_VEHICLE_R.T + WORLD_FROM_VEHICLE_T


@dataclass(frozen=True)
class Point:
    """A reference point: sheet value and truth, vehicle frame."""

    name: str
    side: str
    nominal_mm: Array
    true_mm: Array
    base: bool
    damaged: bool

    @property
    def key(self) -> str:
        """Name and side as people say it."""
        return f"{self.name} {self.side}"


def points() -> list[Point]:
    """The points with their true places.

    As-built scatter of the base points has its rigid part taken out, so that the vehicle frame
    fitted to them (equal weights) is the sheet's frame and the true deviations are unambiguous.
    """
    random = np.random.default_rng(SEED + 1)
    nominal, scatter, bases, damages = [], [], [], []
    for pair in PAIRS:
        for sign, damage in ((1.0, pair.damage_left_mm), (-1.0, pair.damage_right_mm)):
            length, width, height = pair.nominal_mm
            nominal.append([length, sign * width, height])
            scatter.append(np.clip(random.normal(0.0, 0.1, 3), -0.2, 0.2))
            bases.append(pair.base)
            damages.append(damage)
    at_mm, off_mm, is_base = np.array(nominal), np.array(scatter), np.array(bases)

    arm = at_mm[is_base] - at_mm[is_base].mean(axis=0)
    x, y, z = arm.T
    zero, one = np.zeros_like(x), np.ones_like(x)
    rigid = np.stack(
        [
            np.stack([one, zero, zero, zero, z, -y], axis=-1),
            np.stack([zero, one, zero, -z, zero, x], axis=-1),
            np.stack([zero, zero, one, y, -x, zero], axis=-1),
        ],
        axis=1,
    ).reshape(-1, 6)
    flat = off_mm[is_base].reshape(-1)
    off_mm[is_base] = (flat - rigid @ np.linalg.lstsq(rigid, flat, rcond=None)[0]).reshape(-1, 3)
    if np.abs(off_mm).max() > UNDAMAGED_LIMIT_MM:
        raise ValueError("as-built scatter is larger than promised")

    found = []
    for i, (pair, side) in enumerate((p, s) for p in PAIRS for s in "LR"):
        damage = np.array(damages[i])
        damaged = bool(np.abs(damage).max() > 0.0)
        found.append(
            Point(pair.name, side, at_mm[i], at_mm[i] + damage + off_mm[i], pair.base, damaged)
        )
    return found


def wheel_changes() -> list[dict[str, str | float]]:
    """What the pick-up points did to the wheels: degrees + top outward, + top rearward; mm.

    The angle of a line that stood upright between the heights of lower (M) and upper arm (N), its
    ends moved as those points were; wheelbase from M to the trailing arm (P).
    """
    moved = {point.key: point.true_mm - point.nominal_mm for point in points()}
    height_mm = {pair.name: pair.nominal_mm[2] for pair in PAIRS}
    camber, caster, wheelbase = {}, {}, {}
    for name, side, outward in (("left", "L", 1.0), ("right", "R", -1.0)):
        forward, leftward, rise = moved[f"N {side}"] - moved[f"M {side}"]
        rise += height_mm["N"] - height_mm["M"]
        camber[name] = round(float(np.degrees(np.arctan2(outward * leftward, rise))), 4)
        caster[name] = round(float(np.degrees(np.arctan2(-forward, rise))), 4)
        wheelbase[name] = round(float(moved[f"M {side}"][0] - moved[f"P {side}"][0]), 4)
    return [
        {"what": "camber", "axle": "front", "unit": "degrees", **camber},
        {"what": "caster", "axle": "front", "unit": "degrees", **caster},
        {"what": "wheelbase", "axle": "", "unit": "mm", **wheelbase},
    ]


@dataclass(frozen=True)
class PlacedCard:
    """A card on the car: id, role, and its frame in the vehicle frame.

    ``axes`` has the card's x, y, z axes as columns; z goes into the card, away from the viewer.
    """

    id: int
    role: str
    centre_mm: Array
    axes: Array
    point: str = ""
    side: str = ""
    stem_mm: float = 0.0
    hole_mm: Array | None = None


def _axes(up: Array, turn_deg: float) -> Array:
    """Card axes for a card facing down with z along ``up``, turned about it by ``turn_deg``."""
    z = up / np.linalg.norm(up)
    x = np.cross([0.0, 1.0, 0.0], z)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z], axis=1) @ rotation("z", turn_deg)


def point_cards() -> list[PlacedCard]:
    """Cards in the reference holes; hole axes lean by a few degrees."""
    random = np.random.default_rng(SEED + 2)
    placed = []
    for point in points():
        card_id, stem_mm = POINT_CARDS[point.key]
        lean_deg = np.clip(random.normal(0.0, 2.2, 2), -5.0, 5.0)
        up = rotation("x", lean_deg[0]) @ rotation("y", lean_deg[1]) @ [0.0, 0.0, 1.0]
        axes = _axes(up, random.uniform(0.0, 360.0))
        centre_mm = point.true_mm - stem_mm * axes[:, 2]
        placed.append(
            PlacedCard(
                card_id, "point", centre_mm, axes, point.name, point.side, stem_mm, point.true_mm
            )
        )
    return placed


def bar_cards() -> list[PlacedCard]:
    """The two cards of each bar, at its length apart."""
    placed = []
    for ids, length_mm, centre_mm, heading_deg, slope_deg, twist_deg in BARS:
        frame = rotation("z", heading_deg) @ rotation("y", slope_deg) @ rotation("x", twist_deg)
        for card_id, end, turn_deg in ((ids[0], -0.5, 0.0), (ids[1], 0.5, 180.0)):
            axes = frame @ rotation("z", turn_deg)
            placed.append(
                PlacedCard(
                    card_id, "bar", np.array(centre_mm) + end * length_mm * frame[:, 0], axes
                )
            )
    return placed


def tie_card(card_id: int, surface_z_mm: Array, offsets_mm: Array) -> PlacedCard:
    """A tie card just under the body.

    Parameters
    ----------
    surface_z_mm : (N,) heights of the body above the card, NaN where there is none.
    offsets_mm : (N, 2) where, relative to the tie's place.
    """
    x_mm, y_mm, tilt_x_deg, tilt_y_deg = TIES[card_id]
    up = rotation("x", tilt_x_deg) @ rotation("y", tilt_y_deg) @ [0.0, 0.0, 1.0]
    axes = _axes(up, (card_id * 67.0) % 360.0)
    # The plane of the card, lowered until it touches nothing, then tape and carrier or a magnet.
    plane_mm = -(offsets_mm @ up[:2]) / up[2]
    z_mm = float(np.nanmin(surface_z_mm - plane_mm)) - TIE_GAPS_MM.get(card_id, 6.0)
    return PlacedCard(card_id, "tie", np.array([x_mm, y_mm, z_mm]), axes)


@dataclass(frozen=True)
class Station:
    """Where the phone was and how it was held: vehicle frame, mm."""

    eye_mm: tuple[float, float, float]
    target_mm: tuple[float, float, float]
    orientation: int
    """EXIF orientation: 1 level, 6 or 8 phone held upright."""
    flash: bool
    exposure: float


STATIONS = (
    Station((2600, 900, -780), (1500, 100, 220), 1, False, 1.00),
    Station((2480, -800, -960), (1480, -60, 220), 6, True, 0.92),
    Station((2060, 1020, -860), (1500, 90, 200), 6, False, 1.05),
    Station((1760, -1120, -1000), (1440, 0, 200), 1, True, 1.00),
    Station((1780, 220, -1270), (1560, 0, 250), 8, False, 0.95),
    Station((1250, -260, -1300), (1380, 30, 200), 1, True, 1.00),
    Station((880, 1180, -880), (720, 140, 150), 1, False, 1.08),
    Station((760, -1230, -900), (620, -200, 150), 8, False, 0.96),
    Station((640, 260, -1240), (640, 0, 130), 1, True, 0.90),
    Station((200, -340, -1290), (330, -60, 130), 6, False, 1.00),
    Station((-60, 1220, -900), (-100, 130, 140), 1, True, 1.00),
    Station((-60, -1220, -880), (-30, -160, 140), 1, False, 1.04),
    Station((-380, 230, -1260), (-330, -30, 130), 8, False, 0.97),
    Station((-800, -280, -1290), (-700, -20, 150), 1, True, 1.00),
    Station((-820, 1180, -900), (-850, 20, 150), 1, False, 1.06),
    Station((-960, -1200, -860), (-900, -150, 180), 1, True, 0.94),
    Station((-1350, 200, -1200), (-1420, -20, 220), 1, False, 1.00),
    Station((-1950, -360, -1120), (-1780, -40, 260), 6, True, 1.00),
    Station((-1480, 620, -1120), (-1520, -80, 240), 1, False, 1.02),
    Station((-1500, -700, -1140), (-1560, -90, 230), 8, False, 0.95),
    Station((-2680, 560, -800), (-1640, 30, 240), 1, True, 1.00),
    Station((-2640, -640, -820), (-1560, -70, 240), 1, False, 1.00),
)


def _look_at(eye: Array, target: Array, up: Array, orientation: int, roll_deg: float) -> Array:
    """Rotation camera_from_x, of a phone looking from eye to target.

    With orientation 6 the picture's top is the sensor's left side, with 8 its right side.
    """
    forward = (target - eye) / np.linalg.norm(target - eye)
    right = np.cross(forward, up)
    right /= np.linalg.norm(right)
    level = np.stack([right, np.cross(forward, right), forward])
    turn_deg = {1: 0.0, 6: -90.0, 8: 90.0}[orientation]
    return rotation("z", turn_deg + roll_deg) @ level


def station_poses() -> list[tuple[Array, Array]]:
    """camera_from_vehicle (R, t) of each photo, with the unsteadiness of a hand."""
    random = np.random.default_rng(HANDS_SEED)
    poses = []
    for station in STATIONS:
        eye = np.array(station.eye_mm, dtype=float) + random.normal(0.0, 35.0, 3)
        target = np.array(station.target_mm, dtype=float) + random.normal(0.0, 40.0, 3)
        # Looking nearly straight up, "up in the picture" is towards the car's front.
        steep = abs((target - eye)[2]) / np.linalg.norm(target - eye) > 0.93
        up = np.array([1.0, 0.0, 0.0]) if steep else np.array([0.0, 0.0, 1.0])
        turn = _look_at(eye, target, up, station.orientation, random.normal(0.0, 4.0))
        poses.append((turn, -turn @ eye))
    return poses


BOARD_SQUARES = (9, 6)
BOARD_SQUARE_MM, BOARD_MARKER_MM = 30.0, 22.0

# Where the board's centre falls in the picture (fractions of half the frame), distance mm,
# tilt about the board's x and y (deg), EXIF orientation.
BOARD_STATIONS = (
    (0.26, -0.30, 290.0, -12.0, -16.0, 1),
    (0.05, -0.02, 260.0, 6.0, -5.0, 1),
    (-0.40, -0.42, 320.0, 30.0, -28.0, 1),
    (0.40, -0.42, 320.0, 28.0, 30.0, 1),
    (-0.40, 0.42, 320.0, -32.0, -26.0, 1),
    (0.40, 0.42, 320.0, -28.0, 32.0, 1),
    (-0.05, 0.10, 300.0, 42.0, 0.0, 6),
    (0.05, -0.05, 300.0, -40.0, 8.0, 8),
    (-0.10, 0.00, 330.0, 4.0, 43.0, 6),
    (0.10, 0.05, 340.0, -6.0, -42.0, 8),
    (0.52, 0.10, 270.0, 10.0, 24.0, 1),
    (-0.52, -0.10, 270.0, -10.0, -24.0, 1),
    (0.00, 0.00, 520.0, 26.0, 22.0, 1),
)


def board_poses() -> list[tuple[Array, Array]]:
    """camera_from_board (R, t); board frame: top left corner, x right, y down, z away."""
    random = np.random.default_rng(SEED + 4)
    fx, fy, cx, cy = CONSTANTS[:4]
    half_mm = np.array(BOARD_SQUARES) * BOARD_SQUARE_MM / 2.0
    poses = []
    for u, v, distance_mm, tilt_x_deg, tilt_y_deg, orientation in BOARD_STATIONS:
        turn_deg = {1: 0.0, 6: -90.0, 8: 90.0}[orientation] + random.normal(0.0, 3.0)
        turn = rotation("z", turn_deg) @ rotation("x", tilt_x_deg) @ rotation("y", tilt_y_deg)
        ray = np.array(
            [((u + 1) * WIDTH_PX / 2 - cx) / fx, ((v + 1) * HEIGHT_PX / 2 - cy) / fy, 1.0]
        )
        poses.append((turn, ray * distance_mm - turn @ [*half_mm, 0.0]))
    return poses


def card_width_mm(card_id: int) -> float:
    """Side of a card."""
    return card_of(card_id).width_mm
