"""One function a command: load, call, save, and what to print.

Each imports what it needs when it runs: the command line must answer ``--help`` at once.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from targets.errors import UserError, system_reason
from targets.said import Said, indented, say, say_count

if TYPE_CHECKING:
    from pipeline.results.result import Result

Progress = Callable[[str, int, int], None]
"""Told the stage, how many of its steps are done, and how many there are."""


@dataclass(frozen=True)
class Outcome:
    """What a command has to say: lines for standard output, and its exit code."""

    lines: tuple[str, ...]
    code: int = 0


def print_cards(
    ids: str, output: Path, paper: str, plates: Path | None, language: str = ""
) -> Outcome:
    """Cards as a PDF, and as pictures for engraving if a folder for them is given."""
    from pipeline.language import language_for
    from targets.pages import cards_pdf, parse_ids
    from targets.plates import write_plates

    _require_suffix(output, ".pdf")
    numbers = parse_ids(ids)
    pages = cards_pdf(numbers, output, paper, language_for(language, "").put)
    lines = [
        say(
            "{cards} on {pages}: {output}",
            cards=say_count(len(numbers), "{count} card", "{count} cards"),
            pages=_on_pages(pages),
            output=output,
        ),
        say("Print at actual size (100 %) and measure the check line."),
    ]
    if plates is not None:
        lines.append(
            say("Pictures for engraving: {folder}", folder=write_plates(numbers, plates).parent)
        )
    return Outcome(tuple(lines))


def print_board(output: Path, paper: str, language: str = "", **settings: Any) -> Outcome:
    """The calibration board as a PDF, with its .toml of the same name beside it.

    Parameters
    ----------
    settings : fields of ``Board``; None leaves its default.
    """
    from pipeline.language import language_for
    from targets.board import Board, write_board
    from targets.pages import board_pdf

    _require_suffix(output, ".pdf")
    board = Board(**{key: value for key, value in settings.items() if value is not None})
    pages = board_pdf(board, output, paper, language_for(language, "").put)
    described = output.with_suffix(".toml")
    write_board(board, described)
    return Outcome(
        (
            say(
                "Board of {columns} x {rows} squares on {pages}: {output}",
                columns=board.columns,
                rows=board.rows,
                pages=_on_pages(pages),
                output=output,
            ),
            say(
                "What was printed: {file}; keep it with the photos of the board.",
                file=described,
            ),
            say("Fix the print to something flat, such as a pane of glass."),
        )
    )


def calibrate_lens(photos: Path, board_file: Path, output: Path, progress: Progress) -> Outcome:
    """Photos of the board to a lens profile."""
    from targets.board import read_board

    _require_suffix(output, ".toml")
    if os.path.realpath(output) == os.path.realpath(board_file):
        raise UserError("the output is the board's own file", str(output), "name another file")
    board = read_board(board_file)
    return Outcome(_calibrated(photos, board, output, progress))


def start_job(folder: Path, title: str, language: str = "") -> Outcome:
    """A new job folder."""
    from pipeline.inputs.new_job import new_job
    from pipeline.language import language_for

    new_job(folder, title, language_for(language, "").put)
    return Outcome(
        (
            say("Job folder: {folder}", folder=folder),
            say("Fill in job.toml (bars!), sheet.csv and cards.csv, put the photos into photos/,"),
            say("then run: datumshot solve {folder}", folder=_quoted(folder)),
        )
    )


def solve_job(folder: Path, progress: Progress, language: str = "") -> Outcome:
    """Measure a job; results go into its results folder.

    Parameters
    ----------
    language : code of that of the page, "" for what job.toml or the system says.
    """
    from pipeline.summary import exit_code, summary_lines

    result, moved = _solved(folder, progress, language)
    lines = summary_lines(result, _report_path(folder), moved)
    return Outcome(tuple(lines), exit_code(result))


def plan_job(
    folder: Path,
    place: str,
    wanted_U_mm: float | None,
    clearance_mm: float | None,
    size_mm: tuple[float, float],
    paper: str,
    language: str = "",
) -> Outcome:
    """Plan a shoot; the page and the sheet to print go into the job's folder plan."""
    from calib.lens_file import read_profile
    from pipeline.inputs.job import read_job
    from pipeline.language import language_for
    from pipeline.report.plan_page import write_plan_page, write_plan_paper
    from pipeline.shoot.look import U_SHARE
    from pipeline.shoot.look_words import caution_lines
    from pipeline.shoot.plan import plan_lines, plan_shoot
    from pipeline.shoot.safety import cautions

    job = read_job(folder)
    told_in = language_for(language, job.language).code
    first = cautions(place, folder)
    wanted = wanted_U_mm if wanted_U_mm is not None else U_SHARE * job.tolerance_mm
    profile = read_profile(job.lens) if job.lens else None
    plan = plan_shoot(job, place, profile, wanted, clearance_mm, size_mm)
    page, sheet = folder / "plan" / "plan.html", folder / "plan" / "plan.pdf"
    write_plan_page(plan, first, page, told_in)
    write_plan_paper(plan, first, sheet, paper, told_in)
    lines = (*caution_lines(first, place), *plan_lines(plan, page, sheet))
    return Outcome(lines, 0 if plan.reached else 1)


