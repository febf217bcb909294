"""An invented car, measured: a whole ``Result`` made by hand for the tests of what is written.

Nothing here is adjusted: cards, poses and uncertainties are set, so that tests know every figure.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from calib.camera import Camera
from calib.frames import Array, Pose, rotations
from capture.sightings import Sighting
from pipeline.adjustment.lens_terms import LensTerms
from pipeline.adjustment.looked_again import LookedAgain
from pipeline.adjustment.reliability import CardReliability
from pipeline.adjustment.solution import CameraGroup, Solution
from pipeline.datum.budget import BudgetRow
from pipeline.datum.deviation import DeviationRow, DeviationTable, Verdict
from pipeline.findings import Finding
from pipeline.inputs.job import CardOnPoint, Job
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint
from pipeline.results.result import BarCheck, CardRow, PhotoRow, Result
from pipeline.results.tables import write_tables
from targets.bar import Bar
from targets.card import card_of

WIDTH_PX, HEIGHT_PX = 800, 600

SHEET_MM = {
    ("A", "L"): (1900.0, 460.0, 330.0),
    ("A", "R"): (1900.0, -460.0, 330.0),
    ("B", "L"): (1400.0, 400.0, 180.0),
    ("B", "R"): (1400.0, -400.0, 180.0),
    ("C", "L"): (600.0, 520.0, 150.0),
    ("C", "R"): (600.0, -520.0, 150.0),
    ("D", "L"): (-500.0, 520.0, 150.0),
    ("D", "R"): (-500.0, -520.0, 150.0),
    ("E", "L"): (-1500.0, 430.0, 310.0),
    ("E", "R"): (-1500.0, -430.0, 310.0),
    ("F", "C"): (-1850.0, 0.0, 290.0),
}
MOVED_MM = {("A", "L"): (-14.2, -5.5, 6.1), ("A", "R"): (-3.05, 0.9, 0.4)}
TOLERANCE_MM = 3.0
TIES = {20: (1000.0, 0.0, 120.0), 21: (0.0, 100.0, 110.0), 22: (-1000.0, -50.0, 140.0)}
BARS = {90: (300.0, -600.0, 60.0), 91: (300.0, 600.0, 60.0)}


def verdict_of(deviation_mm: float, U_mm: float, tol_mm: float) -> Verdict:
    """The verdict of one axis as the type states it."""
    if not np.isfinite(deviation_mm):
        return "no reference"
    if abs(deviation_mm) - U_mm > tol_mm:
        return "out"
    return "within" if abs(deviation_mm) + U_mm <= tol_mm else "undecided"


def deviation_row(
    point: str, side: str, card: int, position_mm: Array, sheet_mm: Array, base: bool
) -> DeviationRow:
    """A row with U = 0.1, 0.12, 0.2 mm and of the deviation 0.15, 0.18, 0.3 mm."""
    deviation = position_mm - sheet_mm
    U_deviation = np.array([0.15, 0.18, 0.3])
    verdicts = tuple(
        verdict_of(d, u, TOLERANCE_MM) for d, u in zip(deviation, U_deviation, strict=True)
    )
    worst = next((v for v in ("out", "undecided", "within") if v in verdicts), "no reference")
    return DeviationRow(
        point=point,
        side=side,
        card=card,
        position_mm=position_mm,
        U_mm=np.array([0.1, 0.12, 0.2]),
        deviation_mm=deviation,
        U_deviation_mm=U_deviation,
        tol_mm=TOLERANCE_MM,
        axis_verdicts=verdicts,
        verdict=worst,
        base=base,
        photos=7,
    )


def looking_at(station_mm: Array, aim_mm: Array) -> Pose:
    """camera_from_vehicle of a camera with its x axis level, as near as may be."""
    forward = (aim_mm - station_mm) / np.linalg.norm(aim_mm - station_mm)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    return Pose(rotation, -rotation @ station_mm)


def sightings_of(
    camera: Camera, poses: dict[str, Pose], dots_mm: dict[int, Array]
) -> tuple[Sighting, ...]:
    """Each card in each photo that shows all of its dots, exactly projected.

    Parameters
    ----------
    camera : constants for all photos.
    poses : camera from the frame of the dots, by photo.
    dots_mm : (4, 3) dot centres by card.
    """
    found = []
    for photo, pose in poses.items():
        for card, dots in dots_mm.items():
            local = pose.apply(dots)
            if local[:, 2].min() < 200.0:
                continue
            dots_px = camera.project(local)
            inside = (dots_px > 5) & (dots_px < [camera.width_px - 6, camera.height_px - 6])
            if not inside.all():
                continue
            middle = dots_px.mean(axis=0)
            found.append(
                Sighting(
                    card=card,
                    photo=photo,
                    corners_px=middle + (dots_px - middle) * (24.0 / 33.0),
                    dots_px=dots_px,
                    covariance_px2=np.tile(np.eye(2) * 0.02**2, (4, 1, 1)),
                    measured=np.ones(4, dtype=bool),
                )
            )
    return tuple(found)


def dots_of(card: int, centre_mm: Array, right: Array, down: Array) -> Array:
    """Dots (4, 3) of a card whose printed right and down are these unit vectors."""
    offsets = card_of(card).dots_mm
    return centre_mm + offsets[:, :1] * right + offsets[:, 1:] * down


def solution_of(
    camera: Camera,
    poses: dict[str, Pose],
    dots_mm: dict[int, Array],
    sightings: tuple[Sighting, ...],
    seed: int = 3,
) -> Solution:
    """A solution with dense covariance (rank 3 + white, about 0.05 mm) and small residuals."""
    rng = np.random.default_rng(seed)
    names = tuple(dict.fromkeys(s.photo for s in sightings))
    cards = tuple(sorted({s.card for s in sightings}))
    loading = rng.normal(size=(12 * len(cards), 3)) * 0.03
    counts = {card: sum(s.card == card for s in sightings) for card in cards}
    return Solution(
        photos=names,
        camera_from_network=tuple(poses[name] for name in names),
        drift=rng.normal(size=(len(names), 6)) * [1e-5, 1e-5, 1e-5, 0.01, 0.01, 0.01],
        shift_px=rng.normal(size=(len(names), 2)) * 0.05,
        groups=(
            CameraGroup(
                name=f"Invented phone, {camera.width_px} x {camera.height_px}",
                camera=camera,
                sd_constants=np.array([0.3, 0.3, 0.4, 0.4, 2e-4, 5e-4, 1e-5, 1e-5, 4e-4]),
                from_profile=False,
                photos=names,
            ),
        ),
        group_of_photo=np.zeros(len(names), dtype=int),
        cards=cards,
        dots_mm=np.stack([dots_mm[card] for card in cards]),
        covariance_mm2=loading @ loading.T + np.eye(12 * len(cards)) * 0.02**2,
        sightings_of_card=np.array([counts[card] for card in cards]),
        sighting_photo=np.array([names.index(s.photo) for s in sightings]),
        sighting_card=np.array([cards.index(s.card) for s in sightings]),
        measured_px=np.stack([s.dots_px for s in sightings]),
        residuals_px=rng.normal(size=(len(sightings), 4, 2)) * 0.03,
        sigma0=1.07,
        redundancy=8 * len(sightings) - 12 * len(cards) - 6 * len(names) - 9 + 7,
        rejected=((cards[0], names[0], 2),),
    )


def invented(folder: Path) -> tuple[Result, tuple[Sighting, ...]]:
    """The invented car: A left is out, A right undecided, base points C, D; front left is hit."""
    camera = Camera(
        WIDTH_PX,
        HEIGHT_PX,
        np.array([640.0, 641.0, 399.0, 301.0, -0.06, 0.05, 2e-4, -1e-4, -0.02]),
    )
    vehicle_from_network = Pose(
        rotations(np.array([0.02, -0.03, 0.7])), np.array([120.0, -40.0, 900.0])
    )
    right, down = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    rows, cards_on_points, places = [], [], {}
    for card, ((point, side), sheet) in enumerate(SHEET_MM.items(), start=1):
        hole = np.array(sheet) + MOVED_MM.get((point, side), (0.1, -0.1, 0.2))
        cards_on_points.append(CardOnPoint(card, point, side, 50.0, "note"))
        rows.append(
            deviation_row(point, side, card, hole, np.array(sheet), base=point in ("C", "D"))
        )
        places[card] = hole - [0.0, 0.0, 50.0]
    places |= {card: np.array(place) for card, place in (TIES | BARS).items()}
    dots = {card: dots_of(card, place, right, down) for card, place in places.items()}

    poses = {}
    for number in range(10):
        angle = 2 * np.pi * number / 10
        station = np.array([1900.0 * np.cos(angle), 1300.0 * np.sin(angle), -1500.0])
        aim = np.array([500.0 * np.cos(angle), 0.0, 200.0])
        poses[f"IMG_{number + 1:04d}.jpg"] = looking_at(station, aim)
    sightings = sightings_of(camera, poses, dots)
    network_from_vehicle = vehicle_from_network.inverse()
    solution = solution_of(
        camera,
        {name: pose.compose(vehicle_from_network) for name, pose in poses.items()},
        {card: network_from_vehicle.apply(d) for card, d in dots.items()},
        sightings,
    )
    roles = {row.card: "base" if row.base else "point" for row in rows}
    roles |= dict.fromkeys(BARS, "bar")
    U_mm = np.array([0.06, 0.07, 0.11])
    job = Job(
        folder=folder,
        title="Invented car, front left",
        parts="in",
        temperature_c=22.0,
        tolerance_mm=TOLERANCE_MM,
        lens=None,
        seating_u_mm=0.2,
        body_alpha_per_k=11.5e-6,
        bars=(Bar((90, 91), 1200.0, 0.1, 23.1e-6),),
        base=None,
        cards=tuple(cards_on_points),
        sheet=ReferenceSheet(
            tuple(
                SheetPoint(point, side, np.array(place), TOLERANCE_MM, point in ("C", "D"), "")
                for (point, side), place in SHEET_MM.items()
            )
        ),
    )
    used = {name: tuple(s.card for s in sightings if s.photo == name) for name in solution.photos}
    result = Result(
        job=job,
        solution=solution,
        scaled=True,
        vehicle_from_network=vehicle_from_network,
        base=("C L", "C R", "D L", "D R"),
        datum_rms_mm=0.21,
        cards=tuple(
            CardRow(
                card=card,
                role=roles.get(card, "tie"),
                centre_mm=dots[card].mean(axis=0),
                normal=np.array([0.0, 0.0, -1.0]),
                U_mm=U_mm,
                photos=int(solution.sightings_of_card[solution.cards.index(card)]),
            )
            for card in solution.cards
        ),
        bars=(BarCheck((90, 91), 1200.0, 1200.04, 0.12),),
        photos=(
            *(PhotoRow(name, cards, True, "", 0.031) for name, cards in used.items()),
            PhotoRow("IMG_0099.jpg", (), False, "too blurred to measure", float("nan")),
        ),
        deviations=DeviationTable(tuple(rows), np.eye(3 * len(rows)) * 0.05**2),
        findings=(
            Finding(
                "card-seldom-seen",
                "warning",
                "card 11",
                "Card 11 was measured in 2 photos only.",
                "Take two more photos of it from other sides.",
            ),
            Finding("photo-blurred", "note", "IMG_0099.jpg", "IMG_0099.jpg is blurred."),
        ),
        seconds={"photos": 3.1, "adjustment": 0.4, "frame": 0.02},
    )
    return result, sightings


def whole(folder: Path, title: str = "Invented car") -> tuple[Result, tuple[Sighting, ...]]:
    """The invented car with everything that a page can show."""
    result, sightings = invented(folder / "job")
    (folder / "job" / "photos").mkdir(parents=True)
    grey = Image.fromarray(np.full((HEIGHT_PX, WIDTH_PX, 3), 120, dtype=np.uint8))
    for photo in result.photos[:-1]:
        grey.save(folder / "job" / "photos" / photo.name)
    budget = tuple(
        BudgetRow(
            row.point,
            row.side,
            {"photos": row.U_deviation_mm * 0.3, "bar": row.U_deviation_mm * 0.4},
            "bar",
        )
        for row in result.deviations.rows
    )
    weak = (CardReliability(3, 0.4, "IMG_0002.jpg", 1, 0.3, 0.05),)
    return replace(titled(result, title), budget=budget, reliability=weak), sightings


def without_sheet(result: Result) -> Result:
    """The same job with no reference sheet: no vehicle frame, no deviations."""
    return replace(
        result,
        job=replace(result.job, sheet=None, cards=()),
        vehicle_from_network=None,
        base=(),
        datum_rms_mm=float("nan"),
        deviations=DeviationTable((), np.zeros((0, 0))),
    )


def with_terms(result: Result) -> Result:
    """The result of a camera of whose further terms the photos asked for one."""
    gain = {"k2": 35.4, "p1, p2": -12.9, "k3": -5.1}
    terms = LensTerms(("k2",), ("p1, p2", "k3"), gain, np.zeros(9))
    (group,) = result.solution.groups
    solution = replace(result.solution, groups=(replace(group, terms=terms),))
    return replace(result, solution=solution)


def with_second_look(result: Result) -> Result:
    """The result of a job whose second look found more, and one card it had not known."""
    first, second = (row.card for row in result.job.cards[:2])
    return replace(result, second_look=LookedAgain(14, (91,), first, 0.424, 0.131, second, 0.186))


def titled(result: Result, title: str) -> Result:
    """The same result under another title."""
    return replace(result, job=replace(result.job, title=title))


def first_points(result: Result, count: int) -> Result:
    """The same result with the first ``count`` points alone."""
    rows = result.deviations.rows[:count]
    return replace(result, deviations=DeviationTable(rows, np.eye(3 * count) * 0.05**2))


def written(result: Result) -> Path:
    """The job folder with this result in it, and a job.toml as a solved one has."""
    folder = result.job.folder
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "job.toml").write_text('parts = "in"\n', encoding="utf-8")
    write_tables(result, folder / "results")
    return folder
