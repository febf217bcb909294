"""Faults of the shop: each named with its card or photo, the others measured all the same.

Small versions of ``tests/benchmarks/faults.py``, which has the rates.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from pipeline.adjustment.bar_lengths import plausible_bars
from pipeline.adjustment.cameras import group_photos
from pipeline.adjustment.consensus import places_of
from pipeline.adjustment.job_network import STEADY, adjust_sightings
from pipeline.adjustment.network import CameraGuess, NetworkFound
from pipeline.adjustment.points import Holes, card_axes
from pipeline.adjustment.start import prepare_views
from pipeline.datum.deviation import DeviationRow
from pipeline.faults.assignment import Assignment, assignment, assignment_findings
from pipeline.faults.change_point import best_run, change_of
from pipeline.faults.contradictions import contradiction_findings
from pipeline.faults.leaning import leaning_findings
from pipeline.faults.mend import mend, shooting_order
from pipeline.faults.parted import Parted, parted
from pipeline.faults.profile_check import without_contradicted_profiles
from pipeline.faults.stem_check import PointOnStem, pair_stem_findings, stem_findings
from pipeline.findings import Finding
from pipeline.inputs.sheet import ReferenceSheet
from pipeline.results.result import Result
from pipeline.solve import solve_sightings
from pipeline.summary import exit_code
from targets.bar import Bar
from tests.fault_cases import Draft, draft, move, photographed, shows
from tests.scene import CAMERA, layout_of, make_scene, solution_of

UP = np.array([0.0, 0.0, 1.0])


def small(seed: int) -> Draft:
    return draft(seed, photos=12, columns=4)


def solved(made: Draft) -> Result:
    return solve_sightings(made.job, photographed(made))


def of(result: Result, code: str) -> list[Finding]:
    return [f for f in result.findings if f.code == code]


def errors_mm(made: Draft, result: Result, but: tuple[int, ...] = ()) -> list[float]:
    """Distance of each hole from the truth, those of the cards ``but`` left out."""
    at = {row.card: i for i, row in enumerate(made.job.cards)}
    return [
        float(np.linalg.norm(row.position_mm - made.holes_mm[at[row.card]]))
        for row in result.deviations.rows
        if row.card not in but
    ]


def test_a_moved_card_and_a_bumped_bar_are_named_and_spoil_no_other() -> None:
    """The card by 1 mm after the sixth photo, the bar by 1.8 mm after the fifth."""
    made = small(1)
    bar = made.job.bars[0].cards
    move(made, [1], range(6, 12), np.array([0, 0, 0, 0.8, 0.6, 0.0]))
    move(made, bar, range(5, 12), np.array([0, 0, 0, 1.5, -1.0, 0.0]))
    result = solved(made)
    (finding,) = of(result, "card-moved")
    assert finding.subject == "card 1"
    assert "a005.jpg and a006.jpg" in finding.text
    assert "1.0 mm apart" in finding.text
    assert {f.subject for f in of(result, "bar-moved")} == {f"bar {bar[0]}-{bar[1]}"}
    assert max(errors_mm(made, result, (1,))) < 0.8
    assert next(r for r in result.deviations.rows if r.card == 1).verdict == "undecided"


def test_a_change_of_zoom_by_half_a_percent_is_measured() -> None:
    made = small(2)
    for i in range(7, 12):
        constants = made.cameras[i].constants.copy()
        constants[:2] *= 1.005
        made.cameras[i] = replace(made.cameras[i], constants=constants)
    (finding,) = of(solved(made), "zoom-changed")
    assert finding.subject.startswith("a007.jpg to a011.jpg")
    share = float(finding.text.split(" % ")[0].split()[-1])
    assert share == pytest.approx(0.5, abs=0.1)


def test_dots_that_are_half_covered_do_not_make_a_card_move() -> None:
    """Two dots of one sighting 3 px off, the other two in their place: dropped, nothing else."""
    made = small(3)
    seen = photographed(made)
    photo = seen.photos[4]
    at = next(i for i, s in enumerate(photo.sightings) if s.measured.all())
    spoilt = photo.sightings[at]
    off = np.array([[3.0, 0.0], [0.0, 0.0], [0.0, 0.0], [-1.0, 2.8]])
    sightings = list(photo.sightings)
    sightings[at] = replace(spoilt, dots_px=spoilt.dots_px + off)
    photos = list(seen.photos)
    photos[4] = replace(photo, sightings=tuple(sightings))
    result = solve_sightings(made.job, replace(seen, photos=tuple(photos)))
    assert [f.code for f in result.findings if f.severity != "note"] == []
    dropped = {(card, name, dot) for card, name, dot in result.solution.rejected}
    assert {(spoilt.card, photo.name, 0), (spoilt.card, photo.name, 3)} <= dropped


def test_a_card_of_which_the_same_two_dots_show_everywhere_is_left_out_and_no_other() -> None:
    """Two dots leave it free to turn about their line; once this ended the whole job."""
    made = small(3)
    card = made.job.cards[2].card
    made.hidden |= {(photo, card, dot) for photo in range(12) for dot in (1, 2)}
    result = solved(made)
    assert [(f.code, f.subject) for f in result.findings if f.severity != "note"] == [
        ("card-not-measured", f"card {card}")
    ]
    assert len(errors_mm(made, result)) == len(made.job.cards) - 1
    assert max(errors_mm(made, result)) < 0.8


def test_a_sound_job_has_none_of_these() -> None:
    result = solved(small(3))
    assert [f.code for f in result.findings if f.severity != "note"] == []


def test_the_run_that_changed_is_found_and_measured() -> None:
    """Scalars of unit weight: means 0 and 3 with four of each, gain n/2 * (3/2)^2 * 2 = 18."""
    values = np.array([0.0, 0, 3, 3, 3, 3, 0, 0])
    change = best_run(np.ones((8, 1, 1)), values[:, None])
    assert change is not None
    assert change.inside.tolist() == [False, False, True, True, True, True, False, False]
    assert change.gain == pytest.approx(18.0)
    assert change.difference == pytest.approx(3.0)
    assert change.covariance[0, 0] == pytest.approx(1 / 4 + 1 / 4)


def test_chance_gains_as_much_as_chi_square_says() -> None:
    """Mean of chi-square with 3 degrees of freedom is 3, its variance 6."""
    rng = np.random.default_rng(5)
    inside = np.arange(10) < 4
    gains = []
    for _ in range(400):
        a = rng.standard_normal((10, 5, 3))
        noise = rng.standard_normal((10, 5))
        normals = a.transpose(0, 2, 1) @ a
        gains.append(change_of(normals, np.einsum("mij,mi->mj", a, noise), inside).gain)
    assert np.mean(gains) == pytest.approx(3.0, abs=0.4)
    assert np.var(gains) == pytest.approx(6.0, abs=2.5)


def test_two_places_far_apart_are_told_apart_by_votes() -> None:
    """Card 5 of one scene; in three photos the sightings of card 6 are given its number."""
    scene = make_scene(3, columns=4, rows=3, photos=9)
    photos = dict(zip(scene.photos, scene.camera_from_vehicle, strict=True))
    six = [replace(s, card=5) for s in scene.sightings if s.card == 6][:3]
    gone = {s.photo for s in six}
    five = [s for s in scene.sightings if s.card == 5 and s.photo not in gone]
    views = prepare_views([*five, *six], dict.fromkeys(photos, CAMERA), layout_of(scene))
    first, second = places_of(views, [photos[v.photo] for v in views])
    assert first.agree.tolist() == [True] * len(five) + [False] * 3
    assert second.agree.tolist() == [False] * len(five) + [True] * 3
    centres = scene.dots_mm.mean(axis=1)
    assert first.pose.translation == pytest.approx(centres[5], abs=1.0)
    assert second.pose.translation == pytest.approx(centres[6], abs=1.0)


def test_photos_are_ordered_as_people_count() -> None:
    order = shooting_order(["b2.jpg", "a10.jpg", "a9.jpg", "b10.jpg"])
    assert sorted(order, key=order.__getitem__) == ["a9.jpg", "a10.jpg", "b2.jpg", "b10.jpg"]


def test_swapped_sides_are_named_and_left_out() -> None:
    made = small(1)
    rows = list(made.job.cards)
    right, left = next(
        (i, k)
        for i, one in enumerate(rows)
        for k, other in enumerate(rows)
        if one.point == other.point and (one.side, other.side) == ("R", "L")
    )
    holes = Holes(tuple(rows), made.holes_mm, np.zeros((0, 0)), np.zeros((0, 0)), {})
    count = len(rows)
    assert assignment(made.job, holes, UP).wrong == ()
    swapped = made.holes_mm.copy()
    swapped[[right, left]] = swapped[[left, right]]
    found = assignment(made.job, replace(holes, positions_mm=swapped), UP)
    assert not found.exchanged
    assert found.known == count
    (finding,) = assignment_findings(found)
    assert finding.code == "cards-swapped"
    assert {int(w) for w in finding.subject.split() if w.isdigit()} == {
        rows[right].card,
        rows[left].card,
    }


def test_left_and_right_exchanged_throughout_is_told() -> None:
    made = small(1)
    mirror = made.holes_mm * [1.0, -1.0, 1.0]
    holes = Holes(made.job.cards, mirror, np.zeros((0, 0)), np.zeros((0, 0)), {})
    found = assignment(made.job, holes, UP)
    assert found.exchanged
    assert [f.code for f in assignment_findings(found)] == ["sides-exchanged"]


def test_holes_that_fit_no_sheet_are_told() -> None:
    made = small(1)
    shuffled = np.random.default_rng(2).permutation(made.holes_mm)
    holes = Holes(made.job.cards, shuffled, np.zeros((0, 0)), np.zeros((0, 0)), {})
    assert [f.code for f in assignment_findings(assignment(made.job, holes, UP))] == [
        "points-unclear"
    ]
    assert assignment_findings(Assignment()) == []


@pytest.mark.parametrize(
    ("of_mm", "unit"), [(0.1, "centimetres"), (1 / 25.4, "inches"), (25.4, "millimetres")]
)
def test_a_sheet_in_another_unit_is_named(of_mm: float, unit: str) -> None:
    """Figures a tenth of the car's are centimetres; 25.4 times are millimetres under inches.

    One point far off its place, as damage may leave it, does not hide it.
    """
    made = small(1)
    assert made.job.sheet is not None
    scaled = tuple(replace(p, position_mm=of_mm * p.position_mm) for p in made.job.sheet.points)
    places = made.holes_mm.copy()
    places[0] += [-120.0, 40.0, 30.0]
    holes = Holes(made.job.cards, places, np.zeros((0, 0)), np.zeros((0, 0)), {})
    job = replace(made.job, sheet=ReferenceSheet(scaled))
    (finding,) = assignment_findings(assignment(job, holes, UP))
    assert finding.code == "points-unclear"
    assert f"as if the figures of sheet.csv were {unit}:" in finding.remedy


def test_with_left_and_right_exchanged_nothing_is_called_damaged() -> None:
    """Laid over its mirror image a sound car would read as bent by half a metre."""
    made = small(1)
    other = {"L": "R", "R": "L"}
    cards = tuple(replace(row, side=other.get(row.side, row.side)) for row in made.job.cards)
    result = solved(replace(made, job=replace(made.job, cards=cards)))
    assert [f.code for f in result.findings if f.severity != "note"] == ["sides-exchanged"]
    assert result.vehicle_from_network is None
    assert result.damage is None
    assert result.deviations.rows == ()
    assert exit_code(result) == 1


def on_stem(made: Draft, number: int, stem_mm: float, off_mm: tuple[float, ...]) -> PointOnStem:
    """A point of a job, listed with that stem and so far off, with U of 0.4 mm."""
    listed = replace(made.job.cards[number], stem_mm=stem_mm)
    row = DeviationRow(
        listed.point, listed.side, listed.card, np.zeros(3), np.full(3, 0.4), np.array(off_mm),
        np.full(3, 0.4), 3.0, ("out",) * 3, "out", False, 9,
    )  # fmt: skip
    return PointOnStem(listed, row, 0.3 * np.eye(3), UP)


def test_a_stem_of_another_length_is_told_as_a_doubt_with_both_readings() -> None:
    """A stem of 40 mm listed as 20: the hole comes out 20 mm too near to the card."""
    made = small(1)
    points = [on_stem(made, 0, 20.0, (0.3, -0.4, -20.2)), on_stem(made, 1, 40.0, (0.2, 0.1, 0.3))]
    job = replace(made.job, cards=tuple(p.listed for p in points))
    (finding,) = stem_findings(job, points)
    assert finding.subject == f"card {points[0].listed.card}"
    assert "lies -20.2 mm off along its stem" in finding.text
    assert "a stem of 40 mm in place of 20 mm: then it lies 0.5 mm off" in finding.text


def test_a_point_off_across_its_stem_or_by_no_stem_is_no_doubt() -> None:
    made = small(1)
    for off in ((6.0, 0.0, -20.2), (0.0, 0.0, -24.0), (0.3, 0.2, 1.5)):
        points = [on_stem(made, 0, 20.0, off), on_stem(made, 1, 40.0, (0.2, 0.1, 0.3))]
        job = replace(made.job, cards=tuple(p.listed for p in points))
        assert stem_findings(job, points) == []


def test_a_stem_that_no_other_card_has_is_thought_of_for_one_point_alone() -> None:
    """Two points 30 mm up are more likely a section that was bent than two wrong stems."""
    made = small(1)
    one = [on_stem(made, 0, 50.0, (0.0, 0.1, 30.3)), on_stem(made, 1, 50.0, (0.2, 0.1, 0.3))]
    job = replace(made.job, cards=tuple(p.listed for p in one))
    (finding,) = stem_findings(job, one)
    assert "a stem of 20 mm in place of 50 mm" in finding.text
    both = [one[0], on_stem(made, 1, 50.0, (0.2, 0.1, 29.6))]
    assert stem_findings(job, both) == []


def test_a_wrong_stem_under_one_of_four_base_points_is_among_those_named() -> None:
    """Either end of a diagonal up, or of the other one down, leaves the same misfit."""
    made = small(1)
    base = {p.name for p in made.job.sheet.points if p.base} if made.job.sheet else set()
    rows = list(made.job.cards)
    at = next(i for i, r in enumerate(rows) if f"{r.point} {r.side}" in base)
    stem = 20.0 if rows[at].stem_mm == 40.0 else 40.0
    rows[at] = replace(rows[at], stem_mm=stem)
    result = solved(replace(made, job=replace(made.job, cards=tuple(rows))))
    (finding,) = of(result, "stem-doubtful")
    assert f"under {rows[at].point} {rows[at].side} (card {rows[at].card})" in finding.text
    assert "base-unclear" in {f.code for f in result.findings}


def test_the_one_pair_with_unlike_stems_is_told_unless_its_points_are_in_place() -> None:
    made = draft(1, photos=12, columns=5)
    rows = [replace(r, stem_mm=40.0) for r in made.job.cards]
    assert pair_stem_findings(replace(made.job, cards=tuple(rows)), []) == []
    rows[0] = replace(rows[0], stem_mm=20.0)
    job = replace(made.job, cards=tuple(rows))
    (finding,) = pair_stem_findings(job, [])
    assert f"card {rows[0].card}" in finding.text
    assert "the other 4 pairs have the same on both sides" in finding.text
    other = next(r for r in rows if r.point == rows[0].point and r.side != rows[0].side)
    within = [
        replace(on_stem(made, i, 40.0, (0.0, 0.0, 0.0)).row, verdict="within")
        for i in (0, rows.index(other))
    ]
    assert pair_stem_findings(job, within) == []


def test_one_dot_out_of_the_plane_of_a_card_is_told() -> None:
    """By 0.85 mm, where the other cards keep to about 0.05 mm."""
    made = small(1)
    made.dots_mm[:, made.index(1), 2, 2] += 0.85
    (finding,) = of(solved(made), "card-bent")
    assert finding.subject == "card 1"


def stretched(made: Draft, cards: Sequence[int], across: float, up: float) -> None:
    """Print cards at these scales."""
    for card in cards:
        dots = made.dots_mm[:, made.index(card)]
        middle = dots.mean(axis=1, keepdims=True)
        axes = card_axes(dots[:1])[0]
        squeezed = (dots - middle) @ (axes.T @ np.diag([across, up, 1.0]) @ axes)
        made.dots_mm[:, made.index(card)] = squeezed + middle


def test_a_card_stretched_one_way_is_told_and_measured_by_its_own_dots() -> None:
    """By 6 %, which two dots of each photo can hide by a tilt that puts the hole 12 mm off."""
    made = draft(0, 16, 4)
    stretched(made, [0], 1.0, 0.94)
    result = solved(made)
    (finding,) = of(result, "card-misprinted")
    assert finding.subject == "card 0"
    assert re.search(r"[+-]0\.\d % across and -(5\.9|6\.0|6\.1) % up", finding.text)
    assert of(result, "card-moved") == []
    row = next(r for r in result.deviations.rows if r.card == 0)
    at = [r.card for r in made.job.cards].index(0)
    off_mm = np.abs(row.position_mm - made.holes_mm[at])
    assert (off_mm < row.U_mm).all()
    assert (row.U_mm < 3.0).all()


def test_cards_all_stretched_one_way_are_measured_by_the_bar() -> None:
    """By 6 %: no square fits, but every photo shows by how much they are no squares."""
    made = small(1)
    stretched(made, made.scene.cards, 0.94, 1.0)
    result = solved(made)
    assert len(of(result, "print-odd")) == 1
    assert result.print_scale is not None
    np.testing.assert_allclose(result.print_scale.scale, [0.94, 1.0], atol=0.006)
    assert max(errors_mm(made, result)) < 0.8


def test_a_card_askew_on_its_stem_is_named_and_one_that_leans_with_it_is_not() -> None:
    """10 degrees on a stem of 60 mm: 60 sin(10 deg) = 10.4 mm aside, 60 (1 - cos) = 0.9 mm up."""
    rows = list(small(1).job.cards[:5])
    rows[0] = replace(rows[0], stem_mm=60.0)
    lean = np.radians([10.0, 1.0, 1.0, 1.5, 2.0])
    normals = np.column_stack([np.sin(lean), np.zeros(5), np.cos(lean)])
    off = np.full((5, 3), 0.1)
    assert leaning_findings(rows, off, normals) == []
    off[0] += [10.4, 0.0, -0.9]
    (finding,) = leaning_findings(rows, off, normals)
    assert finding.subject == f"card {rows[0].card}"
    assert "10.0 degrees" in finding.text
    assert "with an upright stem it would lie 0.2 mm off" in finding.text
    off[0] = [0.0, 9.0, 9.0]
    (finding,) = leaning_findings(rows, off, normals)
    assert "far more than the others" in finding.text
    assert "off by 10.5 mm" in finding.text


def test_a_car_that_rolled_parts_the_session_and_the_larger_part_is_measured() -> None:
    """By 6 mm after the seventh of twelve photos; half of the cards lie on the floor."""
    made = small(1)
    cards = [row.card for row in made.job.cards]
    move(made, cards, range(7, 12), np.array([0.0, 0.0, 0.0, 5.0, -3.0, 1.0]))
    result = solved(made)
    (finding,) = of(result, "car-moved")
    assert finding.subject == "a006.jpg to a007.jpg"
    assert len(finding.text[finding.text.index("(") + 1 : finding.text.index(")")].split(",")) == 8
    assert "Only the 7 photos of the larger part were used" in finding.effect_told
    assert not of(result, "photo-without-cards")
    assert {p.reason for p in result.photos if not p.used} == {
        "left out, since it does not fit the others"
    }
    assert max(errors_mm(made, result)) < 2.0


def test_a_session_falls_into_two_only_where_both_parts_meet() -> None:
    """Ten photos, of which runs agree that do not cross the border in question."""
    order = {f"p{i}.jpg": i for i in range(10)}
    network = find_network_of_small(1)

    def by_borders(*borders: int) -> Parted | None:
        def part(some: Sequence[str]) -> NetworkFound | None:
            inside = [b for b in borders if order[some[0]] < b <= order[some[-1]]]
            return None if inside else network

        return parted(order, part)

    once = by_borders(4)
    assert once is not None
    assert (once.last, once.first, len(once.kept)) == ("p3.jpg", "p4.jpg", 6)
    assert once.moved == ()
    assert by_borders(4, 7) is None
    assert by_borders() is None


def find_network_of_small(seed: int) -> NetworkFound:
    seen = photographed(small(seed))
    groups = group_photos([p.header for p in seen.photos], None)
    return adjust_sightings(seen, groups, None, STEADY)


def test_a_network_that_cannot_be_mended_stays_as_it_was_and_is_told() -> None:
    made = small(1)
    move(made, [1], range(6, 12), np.array([0, 0, 0, 3.0, 0.0, 0.0]))
    seen = photographed(made)
    groups = group_photos([p.header for p in seen.photos], None)
    network = adjust_sightings(seen, groups, None, STEADY)

    def fails(*_: object) -> NetworkFound:
        raise np.linalg.LinAlgError

    mended = mend(seen, groups, network, [], fails)
    assert not mended.settled
    assert mended.seen is seen
    assert mended.network is network
    told = contradiction_findings(mended, [], {}, 1.0)
    assert "photos-contradict" in {f.code for f in told}


def test_a_bar_in_another_unit_is_left_out_and_the_other_one_scales() -> None:
    """Two bars 1000 mm long; one typed in inches, or with a digit wrong, or alone and 5 % off."""
    dots = np.array([[[x, y, 0.0]] * 4 for x in (0.0, 1000.0) for y in (0.0, 500.0)])
    free = solution_of([0, 1, 2, 3], dots, np.eye(48))
    right = Bar((0, 2), 1000.0, 0.1, 0.0)
    for typed in (1000.0 / 25.4, 1090.0):
        wrong = Bar((1, 3), typed, 0.1, 0.0)
        kept, sure, (finding,) = plausible_bars(free, [right, wrong], 20.0)
        assert (kept, sure, finding.subject) == ((right,), True, "bar 1-3")
        assert ("inches" in finding.text) == (typed < 100.0)
    assert plausible_bars(free, [replace(right, length_mm=1050.0)], 20.0)[1] is False
    assert plausible_bars(free, [replace(right, length_mm=100.0)], 20.0)[0] == ()
    assert plausible_bars(free, [right], 20.0) == ((right,), True, [])


def test_a_profile_that_the_photos_contradict_is_dropped() -> None:
    """A profile of 2 % more focal length, known to a tenth of a percent."""
    made = small(1)
    seen = photographed(made)
    (group,) = group_photos([p.header for p in seen.photos], None)
    for off, kept in ((1.0, True), (1.02, False)):
        constants = CAMERA.constants.copy()
        constants[:2] *= off
        sd = np.array([3.0, 3.0, 8.0, 8.0, 0.02, 0.05, 5e-4, 5e-4, 0.05])
        guess = CameraGuess(replace(CAMERA, constants=constants), np.diag(sd**-2))
        profiled = replace(group, guess=guess, from_profile=True)
        network = adjust_sightings(seen, [profiled], None, STEADY)
        (after,), contradicted = without_contradicted_profiles(network, [profiled])
        assert (after.from_profile, contradicted) == (kept, not kept)
        assert kept or "the photos contradict it: focal length -" in after.reason


@pytest.mark.parametrize("bars", [1, 2])
def test_a_bar_of_which_one_end_shows_in_one_photo_is_named(bars: int) -> None:
    """The other bar gives the scale alone; without one there is none, and no verdict."""
    made = small(4)
    made.job = replace(made.job, bars=made.job.bars[:bars])
    end = made.job.bars[0].cards[0]
    _, *others = shows(made, photographed(made), end)
    made.hidden |= {(photo, end, k) for photo in others for k in range(4)}
    seen = photographed(made)
    assert sum(s.card == end for s in seen.sightings) == 1
    result = solve_sightings(made.job, seen)
    (finding,) = of(result, "bar-not-seen")
    assert finding.subject == f"bar {end}-{made.job.bars[0].cards[1]}"
    assert result.scaled == (bars == 2)
    if bars == 2:
        assert max(errors_mm(made, result)) < 1.5
    else:
        assert {row.verdict for row in result.deviations.rows} == {"undecided"}