def watch_job(
    folder: Path,
    place: str,
    wanted_U_mm: float | None,
    clearance_mm: float | None,
    tell: Callable[[list[str]], None],
    show: Callable[[list[str]], None],
) -> Outcome:
    """Judge a shoot anew whenever photos come in, until the user ends it.

    Parameters
    ----------
    tell : prints lines that stay; show : puts lines in place of those shown before.
    """
    from capture.cache import cache_of_job
    from pipeline.inputs.job import read_job
    from pipeline.shoot.look_words import answer_lines, caution_lines, verdict_line
    from pipeline.shoot.safety import cautions
    from pipeline.shoot.watch import Answer, LiveShoot, watch

    job = read_job(folder)
    tell(caution_lines(cautions(place, folder), place))
    if not (folder / "photos").is_dir():
        raise UserError(
            "there is no folder of photos to watch",
            str(folder / "photos"),
            "make it first",
        )
    live = LiveShoot(job, wanted_U_mm, clearance_mm, place, cache_of_job(folder))
    last: list[Answer] = [Answer(None)]

    def answered(answer: Answer) -> None:
        last[0] = answer
        show(answer_lines(answer))

    show(answer_lines(last[0]))
    with contextlib.suppress(KeyboardInterrupt):
        watch(live, answered, lambda: False)
    looked = last[0].looked
    if looked is None:
        return Outcome((say("Stopped; no photo was judged."),), 1)
    return Outcome(
        (
            say(
                "Stopped after {photos} photos. {verdict}",
                photos=looked.photos,
                verdict=verdict_line(looked),
            ),
        ),
        not looked.enough,
    )


def look_job(
    folder: Path,
    place: str,
    wanted_U_mm: float | None,
    clearance_mm: float | None,
    progress: Progress,
) -> Outcome:
    """Judge a shoot by the photos so far; nothing is written but the cache of measured photos."""
    from calib.photo import photo_paths
    from capture.cache import cache_of_job
    from capture.photo_set import GreyPhotos, see_photos
    from pipeline.inputs.job import read_job
    from pipeline.shoot.look import look
    from pipeline.shoot.look_words import caution_lines, look_lines
    from pipeline.shoot.safety import cautions

    job = read_job(folder)
    first = caution_lines(cautions(place, folder), place)
    paths = photo_paths(folder / "photos")
    if not paths:
        raise UserError(
            "there are no photos yet in this folder",
            str(folder / "photos"),
            "put the first ones there, or run datumshot plan for a list of photos to take",
        )
    seen = see_photos(
        paths,
        GreyPhotos(0),
        lambda done, total: progress("measuring photos", done, total),
        job.marks,
        cache_of_job(folder),
    )
    looked, _ = look(job, seen, wanted_U_mm, clearance_mm, place=place)
    return Outcome((*first, *look_lines(looked)), 0 if looked.enough else 1)


def accept_job(folder: Path, table: Path, progress: Progress) -> Outcome:
    """Measure a job once more and compare it with calibrated lengths; nothing is written."""
    from pipeline.inputs.job import read_job
    from pipeline.shoot.accept import accept, acceptance_lines, read_lengths
    from pipeline.solve import solve

    lengths = read_lengths(table)
    result, _ = solve(read_job(folder), progress)
    accepted = accept(result, lengths, table.name)
    return Outcome((result.job.title, *acceptance_lines(accepted)), accepted.code)


def check_sheet(file: Path) -> Outcome:
    """What a reference sheet holds; 1 when something about it is odd."""
    from pipeline.sessions.sheet_check import check_sheet

    lines, warnings = check_sheet(file)
    told = [indented(warning) for warning in warnings]
    count = say("Warnings: {count}", count=len(told)) if told else say("Warnings: none")
    return Outcome((*lines, count, *told), 1 if told else 0)


