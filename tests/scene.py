"""An invented underbody with everything known: cards, photos, and what they would measure.

The truth lives in a vehicle-like frame (x forward, y left, z up, mm); cards face down, photos are
taken from below and from the sides, a third of them rolled by 90 degrees either way. Projections
are exact; noise has the covariance that the sightings state. Pure and seeded: the same arguments
give the same scene.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from calib.camera import Camera
from calib.frames import Array, Pose
from capture.sightings import Sighting
from pipeline.adjustment.bundle import Network, Observations
from pipeline.adjustment.layout import Layout
from pipeline.adjustment.scale import BarReading, scale_network
from pipeline.adjustment.solution import CameraGroup, Solution
from targets.bar import Bar
from targets.card import card_of

CAMERA = Camera(4000, 3000, np.array([3010.0, 3004.0, 1993, 1507, 0.08, -0.15, 5e-4, -4e-4, 0.05]))
"""An invented phone of 12 MP."""
MODEL_PX = 0.015
"""Noise of every dot beyond its stated covariance: what a model of lens and photo leaves out."""
_MARGIN_PX = 12.0
_STEEPEST_COSINE = np.cos(np.radians(72.0))


@dataclass(frozen=True)
class Scene:
    """The truth and what was measured of it.

    Attributes
    ----------
    cards : (C,) ids; dots_mm : (C, 4, 3) where their dots really are, print errors included.
    photos : (F,) names; camera_from_vehicle : (F,) poses at mid-exposure; drift : (F, 6).
    camera : true constants, the same for all photos.
    sightings : what was measured, noise included.
    """

    cards: tuple[int, ...]
    dots_mm: Array
    photos: tuple[str, ...]
    camera_from_vehicle: tuple[Pose, ...]
    drift: Array
    camera: Camera
    sightings: tuple[Sighting, ...]


def make_scene(
    seed: int,
    *,
    columns: int = 4,
    rows: int = 3,
    photos: int = 10,
    extent_mm: tuple[float, float] = (1800.0, 1200.0),
    tilt_deg: float = 12.0,
    noise_px: float = 0.04,
    drift_sd: tuple[float, float] = (0.0, 0.0),
    print_scale: tuple[float, float] = (1.0, 1.0),
    print_sd_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    missing: float = 0.0,
    first_card: int = 0,
    camera: Camera = CAMERA,
    warped_mm: Mapping[int, Array] | None = None,
) -> Scene:
    """Invent a scene.

    Parameters
    ----------
    columns, rows : cards along and across; extent_mm : length and width they are spread over.
    tilt_deg : largest tilt of a card out of the horizontal.
    noise_px : largest standard deviation of a dot (0: exact, but the stated covariance stays).
    drift_sd : of the hand over one read-out: rotation (rad) and shift (mm) per axis.
    print_scale, print_sd_mm : of the printer, x and y; of single dots, x, y and z.
    missing : share of dots that could not be measured.
    warped_mm : (4, 3) by which the dots of these cards are off, in the card frame.
    """
    rng = np.random.default_rng(seed)
    cards = tuple(range(first_card, first_card + columns * rows))
    warped_mm = warped_mm or {}
    dots = _cards(rng, cards, columns, extent_mm, tilt_deg, print_scale, print_sd_mm, warped_mm)
    names = tuple(f"{chr(97 + first_card // 50)}{i:03d}.jpg" for i in range(photos))
    poses = tuple(_stations(rng, photos, extent_mm))
    drift = rng.standard_normal((photos, 6)) * np.repeat(drift_sd, 3)
    return photographed(rng, Scene(cards, dots, names, poses, drift, camera, ()), noise_px, missing)


def photographed(
    rng: np.random.Generator, scene: Scene, noise_px: float = 0.04, missing: float = 0.0
) -> Scene:
    """The scene with what its photos show of its cards."""
    photos = range(len(scene.photos))
    sightings = [s for i in photos for s in _look(rng, scene, i, noise_px, missing)]
    return replace(scene, sightings=tuple(sightings))


def looking(position_mm: Array, aim_mm: Array, roll_deg: float) -> Pose:
    """camera_from_vehicle of a camera at a place, aimed at another, rolled about its axis."""
    forward = aim_mm - position_mm
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [1.0, 0.0, 0.0])
    right /= np.linalg.norm(right)
    upright = np.stack([right, np.cross(forward, right), forward])
    rotation = Rotation.from_euler("z", roll_deg, degrees=True).as_matrix() @ upright
    return Pose(rotation, -rotation @ position_mm)


def layout_of(scene: Scene) -> Mapping[int, Array]:
    """Nominal dots (4, 2) of each card, as ``find_network`` wants them."""
    return {c: card_of(c).dots_mm for c in scene.cards}


def nominal_layout(scene: Scene, sd_mm: tuple[float, float, float]) -> Layout:
    """The cards' layout as a constraint."""
    nominal = [np.column_stack([card_of(c).dots_mm, np.zeros(4)]) for c in scene.cards]
    return Layout(np.array(nominal), np.tile(sd_mm, (len(nominal), 1)).astype(float))


