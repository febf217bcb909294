"""Arguments and help only; ``pipeline.actions`` does the work.

Nothing heavy is imported here: ``--help`` must answer at once.
"""

from __future__ import annotations

import faulthandler
import functools
import inspect
import io
import os
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, ParamSpec

import typer

from pipeline import actions
from pipeline.actions import Outcome
from targets.errors import UserError, system_reason
from targets.said import say

if TYPE_CHECKING:
    from pipeline.language import Language as Tongue

_P = ParamSpec("_P")

Language = Annotated[
    str,
    typer.Option(metavar="CODE", help="To be told in: en or de; else as job.toml or the system."),
]

# Plain help: drawn boxes need twice the time to start and break the example lines.
app = typer.Typer(
    name="datumshot",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


def main() -> None:
    """The script ``datumshot``."""
    # Before NumPy is imported: the matrices are small, photos are worked on in threads of our own,
    # and BLAS threads that wait for each other on a busy machine cost far more than they gain.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        # A sign that the terminal's character set lacks must not end the command.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    if not os.environ.get("DATUMSHOT_DEBUG"):
        only_our_words()
    app(prog_name="datumshot")


def only_our_words() -> None:
    """Keep what decoders print of damaged photos, and Python's warnings, from the terminal.

    libjpeg, libpng and libtiff write to file 2 from whatever thread they run in. So from here on
    file 2 is the null device, and Python's standard error a copy of what it was: nothing of ours
    is lost, whoever writes when. What a crash of the interpreter has to say goes there, too.
    """
    warnings.simplefilter("ignore")
    try:
        ours = open(os.dup(2), "w", 1, sys.stderr.encoding, "backslashreplace")  # noqa: SIM115
        nothing = os.open(os.devnull, os.O_WRONLY)
    except (OSError, AttributeError):  # no standard error: nothing can show there
        return
    sys.stderr.flush()
    os.dup2(nothing, 2)
    os.close(nothing)
    sys.stderr = ours
    faulthandler.enable(ours)


def _command(name: str) -> Callable[[Callable[_P, Outcome]], Callable[_P, None]]:
    """Register a function that returns an Outcome: it is printed, its errors told in a sentence.

    Each command has the option --language; those that write pages take it as a parameter, too.
    """

    def register(function: Callable[_P, Outcome]) -> Callable[_P, None]:
        signature = inspect.signature(function, eval_str=True)
        own = "language" in signature.parameters

        @functools.wraps(function)
        def run(*args: _P.args, **kwargs: _P.kwargs) -> None:
            asked = str(kwargs["language"] if own else kwargs.pop("language"))
            try:
                _speak(asked, kwargs)
                outcome = function(*args, **kwargs)
            except UserError as error:
                _stop(error.sentence, 2)
            except KeyboardInterrupt:
                _stop(say("stopped"), 130)
            except Exception as error:
                if os.environ.get("DATUMSHOT_DEBUG"):
                    raise
                if isinstance(error, OSError) and error.filename is not None:
                    # A disk or permission that no reader or writer has told more closely.
                    why = say("cannot be used ({reason})", reason=system_reason(error))
                    told = UserError(why, str(error.filename), "check permissions and space")
                    _stop(told.sentence, 2)
                _stop(
                    say(
                        "datumshot failed: {kind}: {error} (this is a fault of the "
                        "program; run it with DATUMSHOT_DEBUG=1 for details)",
                        kind=type(error).__name__,
                        error=str(error),
                    ),
                    2,
                )
            _tell(outcome.lines)
            raise typer.Exit(outcome.code)

        if not own:
            option = inspect.Parameter(
                "language", inspect.Parameter.KEYWORD_ONLY, default="", annotation=Language
            )
            parameters = [*signature.parameters.values(), option]
            run.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
            run.__annotations__ = {one.name: one.annotation for one in parameters}
        app.command(name)(run)
        return run

    return register


_spoken: ContextVar[Tongue | None] = ContextVar("_spoken", default=None)
"""The language that this run of a command speaks, once it is chosen."""


def _speak(asked: str, arguments: dict[str, Any]) -> None:
    """Speak the language asked for, else that of the job among the arguments, else the system's."""
    from pipeline.language import language_for, language_of_job

    paths = [
        path
        for value in arguments.values()
        for path in (reversed(value) if isinstance(value, list) else [value])
        if isinstance(path, Path)
    ]
    of_job = next(filter(None, map(language_of_job, paths)), "")
    _spoken.set(None)
    _spoken.set(language_for(asked, of_job))


def _tongue() -> Tongue:
    """What ``_speak`` chose; the system's language as long as it could not choose."""
    from pipeline.language import language_for

    return _spoken.get() or language_for("", "")


def _stop(sentence: str, code: int) -> NoReturn:
    print(_printable(_tongue().put(sentence)), file=sys.stderr)
    raise typer.Exit(code)


def _tell(lines: Iterable[str]) -> None:
    try:
        tongue = _tongue()
        for line in lines:
            print(_printable(tongue.put(line)))
        sys.stdout.flush()
    except OSError as error:
        # Python flushes once more when it ends, and would complain a second time.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        # A broken pipe: whoever read the output (`| head`) has seen enough.
        if not isinstance(error, BrokenPipeError):
            _stop(say("cannot write the output ({reason})", reason=system_reason(error)), 2)


def _printable(line: str) -> str:
    """A line that cannot steer the terminal, whatever a file name or a title holds.

    >>> _printable("a\\x1b[31mb")
    'a\\\\x1b[31mb'
    """
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in line
    )


