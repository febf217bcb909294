"""Damage by zone: planted damage is named and measured; worked examples by hand are doctests.

Damage is planted in ``tests.benchmarks.damage`` as true rotations and shears of points, and read
off them by the terms' definitions, not by the formulas that are fitted. Rates over hundreds of
vehicles stand in tests/benchmarks/README.md.
"""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.frames import Array
from pipeline.datum.deviation import DeviationTable, deviation_table
from pipeline.inputs.job import CardOnPoint
from pipeline.inputs.sheet import ReferenceSheet
from pipeline.repair.correction import corrections
from pipeline.repair.damage import Damage, Term, Zone, find_damage
from pipeline.repair.damage_car import Car, sections_of
from pipeline.repair.damage_courses import courses_of
from pipeline.repair.damage_fit import fitted
from pipeline.repair.damage_naming import tried_in
from pipeline.repair.suspension import suspension_changes
from pipeline.report.damage_words import correction_words, summary_lines, zone_sentence
from tests.benchmarks.damage import (
    END_MM,
    TERMS,
    measured,
    plant,
    plant_centre,
    sheet,
    truth_of,
)

SEEN_MM = 0.1
PLACES = np.array([point.position_mm for point in sheet().points])


def covariance(seed: int = 0) -> Array:
    """Points of 0.1 mm that share a scale and a tilt, as points of one job do."""
    shared = np.random.default_rng(seed).normal(size=(PLACES.size, 3)) * 0.05
    return shared @ shared.T + SEEN_MM**2 * np.eye(PLACES.size)


def table_of(places_mm: Array, of: ReferenceSheet | None = None) -> DeviationTable:
    """Deviations of exact places in the vehicle frame."""
    of = of or sheet()
    cards = [CardOnPoint(i, p.point, p.side, 50.0, "") for i, p in enumerate(of.points)]
    base = {i for i, point in enumerate(of.points) if point.base}
    spread = SEEN_MM**2 * np.eye(places_mm.size)
    return deviation_table(cards, places_mm, spread, of, base, dict.fromkeys(range(99), 6))


def assess(table: DeviationTable, of: ReferenceSheet | None = None) -> Damage:
    found = find_damage(table, of or sheet())
    assert found is not None
    return found


def zone_of(damage: Damage, name: str) -> Zone:
    return next(zone for zone in damage.zones if zone.zone == name)


def term_of(damage: Damage, zone: str, name: str) -> Term:
    return next(term for term in zone_of(damage, zone).terms if term.term == name)


def shown(damage: Damage) -> set[tuple[str, str]]:
    return {(z.zone, t.term) for z in damage.zones for t in z.terms if t.shown}


@pytest.mark.parametrize("zone", ["front", "rear"])
@pytest.mark.parametrize("term", TERMS)
@pytest.mark.parametrize("amount_mm", [6.0, -40.0])
def test_one_term_alone_is_named_and_measured(zone: str, term: str, amount_mm: float) -> None:
    moved = plant(PLACES, zone, {term: amount_mm})
    rng = np.random.default_rng(2)
    damage = assess(measured(rng, moved, covariance(), 0.3))
    found = term_of(damage, zone, term)
    assert found.shown
    assert abs(found.far_mm - truth_of(moved, zone)[term]) < 1.5 * found.U_far_mm
    # Both ways: U is neither idle nor larger than the build scatter of four points allows.
    assert 0.3 < found.U_far_mm < 2.0
    assert shown(damage) == {(zone, term)}


def test_growing_damage_is_told_at_the_end_and_at_the_nearest_points() -> None:
    damage = assess(table_of(plant(PLACES, "front", {"height": -15.0})))
    sag = term_of(damage, "front", "height")
    assert sag.near_mm == pytest.approx(0.0, abs=0.1)
    assert sag.far_mm == pytest.approx(-15.0, abs=0.1)
    assert "sag: lowered by 15.0" in zone_sentence(zone_of(damage, "front"), damage.local)


def test_all_five_at_once() -> None:
    planted = {"mash": -15.0, "diamond": 15.0, "sway": -15.0, "height": 15.0, "twist": -15.0}
    moved = plant(PLACES, "front", planted)
    damage = assess(measured(np.random.default_rng(4), moved, covariance(), 0.3))
    assert {term for zone, term in shown(damage) if zone == "front"} >= set(TERMS)
    for name, true_mm in truth_of(moved, "front").items():
        found = term_of(damage, "front", name)
        assert abs(found.far_mm - true_mm) < 1.5 * found.U_far_mm


