"""A result against a known truth: errors that are put in must come out."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.frames import rotations
from pipeline.repair.suspension import Figure, SuspensionChange
from pipeline.results.result import Result
from pipeline.truth import Truth, compare, comparison_lines, fit_errors_mm, read_truth
from targets.errors import UserError
from tests.report_case import invented


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Result:
    """All cards well seen."""
    made = invented(tmp_path_factory.mktemp("job"))[0]
    return replace(made, cards=tuple(replace(card, photos=4) for card in made.cards))


def truth_of(result: Result) -> Truth:
    """What the result says, as if it were true."""
    return Truth(
        {card.card: card.centre_mm for card in result.cards},
        {(row.point, row.side): row.deviation_mm for row in result.deviations.rows},
        {},
    )


def test_a_rigid_motion_is_no_error_but_a_scale_is() -> None:
    rng = np.random.default_rng(11)
    true = rng.normal(size=(9, 3)) * [2000.0, 500.0, 100.0]
    moved = true @ rotations(np.array([0.3, -1.2, 2.5])).T + [1e3, -2e3, 3e3]
    np.testing.assert_allclose(fit_errors_mm(moved, true), 0.0, atol=1e-9)
    # Scaled about the centre: the fit cannot take it back, so each is off by its share.
    centred = true - true.mean(axis=0)
    errors = fit_errors_mm(1.001 * moved, true)
    np.testing.assert_allclose(errors, 0.001 * centred, atol=1e-9)


def test_a_mirror_is_no_motion() -> None:
    true = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 3.0]])
    assert np.abs(fit_errors_mm(true * [1.0, 1.0, -1.0], true)).max() > 0.5


def test_two_points_fix_no_motion() -> None:
    assert np.isnan(fit_errors_mm(np.zeros((2, 3)), np.zeros((2, 3)))).all()


def test_no_error_is_none(result: Result) -> None:
    found = compare(result, truth_of(result))
    assert found.cards == len(result.cards)
    assert found.centre_max_mm < 1e-9
    assert found.points == len(result.deviations.rows)
    assert found.deviation_rms_mm.tolist() == [0.0, 0.0, 0.0]
    assert found.covered == 1.0
    assert found.beyond == {"A L": "out", "A R": "undecided"}  # A right by 3.05 of 3 mm
    assert found.wrongly_out == ()


def test_card_errors_come_out(result: Result) -> None:
    truth = truth_of(result)
    centres = {card: np.array(centre) for card, centre in truth.centres_mm.items()}
    centres[20] = centres[20] + [0.0, 0.0, 0.3]
    found = compare(result, replace(truth, centres_mm=centres))
    assert found.farthest_card == 20
    # 0.3 mm in one of 16 cards: the fit takes a part of it, never adds to it.
    assert 0.2 < found.centre_max_mm < 0.3
    assert 0.2 / 4.0 < found.centre_rms_mm <= 0.3 / 4.0


def test_seldom_seen_cards_do_not_count(result: Result) -> None:
    cards = tuple(replace(c, photos=3) if c.card == 20 else c for c in result.cards)
    truth = truth_of(result)
    spoilt = {**truth.centres_mm, 20: np.array([9e3, 9e3, 9e3])}
    found = compare(replace(result, cards=cards), replace(truth, centres_mm=spoilt))
    assert (found.cards, found.centre_max_mm < 1e-9) == (len(cards) - 1, True)


def test_deviation_errors_and_wrong_verdicts_come_out(result: Result) -> None:
    """U of each deviation is 0.15, 0.18, 0.3 mm."""
    truth = truth_of(result)
    deviations = {name: np.array(value) for name, value in truth.deviations_mm.items()}
    for value in deviations.values():
        value += [0.14, -0.2, 0.0]
    deviations["A", "L"] = np.zeros(3)  # called out, though nothing is wrong with it
    deviations["E", "R"] = np.array([0.0, 0.0, -9.0])  # not called out, though it is
    found = compare(result, replace(truth, deviations_mm=deviations))
    count = len(deviations)
    # Of A left and E right the whole deviation along the axis is now an error.
    rows = {(row.point, row.side): row.deviation_mm[0] for row in result.deviations.rows}
    squares = 0.14**2 * (count - 2) + rows["A", "L"] ** 2 + rows["E", "R"] ** 2
    assert found.deviation_rms_mm[0] == pytest.approx(np.sqrt(squares / count))
    # Within U: length and height of all but A left, and all of E right but its height.
    assert found.covered == pytest.approx((2 * (count - 2) + 2) / (3 * count))
    assert found.beyond == {"E R": "within"}  # A right is now off by 2.91 of 3 mm
    assert found.wrongly_out == ("A L",)
    lines = comparison_lines(found)
    assert lines[0].endswith(f"{len(result.cards)} cards and {count} points:")
    assert "E R was called within" in lines[-1]
    assert "A L was called out wrongly" in lines[-1]


def test_the_lines_say_what_was_compared(result: Result) -> None:
    lines = comparison_lines(compare(result, truth_of(result)))
    assert lines[1:] == [
        "  card centres, scaled by the bars alone: 0.000 mm rms, 0.000 mm at most (card "
        f"{compare(result, truth_of(result)).farthest_card})",
        "  deviations: length 0.000, width 0.000, height 0.000 mm rms",
        "  errors within the stated U (k = 2): 100 %",
        "  points truly out of tolerance: 1 of 2 called out; A R was called undecided",
    ]
    nothing = compare(result, Truth({}, {}, {}))
    assert (nothing.cards, nothing.points, nothing.farthest_card) == (0, 0, None)
    assert len(comparison_lines(nothing)) == 1


def test_changes_of_the_wheels_are_held_against_the_truth(result: Result) -> None:
    """Camber of both sides and the right side's caster are known; the left camber is beyond U."""
    caster = SuspensionChange("caster", "front", None, Figure(-0.2, 0.3), None, ("A R", "B R"))
    camber = SuspensionChange(
        "camber", "front", Figure(1.0, 0.3), Figure(0.1, 0.3), Figure(0.9, 0.4), ("A L", "B L")
    )
    truth = replace(
        truth_of(result),
        wheels={
            ("front", "camber", "left"): 1.31,
            ("front", "camber", "right"): -0.19,
            ("front", "caster", "left"): 0.0,
            ("front", "caster", "right"): 0.0,
            ("", "wheelbase", "left"): 0.0,
        },
    )
    found = compare(replace(result, suspension=(camber, caster)), truth)
    assert (found.wheel_figures, found.wheel_figures_held) == (3, 2)
    assert comparison_lines(found)[-1] == (
        "  changes of camber, caster and wheelbase: 2 of 3 within their U"
    )


