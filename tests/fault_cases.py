"""Invented jobs with one thing wrong: what the photos would show, and who is to blame.

A job is a body with reference points in pairs, two bars and ties; base points were built to the
sheet, two other points were hit. A ``Draft`` says where every dot is and which camera looks, photo
by photo, so that a fault may begin in the middle of the session; ``photographed`` turns it into
sightings. Truth, noise and hand are those of ``tests.scene``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from calib.camera import Camera
from calib.frames import Array
from calib.photo import CameraIdentity, PhotoHeader
from capture.photo_set import PhotoSeen, PhotoSet
from capture.sightings import Sighting
from pipeline.adjustment.points import card_axes
from pipeline.inputs.job import CardOnPoint, Job
from pipeline.inputs.sheet import SheetPoint
from targets.bar import Bar
from tests.scene import CAMERA, Scene, _look, make_scene
from tests.stated_job import job_of

STEMS_MM = (20.0, 40.0, 60.0)
"""The stems of an invented shop."""
PHONE = CameraIdentity("ExampleCam", "EC-1", "", 4.4, 27, CAMERA.width_px, CAMERA.height_px, None)


@dataclass
class Draft:
    """A job before it is photographed.

    Attributes
    ----------
    scene : the truth without fault; ``dots_mm`` (F, C, 4, 3) and ``cameras`` (F,) what each photo
        really sees and with what.
    job : settings and files as the technician wrote them.
    holes_mm : (N, 3) true holes in the order of the job's cards.
    headers : of the photos. hidden : (photo, card, dot) of dots that something covers.
    rng : for whatever is drawn.
    """

    scene: Scene
    dots_mm: Array
    cameras: list[Camera]
    job: Job
    holes_mm: Array
    headers: list[PhotoHeader]
    rng: np.random.Generator
    noise_px: float
    hidden: set[tuple[int, int, int]] = field(default_factory=set)

    def index(self, card: int) -> int:
        """Which card of the scene has this id."""
        return self.scene.cards.index(card)


def draft(seed: int, photos: int = 18, columns: int = 5, stems_alike: bool = False) -> Draft:
    """A sound job: four rows of cards, the outer ones on points, the inner ones bars and ties.

    Stems are drawn for each card, or for each pair where they are ``stems_alike``.
    """
    rng = np.random.default_rng([seed, 7])
    extent = (columns * float(rng.uniform(480, 680)), float(rng.uniform(1100, 1400)))
    still = float(rng.uniform())
    noise_px = float(rng.uniform(0.02, 0.06))

    def scene_with(count: int, flat: bool) -> Scene:
        return make_scene(
            seed,
            columns=columns,
            rows=4,
            photos=count,
            extent_mm=extent,
            tilt_deg=3.0,
            drift_sd=(2e-4 * still, 0.15 * still),
            print_scale=(1.0, 1.0) if flat else paper,
            print_sd_mm=(0.0, 0.0, 0.0) if flat else (0.03, 0.03, 0.05),
        )

    paper = (float(1 + 0.002 * rng.standard_normal()), float(1 + 0.002 * rng.standard_normal()))
    scene = scene_with(photos, flat=False)
    ideal = scene_with(1, flat=True)
    inner = [c for c in scene.cards if columns <= c < 3 * columns]
    outer = [c for c in scene.cards if c not in inner]
    centres = ideal.dots_mm.mean(axis=1)
    bars = []
    for a, b in ((inner[0], inner[columns - 1]), (inner[columns], inner[2 * columns - 1])):
        length = float(np.linalg.norm(scene.dots_mm[b].mean(0) - scene.dots_mm[a].mean(0)))
        bars.append(Bar((a, b), length + 0.05 * float(rng.standard_normal()), 0.1, 11.5e-6))
    z = card_axes(ideal.dots_mm)[:, 2]
    rows, points, holes = [], [], []
    hit = set(rng.permutation(columns)[:2].tolist())
    stem_of: dict[str, float] = {}
    for card in outer:
        column = card % columns
        side = "R" if card < columns else "L"
        name = "ABCDEFGHIJ"[column]
        stem = float(rng.choice(STEMS_MM))
        if stems_alike:
            stem = stem_of.setdefault(name, stem)
        hole = centres[card] + (stem + 0.05 * rng.standard_normal()) * z[card]
        hole = hole + 0.1 * rng.standard_normal(3)
        damaged = column in hit and side == "L"
        sheet = hole + 0.2 * rng.standard_normal(3)
        if damaged:
            sheet = sheet + rng.uniform(4, 30) * _direction(rng)
        rows.append(CardOnPoint(card, name, side, stem, ""))
        points.append(SheetPoint(name, side, sheet, 3.0, column not in hit, ""))
        holes.append(hole)
    job = job_of(rows, points, seating_u_mm=0.1, bars=tuple(bars))
    return Draft(
        scene=scene,
        dots_mm=np.repeat(scene.dots_mm[None], photos, axis=0),
        cameras=[scene.camera] * photos,
        job=job,
        holes_mm=np.array(holes),
        headers=[PhotoHeader(n, Path(n), PHONE, 1, "") for n in scene.photos],
        rng=rng,
        noise_px=noise_px,
    )


def photographed(made: Draft) -> PhotoSet:
    """What the photos of a draft show."""
    photos = []
    for i, header in enumerate(made.headers):
        now = replace(made.scene, dots_mm=made.dots_mm[i], camera=made.cameras[i])
        seen = _look(made.rng, now, i, made.noise_px, 0.02)
        covered = [_covered(s, i, made.hidden) for s in seen]
        photos.append(PhotoSeen(header, tuple(s for s in covered if s is not None), ()))
    return PhotoSet(tuple(photos), {})


def move(made: Draft, cards: Sequence[int], photos: Sequence[int], motion: Array) -> None:
    """Move cards as one body in some photos: ``motion`` (6,) rotation (rad) and shift (mm)."""
    index = [made.index(c) for c in cards]
    middle = made.scene.dots_mm[index].mean(axis=(0, 1))
    turn = Rotation.from_rotvec(motion[:3]).as_matrix()
    for photo in photos:
        dots = made.dots_mm[photo, index]
        made.dots_mm[photo, index] = (dots - middle) @ turn.T + middle + motion[3:]


def shows(made: Draft, seen: PhotoSet, card: int) -> list[int]:
    """Numbers of the photos that show a card."""
    return [i for i, p in enumerate(seen.photos) if any(s.card == card for s in p.sightings)]


def _covered(sighting: Sighting, photo: int, hidden: set[tuple[int, int, int]]) -> Sighting | None:
    gone = np.array([(photo, sighting.card, k) in hidden for k in range(4)])
    if not gone.any():
        return sighting
    measured = sighting.measured & ~gone
    if not measured.any():
        return None
    dots = np.where(measured[:, None], sighting.dots_px, np.nan)
    return replace(sighting, dots_px=dots, measured=measured)


def _direction(rng: np.random.Generator) -> Array:
    v = rng.standard_normal(3)
    return np.asarray(v / np.linalg.norm(v))
