"""The command line: help, usage, exit codes, and what each command does to files."""

from __future__ import annotations

import inspect
import io
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calib.calibrate import MIN_VIEWS
from calib.camera import Camera
from calib.lens_file import LensProfile, read_profile
from calib.photo import CameraIdentity, photo_paths
from capture.sightings import Sighting
from pipeline import actions, cli
from pipeline.actions import Outcome, copy_demo, find_samples
from pipeline.inputs.job import Job, read_job
from pipeline.results.result import Result
from pipeline.results.tables import write_tables
from pipeline.sessions.measured import solved_document
from pipeline.truth import read_truth
from targets.board import Board, read_board, write_board
from targets.errors import UserError
from tests.report_case import first_points, invented
from tests.terminal import refused, run

COMMANDS = [
    "demo",
    "cards",
    "board",
    "lens",
    "new",
    "solve",
    "verify",
    "sheet",
    "tape",
    "compare",
    "plan",
    "look",
    "watch",
    "view",
    "report",
    "export",
    "accept",
]
ROOT = Path(__file__).parent.parent


def run_apart(*arguments: str, code: str = "from pipeline.cli import main; main()") -> Any:
    """The command line in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", code, *arguments], cwd=ROOT, capture_output=True, text=True
    )


def silent(stage: str, done: int, total: int) -> None:
    """Progress that nobody watches."""


# --- help and usage -----------------------------------------------------------------------------


def test_these_are_the_commands() -> None:
    assert [command.name for command in cli.app.registered_commands] == COMMANDS
    outcome = run("--help")
    assert re.findall(r"^  (\w+)  ", outcome.stdout.split("Commands:")[1], re.M) == COMMANDS


@pytest.mark.parametrize("command", [[], *([name] for name in COMMANDS)])
@pytest.mark.parametrize("option", ["--help", "-h"])
def test_every_help_ends_in_an_example(command: list[str], option: str) -> None:
    outcome = run(*command, option)
    assert outcome.exit_code == 0
    example = re.search(r"^ *Example.*:\n +(datumshot .+)\n\n", outcome.stdout, re.M)
    assert example is not None
    assert shlex.split(example[1])[1] in (command or COMMANDS)
    assert max(map(len, outcome.stdout.splitlines())) <= 80


@pytest.mark.parametrize("name", COMMANDS)
def test_every_example_runs(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """As far as the action, which is a stand-in that checks what it is given."""
    called = []
    for action_name, action in inspect.getmembers(actions, inspect.isfunction):
        if inspect.signature(action).return_annotation == "Outcome":
            signature = inspect.signature(action)

            def stand_in(*args: Any, signature: Any = signature, **kwargs: Any) -> Outcome:
                called.append(signature.bind(*args, **kwargs))
                return Outcome(("done",))

            monkeypatch.setattr(actions, action_name, stand_in)
    example = re.search(r"^ +(datumshot .+)$", run(name, "--help").stdout, re.M)
    assert example is not None
    outcome = run(*shlex.split(example[1])[1:])
    assert (outcome.exit_code, outcome.stdout) == (0, "done\n")
    assert len(called) == 1


def test_the_help_states_the_boards_true_defaults() -> None:
    text = " ".join(run("board", "--help").stdout.split())
    for name in ("columns", "rows", "square_mm", "marker_mm", "dictionary"):
        default = getattr(Board(), name)
        shown = default if isinstance(default, str) else f"{default:g}"
        assert re.search(rf"--{name.replace('_', '-')} [^(]*\({shown}\)", text)


def test_version() -> None:
    outcome = run("--version")
    assert outcome.exit_code == 0
    assert re.fullmatch(r"datumshot \S.*\n", outcome.stdout)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["solv", "job"], "No such command 'solv'"),
        (["solve"], "Missing argument 'JOB'"),
        (["solve", "a", "b"], "unexpected extra argument"),
        (["cards"], "Missing option '--ids'"),
        (["cards", "--idz", "3"], "No such option: --idz"),
        (["board", "--columns", "many"], "Invalid value for '--columns'"),
        (["lens", "photos"], "Missing option '--board'"),
        ([], "Commands:"),
    ],
)
def test_wrong_usage_ends_with_2(arguments: list[str], message: str) -> None:
    outcome = run(*arguments)
    assert outcome.exit_code == 2
    assert message in outcome.stderr + outcome.stdout
    assert "Traceback" not in outcome.stderr


def test_what_decoders_print_is_kept_from_the_terminal_and_ours_is_not() -> None:
    """libjpeg writes to file 2 itself; a warning of Python's would name a file of the library."""
    code = """
import os, sys, warnings
from pipeline.cli import only_our_words
only_our_words()
print("before", file=sys.stderr)
os.write(2, b"Corrupt JPEG data: premature end of data segment")
warnings.warn("Corrupt EXIF data")
print("after", file=sys.stderr)
"""
    assert run_apart(code=code).stderr == "before\nafter\n"


