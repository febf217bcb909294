"""Base points that moved: named where they can be, doubted where they cannot, never swallowed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.spatial.transform import Rotation
from scipy.stats import chi2, multivariate_normal

from calib.frames import Array
from pipeline.adjustment.points import Holes
from pipeline.datum.base_points import (
    FALSE_ALARM,
    BasePoints,
    agreeing,
    build_sd_mm,
    choose,
    congruence,
    diagonals_of,
    twist_of,
)
from pipeline.datum.datum import by_frame, fit_frame
from pipeline.datum.deviation import deviation_table
from pipeline.datum.explanations import MOVED_BEFORE, MOVED_BY_MM, SCATTER_FREEDOM, explanations
from pipeline.datum.vehicle_frame import vehicle_frame
from pipeline.inputs.job import CardOnPoint, Job
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint
from tests.benchmarks.datum import simulate
from tests.stated_job import job_of

PLACES = {
    "A": (1200.0, 400.0, 100.0),
    "B": (300.0, 700.0, 150.0),
    "C": (-800.0, 400.0, 100.0),
    "D": (-1500.0, 600.0, 300.0),
}


def sheet_of(pairs: str) -> tuple[tuple[str, ...], Array]:
    names, places = [], []
    for pair in pairs:
        x, y, z = PLACES[pair]
        names += [f"{pair} L", f"{pair} R"]
        places += [[x, y, z], [x, -y, z]]
    return tuple(names), np.array(places)


def points_of(pairs: str, moved: dict[str, tuple[float, float, float]], u_mm: float = 0.2):
    """Base points measured without noise, in a network turned and shifted; build 0.5 mm."""
    names, sheet = sheet_of(pairs)
    car = sheet.copy()
    for name, shift in moved.items():
        car[names.index(name)] += shift
    seen = Rotation.from_rotvec([0.4, -1.2, 2.0]).apply(car) + [500.0, -30.0, 900.0]
    count = len(names)
    return BasePoints(
        names,
        seen,
        u_mm**2 * np.eye(3 * count),
        sheet,
        np.zeros((count, 3)),
        np.full(count, build_sd_mm(3.0)),
    )


def test_congruence_by_hand() -> None:
    """Two pairs of equal width twisted by +- 1 mm: 4 x 1^2 / (0.2^2 + 0.5^2) at 6 degrees."""
    up = {"A L": 1.0, "A R": -1.0, "C L": -1.0, "C R": 1.0}
    test = congruence(points_of("AC", {name: (0.0, 0.0, z) for name, z in up.items()}))
    assert test.freedom == 6
    assert test.statistic == pytest.approx(4.0 / 0.29, rel=1e-4)
    assert test.probability == pytest.approx(chi2.sf(4.0 / 0.29, 6), rel=1e-3)


def test_a_sound_car_keeps_all_its_base_points() -> None:
    choice = choose(points_of("ABC", {}))
    assert (choice.kept, choice.left_out, choice.doubtful) == ((0, 1, 2, 3, 4, 5), (), ())
    assert choice.all_points.statistic == pytest.approx(0.0, abs=1e-6)
    assert choice.twist is not None
    assert not choice.twist.significant
    assert choice.diagonals is not None
    assert not choice.diagonals.significant


@pytest.mark.parametrize("shift", [(5.0, 0, 0), (0, -5.0, 0), (0, 0, 5.0), (-30.0, 12.0, 8.0)])
@pytest.mark.parametrize("name", ["A L", "B R", "C R"])
def test_one_of_six_that_moved_is_named(name: str, shift: tuple[float, float, float]) -> None:
    points = points_of("ABC", {name: shift})
    choice = choose(points)
    assert [points.names[i] for i in choice.left_out] == [name]
    assert len(choice.kept) == 5
    assert choice.kept_points.statistic == pytest.approx(0.0, abs=1e-3)


def test_two_of_eight_that_moved_are_named() -> None:
    points = points_of("ABCD", {"A L": (-20.0, 8.0, 5.0), "D R": (0.0, 0.0, -9.0)})
    assert [points.names[i] for i in choose(points).left_out] == ["A L", "D R"]


def test_four_points_cannot_tell_which_height_moved() -> None:
    """A rectangle with one corner up by 6 mm: each corner leaves the same misfit of 1.5 mm."""
    for name, up in (("A L", 6.0), ("A R", -6.0), ("C L", -6.0), ("C R", 6.0)):
        choice = choose(points_of("AC", {name: (0.0, 0.0, up)}))
        assert choice.doubtful == (0, 1, 2, 3)
        assert choice.left_out == ()
        assert choice.kept == (0, 1, 2, 3)
        assert choice.all_points.statistic == pytest.approx(9.0 / 0.29, rel=1e-3)


def test_four_points_can_tell_which_length_moved() -> None:
    assert choose(points_of("AC", {"A L": (15.0, 0.0, 0.0)})).left_out == (0,)


def test_three_points_can_tell_only_that_something_moved() -> None:
    points = points_of("AC", {"A L": (10.0, 0.0, 0.0)}).part([0, 1, 2])
    choice = choose(points)
    assert (choice.left_out, choice.doubtful) == ((), (0, 1, 2))
    assert choice.all_points.probability < FALSE_ALARM


def test_twist_by_hand() -> None:
    """Pairs 800 and 1400 mm wide, rolled by 3 and -3 mm: (3/800 + 3/1400) 1100 = 6.482 mm."""
    half = {"A L": 1.5, "A R": -1.5, "B L": -1.5, "B R": 1.5}
    twist = twist_of(points_of("AB", {name: (0.0, 0.0, z) for name, z in half.items()}))
    assert twist is not None
    assert twist.pairs == ("A", "B")
    assert twist.value_mm == pytest.approx((3 / 800 + 3 / 1400) * 1100, abs=0.01)
    # Four heights good to 0.2 mm.
    u = 1100.0 * 0.2 * np.sqrt(2 / 800**2 + 2 / 1400**2)
    assert twist.U_mm == pytest.approx(2 * u, rel=1e-3)
    assert twist.significant


def test_a_roll_of_the_whole_car_is_no_twist() -> None:
    left = {f"{p} L": PLACES[p][1] * 0.01 for p in "ABC"}
    roll = left | {f"{p} R": -PLACES[p][1] * 0.01 for p in "ABC"}
    twist = twist_of(points_of("ABC", {name: (0.0, 0.0, z) for name, z in roll.items()}))
    assert twist is not None
    assert abs(twist.value_mm) < 1e-3


def test_diagonals_by_hand() -> None:
    """Lengths of the right 2 mm ahead: |AL CR| gets shorter, |AR CL| longer, by 2 dx / d each.

    The right-hand points shift by 2 mm against the left: a diamond. d = sqrt(2000^2 + 800^2).
    """
    shift = {"A R": (2.0, 0.0, 0.0), "C R": (2.0, 0.0, 0.0)}
    diagonals = diagonals_of(points_of("AC", shift))
    assert diagonals is not None
    expected = -2 * 2.0 * 2000.0 / np.hypot(2000.0, 800.0)
    assert diagonals.value_mm == pytest.approx(expected, abs=1e-3)
    assert diagonals.U_mm == pytest.approx(2 * 2.0 * 0.2, rel=1e-3)


def test_points_that_agree_are_found_among_many_that_moved() -> None:
    moved = {"A L": (-40.0, 9.0, 6.0), "A R": (-25.0, 0.0, 3.0), "B L": (9.0, 0.0, 0.0)}
    points = points_of("ABCD", moved)
    assert [points.names[i] for i in agreeing(points)] == ["B R", "C L", "C R", "D L", "D R"]
    assert agreeing(points.part([0, 1, 2])) == ()


angle = st.floats(-3.0, 3.0)
place = st.floats(-5000.0, 5000.0)


def a_job(
    pairs: str, moved: dict[str, Array], turn: Rotation, shift: Array, base: tuple[str, ...] | None
) -> tuple[Job, Holes]:
    """A job with a card on each point; ``moved`` as measured, D is no base point."""
    names, sheet = sheet_of(pairs)
    car = sheet + np.array([moved.get(name, np.zeros(3)) for name in names])
    count = len(names)
    rng = np.random.default_rng(4)
    root = 0.1 * rng.standard_normal((3 * count, 4))
    covariance = root @ root.T + 0.04 * np.eye(3 * count)
    block = np.kron(np.eye(count), turn.as_matrix())
    rows = tuple(CardOnPoint(i, *name.split(), 0.0, "") for i, name in enumerate(names))
    holes = Holes(
        rows,
        turn.apply(car) + shift,
        block @ covariance @ block.T,
        np.zeros((3 * count, 0)),
        {},
    )
    points = tuple(
        SheetPoint(*name.split(), place, 3.0, not name.startswith("D"), "")
        for name, place in zip(names, sheet, strict=True)
    )
    return job_of(rows, points, base=base), holes


@settings(max_examples=15, deadline=None, derandomize=True, database=None)
@given(st.tuples(angle, angle, angle), st.tuples(place, place, place), st.booleans())
def test_nothing_depends_on_how_the_car_stands(
    turned: tuple[float, float, float], moved: tuple[float, float, float], hit: bool
) -> None:
    """Any rotation and shift of the network: same choice, tests, deviations and U to 1e-6."""
    rng = np.random.default_rng(9)
    off = {name: 0.4 * rng.standard_normal(3) for name in sheet_of("ABCD")[0]}
    if hit:
        off["B L"] = off["B L"] + [6.0, 2.0, -3.0]

    def measured(turn: Rotation, shift: Array):
        job, holes = a_job("ABCD", off, turn, shift, None)
        frame = vehicle_frame(job, holes)
        assert frame.datum is not None
        assert job.sheet is not None
        table = deviation_table(
            holes.rows,
            frame.datum.positions_mm,
            frame.datum.covariance_mm2,
            job.sheet,
            set(frame.base),
            dict.fromkeys(range(8), 5),
            frame.datum.deviation_covariance_mm2,
        )
        return frame, table

    here, table = measured(Rotation.identity(), np.zeros(3))
    there, other = measured(Rotation.from_rotvec(turned), np.array(moved))
    assert here.base == there.base == ((0, 1, 3, 4, 5) if hit else (0, 1, 2, 3, 4, 5))
    assert here.choice is not None
    assert there.choice is not None
    assert there.choice.all_points.statistic == pytest.approx(
        here.choice.all_points.statistic, abs=1e-6
    )
    assert here.choice.twist is not None
    assert there.choice.twist is not None
    assert there.choice.twist.value_mm == pytest.approx(here.choice.twist.value_mm, abs=1e-6)
    for one, two in zip(table.rows, other.rows, strict=True):
        np.testing.assert_allclose(two.deviation_mm, one.deviation_mm, atol=1e-6)
        np.testing.assert_allclose(two.U_deviation_mm, one.U_deviation_mm, atol=1e-6)
        assert two.axis_verdicts == one.axis_verdicts


@pytest.mark.parametrize("tilt_deg", [0.5, 2.0, 5.0])
def test_a_tilt_neither_raises_nor_shortens(tilt_deg: float) -> None:
    """Trade practice (references section 8): at tilt t a length L reads L cos t, raised L sin t.

    So it does before the vehicle frame is set, and no longer after.
    """
    turn = Rotation.from_euler("y", -tilt_deg, degrees=True)
    job, holes = a_job("ABCD", {}, turn, np.zeros(3), None)
    ahead = holes.positions_mm[0] - holes.positions_mm[4]  # A L from C L, 2000 mm, equally high
    t = np.radians(tilt_deg)
    np.testing.assert_allclose(ahead, [2000 * np.cos(t), 0.0, 2000 * np.sin(t)], atol=1e-9)
    frame = vehicle_frame(job, holes)
    assert frame.datum is not None
    upright = frame.datum.positions_mm[0] - frame.datum.positions_mm[4]
    np.testing.assert_allclose(upright, [2000.0, 0.0, 0.0], atol=1e-8)
    assert frame.findings == ()


def findings_of(
    pairs: str,
    moved: dict[str, Array],
    base: tuple[str, ...] | None = None,
    u_mm: float | None = None,
):
    job, holes = a_job(pairs, moved, Rotation.identity(), np.zeros(3), base)
    if u_mm is not None:
        holes = replace(holes, covariance_mm2=u_mm**2 * np.eye(len(holes.covariance_mm2)))
    frame = vehicle_frame(job, holes)
    return frame, {f.code: f for f in frame.findings}


def test_a_moved_base_point_is_named_and_left_out() -> None:
    frame, findings = findings_of("ABC", {"B L": np.array([5.0, 0.0, 0.0])})
    assert set(findings) == {"base-moved"}
    told = findings["base-moved"]
    assert told.subject == "point B L"
    assert "5.0 mm" in told.text
    assert "length +5.0" in told.text
    assert frame.base == (0, 1, 3, 4, 5)
    assert frame.datum is not None
    np.testing.assert_allclose(frame.datum.positions_mm[2], [305.0, 700.0, 150.0], atol=1e-6)


def test_a_base_point_that_the_job_names_stays_and_is_told() -> None:
    names = ("A L", "A R", "B L", "B R", "C L", "C R")
    frame, findings = findings_of("ABC", {"B L": np.array([5.0, 0.0, 0.0])}, names)
    assert "job.toml names it" in findings["base-moved"].effect_told
    assert frame.base == (0, 1, 2, 3, 4, 5)


def test_a_twist_of_the_centre_section_is_told() -> None:
    """6 mm over two pairs: named as twist, and that four points cannot tell which."""
    up = {"A L": 1.5, "A R": -1.5, "C L": -1.5, "C R": 1.5}
    frame, findings = findings_of("AC", {n: np.array([0.0, 0.0, z]) for n, z in up.items()})
    assert set(findings) == {"base-unclear", "base-twist"}
    assert "twisted by 6.0 mm" in findings["base-twist"].text
    assert "diagonal" in findings["base-unclear"].text
    assert (
        "six" in findings["base-unclear"].remedy or "6 or more" in findings["base-unclear"].remedy
    )
    # Nothing is taken for granted: every height may be off by what the corner that moved would do
    # (test_U_holds_whichever_of_four_corners_moved).
    assert frame.datum is not None
    U = 2 * np.sqrt(np.diag(frame.datum.covariance_mm2)).reshape(-1, 3)
    assert U[:, 2].min() > 4.5
    assert "over their mean width of 800 mm" in findings["base-twist"].text


def test_without_base_points_those_that_agree_are_proposed() -> None:
    job, holes = a_job(
        "ABCD", {"A L": np.array([-40.0, 9.0, 6.0])}, Rotation.identity(), np.zeros(3), ("A L",)
    )
    (finding,) = vehicle_frame(job, holes).findings
    assert finding.code == "base-too-few"
    assert finding.text.startswith("Only 1 base point is named under [datum] base")
    assert "A R, B L, B R, C L, C R, D L, D R agree with the sheet" in finding.remedy


def test_a_twist_that_the_build_may_explain_is_noted_and_no_warning() -> None:
    """2.6 mm over pairs 800 mm wide: twice the 1.08 mm that four heights good to 0.54 mm tell."""
    up = {"A L": 0.65, "A R": -0.65, "C L": -0.65, "C R": 0.65}
    _, findings = findings_of("AC", {n: np.array([0.0, 0.0, z]) for n, z in up.items()})
    assert findings["base-twist"].severity == "note"
    assert "twisted by 2.6 mm" in findings["base-twist"].text
    assert "base-unclear" not in findings


def test_simulated_jobs_are_told_right() -> None:
    """25 jobs of six base points; the figures of 500 stand in tests/benchmarks/README.md."""
    counts = simulate(seed=5, jobs=25, pairs=3, build_mm=0.4)
    assert counts["right"] >= 23
    assert counts["alarm"] <= 1
    assert counts["twist unsaid"] == 0
    assert counts["wrong"] == 0


def test_a_sheet_with_one_side_of_a_pair_is_named() -> None:
    job, holes = a_job("ABC", {}, Rotation.identity(), np.zeros(3), None)
    assert job.sheet is not None
    without = tuple(p for p in job.sheet.points if p.name != "C R")
    (finding,) = vehicle_frame(replace(job, sheet=ReferenceSheet(without)), holes).findings
    assert (finding.code, finding.severity) == ("sheet-one-side", "note")
    assert finding.text.startswith("C L: ")


def test_what_a_left_out_point_does_is_no_fault_of_the_rest() -> None:
    """B L raised by 8 mm would twist the section; without it nothing is twisted.

    C stands a little higher on the left, too: else rounding decides whether B is seen from A or C.
    """
    up = {"B L": 8.0, "C L": 0.2}
    _, findings = findings_of("ABC", {name: np.array([0.0, 0.0, z]) for name, z in up.items()})
    assert set(findings) == {"base-moved"}
    assert (
        "With it the base pair B stands 8.0 mm (U 1.2) higher on the left than on the right, seen "
        "from A." in findings["base-moved"].text
    )


def test_one_low_base_point_is_told_at_its_own_pair_by_hand() -> None:
    """B L 8 mm low on a pair 1400 mm wide, A 800 mm wide and level.

    The roll of B against A is -8 / 1400; over their mean width of 1100 mm that is 6.29 mm of twist,
    A the higher on the left; at B itself it is what the technician finds with a level: 8 mm low.
    """
    for pairs in ("AB", "BC"):
        twist = twist_of(points_of(pairs, {"B L": (0.0, 0.0, -8.0)}))
        assert twist is not None
        other = pairs.replace("B", "")
        sign = 1.0 if pairs == "AB" else -1.0
        assert twist.value_mm == pytest.approx(sign * 8.0 / 1400.0 * 1100.0, abs=0.02)
        assert twist.widths_mm == ((800.0, 1400.0) if pairs == "AB" else (1400.0, 800.0))
        assert twist.at_pair("B") == pytest.approx(-8.0, abs=0.02)
        assert twist.at_pair(other) == pytest.approx(8.0 / 1400.0 * 800.0, abs=0.02)


def test_a_twist_that_the_measurement_cannot_exclude_is_noted() -> None:
    """Heights good to 2 mm: 4 mm of U of a twist over two pairs of 800 mm, so 2 may be 6."""
    up = {"A L": 0.5, "A R": -0.5, "C L": -0.5, "C R": 0.5}
    moved = {name: np.array([0.0, 0.0, z]) for name, z in up.items()}
    _, findings = findings_of("AC", moved, u_mm=2.0)
    told = findings["base-twist"]
    assert told.severity == "note"
    assert told.text == (
        "The section between these base pairs may be twisted by 6 mm or more: 2.0 mm was measured, "
        "with U 8.0 mm."
    )
    _, sure = findings_of("AC", moved, u_mm=0.5)
    assert "base-twist" not in sure


def test_explanations_are_those_of_the_normal_density() -> None:
    """Restricted likelihood of each candidate by SciPy's density, averaged over s by quadrature."""
    _, sheet = sheet_of("ABC")
    rng = np.random.default_rng(3)
    misfit = 0.6 * rng.standard_normal(18)
    misfit[3:6] += [2.0, -1.0, 1.0]
    root = 0.1 * rng.standard_normal((18, 30))
    measured, build = root @ root.T, np.repeat([0.4, 0.5, 0.6], 6)
    rigid = by_frame(sheet)
    candidates = [(), (0,), (1,), (1, 4)]
    found = explanations(misfit, rigid, measured, build, candidates)
    null = np.linalg.svd(rigid)[0][:, 6:].T
    expected = {}
    for moved in candidates:
        spread = np.zeros(18)
        for i in moved:
            spread[3 * i : 3 * i + 3] = MOVED_BY_MM**2

        def density(s: float, spread: Array = spread) -> float:
            whole = null @ (measured + np.diag((s * build) ** 2 + spread)) @ null.T
            likelihood = multivariate_normal(cov=whole).pdf(null @ misfit)
            # s^2 = f / chi-square of f, so s has the density of chi2 at f / s^2 times 2 f / s^3.
            f = SCATTER_FREEDOM
            return float(likelihood * chi2.pdf(f / s**2, f) * 2 * f / s**3)

        odds = (MOVED_BEFORE / (1 - MOVED_BEFORE)) ** len(moved)
        expected[moved] = odds * quad(density, 0.1, 30.0, epsabs=0.0, limit=400)[0]
    for one in found:
        share = expected[one.moved] / sum(expected.values())
        assert one.probability == pytest.approx(share, rel=1e-3)
    assert [one.probability for one in found] == sorted(o.probability for o in found)[::-1]


