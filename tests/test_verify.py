"""Results and the files they belong to; and that the same files always give the same figures."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from typer.testing import CliRunner

from calib.frames import Pose, rotations
from capture.cache import cache_of_job
from pipeline import cli
from pipeline.inputs.job import read_job
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from pipeline.results.results_folder import NOTE, SUMS
from pipeline.sessions.verify import figures_differ
from pipeline.solve import solve
from targets.sums import sha256_of
from tests.card_images import camera_of, draw_cards

CAMERA = camera_of(560, 420, 525.0)
SETTINGS = (
    'parts = "in"\n[[bar]]\ncards = [1, 6]\nlength_mm = 300.0\nU_mm = 0.1\nalpha_per_k = 0.0\n'
)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six cards on a wavy ground in four small photos, not yet measured."""
    folder = tmp_path_factory.mktemp("jobs") / "van"
    (folder / "photos").mkdir(parents=True)
    (folder / "job.toml").write_text(SETTINGS, encoding="utf-8")
    rng = np.random.default_rng(8)
    cards = {
        card: Pose(
            rotations(np.array([0.2 * np.sin(card), 0.2 * np.cos(2 * card), card])),
            np.array([130.0 * (card % 3 - 1), 140.0 * (card // 4) - 70.0, 20.0 * np.sin(card)]),
        )
        for card in range(1, 7)
    }
    for number, (tilt, turn) in enumerate([(0.4, 0.0), (-0.4, 0.3), (0.1, 1.6), (0.3, 3.0)]):
        turned = rotations(np.array([0.0, 0.0, turn])) @ rotations(
            np.array([tilt, 0.3 * tilt, 0.0])
        )
        station = Pose(turned, np.array([0.0, 0.0, 620.0]))
        picture = draw_cards(CAMERA, {c: station.compose(p) for c, p in cards.items()}, rng)
        Image.fromarray(picture).save(folder / "photos" / f"{number}.png")
    return folder


def figures(folder: Path, cached: bool = False) -> dict[str, Any]:
    """The document of result.json without times, from a measurement of this moment."""
    cache = cache_of_job(folder) if cached else None
    result, _ = solve(read_job(folder), lambda stage, done, total: None, cache)
    document = json.loads(json_text(result_document(result)))
    assert len(document["cards"]) == 6
    assert document.pop("seconds")
    return dict(document)


def test_the_same_files_give_the_same_figures(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """To the last digit, whatever the threads, the order of the folder, and the cache."""
    once = figures(job)
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert figures(job, cached=True) == once  # writes the cache
    monkeypatch.setattr(os, "cpu_count", lambda: 5)
    listed = Path.iterdir
    monkeypatch.setattr(Path, "iterdir", lambda self: reversed(list(listed(self))))
    assert figures(job, cached=True) == once  # reads it
    assert figures(job) == once


def run(*arguments: str | Path) -> tuple[int, str]:
    outcome = CliRunner().invoke(cli.app, [str(one) for one in arguments])
    return outcome.exit_code, outcome.output


@pytest.fixture(scope="module")
def solved(job: Path) -> Path:
    assert run("solve", job)[0] == 0
    return job


def test_results_belong_to_their_files(solved: Path) -> None:
    code, said = run("verify", solved, "--measure")
    assert code == 0
    assert said.startswith("van: 5 files measured, 4 files of results")
    assert "All of them belong together.\n" in said
    assert "Measured once more: the same figures to the last digit.\n" in said


def change(path: str, edit: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    return lambda job: (job / path).write_bytes(edit((job / path).read_bytes())) and None


def forge(job: Path) -> None:
    """A page of another job, with its sum put right."""
    page = job / "results" / "report.html"
    text = page.read_text(encoding="utf-8")
    digest = json.loads((job / "results" / "result.json").read_text())["inputs"][1]["sha256"]
    page.write_text(text.replace(digest, "0" * 64), encoding="utf-8")
    sums = job / "results" / SUMS
    lines = [line for line in sums.read_text().splitlines() if "report.html" not in line]
    sums.write_text("\n".join([*lines, f"{sha256_of(page)}  report.html"]) + "\n")


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (change("photos/2.png", lambda data: data + b"\0"), ["2.png: changed after the job was m"]),
        (lambda job: (job / "photos/2.png").unlink(), ["2.png: is gone"]),
        (
            lambda job: (job / "photos/0.png").rename(job / "photos/new.png"),
            ["0.png: is gone", "new.png: was not there when the job was measured"],
        ),
        (change("job.toml", lambda data: data + b"#"), ["job.toml: changed after the job was m"]),
        (
            change("job.toml", lambda data: data + b"=\n"),
            [
                "job.toml: cannot be used now (this is not TOML (Invalid",
                "job.toml: changed after the job was m",
            ],
        ),
        (lambda job: (job / "sheet.csv").write_text("point\n"), ["sheet.csv, row 1: cannot be us"]),
        (
            change("results/points.csv", lambda _: b"1"),
            ["points.csv: changed after it was"],
        ),
        (change("results/result.json", lambda d: d + b" "), ["result.json: changed after it was"]),
        (lambda job: (job / "results/report.html").unlink(), ["report.html: is gone"]),
        (forge, ["report.html: was made from another 0.png"]),
        (lambda job: (job / "results" / SUMS).unlink(), ["SHA256SUMS: is missing"]),
        (
            lambda job: (job / "results" / SUMS).write_text("../job.toml\n"),
            ["SHA256SUMS: is missing or does not list"],
        ),
        (lambda job: (job / "results" / NOTE).touch(), ["OUT-OF-DATE.txt: a later run did not"]),
    ],
)
def test_what_does_not_belong_is_named(
    solved: Path, tmp_path: Path, spoil: Callable[[Path], None], told: list[str]
) -> None:
    copy = tmp_path / "van"
    for path in solved.rglob("*"):
        if path.is_file() and ".cache" not in path.parts:
            target = copy / path.relative_to(solved)
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    assert run("verify", copy)[0] == 0
    spoil(copy)
    code, said = run("verify", copy)
    assert code == 1
    lines = said.split("They do not belong together:\n")[1].splitlines()
    assert len(lines) == len(told)
    for line, start in zip(lines, told, strict=True):
        assert line.startswith(f"  {start}")


def test_figures_that_differ_are_told(solved: Path) -> None:
    stored = json.loads((solved / "results" / "result.json").read_text(encoding="utf-8"))
    other = json.loads(json.dumps(stored))
    other["seconds"], other["version"] = {}, "of tomorrow"
    assert figures_differ(stored, other) == ""
    other["cards"][2]["centre_mm"][1] += 0.25
    assert "cards by up to 0.250000 mm" in figures_differ(stored, other)
    assert figures_differ(stored, {**other, "cards": []}) == "other cards were measured"


def test_a_file_that_changes_meanwhile_stops_the_run(
    job: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Results would name a photo, or settings, that they were not made from."""
    for name in ("photos/1.png", "job.toml"):
        copy = tmp_path / name.split("/")[0]
        (copy / "photos").mkdir(parents=True)
        for path in [*(job / "photos").iterdir(), job / "job.toml"]:
            (copy / path.relative_to(job)).write_bytes(path.read_bytes())

        def meanwhile(*given: Any, file: Path = copy / name) -> Any:
            measured = solve(*given)
            file.write_bytes(file.read_bytes() + b"\n")
            return measured

        monkeypatch.setattr("pipeline.solve.solve", meanwhile)
        code, said = run("solve", copy)
        assert code == 2
        assert (
            said
            == f"{Path(name).name}: this file changed while it was measured; measure once more.\n"
        )
        assert not (copy / "results").exists()


def test_nothing_to_verify_is_one_sentence(tmp_path: Path) -> None:
    assert run("verify", tmp_path / "none") == (
        2,
        f"{tmp_path / 'none'}: there is no such job folder; check its name.\n",
    )
    code, said = run("verify", tmp_path)
    assert code == 2
    assert "run datumshot solve first" in said
    (tmp_path / "results").mkdir()
    for text in ("{}", '{"schema": "datumshot/result/1"}', "[" * 100_000, "\udc80"):
        (tmp_path / "results" / "result.json").write_text(text, errors="surrogateescape")
        code, said = run("verify", tmp_path)
        assert code == 2
        assert "run datumshot solve again" in said


# Printing and measuring, with an audit hook (PEP 578) that no code can pass by or take off.
WATCHED = """
import sys
FORBIDDEN = ("socket.", "urllib.", "subprocess.", "os.system", "os.exec", "os.posix", "os.fork")
def watch(event, arguments):
    if event.startswith(FORBIDDEN) or event == "pickle.find_class":
        raise SystemExit(f"forbidden: {event} {arguments}")
sys.addaudithook(watch)
from pipeline.cli import main
main()
"""


def test_nothing_is_fetched_and_no_program_is_started(job: Path, tmp_path: Path) -> None:
    def watched(*arguments: str | Path) -> str:
        done = subprocess.run(
            [sys.executable, "-c", WATCHED, *map(str, arguments)],
            cwd=Path(__file__).parents[1],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode in (0, 1), done.stderr
        return done.stdout

    assert "1 card" in watched("cards", "--ids", "3", "-o", tmp_path / "cards.pdf")
    assert "report.html" in watched("solve", job)


def test_the_watch_does_watch() -> None:
    """Against a hook that sees nothing: an event of each kind ends the process."""
    for code in ("import socket; socket.socket().connect(('127.0.0.1', 9))", "os.system('true')"):
        watched = WATCHED.replace("from pipeline.cli import main\nmain()", f"import os; {code}")
        done = subprocess.run([sys.executable, "-c", watched], capture_output=True, text=True)
        assert done.returncode == 1
        assert "forbidden: " in done.stderr