@contextmanager
def _progress() -> Iterator[actions.Progress]:
    """A bar for each stage on standard error; nothing where that is not a terminal."""
    if not sys.stderr.isatty():
        yield lambda stage, done, total: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeElapsedColumn,
    )

    tongue = _tongue()
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn())
    with Progress(
        *columns, TimeElapsedColumn(), console=Console(stderr=True), transient=True
    ) as bars:
        tasks = {}

        def show(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bars.add_task(tongue.word(stage), total=total)
            bars.update(tasks[stage], completed=done, total=total)

        yield show


@contextmanager
def _page() -> Iterator[Callable[[list[str]], None]]:
    """A place for lines that replace those before; where that is no terminal they follow them."""
    if not sys.stdout.isatty():

        def follow(lines: list[str]) -> None:
            _tell([*lines, ""])

        yield follow
        return
    from rich.live import Live
    from rich.panel import Panel
    from rich.text import Text

    tongue = _tongue()
    enough, not_yet = tongue.put(say("ENOUGH")), tongue.put(say("NOT ENOUGH YET"))
    title = tongue.put(say("datumshot watch, Ctrl-C ends it"))
    with Live(auto_refresh=False, vertical_overflow="visible") as live:

        def replace(lines: list[str]) -> None:
            text = Text("\n".join(_printable(tongue.put(line)) for line in lines))
            text.highlight_regex(rf"^{enough}: .*", "bold green")
            text.highlight_regex(not_yet, "bold yellow")
            text.highlight_regex(r"(?m)^\d\. .*$", "bold")
            live.update(Panel(text, title=title), refresh=True)

        yield replace


def _version(wanted: bool) -> None:
    if wanted:
        from pipeline.results.provenance import version

        print(f"datumshot {version()}")
        raise typer.Exit()


Paper = Annotated[str, typer.Option(help="A4 or Letter.")]
Job = Annotated[Path, typer.Argument(metavar="JOB", help="The job folder.")]

At = Annotated[
    str,
    typer.Option(metavar="PLACE", help="Where the car is: two-post, four-post, yard or arches."),
]
WantedU = Annotated[
    float | None,
    typer.Option(
        min=0.01, max=100, help="U (k = 2) asked of every point; else a fifth of the tolerance."
    ),
]
Clearance = Annotated[
    float | None,
    typer.Option(min=50, max=3000, help="Height of the datum plane above the floor."),
]


@app.callback()
def options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Measure a car's underbody from phone photographs of printed coded cards.

    Every command ends with 0 when it is done, 1 when it is done but something that was asked has no
    verdict, 2 when you must change something, which is said in one sentence.

    \b
    Example, in the folder of a clone:
      datumshot demo
    """


@_command("demo")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where to put it.")] = Path(
        "datumshot-demo"
    ),
    language: Language = "",
) -> Outcome:
    """Measure the rendered job and compare it with its truth.

    Copies sample_images into FOLDER, calibrates the lens from the photos of the board, measures the
    job, and says how far the result lies from what was rendered.

    \b
    Example, in the folder of a clone:
      datumshot demo
    """
    with _progress() as progress:
        return actions.run_demo(folder, progress, language)


@_command("cards")
def cards(
    ids: Annotated[str, typer.Option(metavar="IDS", help="Numbers and ranges: 0-39,90,91.")],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="PDF")] = Path("cards.pdf"),
    paper: Paper = "A4",
    plates: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Also write pictures for engraving into FOLDER."),
    ] = None,
    language: Language = "",
) -> Outcome:
    """Print coded cards.

    Ids 0-299 are 80 mm wide, 300-449 half and 450-586 twice that size.

    \b
    Example:
      datumshot cards --ids 0-39 -o cards.pdf --paper A4
    """
    return actions.print_cards(ids, output, paper, plates, language)


@_command("board")
def board(
    output: Annotated[Path, typer.Option("-o", "--output", metavar="PDF")] = Path("board.pdf"),
    paper: Paper = "A4",
    columns: Annotated[int | None, typer.Option(help="Squares across (9).")] = None,
    rows: Annotated[int | None, typer.Option(help="Squares down (6).")] = None,
    square_mm: Annotated[float | None, typer.Option(help="Side of a square (30).")] = None,
    marker_mm: Annotated[float | None, typer.Option(help="Side of a marker (22).")] = None,
    dictionary: Annotated[
        str | None, typer.Option(help="Markers, as OpenCV names them (DICT_5X5_100).")
    ] = None,
    language: Language = "",
) -> Outcome:
    """Print the calibration board.

    Beside the PDF a .toml of the same name says what was printed; `datumshot lens` needs it.

    \b
    Example:
      datumshot board -o board.pdf --paper A4
    """
    return actions.print_board(
        output,
        paper,
        language,
        columns=columns,
        rows=rows,
        square_mm=square_mm,
        marker_mm=marker_mm,
        dictionary=dictionary,
    )


@_command("lens")
def lens(
    photos: Annotated[Path, typer.Argument(metavar="PHOTOS", help="Folder of board photos.")],
    board: Annotated[
        Path, typer.Option(metavar="FILE", help="The .toml written when the board was printed.")
    ],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="TOML")] = Path("phone.toml"),
) -> Outcome:
    """Calibrate a phone's lens from 10 to 20 photos of the printed board.

    \b
    Example:
      datumshot lens photos-of-board --board board.toml -o phone.toml
    """
    with _progress() as progress:
        return actions.calibrate_lens(photos, board, output, progress)


@_command("new")
def new(
    job: Annotated[Path, typer.Argument(metavar="JOB", help="The folder to make.")],
    title: Annotated[str, typer.Option(help="As the report shows it; else JOB's name.")] = "",
    language: Language = "",
) -> Outcome:
    """Start a job folder: settings and tables to fill in.

    \b
    Example:
      datumshot new van --title "Van, front left"
    """
    return actions.start_job(job, title, language)


@_command("solve")
def solve(
    job: Job,
    language: Language = "",
) -> Outcome:
    """Measure a job: photos in, deviations from the reference sheet out.

    Writes points.csv, cards.csv, result.json and report.html into JOB/results. Ends with 1 when a
    point of cards.csv has no verdict: its card was not measured, no bar gave the scale, or the base
    points gave no vehicle frame; also when more than half of the points are undecided.

    \b
    Example:
      datumshot solve van

    \b
    In German:
      datumshot solve van --language de
    """
    with _progress() as progress:
        return actions.solve_job(job, progress, language)


@_command("verify")
def verify(
    job: Job,
    measure: Annotated[
        bool, typer.Option("--measure", help="Also measure once more and compare the figures.")
    ] = False,
) -> Outcome:
    """Check that the results of a job belong to its photos and files.

    Compares the SHA-256 of every file with what the results say they were made from, and the
    results with each other, and names what differs. Ends with 1 when something does. The sums show
    mix-ups and later changes; they are no signature. --measure proves the figures themselves: on
    the same machine and version they come out the same to the last digit.

    \b
    Example:
      datumshot verify van --measure
    """
    with _progress() as progress:
        return actions.verify_job(job, measure, progress)


@_command("sheet")
def sheet(
    action: Annotated[str, typer.Argument(metavar="check|from", help="What to do.")],
    path: Annotated[Path, typer.Argument(metavar="FILE|JOB", help="A sheet, or a solved job.")],
    output: Annotated[Path, typer.Option("-o", "--output", metavar="CSV")] = Path("sheet.csv"),
) -> Outcome:
    """Check a reference sheet, or make one from a measured sound vehicle.

    check tells what a sheet holds by zone, side and state of the mechanical parts, its pairs and
    base points, and what is odd about it; it ends with 1 if anything is. from writes the points of
    a solved job as a sheet for vehicles of the same type, with the uncertainty of each figure; it
    ends with 1 if there is reason to doubt that the vehicle was sound.

    \b
    Example:
      datumshot sheet check van/sheet.csv

    \b
    Where no data can be had, from a sound vehicle of the same type:
      datumshot sheet from sound-van -o sheet.csv
    """
    if action == "check":
        return actions.check_sheet(path)
    if action == "from":
        return actions.make_sheet(path, output)
    raise UserError(
        say("{action} is not known", action=repr(action)), "datumshot sheet", "write check or from"
    )


@_command("tape")
def tape(
    job: Job,
    readings: Annotated[Path, typer.Argument(metavar="READINGS", help="Table of readings.")],
    language: Language = "",
) -> Outcome:
    """Check tape and tram readings against a solved job.

    READINGS is a CSV file from,from_side,to,to_side,reading_mm,mode and, where needed,
    from_hole_mm,to_hole_mm (diameters), from_pointer_mm,to_pointer_mm (a tram), tape_class (I, II
    or III; else II), temperature_c, note. mode is centres, near edges, far edges or same edges;
    same edges is for holes of one size. A tape reads the straight line in space; a tram with
    unequal pointers reads along its bar. Each reading agrees, disagrees or cannot tell, with the
    likely cause. Writes tape.html, tape.csv and tape.json into JOB/results. Ends with 1 when a
    reading does not agree.

    \b
    Lines of such a file:
      from,from_side,to,to_side,reading_mm,mode,from_hole_mm,to_hole_mm
      A,L,C,R,1043,centres,,
      A,L,C,L,618.5,near edges,22,16

    \b
    Example:
      datumshot tape van readings.csv
    """
    return actions.tape_job(job, readings, language)


@_command("compare")
def compare(
    jobs: Annotated[
        list[Path], typer.Argument(metavar="JOB JOB ...", help="Solved jobs, the oldest first.")
    ],
    language: Language = "",
) -> Outcome:
    """Compare sessions of one car: before, between pulls, after.

    Says of each point how far it moved, with its uncertainty, how far it has come towards the
    sheet, what got worse, and what sprang back. Points are matched by name and side: the cards may
    be others and the car may have been moved. The sessions are tied by the base points that they
    share; those of another vehicle are refused. Writes compare.html, compare.csv and compare.json
    into the results of the last job, and the section "before and after" into its report.html. Ends
    with 1 when a point was measured in one session only.

    \b
    Example:
      datumshot compare van van-after-pull
    """
    return actions.compare_jobs(jobs, language)


@_command("plan")
def plan(
    job: Job,
    at: At = "two-post",
    wanted_mm: WantedU = None,
    clearance_mm: Clearance = None,
    length_mm: Annotated[
        float, typer.Option(min=500, max=20000, help="Of the underbody, without a sheet.")
    ] = 4200.0,
    width_mm: Annotated[
        float, typer.Option(min=500, max=3000, help="Of the underbody, without a sheet.")
    ] = 1500.0,
    paper: Paper = "A4",
    language: Language = "",
) -> Outcome:
    """Plan the photos before the shoot: where to put cards, where to stand, how sure it will be.

    Reads the sheet, the cards and the lens of the job; what is missing is proposed. Writes
    plan.html and plan.pdf, with drawing and tick list, into JOB/plan. Ends with 1 when not every
    point will be as sure as asked.

    \b
    Example:
      datumshot plan van --at two-post --wanted-mm 0.5
    """
    return actions.plan_job(
        job, at, wanted_mm, clearance_mm, (length_mm, width_mm), paper, language
    )


@_command("look")
def look(
    job: Job,
    at: At = "two-post",
    wanted_mm: WantedU = None,
    clearance_mm: Clearance = None,
) -> Outcome:
    """Tell on the spot whether the photos so far suffice, and which to take next.

    Says which cards were found, how sure each point is now, what is weak and why, and the next one
    to three photos that help most. Photos that were measured before are not measured again. Ends
    with 0 when every point is as sure as asked, else with 1.

    \b
    Example:
      datumshot look van --wanted-mm 0.5
    """
    with _progress() as progress:
        return actions.look_job(job, at, wanted_mm, clearance_mm, progress)


@_command("watch")
def watch(
    job: Job,
    at: At = "two-post",
    wanted_mm: WantedU = None,
    clearance_mm: Clearance = None,
) -> Outcome:
    """The same as look, again whenever a photo drops into JOB/photos.

    For photos that a phone synchronises or a camera sends while you shoot. Ctrl-C ends it, with 0
    if every point is as sure as asked, else with 1.

    \b
    Example:
      datumshot watch van --wanted-mm 0.5
    """
    with _page() as show:
        return actions.watch_job(job, at, wanted_mm, clearance_mm, _tell, show)


@_command("view")
def view(
    job: Job,
    ply: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write a PLY file instead of opening a window."),
    ] = None,
) -> Outcome:
    """Show a solved job in three dimensions.

    The window needs the package open3d; the file does not.

    \b
    Example:
      datumshot view van --ply van.ply
    """
    return actions.view_job(job, ply)


@_command("report")
def report(
    job: Job,
    pdf: Annotated[bool, typer.Option("--pdf", help="On paper, as a PDF.")] = False,
    output: Annotated[
        Path | None,
        typer.Option(
            "-o", "--output", metavar="PDF", help="Elsewhere than JOB/results/report.pdf."
        ),
    ] = None,
    paper: Paper = "A4",
    language: Language = "",
) -> Outcome:
    """Write the report of a solved job on paper: two to four pages, to sign and to keep.

    It is made from JOB/results/result.json; photos need not be there any more.

    \b
    Example:
      datumshot report van --pdf
    """
    return actions.report_job(job, pdf, output, paper, language)


@_command("export")
def export(
    job: Job,
    to: Annotated[
        str, typer.Option(metavar="FORMAT", help="csv, ply, dxf, colmap or undistorted.")
    ],
    output: Annotated[
        Path | None,
        typer.Option("-o", "--output", metavar="PATH", help="Elsewhere than in JOB/results."),
    ] = None,
) -> Outcome:
    """Write a solved job for other software.

    csv: the points for a spreadsheet, in whole micrometres, which no decimal comma can spoil. ply:
    points and cards with normals, coloured by deviation. dxf: points, deviations and names for CAD.
    colmap: the photos' poses, cameras and dots as a COLMAP text model. undistorted: the photos
    without distortion, with such a model. Ends with 1 when a photo is missing.

    \b
    Example:
      datumshot export van --to dxf -o van.dxf
    """
    with _progress() as progress:
        return actions.export_job(job, to, output, progress)


@_command("accept")
def accept(
    job: Annotated[Path | None, typer.Argument(metavar="[JOB]", help="The job folder.")] = None,
    lengths: Annotated[
        Path | None, typer.Argument(metavar="[LENGTHS]", help="Table of calibrated lengths.")
    ] = None,
    simulate: Annotated[
        bool, typer.Option("--simulate", help="Predict the errors by simulated jobs.")
    ] = False,
    lens: Annotated[
        Path | None, typer.Option(metavar="TOML", help="Simulate with this lens profile.")
    ] = None,
    photos: Annotated[int, typer.Option(min=4, max=200, help="Photos of a simulated job.")] = 36,
    near_mm: Annotated[
        float, typer.Option(min=300, max=10000, help="Least height of the cards above the phone.")
    ] = 1200.0,
    far_mm: Annotated[
        float, typer.Option(min=300, max=10000, help="Largest such height.")
    ] = 1800.0,
    bar_mm: Annotated[float, typer.Option(min=100, max=4000, help="Length of the bar.")] = 1200.0,
    bar_u_mm: Annotated[
        float, typer.Option(min=0.001, max=10, help="Its expanded uncertainty.")
    ] = 0.1,
    jobs: Annotated[int, typer.Option(min=1, max=1000, help="How many to simulate.")] = 20,
) -> Outcome:
    """Compare a job with calibrated lengths, or predict how well it would do.

    LENGTHS is a CSV file card_a,card_b,length_mm,U_mm of distances between card centres at 20
    degrees C that somebody else calibrated (U: k = 2); a bar of the job may not be among them. The
    job is measured once more, nothing is written. Ends with 1 when the errors are larger than the
    uncertainty explains, or when the lengths do not fill the volume as VDI/VDE 2634 part 1 asks.

    \b
    Example:
      datumshot accept van lengths.csv

    \b
    A prediction for one's own phone and way of working:
      datumshot accept --simulate --lens phone.toml --photos 40 --far-mm 2000
    """
    if simulate:
        if job is not None:
            raise UserError(
                "--simulate measures no job", str(job), "leave out the job folder, or --simulate"
            )
        if far_mm < near_mm:
            raise UserError(
                say(
                    "--far-mm ({far_mm:g}) is less than --near-mm ({near_mm:g})",
                    far_mm=far_mm,
                    near_mm=near_mm,
                ),
                "",
                "exchange them",
            )
        settings = {
            "photos": photos,
            "near_mm": near_mm,
            "far_mm": far_mm,
            "bar_mm": bar_mm,
            "bar_U_mm": bar_u_mm,
            "jobs": jobs,
        }
        with _progress() as progress:
            return actions.rehearse_acceptance(lens, settings, progress)
    if job is None or lengths is None:
        raise UserError(
            "a job folder and a table of lengths are needed",
            "",
            "name both, or ask for a prediction with --simulate",
        )
    with _progress() as progress:
        return actions.accept_job(job, lengths, progress)


if __name__ == "__main__":
    main()