def test_a_body_built_worse_than_assumed_is_told_as_such() -> None:
    """All points stray by some 1.2 mm where 0.5 mm is assumed: none is blamed."""
    rng = np.random.default_rng(12)
    moved = {name: 1.2 * rng.standard_normal(3) for name in sheet_of("ABC")[0]}
    frame, findings = findings_of("ABC", moved)
    assert frame.choice is not None
    assert frame.choice.left_out == ()
    assert frame.choice.by_scatter > 0.5
    told = findings["base-unclear"].text
    assert "A body built to 1." in told
    assert "where 0.5 mm is assumed, would explain it as well; U allows for both." in told
    assert len(frame.base) == 6


def test_one_far_point_is_no_matter_of_scatter() -> None:
    frame, findings = findings_of("ABC", {"B L": np.array([15.0, 0.0, 0.0])})
    assert frame.choice is not None
    assert frame.choice.by_scatter < 0.01
    assert "would explain it as well" not in findings["base-moved"].text


def test_U_holds_whichever_of_four_corners_moved() -> None:
    """Each of four corners may be the one 6 mm off: the frame that the three others carry.

    The heights of every point move by 1.5 or 4.5 mm from the frame of all four; U covers it.
    """
    up = {"A L": 1.5, "A R": -1.5, "C L": -1.5, "C R": 1.5}
    moved = {name: np.array([0.0, 0.0, z]) for name, z in up.items()}
    job, holes = a_job("AC", moved, Rotation.identity(), np.zeros(3), None)
    chosen = vehicle_frame(job, holes).datum
    assert chosen is not None
    U = 2 * np.sqrt(np.diag(chosen.covariance_mm2)).reshape(-1, 3)
    for corner in range(4):
        three = np.array([i for i in range(4) if i != corner])
        other = fit_frame(holes.positions_mm, holes.covariance_mm2, three, sheet_of("AC")[1][three])
        off = np.abs(other.positions_mm - chosen.positions_mm)
        assert off[:, 2].max() == pytest.approx(4.5, abs=0.1)
        assert (off <= U).all()