def make_sheet(folder: Path, output: Path) -> Outcome:
    """A reference sheet from a measured sound vehicle."""
    from pipeline.rounding import rounded_U
    from pipeline.sessions.measured import read_measured
    from pipeline.sessions.sheet_from import sheet_from
    from targets.atomic import write_text

    _require_suffix(output, ".csv")
    if output.exists():
        raise UserError("this file exists already", str(output), "name another file")
    measured = read_measured(folder)
    made = sheet_from(measured)
    write_text(output, made.text)
    return Outcome(
        (
            *measured.warnings,
            say_count(
                made.points,
                "Sheet of {count} point: {output}",
                "Sheet of {count} points: {output}",
                output=output,
            ),
            say(
                "Its uncertainties (u, standard) are those of the measurement and of the "
                "scatter of the build: {least:.2f} to {most:.2f} mm",
                least=rounded_U(made.u_mm.min(), 2),
                most=rounded_U(made.u_mm.max(), 2),
            ),
            *(say("Warning: {warning}", warning=warning) for warning in made.warnings),
        ),
        1 if made.warnings else 0,
    )


def verify_job(folder: Path, measure: bool, progress: Progress) -> Outcome:
    """Whether results and files belong together; if asked, measured once more without the cache."""
    from pipeline.inputs.job import read_job
    from pipeline.results.result_document import result_document
    from pipeline.results.result_json import load_result_json
    from pipeline.sessions.verify import figures_differ, verification_lines, verify
    from pipeline.solve import solve

    found = verify(folder)
    lines = verification_lines(found)
    if not measure or found.differences:
        return Outcome(tuple(lines), 1 if found.differences else 0)
    stored = load_result_json(folder / "results" / "result.json")
    result, _ = solve(read_job(folder), progress)
    hashes = [(one["file"], one["sha256"]) for one in stored["inputs"]]
    differ = figures_differ(stored, result_document(result, hashes))
    if differ:
        return Outcome(
            (*lines, say("Measured once more, the figures differ: {differ}.", differ=differ)), 1
        )
    return Outcome((*lines, say("Measured once more: the same figures to the last digit.")))


def tape_job(folder: Path, table: Path, language: str = "") -> Outcome:
    """Compare tape and tram readings with a solved job; tape.html, .csv, .json go to results."""
    from pipeline.inputs.readings import read_readings
    from pipeline.language import language_for
    from pipeline.report.tape_page import write_tape_page
    from pipeline.results.results_folder import only_run
    from pipeline.sessions.measured import laid_by_symmetry, read_measured, solved_document
    from pipeline.sessions.tape import check_tape, tape_exit_code, tape_lines, write_tape

    solved_document(folder)  # says best what is wrong with a folder that is no solved job
    with only_run(folder):
        measured = laid_by_symmetry(read_measured(folder))
        told_in = language_for(language, measured.language).code
        if not measured.points:
            raise UserError(
                "this job has no points to hold a tape between",
                str(folder),
                "it needs a cards.csv, and with a sheet.csv base points that give a vehicle frame",
            )
        checks = check_tape(measured, read_readings(table, measured.known))
        write_tape(measured, checks, folder / "results")
        page = folder / "results" / "tape.html"
        write_tape_page(measured, checks, page, told_in)
    lines = tape_lines(measured, checks)
    return Outcome((*lines, say("Page: {page}", page=page)), tape_exit_code(checks))


def compare_jobs(folders: Sequence[Path], language: str = "") -> Outcome:
    """Compare sessions of one car; compare.html, .csv and .json go to the last one's results.

    Their report.html gets its section 'before and after'.
    """
    from pipeline.language import language_for
    from pipeline.report.before_after import put_before_after
    from pipeline.report.compare_page import write_compare_page
    from pipeline.results.results_folder import only_run
    from pipeline.sessions.compare import compare_sessions
    from pipeline.sessions.compare_tables import compare_lines, write_comparison
    from pipeline.sessions.measured import read_measured, solved_document

    solved_document(folders[-1])  # says best what is wrong with a folder that is no solved job
    with only_run(folders[-1]):
        comparison = compare_sessions([read_measured(folder) for folder in folders])
        last = comparison.sessions[-1]
        told_in = language_for(language, last.language).code
        results = folders[-1] / "results"
        document = write_comparison(comparison, results)
        write_compare_page(comparison, results / "compare.html", told_in)
        why_not = put_before_after(document, results, last.inches)
    lost = any(found.only_earlier or found.only_later for found in comparison.from_first)
    told = why_not or say("Before and after: in {page}, too", page=results / "report.html")
    lines = (
        *compare_lines(comparison),
        "",
        say("Page: {page}", page=results / "compare.html"),
        told,
    )
    return Outcome(lines, int(lost))