def test_scatter_by_hand() -> None:
    """Exact points: nothing but the assumption b speaks for a scatter.

    s^2 = n b^2 / (f + n - 2) with n = 8 for the assumption and f degrees of freedom: eight base
    points leave 24 - 6 - 7 = 11, eight points of the front 24 - 12 = 12, four of the rear none.
    """
    table = table_of(PLACES)
    assert assess(table).scatter_mm == pytest.approx(0.5 * np.sqrt(8 / 29), rel=2e-3)
    stated = find_damage(table, sheet(), 0.2)
    assert stated is not None
    assert stated.scatter_mm == pytest.approx(0.2 * np.sqrt(8 / 29), rel=2e-3)


def test_a_crumpled_front_hides_no_twist_of_the_centre() -> None:
    """Points of the front 6 mm off every which way say nothing of how the body was built."""
    rng = np.random.default_rng(11)
    moved = plant_centre(PLACES, {"twist": 6.0})
    moved[:8] += 6.0 * rng.standard_normal((8, 3))
    damage = assess(measured(rng, moved, covariance(), 0.3))
    assert damage.scatter_mm < 0.6
    assert ("centre", "twist") in shown(damage)


@pytest.mark.parametrize(
    ("terms", "zone", "least"),
    [
        (("sway",), "front", 27),
        (("diamond",), "front", 27),
        (("height",), "front", 27),
        (("twist",), "front", 24),
        (("twist",), "centre", 27),
        (TERMS, "front", 18),
    ],
)
def test_three_millimetres_are_named_where_they_can_be(
    terms: tuple[str, ...], zone: str, least: int
) -> None:
    """30 vehicles built as assumed; the rates of 500 stand in the benchmarks."""
    rng = np.random.default_rng(17)
    named = others = 0
    # Signs of sway and diamond that add up: the turn takes nothing away.
    planted = {term: -3.0 if term == "diamond" else 3.0 for term in terms}
    wanted = {(zone, term) for term in terms}
    for _ in range(30):
        moved = plant_centre(PLACES, planted) if zone == "centre" else plant(PLACES, zone, planted)
        found = shown(assess(measured(rng, moved, covariance(), 0.5)))
        named += wanted <= found
        others += bool(found - wanted)
    assert named >= least
    assert others <= 2


@pytest.mark.parametrize("term", ["twist", "diamond"])
def test_change_of_the_centre_is_not_absorbed_by_the_frame(term: str) -> None:
    """The frame is fitted to the very base points that moved."""
    moved = plant_centre(PLACES, {term: 6.0})
    damage = assess(measured(np.random.default_rng(7), moved, covariance(), 0.3))
    found = term_of(damage, "centre", term)
    assert found.shown
    assert found.far_mm == pytest.approx(6.0, abs=found.U_far_mm)
    assert {term for zone, term in shown(damage) if zone == "centre"} == {term}


def test_diamond_has_one_name() -> None:
    """Sway that grows is the turn of its zone and a diamond all along that undoes the set-back."""
    table = table_of(plant(PLACES, "front", {"sway": 6.0, "diamond": -6.0}))
    points = sheet().points
    fit = fitted(Car(table.rows, points, table.covariance_mm2, sections_of(table.rows, points)), ())
    tried = tried_in(fit)
    (growing,), (turned,) = (tried.place("front", "sway", kind) for kind in ("growing", "turned"))
    (diamond,) = tried.place("front", "diamond", "all along")
    assert np.linalg.matrix_rank(tried.columns[:, [growing, turned, diamond]], tol=1e-6) == 2
    for one, other in ((growing, turned), (turned, growing)):
        evidence = tried.evidence([one])
        assert evidence[other] == 0.0
        assert evidence[diamond] > 1.0


@pytest.mark.parametrize("term", ["mash", "side mash", "sway", "height", "twist"])
def test_sound_ends_go_with_the_centre_as_rigid_bodies(term: str) -> None:
    """First order: what moves rigidly keeps its distances, (p - q) . (dp - dq) = 0."""
    table = table_of(PLACES)
    points = sheet().points
    car = Car(table.rows, points, table.covariance_mm2, sections_of(table.rows, points))
    (course,) = (c for c in courses_of(car) if (c.section.frame.zone, c.term) == ("centre", term))
    change = course.by_mm.reshape(-1, 3)
    for zone in ("front", "rear"):
        own = [i for i, point in enumerate(points) if point.zone == zone]
        assert np.abs(change[own]).max() > 0.1
        for i, j in itertools.combinations(own, 2):
            apart = PLACES[i] - PLACES[j]
            assert apart @ (change[i] - change[j]) / np.linalg.norm(apart) == pytest.approx(
                0.0, abs=1e-9
            )


