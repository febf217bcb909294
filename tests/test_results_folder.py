"""Results change as a whole: the former ones or the new ones, whatever happens in between."""

import hashlib
import random
import re
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from filelock import FileLock

from pipeline import actions
from pipeline.inputs.new_job import new_job
from pipeline.report.page import write_report
from pipeline.results import results_folder
from pipeline.results.results_folder import NOTE, SUMS, new_results, only_run
from pipeline.results.tables import write_tables
from targets.errors import UserError
from tests.report_case import invented

ROOT = Path(__file__).resolve().parents[1]

# Results of one run after the other, as fast as they can be written.
WRITE_ON = """
import sys
from pathlib import Path
from pipeline.results.results_folder import new_results, only_run
for run in range(1000000):
    with only_run(Path(sys.argv[1])), new_results(Path(sys.argv[1])) as results:
        for name in ("points.csv", "result.json"):
            (results / name).write_text(str(run))
        print(run, flush=True)
"""
HOLD = """
import sys, time
from pathlib import Path
from pipeline.results.results_folder import only_run
with only_run(Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(60)
"""


@contextmanager
def process(code: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Killed at the end; its first line has been printed."""
    command = [sys.executable, "-c", code, str(folder)]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        assert running.stdout.readline()
        yield running
        running.kill()


def write(folder: Path, run: str) -> None:
    with new_results(folder) as results:
        for name in ("points.csv", "result.json"):
            (results / name).write_text(run)


def fail(folder: Path, error: Exception) -> None:
    with new_results(folder) as results:
        (results / "result.json").write_text("half")
        raise error


def held(folder: Path) -> dict[str, str]:
    """Files of the results by name, and that nothing else was left beside them."""
    beside = {path.name for path in folder.iterdir()} - {"results", ".lock", "elsewhere"}
    assert not beside
    return {
        str(path.relative_to(folder / "results")): path.read_text()
        for path in (folder / "results").rglob("*")
        if path.is_file()
    }


def sound(folder: Path) -> bool:
    """All files of one run: each has the sum that this run wrote."""
    lines = (folder / "results" / SUMS).read_text().splitlines()
    sums = dict(reversed(line.split("  ")) for line in lines)
    files = {path.name: path.read_bytes() for path in (folder / "results").iterdir()}
    files.pop(SUMS)
    files.pop(NOTE, None)
    return sums == {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}


@pytest.fixture(params=["exchange in one step", "two steps"])
def _way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    if request.param == "two steps":  # as on a memory stick
        monkeypatch.setattr(results_folder, "_exchange", lambda one, other: False)


@pytest.mark.usefixtures("_way")
def test_results_are_replaced_as_a_whole(tmp_path: Path) -> None:
    write(tmp_path, "first")
    assert held(tmp_path).keys() == {"points.csv", "result.json", SUMS}
    assert sound(tmp_path)
    with new_results(tmp_path) as results:
        (results / "result.json").write_text("second")
        assert held_while_writing(tmp_path)["points.csv"] == "first"
    files = held(tmp_path)
    assert files.pop(SUMS)
    assert files == {"result.json": "second"}  # no points.csv of the first run beside it


def held_while_writing(folder: Path) -> dict[str, str]:
    files = {path.name: path.read_text() for path in (folder / "results").iterdir()}
    assert "has not finished" in files[NOTE]
    return files


@pytest.mark.usefixtures("_way")
def test_what_others_put_there_is_kept_apart(tmp_path: Path) -> None:
    write(tmp_path, "first")
    (tmp_path / "results" / "page.pdf").write_text("of the first run")
    for run in ("second", "third"):
        write(tmp_path, run)
        assert held(tmp_path)["earlier/page.pdf"] == "of the first run"
    (tmp_path / "results" / "page.pdf").write_text("of the third run")
    write(tmp_path, "fourth")
    assert held(tmp_path)["earlier/page.pdf"] == "of the third run"


@pytest.mark.usefixtures("_way")
@pytest.mark.parametrize("error", [UserError("no card", "photos", "look"), OSError(28, "full")])
def test_a_run_that_fails_leaves_the_former_results_and_says_so(
    tmp_path: Path, error: Exception
) -> None:
    with pytest.raises(UserError) as caught, new_results(tmp_path):
        raise error
    assert "earlier run" not in str(caught.value)
    assert not (tmp_path / "results").exists()

    write(tmp_path, "first")
    with pytest.raises(UserError) as caught:
        fail(tmp_path, error)
    assert "results is still that of an earlier run" in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1
    files = held(tmp_path)
    assert re.match(r"A run on 20\d\d-.* stopped: ", files.pop(NOTE))
    assert files.pop(SUMS)
    assert files == {"points.csv": "first", "result.json": "first"}
    write(tmp_path, "second")
    assert NOTE not in held(tmp_path)


def test_the_note_names_no_folder_above_the_job(tmp_path: Path) -> None:
    job = tmp_path / "kim-miller" / "van"
    job.mkdir(parents=True)
    write(job, "first")
    with pytest.raises(UserError), new_results(job):
        raise UserError("no photos", str(job / "photos"), "")
    assert "stopped: van/photos: no photos" in held(job)[NOTE]
    assert "kim-miller" not in held(job)[NOTE]


def test_leftovers_of_killed_runs_are_cleared_away(tmp_path: Path) -> None:
    write(tmp_path, "first")
    unfinished, former = tmp_path / ".results-a", tmp_path / ".results-b"
    for folder in (unfinished, former):
        folder.mkdir()
        (folder / "result.json").write_text("killed")
    (former / NOTE).write_text("a former run's")
    (former / "mine.txt").write_text("kept")
    write(tmp_path, "second")
    files = held(tmp_path)
    assert files["result.json"] == "second"
    assert files["earlier/mine.txt"] == "kept"

    # Killed between the two steps: neither is in place.
    (tmp_path / "results").rename(tmp_path / ".results-before")
    with pytest.raises(UserError), new_results(tmp_path):
        raise UserError("stopped")
    assert held(tmp_path)["result.json"] == "second"


def test_the_results_may_lie_elsewhere_but_must_be_a_folder(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "results").symlink_to(tmp_path / "elsewhere")
    write(tmp_path, "first")
    assert (tmp_path / "results").is_symlink()
    assert (tmp_path / "elsewhere" / "result.json").read_text() == "first"
    (tmp_path / "results").unlink()
    (tmp_path / "results").write_text("mine")
    with pytest.raises(UserError, match="a file where the results folder should be"):
        write(tmp_path, "second")
    assert (tmp_path / "results").read_text() == "mine"


def test_links_that_lead_to_themselves_are_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "results").symlink_to("results")
    (tmp_path / "car").symlink_to("car")
    with (
        pytest.raises(UserError, match="cannot write the results"),
        new_results(tmp_path) as beside,
    ):
        (beside / "result.json").write_text("{}")
    assert [p.name for p in tmp_path.iterdir() if p.name not in ("results", "car")] == []
    with pytest.raises(UserError, match="cannot make this folder"):
        new_job(tmp_path / "car", "")


def test_a_folder_that_may_not_be_written_to_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The superuser may write everywhere, so the refusal is a stand-in."""

    def denied(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(results_folder.tempfile, "mkdtemp", denied)
    with pytest.raises(UserError, match=r"cannot write the results \(Permission denied\)"):
        write(tmp_path, "first")
    monkeypatch.setattr(FileLock, "acquire", denied)
    with pytest.raises(UserError, match=r"cannot write here \(Perm"), only_run(tmp_path):
        pass


def test_a_full_disk_is_one_sentence(tmp_path: Path) -> None:
    """A limit on the size of files is met in the middle of the page, as a full disk would be."""
    result, sightings = invented(tmp_path)
    with new_results(tmp_path) as results:
        write_tables(result, results)

    def overflow() -> None:
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        with new_results(tmp_path) as results:
            write_tables(result, results)
            resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
            try:
                write_report(result, sightings, results / "report.html")
            finally:
                resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    with pytest.raises(UserError) as caught:
        overflow()
    sentence = str(caught.value)
    assert sentence.startswith(f"{tmp_path}/results/report.html: cannot write this file (File too")
    assert "earlier run" in sentence
    assert sound(tmp_path)


def test_only_one_run_at_a_time(tmp_path: Path) -> None:
    said = "another run of datumshot is at work on this job; wait"
    with process(HOLD, tmp_path), pytest.raises(UserError, match=said), only_run(tmp_path):
        pass
    # The other was killed: its lock file stays, its lock does not.
    assert (tmp_path / ".lock").exists()
    with only_run(tmp_path):
        pass


def test_pages_beside_the_results_wait_for_a_run(tmp_path: Path) -> None:
    """They would go into the folder that the run is about to sweep away."""
    result, _ = invented(tmp_path)
    results = result.job.folder / "results"
    write_tables(result, results)
    table = tmp_path / "readings.csv"
    table.write_text("from,from_side,to,to_side,reading_mm,mode\nA,L,A,R,920,centres\n")
    commands = (
        lambda: actions.tape_job(result.job.folder, table),
        lambda: actions.compare_jobs([tmp_path / "other", result.job.folder]),
        lambda: actions.report_job(result.job.folder, True, None, "a4"),
    )
    before = sorted(path.name for path in results.iterdir())
    with FileLock(result.job.folder / ".lock"):
        for command in commands:
            with pytest.raises(UserError, match="another run of datumshot is at work"):
                command()
    assert sorted(path.name for path in results.iterdir()) == before
    commands[0]()
    assert (results / "tape.html").exists()


def test_killed_at_any_moment_the_results_are_those_of_one_run(tmp_path: Path) -> None:
    """A hundred kills of real measurements: tests/benchmarks/kill.py."""
    write(tmp_path, "before")
    draw = random.Random(3)
    for _ in range(6):
        with process(WRITE_ON, tmp_path):
            time.sleep(draw.uniform(0.0, 0.03))
        assert sound(tmp_path)
        files = {p.name: p.read_text() for p in (tmp_path / "results").iterdir()}
        assert files["points.csv"] == files["result.json"]
    write(tmp_path, "after")
    assert held(tmp_path).keys() == {"points.csv", "result.json", SUMS}
