"""Whatever a command prints is German where that is asked for, and figures have a comma."""

from __future__ import annotations

import ast
import re
import tomllib
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline import catalogue
from pipeline.inputs.job import read_job
from pipeline.inputs.readings import read_readings
from pipeline.language import language_of
from pipeline.results.result import Result
from pipeline.sessions.compare import compare_sessions
from pipeline.sessions.compare_tables import compare_lines
from pipeline.sessions.sheet_check import check_sheet
from pipeline.sessions.tape import check_tape, tape_lines
from pipeline.sessions.verify import Verification, verification_lines
from pipeline.shoot.accept import Acceptance, KnownLength, accept, acceptance_lines
from pipeline.shoot.look import look
from pipeline.shoot.look_words import answer_lines, caution_lines, look_lines
from pipeline.shoot.plan import plan_lines, plan_shoot
from pipeline.shoot.rehearse import Plan, Prediction, prediction_lines
from pipeline.shoot.safety import PLACES, cautions
from pipeline.shoot.watch import Answer
from pipeline.truth import Comparison, comparison_lines
from targets.said import fixed, indented, opening, say
from tests.measured_case import SHEET_MM, measured_job
from tests.report_case import invented
from tests.shoot import invented_shoot, photo_set, taken, walk_around
from tests.terminal import run

GERMAN = language_of("de")
_ENGLISH = re.compile(
    r"\b(the|of|and|is|are|to|with|not|for|no|at|it|they|this|on|photos?|points?|cards?|out)\b"
)
_TYPED = re.compile(
    r"'[^']*'|\S+\.(csv|json|toml|html|pdf)\b|photos/|near \+ far|near edges|centres"
)


def assert_german(lines: Iterable[str]) -> None:
    told = [GERMAN.put(line) for line in lines]
    assert any(told)
    for line in told:
        plain = _TYPED.sub("", line)
        assert not _ENGLISH.search(plain), line
        assert not re.search(r"\d\.\d", plain), line


def test_a_look_and_a_watch() -> None:
    shoot = invented_shoot(3, hidden=0.1)
    walk = walk_around(np.random.default_rng(3), 8)
    photos = photo_set([taken(shoot, pose, i, 3) for i, pose in enumerate(walk)])
    spoilt = replace(photos, unreadable={"a.jpg": fixed("is empty")})
    for seen, wanted in ((spoilt, 0.6), (photos, 0.05), (photo_set(list(photos.photos[:1])), 0.6)):
        looked, _ = look(shoot.job, seen, wanted)
        assert_german(look_lines(looked))
        assert_german(answer_lines(Answer(looked, ("b.jpg",) * 5, ("c.jpg",), ("d.jpg",), 1.25)))
    assert looked.camera
    looked, _ = look(replace(shoot.job, cards=(), bars=()), photos, 0.6)
    assert_german([*look_lines(looked), *answer_lines(Answer(None, absent=True))])
    enough = replace(looked, enough=True, cards={})
    assert_german([*look_lines(enough), *answer_lines(Answer(None))])


@pytest.mark.parametrize("place", PLACES)
def test_a_plan(place: str, tmp_path: Path) -> None:
    result, _ = invented(tmp_path)
    plan = plan_shoot(replace(result.job, title="Fall 7"), place, None, 0.5)
    assert_german(caution_lines(cautions(place, tmp_path), place))
    assert_german(plan_lines(plan, Path("plan.html"), Path("plan.pdf")))


def test_tape_and_compare(tmp_path: Path) -> None:
    jobs = [
        measured_job(
            {n: place + shift * (n == "A L") for n, place in SHEET_MM.items()},
            np.eye(3 * len(SHEET_MM)) * 0.01,
            folder=Path(f"van{shift:.0f}"),
        )
        for shift in (9.0, 2.0, 5.0)
    ]
    assert_german(compare_lines(compare_sessions(jobs)))
    table = tmp_path / "readings.csv"
    table.write_text(
        "from,from_side,to,to_side,reading_mm,mode\nA,L,B,R,837,centres\nB,L,C,R,1000,centres\n",
        encoding="utf-8",
    )
    readings = read_readings(table, jobs[0].known)
    assert_german(tape_lines(jobs[0], check_tape(jobs[0], readings)))


def test_a_sheet_with_oddities(tmp_path: Path) -> None:
    sheet = tmp_path / "sheet.csv"
    head = "point,side,length_mm,width_mm,height_mm,parts,base,tol_mm\n"
    sheet.write_text(
        head + "A,LR,1500.5,500,200,both,yes,2.5\nB,L,0,500,200,in,yes,\nB,R,9.5,500,200,in,no,\n"
        "C,L,-1500,500,200,out,yes,\nD,L,-1500,500,201,out,yes,\n",
        encoding="utf-8",
    )
    lines, warnings = check_sheet(sheet)
    assert len(warnings) >= 4
    assert_german([*lines, *warnings])
    sheet.write_text(head, encoding="utf-8")
    lines, warnings = check_sheet(sheet)
    assert_german([*lines, *warnings])