def test_a_folder_that_may_not_be_looked_into_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tests may run as somebody who may look everywhere, so the system's answer is played."""

    def forbidden(self: Path, *_: object, **__: object) -> bool:
        raise PermissionError(13, "Permission denied", str(self))

    (tmp_path / "results").mkdir()
    (tmp_path / "results" / "result.json").write_text("{}")
    monkeypatch.setattr(Path, "exists", forbidden)
    assert refused("solve", tmp_path) == (
        f"{tmp_path}: cannot be used (Permission denied); check permissions and space.\n"
    )
    monkeypatch.setattr(Path, "stat", forbidden)
    with pytest.raises(UserError, match=r"cannot read the result \(Permission denied\)"):
        solved_document(tmp_path)


def test_help_loads_nothing_heavy() -> None:
    code = """
import sys
from pipeline.cli import main
try:
    main()
except SystemExit:
    pass
heavy = {"numpy", "cv2", "scipy", "matplotlib", "PIL", "reportlab", "rich", "jinja2"}
print(sorted(heavy & sys.modules.keys()), file=sys.stderr)
"""
    outcome = run_apart("--help", code=code)
    assert "Commands:" in outcome.stdout
    assert outcome.stderr == "[]\n"


def test_help_answers_at_once() -> None:
    """At most 0.4 s; the best of five, since others may be busy on this computer."""
    seconds = []
    for _ in range(5):
        began = time.perf_counter()
        assert run_apart("--help").returncode == 0
        seconds.append(time.perf_counter() - began)
    assert min(seconds) <= 0.4


# --- how a command ends -------------------------------------------------------------------------


@pytest.fixture
def ending(monkeypatch: pytest.MonkeyPatch) -> Callable[[BaseException | Outcome], Any]:
    """Run a command whose action ends as told."""

    def end(how: BaseException | Outcome) -> Any:
        def action(*_: Any) -> Outcome:
            if isinstance(how, BaseException):
                raise how
            return how

        monkeypatch.setattr(actions, "start_job", action)
        return run("new", "x")

    return end


def test_done(ending: Callable[[BaseException | Outcome], Any]) -> None:
    outcome = ending(Outcome(("one", "two"), 1))
    assert (outcome.exit_code, outcome.stdout, outcome.stderr) == (1, "one\ntwo\n", "")


def test_what_the_user_can_mend_is_one_sentence(
    ending: Callable[[BaseException | Outcome], Any],
) -> None:
    outcome = ending(UserError("it is wrong", "a.csv, row 2", "mend it"))
    assert (outcome.exit_code, outcome.stdout) == (2, "")
    assert outcome.stderr == "a.csv, row 2: it is wrong; mend it.\n"


def test_interrupted(ending: Callable[[BaseException | Outcome], Any]) -> None:
    outcome = ending(KeyboardInterrupt())
    assert (outcome.exit_code, outcome.stdout, outcome.stderr) == (130, "", "stopped\n")