def test_ends_of_a_twisted_car_are_at_an_angle_and_sound() -> None:
    """The true turn of a whole car that is twisted in its centre: only that is picked."""
    moved = plant_centre(PLACES, {"twist": 9.0})
    damage = assess(measured(np.random.default_rng(8), moved, covariance(), 0.3))
    assert ("centre", "twist") in shown(damage)
    assert not {term for zone, term in shown(damage) if term != "twist"}


def test_a_side_is_within_only_if_all_its_points_are() -> None:
    """The front carried 8 mm to the left at its nearest pair D, dying away to nothing at its end A.

    By hand: C, 440 of 1080 mm on, has 8 x 640 / 1080 = 4.7 mm, B 3.1, A none.
    """
    moved = PLACES.copy()
    front = moved[:, 0] > 900.0
    moved[front, 1] += 8.0 * (1985.0 - moved[front, 0]) / 1080.0
    damage = assess(table_of(moved))
    front_zone = zone_of(damage, "front")
    carried = {(one.point, one.side): one.change_mm for one in front_zone.carried}
    assert carried["C", "L"] == pytest.approx([0.0, 8.0 * 640.0 / 1080.0, 0.0], abs=0.1)
    sentence = zone_sentence(front_zone, damage.local)
    assert re.search(r"At D left it has moved 8\.0 ± 0\.\d mm outward\.", sentence)
    assert re.search(r"At D right it has moved 8\.0 ± 0\.\d mm inward\.", sentence)
    assert "side is within" not in sentence
    # The other way round, 8 mm at the end alone, the end is what is told.
    swung = zone_sentence(
        zone_of(assess(table_of(plant(PLACES, "front", {"sway": 8.0}))), "front"), ()
    )
    assert re.search(r"The left side of its end has moved 8\.0 ± \d\.\d mm outward", swung)


def test_a_side_is_within_but_for_a_point_that_departs_by_itself() -> None:
    moved = plant(PLACES, "front", {"mash": -2.0})
    moved[2, 1] -= 12.0  # B L, inward
    damage = assess(table_of(moved))
    sentence = zone_sentence(zone_of(damage, "front"), damage.local)
    assert "Its left side is within 3.0 mm but for B left." in sentence
    assert "Its right side is within 3.0 mm." in sentence


def test_turn_sideways_is_no_diamond() -> None:
    damage = assess(table_of(plant(PLACES, "front", {"sway": 40.0})))
    diamond = term_of(damage, "front", "diamond")
    assert diamond.far_mm == pytest.approx(
        -40.0 * zone_of(damage, "front").frame.width_mm / 1080.0, rel=0.01
    )
    assert diamond.by_turn
    assert not diamond.shown
    assert "no diamond" in zone_sentence(zone_of(damage, "front"), damage.local)


def test_sound_vehicles_raise_no_alarm() -> None:
    rng = np.random.default_rng(11)
    damages = [assess(measured(rng, PLACES, covariance(n), 0.4)) for n in range(40)]
    # 2 % of 40 is less than one; three would come by chance once in a hundred times.
    assert sum(bool(shown(damage) or damage.local) for damage in damages) < 3
    for damage in damages:
        for line in summary_lines(damage):
            assert "damaged" not in line


def test_a_single_point_is_local_damage_and_bends_no_zone() -> None:
    moved = PLACES.copy()
    moved[2, 1] -= 12.0  # B L, inward
    damage = assess(measured(np.random.default_rng(3), moved, covariance(), 0.3))
    assert not shown(damage)
    (only,) = damage.local
    assert (only.point, only.side, only.zone) == ("B", "L", "front")
    assert only.departure_mm[1] == pytest.approx(-12.0, abs=only.U_mm[1])
    # On the terminal every sentence but the verdict has a line of its own.
    assert "  B left departs from that by itself: 11.7 ± 1.0 mm inward." in summary_lines(damage)
    assert "B left departs from that by itself: 11.7 ± 1.0 mm inward." in zone_sentence(
        zone_of(damage, "front"), damage.local
    )