def bundle(scene: Scene) -> tuple[Network, Observations]:
    """The truth as a network, and the sightings as observations of it, all dots at once."""
    photo_at = {p: i for i, p in enumerate(scene.photos)}
    card_at = {c: i for i, c in enumerate(scene.cards)}
    rows = [
        (photo_at[s.photo], 4 * card_at[s.card] + k, *s.dots_px[k], *s.covariance_px2[k].ravel())
        for s in scene.sightings
        for k in range(4)
        if s.measured[k]
    ]
    table = np.array(rows)
    px = table[:, 2:4]
    total = table[:, 4:].reshape(-1, 2, 2) + MODEL_PX**2 * np.eye(2)
    # W^T W is the inverse covariance for any square root; this one is symmetric.
    values, vectors = np.linalg.eigh(total)
    whitening = (vectors / np.sqrt(values)[:, None]) @ vectors.transpose(0, 2, 1)
    network = Network(
        rotation=np.array([p.rotation for p in scene.camera_from_vehicle]),
        translation=np.array([p.translation for p in scene.camera_from_vehicle]),
        drift=scene.drift.copy(),
        constants=scene.camera.constants[None].copy(),
        group=np.zeros(len(scene.photos), dtype=np.intp),
        points=scene.dots_mm.reshape(-1, 3).copy(),
    )
    observations = Observations(
        photo=table[:, 0].astype(np.intp),
        point=table[:, 1].astype(np.intp),
        px=px,
        whitening=whitening,
        tau=px[:, 1] / scene.camera.height_px - 0.5,
    )
    return network, observations


def solution_of(cards: Sequence[int], dots_mm: Array, covariance_mm2: Array) -> Solution:
    """A solution of cards alone, as scale and points want it; one photo, 1 m below the origin."""
    return Solution(
        photos=("a.jpg",),
        camera_from_network=(Pose(np.eye(3), np.array([0.0, 0.0, 1000.0])),),
        drift=np.zeros((1, 6)),
        shift_px=np.zeros((1, 2)),
        groups=(CameraGroup("invented", CAMERA, np.zeros(9), False, ("a.jpg",)),),
        group_of_photo=np.zeros(1, dtype=np.intp),
        cards=tuple(cards),
        dots_mm=np.asarray(dots_mm, dtype=float),
        covariance_mm2=covariance_mm2,
        sightings_of_card=np.full(len(cards), 5),
        sighting_photo=np.zeros(len(cards), dtype=np.intp),
        sighting_card=np.arange(len(cards)),
        measured_px=np.zeros((len(cards), 4, 2)),
        residuals_px=np.zeros((len(cards), 4, 2)),
        sigma0=1.0,
        redundancy=100,
        rejected=(),
    )


def covariance_like(rng: np.random.Generator, size: int, sd: float) -> Array:
    """A full covariance (size, size) with standard deviations of about ``sd``, correlated."""
    root = rng.standard_normal((size, size)) + 2.0 * np.eye(size)
    return np.asarray(sd**2 / (size + 4) * root @ root.T)


def disturbed(network: Network, seed: int, share: float = 1.0) -> Network:
    """A rough start: poses off by about a degree and 5 mm, points by 2 mm, focal length by 1 %."""
    rng = np.random.default_rng(seed)
    turns = Rotation.from_rotvec(share * 0.02 * rng.standard_normal((len(network.rotation), 3)))
    constants = network.constants.copy()
    constants[:, :2] *= 1.0 + 0.01 * share
    constants[:, 2:4] += 8.0 * share
    constants[:, 4:] = 0.0
    return replace(
        network,
        rotation=turns.as_matrix() @ network.rotation,
        translation=network.translation + share * 5.0 * rng.standard_normal((len(turns), 3)),
        drift=np.zeros_like(network.drift),
        constants=constants,
        points=network.points + share * 2.0 * rng.standard_normal(network.points.shape),
    )


def aligned(points: Array, reference: Array, scale: bool = True) -> Array:
    """Points (N, 3) moved onto others by the best similarity (or rigid motion).

    SciPy's ``Rotation.align_vectors`` finds the rotation; nothing of the code under test is used.
    """
    centre, target = points.mean(axis=0), reference.mean(axis=0)
    rotation, _ = Rotation.align_vectors(reference - target, points - centre)
    turned = rotation.apply(points - centre)
    factor = ((reference - target) * turned).sum() / (turned**2).sum() if scale else 1.0
    return np.asarray(factor * turned + target)


def project_all(camera: Camera, pose: Pose, drift: Array, points_mm: Array) -> Array:
    """Image points (N, 2) of points (N, 3), each in the row where it is read.

    The row decides how far the camera has moved and so where the point falls: found by iteration.
    """
    at_rest = pose.apply(points_mm)
    rows = np.zeros(len(points_mm))
    for _ in range(30):
        turn = Rotation.from_rotvec(rows[:, None] * drift[:3])
        px = camera.project(turn.apply(at_rest) + rows[:, None] * drift[3:])
        new = px[:, 1] / camera.height_px - 0.5
        if np.abs(new - rows).max(initial=0.0) < 1e-14:
            break
        rows = new
    return px