def rehearse_acceptance(lens: Path | None, settings: dict[str, Any], progress: Progress) -> Outcome:
    """Predict length errors by simulated jobs.

    Parameters
    ----------
    settings : fields of ``pipeline.shoot.rehearse.Plan`` other than the lens profile.
    """
    from calib.lens_file import read_profile
    from pipeline.shoot.rehearse import Plan, prediction_lines, rehearse

    plan = Plan(profile=read_profile(lens) if lens else None, **settings)
    found = rehearse(plan, lambda done, total: progress("simulated jobs", done, total))
    return Outcome(tuple(prediction_lines(plan, found)), 1 if found.failed else 0)


def view_job(folder: Path, ply: Path | None) -> Outcome:
    """A window with the measured points, or a PLY file of them."""
    from pipeline.results.result_json import load_result_json
    from pipeline.view import show, write_ply

    path = folder / "results" / "result.json"
    if ply is None:
        show(path)
        return Outcome(())
    _require_suffix(ply, ".ply")
    write_ply(load_result_json(path), ply)
    return Outcome((say("Points, cards and photos in 3-D: {ply}", ply=ply),))


def report_job(
    folder: Path, pdf: bool, output: Path | None, paper: str, language: str = ""
) -> Outcome:
    """The report of a solved job on paper."""
    from pipeline.language import language_for
    from pipeline.report.paper import write_paper
    from pipeline.results.results_folder import only_run
    from pipeline.sessions.measured import measured_of, solved_document

    if not pdf:
        raise UserError(
            "the page results/report.html is written by datumshot solve",
            str(folder),
            "add --pdf to have the report on paper",
        )
    path = output or folder / "results" / "report.pdf"
    _require_suffix(path, ".pdf")
    solved_document(folder)  # says best what is wrong with a folder that is no solved job
    with only_run(folder):
        document = solved_document(folder)
        measured = measured_of(folder, document)
        told_in = language_for(language, measured.language).code
        pages = write_paper(measured, document, path, paper, told_in)
    return Outcome(
        (
            say("Report on {pages}: {path}", pages=_on_pages(pages), path=path),
            *measured.warnings,
        )
    )


def export_job(folder: Path, to: str, output: Path | None, progress: Progress) -> Outcome:
    """A solved job as files for other software."""
    from pipeline.exchange.export import export

    done = export(folder, to, output, progress)
    return Outcome(done.lines, 1 if done.incomplete else 0)


def run_demo(folder: Path, progress: Progress, language: str = "") -> Outcome:
    """The rendered job from printed board to report, and how far it lies from the truth."""
    from pipeline.summary import exit_code, summary_lines
    from pipeline.truth import compare, comparison_lines, read_truth
    from targets.board import read_board

    copy_demo(find_samples(Path.cwd()), folder)
    job = folder / "job"
    board = read_board(folder / "board" / "board.toml")
    lens_lines = _calibrated(folder / "board", board, job / "phone.toml", progress)
    result, moved = _solved(job, progress, language)
    comparison = compare(result, read_truth(folder / "truth.json"))
    lines = (
        *lens_lines,
        "",
        *summary_lines(result, _report_path(job), moved),
        "",
        *comparison_lines(comparison),
        *_more_of_the_demo(folder),
    )
    return Outcome(lines, exit_code(result))


def _more_of_the_demo(folder: Path) -> tuple[str, ...]:
    """What else the demo folder holds, and how to run it."""
    job, pulled = _quoted(folder / "job"), _quoted(folder / "pulled")
    lines = ["", say("More of this demo:")]
    if (folder / "job" / "readings.csv").exists():
        lines.append(f"  datumshot tape {job} {_quoted(folder / 'job' / 'readings.csv')}")
    if (folder / "pulled").is_dir():
        lines.append(
            say(
                "  {command}   (the same van after a first pull)",
                command=f"datumshot solve {pulled}",
            )
        )
        lines.append(f"  datumshot compare {job} {pulled}")
    return tuple(lines) if len(lines) > 2 else ()


def find_samples(start: Path) -> Path:
    """The sample_images folder of a clone: above ``start``, or beside an editable installation.

    They never ship with an installed copy.
    """
    places = [start, *start.parents, Path(__file__).parent.parent]
    for place in places:
        samples = place / "sample_images"
        if all((samples / part).exists() for part in ("job/job.toml", "board", "truth.json")):
            return samples
    raise UserError(
        "the photos of the demo (sample_images) are not here",
        str(start),
        "run this in the folder of the clone; an installed copy does not contain them",
    )


