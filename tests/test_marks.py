"""Jobs with marks: bare tags alone, and beside cards, drawn with exact truth."""

import csv
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from calib.camera import Camera
from calib.frames import Array, Pose, rotations
from capture.marks import see_marks
from pipeline.adjustment.layout import best_rotations
from pipeline.inputs.job import read_job
from pipeline.results.result import Result
from pipeline.solve import solve
from targets.errors import UserError
from targets.mark import Marks, mark_corners_mm
from tests.card_images import camera_of, draw_cards
from tests.tag_images import paste_tag, tag_pattern

CAMERA = camera_of(1600, 1200, 1250.0)
DICTIONARY = "DICT_4X4_50"
SIDE_MM = 50.0
PYTHON = [sys.executable, "-c", "from pipeline.cli import main; main()"]


def places(ids: list[int], shift_mm: float) -> dict[int, Pose]:
    """network_from_card of cards or marks on a wavy ground, none parallel to another."""
    poses = {}
    for n, i in enumerate(ids):
        x, y = 190.0 * (n % 4) - 285.0, 210.0 * (n // 4) - 210.0 + shift_mm
        turn = rotations(np.array([0.25 * np.sin(2.0 * n), 0.2 * np.cos(3.0 * n), 0.7 * n]))
        poses[i] = Pose(turn, np.array([x, y, 30.0 * np.sin(1.3 * n)]))
    return poses


def stations(count: int) -> list[Pose]:
    """camera_from_network: all round, aimed at the middle, some with the camera rolled."""
    poses = []
    for k in range(count):
        angle = 2.0 * np.pi * k / count
        eye = np.array([620.0 * np.cos(angle), 620.0 * np.sin(angle), -1000.0])
        z = -eye / np.linalg.norm(eye)
        up = np.array([np.cos(1.1 * k), np.sin(1.1 * k), 0.0])
        x = np.cross(up, z) / np.linalg.norm(np.cross(up, z))
        turn = np.stack([x, np.cross(z, x), z])
        poses.append(Pose(turn, -turn @ eye))
    return poses


def draw(
    folder: Path, camera: Camera, cards: dict[int, Pose], marks: dict[int, Pose], count: int
) -> None:
    """Photos into ``folder``/photos, of marks whose true side is ``SIDE_MM``."""
    rng = np.random.default_rng(7)
    (folder / "photos").mkdir(parents=True)
    square = np.column_stack([mark_corners_mm(SIDE_MM), np.zeros(4)])
    for k, station in enumerate(stations(count)):
        grey = np.full((camera.height_px, camera.width_px), 90.0)
        if cards:
            seen = {i: station.compose(p) for i, p in cards.items()}
            grey = draw_cards(camera, seen, rng, noise=0.0).astype(float)
        for tag, pose in marks.items():
            corners = camera.project(station.compose(pose).apply(square))
            if (corners > 60).all() and (corners < np.array(grey.shape[::-1]) - 60).all():
                paste_tag(grey, tag_pattern(cv2.aruco.DICT_4X4_50, tag), corners)
        noisy = np.clip(np.rint(grey + rng.normal(0.0, 2.0, grey.shape)), 0, 255)
        Image.fromarray(noisy.astype(np.uint8)).save(folder / "photos" / f"{k:02d}.png")


def errors_mm(result: Result, truth: dict[int, Pose]) -> Array:
    """Centres minus truth, (C, 3), after the best rigid motion."""
    centres = result.solution.centres_mm
    wanted = np.array([truth[c].translation for c in result.solution.cards])
    a, b = centres - centres.mean(axis=0), wanted - wanted.mean(axis=0)
    return np.asarray(a @ best_rotations(a[None], b[None])[0].T - b)


def job(folder: Path, rest: str) -> Path:
    (folder / "job.toml").write_text(f'parts = "in"\n{rest}', encoding="utf-8")
    return folder


def measure(folder: Path) -> Result:
    return solve(read_job(folder), lambda stage, done, total: None)[0]


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[int, Pose]]:
    """Twelve marks, eight photos, no card; and where the marks are, by card id."""
    folder = tmp_path_factory.mktemp("bare")
    marks = places(list(range(12)), 0.0)
    draw(folder, CAMERA, {}, marks, 8)
    return folder, {1000 + tag: pose for tag, pose in marks.items()}


def bar_of(truth: dict[int, Pose], a: int, b: int) -> str:
    length = np.linalg.norm(truth[a].translation - truth[b].translation)
    return (
        f"[[bar]]\ncards = [{a}, {b}]\nlength_mm = {length:.4f}\nU_mm = 0.02\nalpha_per_k = 0.0\n"
    )