def _cards(
    rng: np.random.Generator,
    cards: tuple[int, ...],
    columns: int,
    extent_mm: tuple[float, float],
    tilt_deg: float,
    print_scale: tuple[float, float],
    print_sd_mm: tuple[float, float, float],
    warped_mm: Mapping[int, Array],
) -> Array:
    """Dots (C, 4, 3) of cards spread over the underbody, facing down."""
    rows = len(cards) // columns
    length, width = extent_mm
    # Card x forward, y left as printed, z (into the card) up; then spun about z and tilted.
    dots = []
    for n, card in enumerate(cards):
        column, row = n % columns, n // columns
        centre = [
            length * (column / max(columns - 1, 1) - 0.5) + rng.uniform(-40, 40),
            width * (row / max(rows - 1, 1) - 0.5) + rng.uniform(-40, 40),
            rng.uniform(0, 220),
        ]
        spin = Rotation.from_euler("z", rng.uniform(0, 360), degrees=True)
        direction = rng.uniform(0, 2 * np.pi)
        axis = np.array([np.cos(direction), np.sin(direction), 0.0])
        tilt = Rotation.from_rotvec(axis * np.radians(tilt_deg) * np.sqrt(rng.uniform()))
        flat = np.column_stack([card_of(card).dots_mm * print_scale, np.zeros(4)])
        flat += rng.standard_normal((4, 3)) * print_sd_mm
        flat += warped_mm.get(card, 0.0)
        dots.append((tilt * spin).apply(flat) + centre)
    return np.array(dots)


def _stations(rng: np.random.Generator, count: int, extent_mm: tuple[float, float]) -> list[Pose]:
    """Poses all around: from below and from the sides, aimed inwards, every third one upright."""
    poses = []
    for i in range(count):
        angle = 2 * np.pi * (i + rng.uniform(-0.2, 0.2)) / count
        reach = (0.45, 0.75)[i % 2]
        position = np.array(
            [
                reach * extent_mm[0] * np.cos(angle),
                reach * extent_mm[1] * np.sin(angle) * 1.1,
                rng.uniform(-1700, -1350),
            ]
        )
        aim = np.array([0.35, 0.2, 0.0]) * position + [*rng.uniform(-80, 80, 2), 100.0]
        roll = (0.0, 90.0, -90.0)[i % 3] + rng.uniform(-8, 8)
        poses.append(looking(position, aim, roll))
    return poses


def _look(
    rng: np.random.Generator, scene: Scene, photo: int, noise_px: float, missing: float
) -> list[Sighting]:
    """Sightings of one photo: cards that face it and lie wholly inside the picture."""
    pose, camera = scene.camera_from_vehicle[photo], scene.camera
    size = np.array([camera.width_px, camera.height_px])
    found = []
    for card, dots in zip(scene.cards, scene.dots_mm, strict=True):
        in_camera = pose.apply(dots)
        into = np.cross(in_camera[1] - in_camera[0], in_camera[3] - in_camera[0])
        sight = in_camera.mean(axis=0)
        cosine = into @ sight / (np.linalg.norm(into) * np.linalg.norm(sight))
        if in_camera[:, 2].min() < 300.0 or cosine < _STEEPEST_COSINE:
            continue
        # Far outside the picture a distortion polynomial means nothing.
        rough = in_camera[:, :2] / in_camera[:, 2:] * camera.constants[:2] + camera.constants[2:4]
        if ((rough < -300) | (rough > size + 300)).any():
            continue
        exact = project_all(camera, pose, scene.drift[photo], dots)
        if ((exact < _MARGIN_PX) | (exact > size - 1 - _MARGIN_PX)).any():
            continue
        turn = Rotation.from_rotvec(np.outer(rng.uniform(0, np.pi, 4), [0.0, 0.0, 1.0]))
        sd = max(noise_px, 0.02) * rng.uniform(0.5, 1.0, (4, 2))
        root = turn.as_matrix()[:, :2, :2] * sd[:, None, :]
        noise = np.einsum("kij,kj->ki", root, rng.standard_normal((4, 2)))
        noise += MODEL_PX * rng.standard_normal((4, 2))
        measured = rng.uniform(size=4) >= missing
        tag = card_of(card).corners_mm[0, 0] / card_of(card).dots_mm[0, 0]
        centre = exact.mean(axis=0)
        dots_px = exact + (noise if noise_px > 0 else 0.0)
        found.append(
            Sighting(
                card=card,
                photo=scene.photos[photo],
                corners_px=centre + tag * (exact - centre) + rng.normal(0.0, 0.3, (4, 2)),
                dots_px=np.where(measured[:, None], dots_px, np.nan),
                covariance_px2=root @ root.transpose(0, 2, 1),
                measured=measured,
            )
        )
    return found


def apply_bars(
    solution: Solution, bars: Sequence[Bar], temperature_c: float, body_alpha_per_k: float
) -> tuple[Solution, tuple[BarReading, ...]]:
    """A solution scaled by its bars, and their readings."""
    scaled = scale_network(solution, bars, temperature_c, body_alpha_per_k)
    return scaled.solution, scaled.readings