def copy_demo(samples: Path, folder: Path) -> None:
    """Copy jobs, board photos and truth into ``folder``, whole or not at all.

    A folder that holds this very demo already is kept as it is.

    Raises
    ------
    UserError : ``folder`` holds something else, or cannot be written.
    """
    truth = (samples / "truth.json").read_bytes()
    try:
        if folder.is_dir() and any(folder.iterdir()):
            if (folder / "truth.json").is_file() and (folder / "truth.json").read_bytes() == truth:
                return
            raise UserError(
                "this folder holds something else", str(folder), "name a new folder for the demo"
            )
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder.parent, prefix=".datumshot-") as beside:
            whole = Path(beside) / "demo"
            for part in ("job", "board", "pulled"):
                if not (samples / part).is_dir():
                    continue
                shutil.copytree(
                    samples / part, whole / part, ignore=shutil.ignore_patterns("results", ".*")
                )
            shutil.copyfile(samples / "truth.json", whole / "truth.json")
            if folder.is_dir():
                folder.rmdir()  # it is empty
            whole.rename(folder)
    except OSError as error:
        # copytree goes on after a fault, and lists them all in the end.
        why = error.args[0][0][2] if isinstance(error, shutil.Error) else system_reason(error)
        raise UserError(
            say("cannot copy the demo here ({why})", why=why),
            str(folder),
            "name another folder",
        ) from error


def _calibrated(photos: Path, board: Any, output: Path, progress: Progress) -> tuple[str, ...]:
    """Calibrate, save, and say how good it is."""
    from calib.calibrate import calibrate
    from calib.lens_file import VERDICT_WORDS, write_profile
    from calib.photo import photo_paths

    paths = photo_paths(photos)
    if not paths:
        raise UserError(
            "there are no photos in this folder",
            str(photos),
            "put the photos of the board there",
        )
    done = 0

    def one_more(_: str) -> None:
        nonlocal done
        done += 1
        progress("board photos", done, len(paths))

    progress("board photos", 0, len(paths))
    profile = calibrate(paths, board, one_more)
    progress("board photos", len(paths), len(paths))
    write_profile(profile, output)
    return (
        say("Lens profile: {output}", output=output),
        say(
            "Verdict: {verdict}; {used} of {photos} photos used, {rms:.2f} px rms",
            verdict=VERDICT_WORDS[profile.verdict],
            used=profile.photos,
            photos=len(paths),
            rms=profile.rms_px,
        ),
        *map(indented, profile.reasons),
    )


def _solved(folder: Path, progress: Progress, language: str = "") -> tuple[Result, list[str]]:
    """Read a job, measure it, write its results; names of what these moved out of their way."""
    from capture.cache import cache_of_job
    from pipeline.inputs.job import read_job
    from pipeline.language import language_for
    from pipeline.report.page import write_report
    from pipeline.report.thumbnails import Previews
    from pipeline.results.provenance import input_hashes
    from pipeline.results.results_folder import new_results, only_run, others
    from pipeline.results.tables import write_tables
    from pipeline.sessions.verify import require_unchanged
    from pipeline.solve import solve

    read_job(folder)  # says best what is wrong with a folder that is no job
    with (
        only_run(folder),
        new_results(folder) as results,
        Previews(folder / "photos") as previews,
    ):
        moved = others(folder)
        job, cache = read_job(folder), cache_of_job(folder)
        typed = input_hashes(job, [])
        result, sightings = solve(job, progress, cache, previews.begin)
        cache.drop_unused()
        progress("writing results", 0, 2)
        hashes = input_hashes(job, [photo.name for photo in result.photos])
        require_unchanged(result, typed, hashes)
        write_tables(result, results, hashes)
        progress("writing results", 1, 2)
        told_in = language_for(language, job.language).code
        write_report(result, sightings, results / "report.html", hashes, told_in, previews)
    progress("writing results", 2, 2)
    return result, moved


def _report_path(folder: Path) -> Path:
    return folder / "results" / "report.html"


def _require_suffix(path: Path, suffix: str) -> None:
    if path.suffix.lower() != suffix:
        raise UserError(
            say("the name does not end in {suffix}", suffix=suffix),
            str(path),
            say("add {suffix}", suffix=suffix),
        )


def _quoted(path: Path) -> str:
    """A path as one word of a command line, on every system."""
    return f'"{path}"' if " " in str(path) else str(path)


def _on_pages(count: int) -> Said:
    return say_count(count, "{count} page", "{count} pages")