def test_a_moved_base_point_does_not_bend_the_centre() -> None:
    moved = PLACES.copy()
    moved[10, 2] += 9.0  # F L, a base point
    damage = assess(measured(np.random.default_rng(5), moved, covariance(), 0.3))
    assert [(one.point, one.side) for one in damage.local] == [("F", "L")]
    assert not shown(damage)


@pytest.mark.parametrize("seed", range(3))
def test_nothing_depends_on_how_the_datum_weighed_its_points(seed: int) -> None:
    """Any small turn and shift of the frame, told in the covariance or not, changes nothing."""
    rng = np.random.default_rng(seed)
    table = measured(rng, plant(PLACES, "front", {"mash": -8.0}), covariance(), 0.3)
    turn, shift = 1e-3 * rng.normal(size=3), rng.normal(size=3)
    rows = tuple(
        replace(row, deviation_mm=row.deviation_mm + np.cross(turn, place) + shift)
        for row, place in zip(table.rows, PLACES, strict=True)
    )
    one, other = assess(table), assess(DeviationTable(rows, table.covariance_mm2))
    for before, after in zip(one.zones, other.zones, strict=True):
        for a, b in zip(before.terms, after.terms, strict=True):
            assert a.far_mm == pytest.approx(b.far_mm, abs=2e-3)
            assert a.U_far_mm == pytest.approx(b.U_far_mm, abs=1e-6)


def test_one_sided_zone_says_that_it_cannot_tell() -> None:
    one_sided = ReferenceSheet(
        tuple(p for p in sheet().points if p.zone != "front" or p.side == "L")
    )
    places = np.array([p.position_mm for p in one_sided.points])
    damage = assess(table_of(places, one_sided), one_sided)
    assert term_of(damage, "front", "diamond").U_far_mm > 20.0
    sentence = zone_sentence(zone_of(damage, "front"), damage.local)
    assert "annot tell at all, for want of points" in sentence
    assert "diamond" in sentence


def test_zones_without_points_are_named_and_no_base_gives_none() -> None:
    kept = [i for i, p in enumerate(sheet().points) if p.zone != "rear"]
    table = table_of(PLACES)
    some = DeviationTable(tuple(table.rows[i] for i in kept), np.eye(3 * len(kept)) * 0.01)
    damage = assess(some)
    assert summary_lines(damage)[-1] == "Without points, so nothing can be told: rear."
    baseless = tuple(replace(row, base=False) for row in table.rows)
    assert find_damage(DeviationTable(baseless, table.covariance_mm2), sheet()) is None


def test_way_back() -> None:
    """By hand: 14 mm back, 6 up and 5 inward on the right go 14 forward, 6 down, 5 outward."""
    moved = PLACES.copy()
    moved[1] += [-14.0, 5.0, 6.0]  # A R
    (only,) = corrections(table_of(moved))
    assert only.travel_mm == pytest.approx([14.0, -5.0, -6.0])
    assert only.length_mm == pytest.approx(np.sqrt(14.0**2 + 5.0**2 + 6.0**2))
    assert only.U_length_mm == pytest.approx(2.0 * SEEN_MM)
    assert correction_words(only) == "14.0 ± 0.2 forward, 5.0 ± 0.2 outward, 6.0 ± 0.2 down"


def test_the_way_back_is_as_unsure_as_the_sheet_makes_it() -> None:
    """3 mm back and 4 mm down, u of the sheet 0.5 mm an axis: U = 2 sqrt(0.1^2 + 0.5^2)."""
    moved = PLACES.copy()
    moved[1] += [-30.0, 0.0, -40.0]  # A R
    table = table_of(moved)
    own = table.covariance_mm2 + 0.25 * np.eye(len(table.covariance_mm2))
    (only,) = corrections(replace(table, of_deviations_mm2=own))
    assert only.U_length_mm == pytest.approx(2.0 * np.hypot(SEEN_MM, 0.5))


def suspension_sheet() -> ReferenceSheet:
    """Strut towers 500 mm above arms in front, axle mounts at the rear, instead of A, D and K."""
    kinds = {"A": "strut tower", "D": "control arm", "K": "axle"}
    points = []
    for point in sheet().points:
        place = point.position_mm.copy()
        if point.point == "A":
            place[[0, 2]] = 905.0, 628.0
        points.append(replace(point, position_mm=place, kind=kinds.get(point.point, "")))
    return ReferenceSheet(tuple(points))