def test_a_fault_of_the_program_says_so(
    ending: Callable[[BaseException | Outcome], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DATUMSHOT_DEBUG", raising=False)
    outcome = ending(ZeroDivisionError("two\nlines"))
    assert (outcome.exit_code, outcome.stdout) == (2, "")
    assert outcome.stderr == (
        "datumshot failed: ZeroDivisionError: two\\nlines (this is a fault of the program; run it "
        "with DATUMSHOT_DEBUG=1 for details)\n"
    )
    monkeypatch.setenv("DATUMSHOT_DEBUG", "1")
    assert isinstance(ending(ZeroDivisionError("x")).exception, ZeroDivisionError)


def test_nothing_steers_the_terminal(ending: Callable[[BaseException | Outcome], Any]) -> None:
    assert ending(Outcome(("a\x1b[2Jb\u202ec",))).stdout == "a\\x1b[2Jb\\u202ec\n"
    assert ending(UserError("bad \x07 name")).stderr == "bad \\x07 name.\n"
    assert ending(Outcome(("gr\u00f6\u00dfer",))).stdout == "gr\u00f6\u00dfer\n"


def test_a_poor_character_set_is_no_reason_to_fail(tmp_path: Path) -> None:
    folder = tmp_path / "\u00fcber \u2212"
    code = f"import sys; sys.argv[1:] = ['new', {str(folder)!r}]; from pipeline.cli import main"
    outcome = subprocess.run(
        [sys.executable, "-c", f"{code}; main()"],
        cwd=ROOT,
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "1"},
    )
    assert outcome.returncode == 0
    assert rb"\xfcber \u2212" in outcome.stdout
    assert read_job(folder).title == "\u00fcber \u2212"


@pytest.mark.skipif(os.name == "nt", reason="pipes break in another way there")
def test_a_reader_that_has_seen_enough_is_no_fault(tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    code = f"import sys; sys.argv[1:] = ['new', {str(tmp_path / 'job')!r}]"
    outcome = subprocess.run(
        [sys.executable, "-c", f"{code}; from pipeline.cli import main; main()"],
        cwd=ROOT,
        stdout=write,
        stderr=subprocess.PIPE,
    )
    os.close(write)
    assert (outcome.returncode, outcome.stderr) == (0, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no such device on this system")
def test_output_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    code = f"import sys; sys.argv[1:] = ['new', {str(tmp_path / 'job')!r}]"
    with open("/dev/full", "w") as full:
        outcome = subprocess.run(
            [sys.executable, "-c", f"{code}; from pipeline.cli import main; main()"],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
        )
    assert outcome.returncode == 2
    assert outcome.stderr == b"cannot write the output (No space left on device)\n"


def test_progress_is_for_terminals_and_goes_to_standard_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    def work() -> None:
        with cli._progress() as progress:
            progress("measuring photos", 0, 4)
            progress("measuring photos", 4, 4)
            progress("writing", 1, 2)

    terminal = Terminal()
    monkeypatch.setenv("TERM", "xterm")
    with monkeypatch.context() as context:
        context.setattr(sys, "stderr", terminal)
        work()
    assert "measuring photos" in terminal.getvalue()
    frames = terminal.getvalue()
    assert "0/4" not in frames[frames.rindex("4/4") :]
    assert frames[frames.rindex("1/2") - 300 :].count("measuring photos") == 1  # one bar a stage
    work()  # standard error is no terminal here
    assert capsys.readouterr() == ("", "")


# --- printing -----------------------------------------------------------------------------------


def test_cards(tmp_path: Path) -> None:
    output = tmp_path / "new folder" / "cards.pdf"
    plates = tmp_path / "plates"
    outcome = run("cards", "--ids", "0-11,300", "-o", output, "--plates", plates)
    assert outcome.exit_code == 0
    assert output.read_bytes().startswith(b"%PDF")
    assert f"13 cards on 3 pages: {output}\n" in outcome.stdout
    assert len(json.loads((plates / "cards.json").read_text())["cards"]) == 13
    assert f"Pictures for engraving: {plates}\n" in outcome.stdout


def test_cards_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert "1 card on 1 page: cards.pdf\n" in run("cards", "--ids", "7").stdout
    assert [path.name for path in tmp_path.iterdir()] == ["cards.pdf"]


def test_board(tmp_path: Path) -> None:
    output = tmp_path / "small.pdf"
    outcome = run("board", "-o", output, "--columns", "7", "--marker-mm", "20", "--paper", "Letter")
    assert outcome.exit_code == 0
    assert output.read_bytes().startswith(b"%PDF")
    assert read_board(tmp_path / "small.toml") == Board(columns=7, marker_mm=20.0)
    assert "Board of 7 x 6 squares on 1 page: " in outcome.stdout


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["cards", "--ids", "587"], "there is no card 587"),
        (["cards", "--ids", "x"], "'x' is neither a number nor a range"),
        (["cards", "--ids", "1", "--paper", "A0"], "the paper 'A0' is not known"),
        (["cards", "--ids", "1", "-o", "cards.png"], "the name does not end in .pdf; add .pdf"),
        (["board", "-o", "board.toml"], "the name does not end in .pdf; add .pdf"),
        (["board", "--columns", "2"], "columns = 2 is too few"),
        (["board", "--square-mm", "nan"], "square_mm = nan is not a size"),
        (["lens", ".", "--board", "none.toml"], "none.toml: cannot read the board file"),
        (["lens", ".", "--board", "b.toml", "-o", "phone"], "does not end in .toml; add .toml"),
        (["new", "taken"], "there is a job.toml already"),
        (["solve", "nowhere"], "there is no such folder; start one with `datumshot new nowhere`"),
        (["view", "taken"], "run datumshot solve first"),
        (["view", "taken", "--ply", "x.ply"], "run datumshot solve first"),
        (["view", "taken", "--ply", "x.stl"], "the name does not end in .ply; add .ply"),
        (["demo", "taken"], "this folder holds something else; name a new folder for the demo"),
    ],
)
def test_what_cannot_be_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], message: str
) -> None:
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "job.toml").touch()
    samples_in(tmp_path)
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    assert message in refused(*arguments)
    assert sorted(tmp_path.rglob("*")) == before