CAMBER = {"what": "camber", "axle": "front", "left": -1, "right": 0.5}
GOOD = {
    "cards": [{"card": 7, "vehicle": {"centre_mm": [1, 2, 3]}}],
    "points": [{"point": "A", "side": "L", "deviation_mm": [0.5, 0, -0.5]}],
    "suspension": [CAMBER],
}


def test_truth_is_read(tmp_path: Path) -> None:
    path = tmp_path / "truth.json"
    path.write_text(json.dumps(GOOD | {"more": 1}))
    truth = read_truth(path)
    assert truth.centres_mm[7].tolist() == [1.0, 2.0, 3.0]
    assert truth.deviations_mm["A", "L"].tolist() == [0.5, 0.0, -0.5]
    assert truth.wheels == {("front", "camber", "left"): -1.0, ("front", "camber", "right"): 0.5}


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        "[" * 100_000,
        '"\udcff"',
        json.dumps(GOOD | {"cards": [7]}),
        json.dumps(GOOD | {"points": [{"point": "A", "side": "L", "deviation_mm": [1, 2]}]}),
        json.dumps(GOOD | {"points": [{"point": "A", "side": "L", "deviation_mm": [1, 2, None]}]}),
        json.dumps(GOOD | {"suspension": [CAMBER | {"right": "none"}]}),
        json.dumps(GOOD | {"suspension": [CAMBER | {"left": float("nan")}]}),
    ],
)
def test_what_is_no_truth_is_named(tmp_path: Path, text: str) -> None:
    path = tmp_path / "truth.json"
    path.write_bytes(text.encode("utf-8", "surrogateescape"))
    with pytest.raises(UserError, match=r"truth.json: this is not the truth of a rendered job"):
        read_truth(path)
    with pytest.raises(UserError, match=r"cannot read the truth"):
        read_truth(tmp_path / "none.json")
