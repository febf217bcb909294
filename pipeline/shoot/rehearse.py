"""What lengths would come out as: jobs that are only simulated, measured like real ones.

Cards stand along seven lines in a volume of the size of an underbody, photos are taken from below
all around. What is simulated is noise of dots, print errors, the hand's drift, stabilisation, the
camera's constants and the bar's certificate. What is not: hidden cards, glare, damaged cards, a car
or a bar that moves. So this is the best that can be expected.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from calib.camera import Camera
from calib.frames import Array, Pose, rotations
from calib.lens_file import LensProfile
from calib.photo import CameraIdentity, PhotoHeader
from capture.sightings import Sighting
from pipeline.adjustment.cameras import PhotoGroup, group_photos
from pipeline.adjustment.job_network import DRIFT_SD, LAYOUT_SD_MM, SHIFT_SD_PX, solution_of
from pipeline.adjustment.network import find_network
from pipeline.adjustment.scale import scale_network
from pipeline.shoot.accept import KnownLength, length_between
from targets.bar import REFERENCE_TEMPERATURE_C, Bar
from targets.card import card_of
from targets.errors import UserError
from targets.said import columns, say

VOLUME_MM = np.array([4200.0, 1400.0, 300.0])
"""Length, width and height that the cards are spread over: an underbody."""
_ALONG = (0.0, 0.17, 0.37, 0.6, 0.8, 1.0)
"""Where cards stand on a line; the five lengths of a line run from the first to each other one."""
_ACROSS = (0.0, 0.2, 0.4, 0.65, 0.85, 1.0)
"""The same for the diagonals, whose cards must not cover each other where they cross."""
_DOT_SD_PX = 0.03
"""Standard deviation of a dot of 8 px or more, as in rendered photos; smaller ones are worse."""
_MODEL_PX = 0.015
"""Noise of every dot beyond its stated one: what a model of lens and photo leaves out."""
_LEAST_DOT_PX = 4.0
_STEEPEST = np.cos(np.radians(70.0))
_PRINT_SD = 0.005
_BODY_ALPHA_PER_K = 11.5e-6
_USUAL_PHONE = np.array([0.752, 0.751, 0.4983, 0.3768, 0.08, -0.15, 5e-4, -4e-4, 0.05])
"""Constants of an invented phone, the first four as shares of the longer side."""


@dataclass(frozen=True)
class Plan:
    """How the photos are to be taken.

    Attributes
    ----------
    profile : the lens, or None for a phone of 12 MP that was not calibrated.
    photos : how many.
    near_mm, far_mm : heights of the cards above the camera.
    bar_mm, bar_U_mm : length of the bar and its expanded uncertainty.
    jobs : how many jobs to simulate.
    """

    profile: LensProfile | None
    photos: int
    near_mm: float
    far_mm: float
    bar_mm: float
    bar_U_mm: float
    jobs: int


@dataclass(frozen=True)
class Prediction:
    """Test lengths of all jobs; E of them.

    Attributes
    ----------
    length_mm, error_mm, U_mm : (E,) true length, error, and its stated uncertainty (k = 2).
    failed : jobs whose photos did not hang together; they have no errors.
    missed : test lengths of the other jobs that lacked a card.
    """

    length_mm: Array
    error_mm: Array
    U_mm: Array
    failed: int
    missed: int


def rehearse(plan: Plan, progress: Callable[[int, int], None], seed: int = 0) -> Prediction:
    """Simulate jobs and measure them; the same seed gives the same figures."""
    rows: list[tuple[float, float, float]] = []
    failed = missed = 0
    for job in range(plan.jobs):
        progress(job, plan.jobs)
        lengths, outcome = _one_job(plan, np.random.default_rng([seed, job]))
        if outcome is None:
            failed += 1
            continue
        rows += outcome
        missed += lengths - len(outcome)
    progress(plan.jobs, plan.jobs)
    table = np.array(rows).reshape(-1, 3)
    return Prediction(table[:, 0], table[:, 1], table[:, 2], failed, missed)


def prediction_lines(plan: Plan, found: Prediction) -> list[str]:
    """Errors by length, and what may be expected."""
    camera = _group(plan, ["a"])[0].guess.camera
    lens = say("lens calibrated") if plan.profile else say("lens not calibrated")
    lines: list[str] = [
        say(
            "{jobs} simulated jobs: {photos} photos of {width_px} x {height_px}, "
            "{lens}, cards {near:.0f} to {far:.0f} mm above the phone, "
            "one bar of {bar:.0f} mm (U {U:g} mm)",
            jobs=plan.jobs,
            photos=plan.photos,
            width_px=camera.width_px,
            height_px=camera.height_px,
            lens=lens,
            near=plan.near_mm,
            far=plan.far_mm,
            bar=plan.bar_mm,
            U=plan.bar_U_mm,
        ),
    ]
    if found.failed:
        lines.append(
            say(
                "{failed} of {jobs} jobs could not be measured at all",
                failed=found.failed,
                jobs=plan.jobs,
            )
        )
    if found.missed:
        lines.append(
            say("{missed} lengths lacked a card that too few photos show", missed=found.missed)
        )
    if not len(found.error_mm):
        return [*lines, say("Nothing to predict: take more photos, or from farther away")]
    lines.append(
        columns(
            (say("length"), ">13"),
            (say("lengths"), ">7"),
            (say("rms"), ">6"),
            (say("95 % below"), ">10"),
            ("U", ">6"),
            ("(mm)", ""),
        )
    )
    size = np.abs(found.error_mm)
    edges = [0.0, 500.0, 1000.0, 2000.0, 3000.0, np.inf]
    for low, high in pairwise(edges):
        own = (found.length_mm >= low) & (found.length_mm < high)
        if own.any():
            name = (
                say("{low:.0f} to {high:.0f}", low=low, high=high)
                if np.isfinite(high)
                else say("above {low:.0f}", low=low)
            )
            lines.append(
                columns(
                    (name, ">13"),
                    (own.sum(), ">7"),
                    (np.sqrt((size[own] ** 2).mean()), ">6.3f"),
                    (np.quantile(size[own], 0.95), ">10.3f"),
                    (np.median(found.U_mm[own]), ">6.3f"),
                )
            )
    within = float((size <= found.U_mm).mean())
    return [
        *lines,
        say(
            "95 % of all length errors are smaller than {most:.2f} mm, the largest "
            "is {largest:.2f} mm; {share:.0f} % lie within their stated U",
            most=float(np.quantile(size, 0.95)),
            largest=float(size.max()),
            share=100.0 * within,
        ),
        say("Not simulated: hidden or bent cards, glare, a car or a bar that moves"),
    ]


def volume_of_lines() -> tuple[Array, list[tuple[int, int]]]:
    """Card centres (C, 3) along seven lines, mm, and the ends of the test lengths, 35 pairs.

    Two edges along, two across, one line in the middle, two diagonals in space (the arrangement is
    ours, after the seven lines of VDI/VDE 2634 part 1 as remembered).
    """
    half = VOLUME_MM / 2.0
    along, across, up = half[0], half[1], VOLUME_MM[2]
    low = {(x, y): np.array([x * along, y * across, 0.0]) for x in (-1, 0, 1) for y in (-1, 0, 1)}
    # Beside the lower ones, which would else be hidden.
    inward = np.array([0.0, 120.0, 0.0])
    ends = [
        (low[1, 1], low[-1, 1]),
        (low[1, -1], low[-1, -1]),
        (low[1, 1], low[1, -1]),
        (low[-1, 1], low[-1, -1]),
        (low[1, 0], low[-1, 0]),
        (low[1, 1], low[-1, -1] + inward + [0.0, 0.0, up]),
        (low[1, -1], low[-1, 1] - inward + [0.0, 0.0, up]),
    ]
    centres: list[Array] = []
    pairs = []
    for start, end in ends:
        own = []
        for share in _ACROSS if start[2] != end[2] else _ALONG:
            place = start + share * (end - start)
            near = [n for n, c in enumerate(centres) if np.linalg.norm(c - place) < 1.0]
            if not near:
                near = [len(centres)]
                centres.append(place)
            own.append(near[0])
        pairs += [(own[0], other) for other in own[1:]]
    return np.array(centres), pairs


def _one_job(
    plan: Plan, rng: np.random.Generator
) -> tuple[int, list[tuple[float, float, float]] | None]:
    """How many test lengths there are, and length, error and U of those that were measured."""
    centres, pairs = volume_of_lines()
    bar_at = np.array([[0.5 * plan.bar_mm, 250.0, -60.0], [-0.5 * plan.bar_mm, 250.0, -60.0]])
    places = np.concatenate([centres, bar_at])
    dots = _printed(places, rng)
    names = [f"{i:04d}.jpg" for i in range(plan.photos)]
    (group,) = _group(plan, names)
    camera = _true_camera(plan, group, rng)
    sightings: list[Sighting] = []
    for i, name in enumerate(names):
        drift = rng.standard_normal(6) * DRIFT_SD
        constants = camera.constants.copy()
        constants[2:4] += SHIFT_SD_PX * rng.standard_normal(2)
        lens = replace(camera, constants=constants)
        sightings += _look(name, lens, _station(plan, i, rng), drift, dots, rng)
    bar_cards = (len(centres), len(centres) + 1)
    true_bar = float(np.linalg.norm(dots[bar_cards[0]].mean(0) - dots[bar_cards[1]].mean(0)))
    stated = true_bar + 0.5 * plan.bar_U_mm * rng.standard_normal()
    bar = Bar(bar_cards, stated, plan.bar_U_mm, _BODY_ALPHA_PER_K)
    try:
        network = find_network(
            sightings,
            [group.guess],
            dict.fromkeys(names, 0),
            {s.card: card_of(s.card).dots_mm for s in sightings},
            LAYOUT_SD_MM,
            DRIFT_SD,
            SHIFT_SD_PX,
        )
    except UserError:
        return len(pairs), None
    scaled = scale_network(
        solution_of(network, [group]), [bar], REFERENCE_TEMPERATURE_C, _BODY_ALPHA_PER_K
    )
    if not scaled.readings:
        return len(pairs), None
    solution = scaled.solution
    index = {card: i for i, card in enumerate(solution.cards)}
    rows = []
    for a, b in pairs:
        if a in index and b in index:
            measured, u = length_between(solution, index[a], index[b])
            true = float(np.linalg.norm(dots[a].mean(axis=0) - dots[b].mean(axis=0)))
            rows.append((true, measured - true, 2.0 * u))
    return len(pairs), rows


def known_lengths() -> tuple[KnownLength, ...]:
    """The nominal test lengths, to see whether they cover what the guideline asks for."""
    centres, pairs = volume_of_lines()
    return tuple(
        KnownLength((a, b), float(np.linalg.norm(centres[a] - centres[b])), 0.1) for a, b in pairs
    )


def _group(plan: Plan, names: Sequence[str]) -> list[PhotoGroup]:
    """The photos' camera as a job would guess it."""
    if plan.profile:
        identity = plan.profile.identity
    else:
        identity = CameraIdentity("", "", "", None, 27, 4000, 3000, None)
    headers = [PhotoHeader(name, Path(name), identity, 1, "") for name in names]
    return group_photos(headers, plan.profile)