# --- lens ---------------------------------------------------------------------------------------


def profile_of(reasons: tuple[str, ...]) -> LensProfile:
    constants = np.array([800.0, 801.0, 320.5, 240.5, 0.1, 0.0, 0.0, 0.0, 0.0])
    identity = CameraIdentity("Invented", "Phone", "", None, None, 640, 480, None)
    return LensProfile(Camera(640, 480, constants), np.eye(9), identity, 0.21, 3, "usable", reasons)


def stand_in_calibration(
    paths: Sequence[Path], board: Board, progress: Callable[[str], None]
) -> LensProfile:
    """Uses all photos but the last, and tells its outcomes."""
    for path in paths:
        progress(path.name)
    return profile_of((f"{paths[-1].name}: no board found", f"{board.columns} columns"))


def test_lens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("calib.calibrate.calibrate", stand_in_calibration)
    run("board", "-o", tmp_path / "board.pdf", "--columns", "7")
    photos = tmp_path / "photos"
    photos.mkdir()
    for number in range(4):
        (photos / f"{number}.jpg").touch()
    output = tmp_path / "phone.toml"
    outcome = run("lens", photos, "--board", tmp_path / "board.toml", "-o", output)
    assert outcome.exit_code == 0
    assert outcome.stdout.splitlines() == [
        f"Lens profile: {output}",
        "Verdict: usable; 3 of 4 photos used, 0.21 px rms",
        "  3.jpg: no board found",
        "  7 columns",
    ]
    assert read_profile(output).rms_px == 0.21

    told = []
    actions.calibrate_lens(photos, tmp_path / "board.toml", output, lambda *now: told.append(now))
    assert told[0] == ("board photos", 0, 4)
    assert told[1:5] == [("board photos", done, 4) for done in range(1, 5)]