def test_suspension_by_hand() -> None:
    """A left tower 10 mm inward and 5 back over 500 mm; the left arm 8 back; the axle sound.

    Camber left -10 / 500 rad = -1.146 degrees; caster left (-8 + 5) / 500 rad = -0.344 degrees;
    wheelbase left 8 mm shorter.
    """
    of = suspension_sheet()
    places = np.array([p.position_mm for p in of.points])
    places[0] += [-5.0, -10.0, 0.0]  # A L
    places[6] += [-8.0, 0.0, 0.0]  # D L
    found = {f"{c.axle} {c.what}": c for c in suspension_changes(table_of(places, of), of, 0.0)}
    assert set(found) == {"front camber", "front caster", " wheelbase"}
    for name, expected in (
        ("front camber", -1.146),
        ("front caster", -0.344),
        (" wheelbase", -8.0),
    ):
        change = found[name]
        assert change.left is not None
        assert change.right is not None
        assert change.difference is not None
        assert change.left.value == pytest.approx(expected, abs=1e-3)
        assert change.right.value == pytest.approx(0.0, abs=1e-9)
        assert change.difference.value == pytest.approx(expected, abs=1e-3)
        assert change.difference.shown
    # Two points of 0.1 mm, each side: U of a difference = 2 x sqrt(4) x 0.1 / 500 rad.
    camber = found["front camber"].difference
    assert camber is not None
    assert abs(camber.U - np.degrees(2.0 * 2.0 * SEEN_MM / 500.0)) < 1e-9


def test_camber_of_the_right_side_counts_outward_too() -> None:
    """A right tower 5 mm outward (to the right) over 500 mm: +5 / 500 rad = +0.573 degrees."""
    of = suspension_sheet()
    places = np.array([p.position_mm for p in of.points])
    places[1, 1] -= 5.0  # A R
    (camber,) = (c for c in suspension_changes(table_of(places, of), of, 0.5) if c.what == "camber")
    assert camber.right is not None
    assert camber.right.value == pytest.approx(0.573, abs=1e-3)
    # The build scatter of 0.5 mm at the tower and at the arm: 2 x sqrt(2 (0.5^2 + 0.1^2)) / 500.
    assert abs(camber.right.U - np.degrees(2.0 * np.sqrt(0.52) / 500.0)) < 1e-9


def test_suspension_says_nothing_without_upper_points() -> None:
    of = ReferenceSheet(
        tuple(
            replace(p, kind="" if p.kind == "strut tower" else p.kind)
            for p in suspension_sheet().points
        )
    )
    places = np.array([p.position_mm for p in of.points])
    assert [c.what for c in suspension_changes(table_of(places, of), of, 0.5)] == ["wheelbase"]


def test_sides_of_the_van_in_the_benchmark_are_what_they_say() -> None:
    """Planting, by hand: the front raised by 15 mm at its end lifts both A points by 15 sin-true
    millimetres, for they lie above the end on the axis of the turn."""
    moved = plant(PLACES, "front", {"height": 15.0})
    rise = moved[0, 2] - PLACES[0, 2]
    tilt = np.arcsin(15.0 / (END_MM["front"] - 905.0))
    assert rise == pytest.approx(15.0 - (318.0 - 125.0) * (1.0 - np.cos(tilt)), abs=1e-9)


def test_demo_tells_the_front_left_corner(solved_demo: Path) -> None:
    """sample_images: front left hit (back, in, up), dying away to the centre; all else sound."""
    document = json.loads((solved_demo / "results" / "result.json").read_text(encoding="utf-8"))
    zones = {zone["zone"]: zone for zone in document["damage"]["zones"]}
    assert zones["front"]["verdict"] == "out"
    assert zones["centre"]["verdict"] == zones["rear"]["verdict"] == "within"
    for word in ("shortened", "left side further back", "kick-up", "left side higher"):
        assert word in zones["front"]["sentence"]
    travel = {(c["point"], c["side"]): c["travel_mm"] for c in document["corrections"]}
    assert set(travel) == {("A", "R"), *((point, "L") for point in "ABCDMN")}
    # The truth of the rendering (sample_images/scenario.py): A left is -16.4, -6.8, +7.9 off.
    assert travel["A", "L"] == pytest.approx([16.4, 6.8, -7.9], abs=0.2)