def _true_camera(plan: Plan, group: PhotoGroup, rng: np.random.Generator) -> Camera:
    """The camera as it is: what the profile leaves open is drawn anew for each job."""
    guess = group.guess
    if plan.profile:
        spread = np.linalg.inv(guess.information)
        constants = rng.multivariate_normal(guess.camera.constants, spread)
    else:
        constants = _USUAL_PHONE.copy()
        constants[:4] *= max(guess.camera.width_px, guess.camera.height_px)
    return Camera(guess.camera.width_px, guess.camera.height_px, constants)


def _printed(places: Array, rng: np.random.Generator) -> Array:
    """Dots (C, 4, 3) of cards that face down, tilted by some degrees, printed imperfectly."""
    printed = 1.0 + _PRINT_SD * rng.standard_normal(2)
    dots = []
    for card, place in enumerate(places):
        flat = np.column_stack([card_of(card).dots_mm * printed, np.zeros(4)])
        flat += LAYOUT_SD_MM * rng.standard_normal((4, 3))
        spin = rotations(np.array([0.0, 0.0, rng.uniform(0.0, 2.0 * np.pi)]))
        tilt = rotations(np.append(np.radians(6.0) * rng.standard_normal(2), 0.0))
        dots.append(flat @ (tilt @ spin).T + place)
    return np.array(dots)