def test_lens_never_writes_over_the_board(tmp_path: Path) -> None:
    run("board", "-o", tmp_path / "board.pdf")
    described = tmp_path / "board.toml"
    before = described.read_bytes()
    assert "the output is the board's own file" in refused(
        "lens", tmp_path, "--board", described, "-o", tmp_path / "." / "board.toml"
    )
    assert described.read_bytes() == before
    assert "there are no photos in this folder" in refused(
        "lens", tmp_path, "--board", described, "-o", tmp_path / "phone.toml"
    )


# --- job ----------------------------------------------------------------------------------------


def test_new(tmp_path: Path) -> None:
    folder = tmp_path / "a van"
    outcome = run("new", folder, "--title", "Van, left")
    assert outcome.exit_code == 0
    assert read_job(folder).title == "Van, left"
    assert outcome.stdout.splitlines()[-1] == f'then run: datumshot solve "{folder}"'
    plain = run("new", tmp_path / "van").stdout.splitlines()[-1]
    assert plain == f"then run: datumshot solve {tmp_path / 'van'}"


def stand_in_solve(
    monkeypatch: pytest.MonkeyPatch, change: Callable[[Result], Result] = lambda result: result
) -> None:
    """Measuring takes no time and finds an invented car."""

    def solve(
        job: Job, progress: actions.Progress, *_: object
    ) -> tuple[Result, tuple[Sighting, ...]]:
        progress("measuring", 1, 1)
        result, sightings = invented(job.folder)
        return change(replace(result, job=replace(result.job, title=job.title))), sightings

    monkeypatch.setattr("pipeline.solve.solve", solve)


