"""Acceptance by calibrated lengths: by hand, by an invented car, by simulated jobs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom
from typer.testing import CliRunner

from calib.camera import Camera
from calib.frames import Array, Pose
from calib.lens_file import LensProfile
from calib.photo import CameraIdentity
from pipeline import actions, cli
from pipeline.results.result import Result
from pipeline.shoot.accept import (
    Acceptance,
    KnownLength,
    LengthError,
    accept,
    acceptance_lines,
    length_between,
    lines_of,
    read_lengths,
)
from pipeline.shoot.rehearse import (
    VOLUME_MM,
    Plan,
    known_lengths,
    prediction_lines,
    rehearse,
    volume_of_lines,
)
from targets.bar import Bar
from targets.errors import UserError
from tests.report_case import invented
from tests.scene import covariance_like, solution_of

WHERE = "lengths.csv"
U_CERTIFICATE_MM = 0.04


def _solved(tmp_path: Path, centres: Array, sd_mm: float = 0.02) -> Result:
    """A job whose cards lie here, with a correlated covariance; its bar is 500-501."""
    result, _ = invented(tmp_path)
    cards = [*range(len(centres)), 500, 501]
    places = np.concatenate([centres, [[0.0, 0.0, -50.0], [1000.0, 0.0, -50.0]]])
    square = np.array([[-33.0, -33, 0], [33, -33, 0], [33, 33, 0], [-33, 33, 0]])
    covariance = covariance_like(np.random.default_rng(5), 12 * len(cards), sd_mm)
    return replace(
        result,
        job=replace(result.job, bars=(Bar((500, 501), 1000.0, 0.1, 11.5e-6),)),
        solution=solution_of(cards, places[:, None] + square, covariance),
        vehicle_from_network=Pose.identity(),
    )


def _volume(tmp_path: Path) -> tuple[Result, tuple[KnownLength, ...]]:
    """35 lengths along seven lines, exactly as long as calibrated."""
    centres, pairs = volume_of_lines()
    lengths = tuple(
        KnownLength((a, b), float(np.linalg.norm(centres[a] - centres[b])), U_CERTIFICATE_MM)
        for a, b in pairs
    )
    return _solved(tmp_path, centres), lengths


def _off(lengths: Sequence[KnownLength], by_mm: Sequence[float]) -> list[KnownLength]:
    return [replace(k, length_mm=k.length_mm + d) for k, d in zip(lengths, by_mm, strict=True)]


def test_error_is_measured_minus_calibrated_and_u_is_of_both(tmp_path: Path) -> None:
    """By hand: cards at 3, 4, 12 have distance 13; its variance by a sum over both cards."""
    centres = np.array([[0.0, 0.0, 0.0], [30.0, 40.0, 120.0], [1500.0, 900.0, 0.0]])
    result = _solved(tmp_path, centres)
    (e,) = accept(result, [KnownLength((1, 0), 129.9, 0.06)], WHERE).errors
    assert e.measured_mm == pytest.approx(130.0)
    assert e.error_mm == pytest.approx(0.1)
    # The centre is the mean of four dots; numeric derivatives of the distance by all 24 numbers.
    variance = 0.0
    steps = []
    dots = result.solution.dots_mm
    for k in range(24):
        moved = dots.copy().reshape(-1)
        moved[k] += 1e-4
        apart = moved.reshape(-1, 4, 3).mean(axis=1)
        steps.append((np.linalg.norm(apart[1] - apart[0]) - 130.0) / 1e-4)
    variance = float(np.array(steps) @ result.solution.covariance_mm2[:24, :24] @ steps)
    assert length_between(result.solution, 0, 1)[1] == pytest.approx(np.sqrt(variance), rel=1e-4)
    assert e.U_mm == pytest.approx(np.sqrt(4.0 * variance + 0.06**2), rel=1e-4)


def test_within_reaches_to_u_itself() -> None:
    known = KnownLength((1, 2), 1000.0, 0.1)
    assert LengthError(known, 1000.25, 0.25, 0).within
    assert LengthError(known, 999.75, 0.25, 0).within
    assert not LengthError(known, 1000.2501, 0.25, 0).within
    assert LengthError(known, 999.9, 0.25, 0).error_mm == pytest.approx(-0.1)


def test_lengths_along_seven_lines_are_accepted(tmp_path: Path) -> None:
    """35 lengths that are right: all seven lines are found and filled, verdict 0."""
    result, lengths = _volume(tmp_path)
    accepted = accept(result, lengths, WHERE)
    assert len(accepted.errors) == 35
    assert accepted.beyond == 0
    assert accepted.code == 0
    coverage = accepted.coverage
    assert (coverage.lines, coverage.full_lines, coverage.missing) == (7, 7, ())
    # Lengthwise, crosswise and two diagonals, 18 degrees off the length either way.
    assert coverage.directions == 4
    box = VOLUME_MM + [0.0, 0.0, 50.0]  # the bar lies 50 mm below
    np.testing.assert_allclose(np.sort(coverage.sides_mm), np.sort(box))
    assert coverage.longest_mm == pytest.approx(
        np.linalg.norm(VOLUME_MM - [0.0, 120.0, 0.0]), rel=1e-12
    )
    lines = acceptance_lines(accepted)
    assert lines[-1].startswith("Verdict: accepted.")
    assert sum("beyond U" in line for line in lines) == 0
    # The lines themselves: the pairs come line by line, five each.
    groups = np.array([e.line for e in accepted.errors]).reshape(7, 5)
    assert (groups == groups[:, :1]).all()
    assert len(set(groups[:, 0])) == 7


def test_what_the_guideline_misses_is_said(tmp_path: Path) -> None:
    """Right lengths that do not fill the volume: verdict 1, and each gap is named."""
    result, lengths = _volume(tmp_path)
    accepted = accept(result, lengths[:30], WHERE)
    assert accepted.holds
    assert accepted.code == 1
    assert accepted.coverage.full_lines == 6
    (missing,) = accepted.coverage.missing
    assert "7 lines with 5 lengths each" in missing
    assert "there are 6" in missing

    # One line along and one across: two directions, none longer than two thirds of 4446 mm.
    short = [k for k in lengths[:5] if k.length_mm < 2900.0] + list(lengths[10:15])
    accepted = accept(result, short, WHERE)
    assert accepted.coverage.directions == 2
    assert accepted.coverage.full_lines == 1
    text = "\n".join(acceptance_lines(accepted))
    assert "there is one" in text
    assert "lines in 3 directions (there are 2)" in text
    assert "a length of 2961 mm" in text  # 2/3 sqrt(4200^2 + 1400^2 + 350^2)
    assert "no whole acceptance test" in text


def test_errors_beyond_chance_are_not_accepted(tmp_path: Path) -> None:
    """U is exceeded once in 22 by chance: of 35 up to 5 (99 %, binomial), and none by twice U."""
    result, lengths = _volume(tmp_path)
    U = [e.U_mm for e in accept(result, lengths, WHERE).errors]
    share = 0.0455
    permitted = int(binom.ppf(0.99, 35, share))
    for count, code in ((permitted, 0), (permitted + 1, 1)):
        by = [1.2 * u if n < count else 0.5 * u for n, u in enumerate(U)]
        accepted = accept(result, _off(lengths, by), WHERE)
        assert accepted.beyond == count
        assert accepted.permitted == permitted
        assert accepted.code == code
    lines = acceptance_lines(accepted)
    assert sum(line.endswith("beyond U") for line in lines) == permitted + 1
    assert lines[-1].startswith("Verdict: not accepted.")

    accepted = accept(result, _off(lengths, [0.0] * 34 + [-2.1 * U[34]]), WHERE)
    assert accepted.beyond == 1
    assert accepted.code == 1
    worst = accepted.errors[34]
    assert f"Largest error: {worst.error_mm:+.3f} mm" in "\n".join(acceptance_lines(accepted))


def test_a_wrong_bar_shows_in_the_long_lengths(tmp_path: Path) -> None:
    """A scale wrong by a quarter of a percent: 10 mm over four metres, far beyond any U."""
    result, lengths = _volume(tmp_path)
    wrong = _off(lengths, [0.0025 * k.length_mm for k in lengths])
    accepted = accept(result, wrong, WHERE)
    assert not accepted.holds
    assert all(e.error_mm < 0 for e in accepted.errors)


@pytest.mark.parametrize(
    ("turn_deg", "beside_mm", "same"),
    [(0.0, 0.0, True), (5.0, 20.0, True), (15.0, 0.0, False), (0.0, 260.0, False)],
)
def test_lengths_in_line_are_one_line(turn_deg: float, beside_mm: float, same: bool) -> None:
    """Up to 10 degrees, and with ends up to a twentieth of the diagonal (225 mm here) beside."""
    turn = np.radians(turn_deg)
    start = np.array([300.0, beside_mm, 0.0])
    ends = np.array(
        [
            [[0.0, 0.0, 0.0], [4000.0, 0.0, 0.0]],
            [start, start + 500.0 * np.array([np.cos(turn), np.sin(turn), 0.0])],
        ]
    )
    line = lines_of(ends, 4500.0)
    assert (line[0] == line[1]) == same
    # The order of the ends and of the lengths does not matter.
    assert (np.diff(lines_of(ends[::-1, ::-1], 4500.0)) == 0).all() == same


# --- the table ------------------------------------------------------------------------------------


def _table(tmp_path: Path, *rows: str) -> Path:
    path = tmp_path / "lengths.csv"
    path.write_text("\n".join(["card_a,card_b,length_mm,U_mm", *rows]) + "\n", encoding="utf-8")
    return path


def test_the_table_is_read(tmp_path: Path) -> None:
    path = _table(tmp_path, "3,7,1500.25,0.05", "", "12,3,801,0.1")
    assert read_lengths(path) == (
        KnownLength((3, 7), 1500.25, 0.05),
        KnownLength((12, 3), 801.0, 0.1),
    )


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ((), "there are no test lengths"),
        (("3,3,100,0.1",), "both ends are card 3"),
        (("3,7,100,0.1", "7,3,100,0.1"), "between cards 7 and 3 is there twice"),
        (("3,900,100,0.1",), "there is no card 900"),
        (("3,7,nan,0.1",), "length_mm 'nan' is not a number"),
        (("3,7,0,0.1",), "length_mm '0' cannot be"),
        (("3,7,100,0",), "U_mm '0' cannot be"),
        (('3,7,"100,5",0.1',), "has a comma; write a decimal point"),
        (("3,7,100,",), "U_mm is empty"),
        (("3,7,100,0.1,5",), "more cells than the 4 columns"),
        (("x,7,100,0.1",), "card_a 'x' is not a whole number"),
    ],
)
def test_a_wrong_table_is_one_sentence(tmp_path: Path, rows: Sequence[str], sentence: str) -> None:
    with pytest.raises(UserError) as caught:
        read_lengths(_table(tmp_path, *rows))
    assert sentence in str(caught.value)
    assert "lengths.csv" in str(caught.value)
    assert caught.value.remedy


def test_the_bar_that_gives_the_scale_proves_nothing(tmp_path: Path) -> None:
    result, _ = _volume(tmp_path)
    for pair in ((500, 501), (501, 500)):
        with pytest.raises(UserError, match="it gives the scale"):
            accept(result, [KnownLength(pair, 1000.0, 0.1)], WHERE)
    # A length from a card of the bar to another card is a length like others.
    assert len(accept(result, [KnownLength((500, 3), 1000.0, 0.1)], WHERE).errors) == 1
    with pytest.raises(UserError, match="card 77 was not measured"):
        accept(result, [KnownLength((3, 77), 1000.0, 0.1)], WHERE)
    with pytest.raises(UserError, match="no bar was measured"):
        accept(replace(result, scaled=False), [KnownLength((3, 4), 1000.0, 0.1)], WHERE)


def test_without_a_vehicle_frame_the_box_has_its_own_axes(tmp_path: Path) -> None:
    """Turned by 30 degrees in the network, the sides of the box stay what they are."""
    result, lengths = _volume(tmp_path)
    c, s = np.cos(np.pi / 6), np.sin(np.pi / 6)
    turn = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    turned = replace(
        result,
        vehicle_from_network=None,
        solution=replace(result.solution, dots_mm=result.solution.dots_mm @ turn.T),
    )
    there = accept(turned, lengths, WHERE)
    assert there.coverage.sides_mm[0] == pytest.approx(4200.0, rel=0.02)
    assert there.coverage.sides_mm[1] == pytest.approx(1400.0, rel=0.05)
    assert there.coverage.full_lines == 7


# --- the command ----------------------------------------------------------------------------------


def _run(*arguments: str | Path) -> tuple[int, str, str]:
    done = CliRunner().invoke(cli.app, ["accept", *map(str, arguments)], prog_name="datumshot")
    return done.exit_code, done.stdout, done.stderr


@pytest.fixture
def solving(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[Result], None]:
    """Let ``solve`` find this result: photos are measured elsewhere."""
    import pipeline.inputs.job
    import pipeline.solve

    def let(result: Result) -> None:
        monkeypatch.setattr(pipeline.inputs.job, "read_job", lambda folder: result.job)
        monkeypatch.setattr(pipeline.solve, "solve", lambda job, progress: (result, ()))

    return let


def test_the_command_prints_the_table_and_ends_with_the_verdict(
    tmp_path: Path, solving: Callable[[Result], None]
) -> None:
    result, lengths = _volume(tmp_path)
    solving(result)
    rows = [f"{k.cards[0]},{k.cards[1]},{k.length_mm:.4f},{k.U_mm}" for k in lengths]
    code, out, err = _run(tmp_path, _table(tmp_path, *rows))
    assert (code, err) == (0, "")
    assert out.count("\n") == 41
    assert "Verdict: accepted." in out
    code, out, _ = _run(tmp_path, _table(tmp_path, *rows[:12]))
    assert code == 1
    assert "no whole acceptance test" in out
    code, out, err = _run(tmp_path, _table(tmp_path, "500,501,1000,0.1"))
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert "it gives the scale" in err


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ((), "a job folder and a table"),
        (("van",), "a job folder and a table"),
        (("--simulate", "van"), "--simulate measures no job"),
        (("--simulate", "--near-mm", "2000"), "is less than --near-mm"),
        (("nowhere", "no-lengths.csv"), "cannot read this file"),
        (("--simulate", "--lens", "none.toml"), "cannot read the lens profile"),
    ],
)
def test_wrong_use_is_one_sentence(arguments: Sequence[str], sentence: str) -> None:
    code, out, err = _run(*arguments)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert sentence in err


# --- the simulation -------------------------------------------------------------------------------


def _profile() -> LensProfile:
    """A calibrated phone of 8 MP."""
    sd = np.array([1.5, 1.5, 1.0, 1.0, 2e-3, 1e-2, 1e-4, 1e-4, 1e-2])
    return LensProfile(
        Camera(3264, 2448, np.array([2466.0, 2467, 1638, 1217, 0.07, -0.18, 5e-4, -7e-4, 0.1])),
        np.diag(sd**2),
        CameraIdentity("Invented", "Phone", "", 4.4, 28, 3264, 2448, None),
        0.1,
        14,
        "good",
        (),
    )


PLAN = Plan(
    profile=_profile(),
    photos=28,
    near_mm=1400.0,
    far_mm=1900.0,
    bar_mm=1200.0,
    bar_U_mm=0.1,
    jobs=4,
)


def test_the_simulated_lengths_are_what_the_guideline_asks_for(tmp_path: Path) -> None:
    centres, _ = volume_of_lines()
    accepted: Acceptance = accept(_solved(tmp_path, centres), known_lengths(), WHERE)
    assert accepted.coverage.missing == ()
    # No two cards of 80 mm cover each other.
    apart = np.linalg.norm(centres[:, None] - centres, axis=2)[np.triu_indices(len(centres), 1)]
    assert apart.min() > 80.0


def test_predicted_errors_hold_their_uncertainty() -> None:
    """With a bar of 3 m that is nearly exact, errors are those of the photos, and within U mostly.

    The lengths of a job share its camera and its bar, so a job counts as one: the median over five
    jobs of the rms error in standard uncertainties lies near 1. (Over 20 jobs the rms is 1.04, 94 %
    of the lengths lie within U, and one job in which they share an error of 2.7 u is among them.)
    """
    plan = replace(PLAN, bar_mm=3000.0, bar_U_mm=0.02, jobs=5)
    shown = []
    found = rehearse(plan, lambda done, total: shown.append((done, total)))
    assert shown == [(job, 5) for job in range(6)]
    assert (found.failed, found.missed) == (0, 0)
    shares = (2.0 * found.error_mm / found.U_mm).reshape(5, 35)
    rms = np.sqrt((shares**2).mean(axis=1))
    assert 0.6 < np.median(rms) < 1.5
    assert 0.005 < np.sqrt((found.error_mm**2).mean()) < 0.1

    lines = prediction_lines(plan, found)
    assert "28 photos of 3264 x 2448, lens calibrated" in lines[0]
    assert f"smaller than {np.quantile(np.abs(found.error_mm), 0.95):.2f} mm" in lines[-2]
    again = rehearse(replace(plan, jobs=1), lambda done, total: None)
    np.testing.assert_array_equal(again.error_mm, found.error_mm[: len(again.error_mm)])


def test_the_bar_bounds_what_long_lengths_can_be() -> None:
    """A bar of 1200 mm known to 0.1 mm makes 4000 mm unsure by 0.33 mm whatever the photos do."""
    found = rehearse(replace(PLAN, jobs=1), lambda done, total: None)
    long = found.length_mm > 4000.0
    share = found.U_mm[long] / found.length_mm[long]
    assert (share > 0.1 / 1200.0).all()
    assert (share < 1.6 * 0.1 / 1200.0).all()
    assert found.U_mm[found.length_mm < 800.0].max() < 0.15


def test_photos_that_share_nothing_predict_nothing() -> None:
    """Four photos so near that no two show the same three cards: the job fails and is counted."""
    plan = replace(PLAN, photos=4, near_mm=300.0, far_mm=350.0, jobs=2)
    found = rehearse(plan, lambda done, total: None)
    assert found.failed == 2
    text = "\n".join(prediction_lines(plan, found))
    assert "2 of 2 jobs could not be measured at all" in text
    assert "Nothing to predict" in text
    settings = {
        "photos": 4,
        "near_mm": 300.0,
        "far_mm": 350.0,
        "bar_mm": 1200.0,
        "bar_U_mm": 0.1,
        "jobs": 1,
    }
    outcome = actions.rehearse_acceptance(None, settings, lambda stage, done, total: None)
    assert outcome.code == 1