def _station(plan: Plan, number: int, rng: np.random.Generator) -> Pose:
    """camera_from_car: along both sides, aimed across and forward or back by turns, to meet others.

    A third of the photos is rolled by 90 degrees, half of them either way.
    """
    side = 1.0 if number % 2 else -1.0
    along = (number + rng.uniform(0.2, 0.8)) / plan.photos - 0.5
    half = VOLUME_MM / 2.0
    position = np.array(
        [
            2.0 * along * (half[0] + 300.0),
            side * (half[1] + rng.uniform(-200.0, 300.0)),
            -rng.uniform(plan.near_mm, plan.far_mm),
        ]
    )
    turn = (-700.0, 700.0)[number // 2 % 2] - 700.0 * along
    aim = np.array([position[0] + turn, -0.1 * position[1], 100.0])
    forward = (aim - position) / np.linalg.norm(aim - position)
    right = np.cross(forward, [0.0, side, 0.0])
    right /= np.linalg.norm(right)
    upright = np.stack([right, np.cross(forward, right), forward])
    roll = (0.0, np.pi / 2, 0.0, 0.0, -np.pi / 2, 0.0)[number % 6] + rng.uniform(-0.1, 0.1)
    rotation = rotations(np.array([0.0, 0.0, roll])) @ upright
    return Pose(rotation, -rotation @ position)


def _look(
    photo: str,
    camera: Camera,
    pose: Pose,
    drift: Array,
    dots: Array,
    rng: np.random.Generator,
) -> list[Sighting]:
    """Cards that face the camera, lie wholly in the picture and are large enough."""
    size = np.array([camera.width_px, camera.height_px])
    found = []
    for card, own in enumerate(dots):
        local = pose.apply(own)
        into = np.cross(local[1] - local[0], local[3] - local[0])
        sight = local.mean(axis=0)
        cosine = into @ sight / (np.linalg.norm(into) * np.linalg.norm(sight))
        dot_px = card_of(card).dot_diameter_mm * camera.constants[0] / np.linalg.norm(sight)
        if local[:, 2].min() < 200.0 or cosine < _STEEPEST or dot_px < _LEAST_DOT_PX:
            continue
        # Far outside the picture a distortion polynomial means nothing.
        rough = local[:, :2] / local[:, 2:] * camera.constants[:2] + camera.constants[2:4]
        if ((rough < -0.1 * size) | (rough > 1.1 * size)).any():
            continue
        px = _project(camera, local, drift)
        if ((px < 12.0) | (px > size - 13.0)).any():
            continue
        sd = _DOT_SD_PX * max(1.0, 8.0 / dot_px)
        tag = card_of(card).tag_mm / 2.0 / card_of(card).dots_mm[1, 0]
        middle = px.mean(axis=0)
        found.append(
            Sighting(
                card=card,
                photo=photo,
                corners_px=middle + tag * (px - middle),
                dots_px=px + np.hypot(sd, _MODEL_PX) * rng.standard_normal((4, 2)),
                covariance_px2=np.tile(sd**2 * np.eye(2), (4, 1, 1)),
                measured=np.ones(4, dtype=bool),
            )
        )
    return found


def _project(camera: Camera, local: Array, drift: Array) -> Array:
    """Image points of points in the camera frame, each in the row where it is read."""
    tau = np.zeros(len(local))
    for _ in range(5):
        moved = np.einsum("nij,nj->ni", rotations(tau[:, None] * drift[:3]), local)
        px = camera.project(moved + tau[:, None] * drift[3:])
        tau = px[:, 1] / camera.height_px - 0.5
    return np.asarray(px)