def test_verdicts_on_lengths_truth_and_files(tmp_path: Path) -> None:
    result, _ = invented(tmp_path)
    ids = [card.card for card in result.cards][:4]
    far = [KnownLength((ids[0], other), 5000.0, 0.1) for other in ids[1:]]
    lines = acceptance_lines(accept(result, far, "lengths.csv"))
    assert_german([*lines, *acceptance_lines(near_enough(result, ids))])
    size = np.array([300.0, 700.0, 3500.0])
    for found in (
        Prediction(size, size * 1e-4, size * 2e-4, 1, 2),
        Prediction(size[:0], size[:0], size[:0], 3, 0),
    ):
        assert_german(prediction_lines(Plan(None, 36, 1200.0, 1800.0, 1200.0, 0.1, 20), found))
    axes = np.array([0.1, 0.2, 0.3])
    beyond = {"A L": "out", "B L": "undecided"}
    wrong = Comparison(5, 0.1, 0.2, 7, 6, axes, 0.95, beyond, ("C R",), 6, 5)
    assert_german(comparison_lines(wrong))
    assert_german(comparison_lines(Comparison(5, 0.1, 0.2, None, 6, axes, 0.95, {}, (), 0, 0)))
    gone = (say("{name}: is gone", name="a.jpg"),)
    assert_german(verification_lines(Verification("Fall 7", "0", 3, 4, gone)))
    assert_german(verification_lines(Verification("Fall 7", "0", 3, 4, ())))


def near_enough(result: Result, ids: list[int]) -> Acceptance:
    """Lengths as the job has them, too few for a whole test."""
    centre = {card.card: card.centre_mm for card in result.cards}
    return accept(
        result,
        [
            KnownLength((ids[0], b), float(np.linalg.norm(centre[b] - centre[ids[0]])), 0.5)
            for b in ids[1:]
        ],
        "lengths.csv",
    )


def test_commands_that_print_and_make(tmp_path: Path) -> None:
    for arguments in (
        ("cards", "--ids", "0,90", "-o", tmp_path / "c.pdf", "--plates", tmp_path / "p"),
        ("board", "-o", tmp_path / "b.pdf"),
        ("new", tmp_path / "neu"),
    ):
        outcome = run(*arguments, "--language", "de")
        assert outcome.exit_code == 0, outcome.stderr
        assert_german(line.replace(str(tmp_path), "") for line in outcome.stdout.splitlines())


def test_a_new_job_is_explained_in_german_and_is_the_same_job(tmp_path: Path) -> None:
    for code in ("de", "en"):
        assert run("new", tmp_path / code, "--title", "Fall 7", "--language", code).exit_code == 0
    german, english = ((tmp_path / code / "job.toml").read_text("utf-8") for code in ("de", "en"))
    assert tomllib.loads(german) == tomllib.loads(english)
    assert read_job(tmp_path / "de").title == "Fall 7"
    explained = [line for line in german.splitlines() if re.match("# (?!\\[|[a-z_A-Z]+ = )", line)]
    assert len(explained) > 25
    assert max(map(len, explained)) <= 102
    for line in explained:
        assert not re.search(r"\b(the|of|is|are|with)\b", line), line


def test_a_part_of_a_sentence_opens_a_line() -> None:
    told = indented(opening(say("{how}, under the car", how=say("kneel"))))
    assert told == "  Kneel, under the car"
    assert GERMAN.put(told).startswith("  Knien")


def test_no_line_is_put_together_where_nobody_can_translate_it() -> None:
    """In files that speak to the terminal, no f-string holds two words of a sentence."""
    files = (
        "actions truth exchange/export sessions/compare_tables sessions/sheet_check "
        "sessions/sheet_from sessions/tape sessions/verify shoot/accept shoot/camera_check "
        "shoot/look shoot/look_words shoot/plan shoot/rehearse"
    )
    left = []
    for name in files.split():
        path = Path(catalogue.__file__).parent / f"{name}.py"
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.JoinedStr):
                text = "".join(
                    str(getattr(part, "value", ""))
                    for part in node.values
                    if isinstance(part, ast.Constant)
                )
                if re.search(r"[a-z]{2,} [a-z]{2,}", re.sub(r"datumshot \w+", "", text)):
                    left.append(f"{name}, line {node.lineno}: {text}")
    assert left == []