@pytest.mark.parametrize("side", ["50.0", "49.0", '"unknown"'])
def test_marks_alone_are_measured(bare: tuple[Path, dict[int, Pose]], side: str) -> None:
    """Scaled by a bar between two marks; their side right, wrong by 2 %, unknown."""
    folder, truth = bare
    marks = f'[marks]\ndictionary = "{DICTIONARY}"\nside_mm = {side}\n'
    result = measure(job(folder, bar_of(truth, 1000, 1011) + marks))
    assert result.scaled
    assert result.solution.cards == tuple(sorted(truth))
    assert len(result.solution.photos) == 8
    error = errors_mm(result, truth)
    # Corners to 0.03 px at 1.2 m and 1250 px are 0.03 mm, centres half of that and more rays.
    assert 0.001 < np.sqrt((error**2).sum(axis=1).mean()) < 0.06
    assert {c.role for c in result.cards} == {"bar", "tie"}
    assert result.print_scale is None
    assert {f.code for f in result.findings} == {"no-sheet"}


def test_side_gives_a_rough_scale_without_a_bar(bare: tuple[Path, dict[int, Pose]]) -> None:
    folder, truth = bare
    marks = f'[marks]\ndictionary = "{DICTIONARY}"\nside_mm = 50.0\n'
    result = measure(job(folder, marks))
    assert not result.scaled
    assert "no-scale" in {f.code for f in result.findings}
    error = np.abs(errors_mm(result, truth))
    U = np.array([c.U_mm for c in result.cards])
    assert (error < U).mean() > 0.9


def test_marks_of_unknown_side_alone_need_a_bar(bare: tuple[Path, dict[int, Pose]]) -> None:
    folder, _ = bare
    marks = f'[marks]\ndictionary = "{DICTIONARY}"\nside_mm = "unknown"\n'
    with pytest.raises(UserError, match="nothing in these photos has a known size"):
        measure(job(folder, marks))


def test_only_listed_ids_are_looked_for(bare: tuple[Path, dict[int, Pose]]) -> None:
    folder, _ = bare
    grey = np.array(Image.open(folder / "photos" / "00.png"))
    found, repeated = see_marks(grey, "00.png", Marks(DICTIONARY, {2: 50.0, 5: 50.0}))
    assert [s.card for s in found] == [1002, 1005]
    assert repeated == []
    assert see_marks(grey, "00.png", None) == ([], [])


def test_a_mark_that_is_there_twice_is_not_used(bare: tuple[Path, dict[int, Pose]]) -> None:
    folder, _ = bare
    grey = np.array(Image.open(folder / "photos" / "00.png"))
    twice = np.hstack([grey, grey])
    found, repeated = see_marks(twice, "00.png", Marks(DICTIONARY, {2: 50.0}))
    assert found == []
    assert repeated == [1002]


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[int, Pose]]:
    """Six cards and six marks in six photos; and where they are, by card id."""
    folder = tmp_path_factory.mktemp("mixed")
    cards, marks = places([*range(6)], -90.0), places([*range(6)], 310.0)
    draw(folder, CAMERA, cards, marks, 6)
    return folder, cards | {1000 + tag: pose for tag, pose in marks.items()}


@pytest.mark.parametrize("side", ["50.0", '"unknown"'])
def test_marks_tie_cards(mixed: tuple[Path, dict[int, Pose]], side: str) -> None:
    folder, truth = mixed
    text = f'[marks]\ndictionary = "{DICTIONARY}"\nside_mm = {side}\n'
    result = measure(job(folder, bar_of(truth, 0, 3) + text))
    assert result.solution.cards == tuple(sorted(truth))
    error = np.linalg.norm(errors_mm(result, truth), axis=1)
    assert 0.001 < np.sqrt((error[:6] ** 2).mean()) < 0.05
    assert np.sqrt((error[6:] ** 2).mean()) < 0.08
    corners = result.solution.dots_mm[6:]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    assert np.abs(sides - SIDE_MM).max() < 0.3


def test_the_command_reports_marks(mixed: tuple[Path, dict[int, Pose]]) -> None:
    folder, truth = mixed
    job(
        folder,
        bar_of(truth, 0, 1003) + f'[marks]\ndictionary = "{DICTIONARY}"\nside_mm = 50.0\n',
    )
    done = subprocess.run(
        [*PYTHON, "solve", str(folder)], capture_output=True, text=True, check=False
    )
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 1)
    with (folder / "results" / "cards.csv").open() as file:
        roles = {int(row["card"]): row["role"] for row in csv.DictReader(file)}
    assert roles == {c: "bar" if c in (0, 1003) else "tie" for c in truth}
    assert "1005" in (folder / "results" / "report.html").read_text(encoding="utf-8")