def test_solve(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run("new", tmp_path, "--title", "This very job")
    stand_in_solve(monkeypatch)
    outcome = run("solve", tmp_path)
    assert outcome.exit_code == 0
    lines = outcome.stdout.splitlines()
    assert (lines[0], lines[-1]) == (
        "This very job",
        f"Report: {tmp_path / 'results' / 'report.html'}",
    )
    assert sorted(path.name for path in (tmp_path / "results").iterdir()) == [
        "SHA256SUMS",
        "cards.csv",
        "points.csv",
        "report.html",
        "result.json",
    ]
    assert outcome.stderr == ""

    stand_in_solve(monkeypatch, lambda result: first_points(result, 3))
    assert run("solve", tmp_path).exit_code == 1


def test_view_writes_points(tmp_path: Path) -> None:
    write_tables(invented(tmp_path)[0], tmp_path / "results")
    output = tmp_path / "points.ply"
    outcome = run("view", tmp_path, "--ply", output)
    assert (outcome.exit_code, outcome.stdout) == (
        0,
        f"Points, cards and photos in 3-D: {output}\n",
    )
    assert output.read_text().startswith("ply\n")


def test_view_opens_the_result(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shown: list[Path] = []
    monkeypatch.setattr("pipeline.view.show", shown.append)
    outcome = run("view", tmp_path)
    assert (outcome.exit_code, outcome.stdout) == (0, "")
    assert shown == [tmp_path / "results" / "result.json"]


# --- demo ---------------------------------------------------------------------------------------


def samples_in(folder: Path) -> Path:
    """A sample_images with everything in it but pictures."""
    samples = folder / "sample_images"
    for part in ("job/photos", "job/results", "board"):
        (samples / part).mkdir(parents=True)
    (samples / "job" / "job.toml").write_text('parts = "in"\nlens = "phone.toml"\n')
    (samples / "job" / "photos" / "IMG_0001.jpg").write_bytes(b"photo")
    (samples / "job" / "results" / "report.html").write_text("of somebody's trial")
    (samples / "board" / "BOARD_01.jpg").write_bytes(b"board")
    write_board(Board(), samples / "board" / "board.toml")
    (samples / "render_demo.py").touch()
    (samples / "truth.json").write_text('{"cards": [], "points": [], "suspension": []}')
    return samples


def files_in(folder: Path) -> list[str]:
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())


def test_samples_are_found_from_within_a_clone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = samples_in(tmp_path)
    assert find_samples(tmp_path) == samples
    assert find_samples(samples / "job" / "photos") == samples

    # Beside the package, as an editable installation has it.
    monkeypatch.setattr(actions, "__file__", str(tmp_path / "pipeline" / "actions.py"))
    elsewhere = tmp_path.parent / f"{tmp_path.name}-elsewhere"
    elsewhere.mkdir()
    assert find_samples(elsewhere) == samples
    # In site-packages there is nothing beside it, nor in a clone whose samples are not whole.
    (samples / "truth.json").unlink()
    with pytest.raises(UserError, match="run this in the folder of the clone"):
        find_samples(elsewhere)


def test_the_demo_is_copied_once(tmp_path: Path) -> None:
    samples = samples_in(tmp_path)
    folder = tmp_path / "deep" / "demo"
    copy_demo(samples, folder)
    whole = [
        "board/BOARD_01.jpg",
        "board/board.toml",
        "job/job.toml",
        "job/photos/IMG_0001.jpg",
        "truth.json",
    ]
    assert files_in(folder) == whole
    assert [path.name for path in folder.parent.iterdir()] == ["demo"]  # no traces

    (folder / "job" / "photos" / "mine.jpg").touch()
    copy_demo(samples, folder)  # it is the demo: kept, with what was added
    assert "job/photos/mine.jpg" in files_in(folder)

    (samples / "truth.json").write_text('{"cards": [], "points": [], "newer": true}')
    with pytest.raises(UserError, match="this folder holds something else"):
        copy_demo(samples, folder)


def test_the_demo_goes_into_an_empty_folder_only(tmp_path: Path) -> None:
    samples = samples_in(tmp_path)
    empty = tmp_path / "empty"
    empty.mkdir()
    copy_demo(samples, empty)
    assert "truth.json" in files_in(empty)
    with pytest.raises(UserError, match="cannot copy the demo here"):
        copy_demo(samples, samples / "truth.json")
    with pytest.raises(UserError, match="this folder holds something else"):
        copy_demo(samples, samples / "job")


def test_a_demo_that_cannot_be_copied_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = samples_in(tmp_path)

    def full(*_: Any, **__: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("shutil.copyfile", full)
    with pytest.raises(UserError, match=r"demo here \(\[Errno 28\] No space left on device\)"):
        copy_demo(samples, tmp_path / "demo")
    assert [path.name for path in tmp_path.iterdir()] == ["sample_images"]


def test_demo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From copying to comparing, with stand-ins for what takes long."""
    samples_in(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("calib.calibrate.calibrate", stand_in_calibration)
    stand_in_solve(monkeypatch)
    outcome = run("demo")
    assert outcome.exit_code == 0
    assert "  9 columns" in outcome.stdout  # what board.toml says
    job = Path("datumshot-demo") / "job"
    assert read_profile(job / "phone.toml").verdict == "usable"
    assert f"Report: {job / 'results' / 'report.html'}\n" in outcome.stdout
    assert "Against the truth of the rendering, 0 cards and 0 points:\n" in outcome.stdout
    assert run("demo").exit_code == 0


def test_the_demo_of_this_clone_is_whole(tmp_path: Path) -> None:
    """What the README's first command needs; figures are not checked here."""
    samples = find_samples(ROOT)
    assert samples == ROOT / "sample_images"
    assert len(photo_paths(samples / "board")) >= MIN_VIEWS
    truth = read_truth(samples / "truth.json")
    folder = tmp_path / "job"
    shutil.copytree(samples / "job", folder, ignore=shutil.ignore_patterns("photos"))
    (folder / "phone.toml").touch()
    job = read_job(folder)
    assert len(job.bars) == 2
    assert job.sheet is not None
    assert {(point.point, point.side) for point in job.sheet.points} == truth.deviations_mm.keys()
    assert {row.card for row in job.cards} < truth.centres_mm.keys()
