"""The uncertainty budget: its sum, each source by hand, and whether U holds in invented jobs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom, chi2, norm

from calib.frames import Array
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Priors
from pipeline.adjustment.covariance import precision
from pipeline.adjustment.points import card_flatness_mm, find_holes
from pipeline.adjustment.scale import scale_network
from pipeline.datum.budget import (
    SOURCES,
    BudgetRow,
    budget,
    budget_sentence,
    covariances_by_source,
)
from pipeline.datum.datum import fit_frame
from pipeline.datum.deviation import verdict_of
from pipeline.inputs.job import CardOnPoint
from pipeline.report.page import page_html
from pipeline.results.result_document import result_document
from targets.bar import Bar
from targets.card import card_of
from tests.benchmarks.coverage import Measured, Outcome, invent, measure, outcome
from tests.report_case import invented as invented_result
from tests.scene import bundle, covariance_like, make_scene, nominal_layout, solution_of

STEEL, ALUMINIUM = 11.5e-6, 23.1e-6
"""Swyt, NIST J. Res. 99:31, 1994."""
CENTRES = np.array(
    [
        *([0.0, 500, 0], [0, -500, 0], [1000, 500, 0], [1000, -500, 0]),
        *([500.0, 0, 0], [4500, 0, 0], [500, -2000, 0]),
    ]
)
"""Base points in a rectangle of 1 m; its middle; one point 4 m ahead of it, one 2 m beside it."""
BASE = np.arange(4)
SEAT, STEM = 0.01, 0.001
WIDE = 20.0
"""A seat so wide that the base points do not tell the error of the scale: equal weights."""


def car(
    bars: tuple[Bar, ...],
    temperature_c: float = 20.0,
    seat: float = SEAT,
    stem: float = STEM,
    dots_sd: float = 1e-4,
    off_mm: float = 0.0,
    stem_mm: float = 0.0,
) -> tuple[BudgetRow, ...]:
    """Budget of the level cards of ``CENTRES``, base points twisted by ``off_mm`` off the sheet."""
    flat = np.column_stack([card_of(0).dots_mm, np.zeros(4)])
    dots = CENTRES[:, None] + flat
    free = solution_of(range(len(CENTRES)), dots, dots_sd**2 * np.eye(dots.size))
    scaled = scale_network(free, bars, temperature_c, STEEL)
    rows = [CardOnPoint(i, f"P{i}", "L", stem_mm, "") for i in range(len(CENTRES))]
    holes = find_holes(scaled.solution, rows, seat, stem)
    sheet = holes.positions_mm[BASE] + off_mm * np.outer([1.0, -1, -1, 1], [0, 0, 1])
    datum = fit_frame(holes.positions_mm, holes.covariance_mm2, BASE, sheet)
    return budget(free, np.zeros((dots.size, 0)), scaled, holes, datum)


def bar_of(U_mm: float, alpha_per_k: float = STEEL) -> Bar:
    """From the first to the third base point, 1 m along the car."""
    return Bar((0, 2), 1000.0, U_mm, alpha_per_k)


@pytest.fixture(scope="module")
def measured() -> Measured:
    """An invented job from its sightings on, self-calibrating, with bars and all."""
    return measure(invent(3, photos=8))


def test_sources_add_up_to_the_covariance_that_is_stated(measured: Measured) -> None:
    """To 1e-9 of the largest variance, off the diagonal as well as on it."""
    by_source = covariances_by_source(
        measured.free,
        measured.camera_root_mm,
        measured.scaled,
        measured.holes,
        measured.datum,
    )
    assert set(by_source) == set(SOURCES) - {"print", "reference"}
    stated = measured.datum.covariance_mm2
    assert np.abs(sum(by_source.values()) - stated).max() < 1e-9 * np.abs(stated).max()
    for source, covariance in by_source.items():
        # Each is a covariance for itself, and none is idle.
        assert np.linalg.eigvalsh(covariance).min() > -1e-9 * np.abs(stated).max(), source
        assert np.diag(covariance).max() > 1e-8, source
    rows = budget(
        measured.free,
        measured.camera_root_mm,
        measured.scaled,
        measured.holes,
        measured.datum,
    )
    U = np.array([row.U_mm for row in rows])
    np.testing.assert_allclose(U, 2.0 * np.sqrt(np.diag(stated)).reshape(-1, 3), rtol=1e-9)
    assert [row.point for row in rows] == [row.point for row in measured.holes.rows]


def test_sources_add_up_without_a_bar(measured: Measured) -> None:
    """The printer's scale takes the place of the bars: 0.5 % (assumed) of 1.5 m and more."""
    scaled = scale_network(measured.free, (), 20.0, STEEL)
    rows = measured.holes.rows
    flatness = card_flatness_mm(scaled.solution)
    holes = find_holes(scaled.solution, rows, 0.1, 0.05, flatness)
    base = np.array(measured.base)
    datum = fit_frame(
        holes.positions_mm, holes.covariance_mm2, base, measured.datum.positions_mm[base]
    )
    by_source = covariances_by_source(measured.free, measured.camera_root_mm, scaled, holes, datum)
    assert set(by_source) == set(SOURCES) - {"bar", "temperature", "reference"}
    stated = datum.covariance_mm2
    assert np.abs(sum(by_source.values()) - stated).max() < 1e-9 * np.abs(stated).max()
    assert np.sqrt(np.diag(by_source["print"]).max()) > 0.005 * 1000.0


def test_camera_part_is_the_difference_to_a_known_camera() -> None:
    """Covariance with free constants minus that of the same network with constants held fixed."""
    scene = make_scene(4, photos=9, columns=3, rows=3)
    network, observations = bundle(scene)
    layout = nominal_layout(scene, (0.03, 0.03, 0.15))
    free = replace(Priors.none(network.constants), layout=layout)
    optimum = adjust(network, observations, free).network
    found = precision(optimum, observations, free)
    held = replace(Priors.hold(optimum.constants), layout=layout)
    known = precision(optimum, observations, held)
    part = found.camera_root @ found.camera_root.T
    apart = found.points - known.points
    assert np.abs(apart - part).max() < 1e-6 * np.abs(found.points).max()
    assert np.trace(part) > 0.05 * np.trace(found.points)
    assert known.camera_root.shape == (len(network.points) * 3, 0)


def test_temperature_by_hand() -> None:
    """1 m at 30 degrees C: aluminium grows 0.231 mm, steel 0.115 mm (Swyt, references 1 f).

    Handbook coefficients are taken as good to 10 %, the temperature to 1 K (both assumed): of a
    metre 0.0231, 0.0115 and (0.0231 - 0.0115) mm. A point 4 m ahead of the middle of the base
    points moves by four times that along the car, one 2 m beside it twice across.
    """
    u_metre = np.linalg.norm([0.0231, 0.0115, 0.0231 - 0.0115])
    rows = car((bar_of(0.1, ALUMINIUM),), temperature_c=30.0, seat=WIDE)
    u = np.array([row.u_mm["temperature"] for row in rows])
    np.testing.assert_allclose(u[5], [4.0 * u_metre, 0, 0], atol=2e-5)
    np.testing.assert_allclose(u[6], [0, 2.0 * u_metre, 0], atol=2e-5)
    np.testing.assert_allclose(u[4], 0.0, atol=2e-5)
    # At 20 degrees the coefficients do not matter, and bar and body of steel move together.
    same = car((bar_of(0.1, STEEL),), temperature_c=20.0)
    assert np.abs([row.u_mm["temperature"] for row in same]).max() < 1e-9


@pytest.mark.parametrize(("U_mm", "u_mm"), [(0.4, 0.2), (0.02, 0.01), (0.0, 0.01)])
def test_bar_by_hand(U_mm: float, u_mm: float) -> None:
    """Half its U on each metre; a bar stated without uncertainty counts as good to 0.01 mm (u)."""
    rows = car((bar_of(U_mm),), seat=WIDE)
    np.testing.assert_allclose(rows[5].u_mm["bar"], [4.0 * u_mm, 0, 0], atol=3e-5)
    np.testing.assert_allclose(rows[6].u_mm["bar"], [0, 2.0 * u_mm, 0], atol=3e-5)


def test_seat_and_stem_by_hand() -> None:
    """Level cards: across is length and width, along is height.

    The middle of four base points adds a quarter of their variance to its own; the point 4 m ahead
    of it adds the pitch, (4000 / 500)^2 / 4 of a variance in height, and (4000^2 / (4 (500^2 +
    500^2))) in width for the yaw.
    """
    rows = car((bar_of(0.02),), seat=0.2, stem=0.1)
    across, along, stem = (
        np.array([row.u_mm[s] for row in rows]) for s in ("seat across", "seat along", "stem")
    )
    near = np.sqrt(1.25)
    np.testing.assert_allclose(across[4], [0.2 * near, 0.2 * near, 0], atol=1e-5)
    np.testing.assert_allclose(along[4], [0, 0, 0.2 * near], atol=1e-5)
    np.testing.assert_allclose(stem[4], [0, 0, 0.1 * near], atol=1e-5)
    pitch, yaw = 1.25 + 8.0**2 / 4.0, 1.25 + 4000.0**2 / (4.0 * 2 * 500.0**2)
    np.testing.assert_allclose(along[5], [0, 0, 0.2 * np.sqrt(pitch)], atol=1e-4)
    np.testing.assert_allclose(across[5], [0.2 * near, 0.2 * np.sqrt(yaw), 0], atol=1e-4)


def test_flatness_by_hand(rng: np.random.Generator) -> None:
    """Dots 0.1 mm off their plane: half of it along the stem, and stem x 0.1 / 66 mm across.

    Mean of four: 0.1 / 2. Tilt of the plane through dots at +-33 mm: 0.1 / (2 x 33), either way.
    """
    flat = np.column_stack([card_of(0).dots_mm, np.zeros(4)])
    solution = solution_of((0,), flat[None], np.zeros((12, 12)))
    holes = find_holes(solution, [CardOnPoint(0, "P", "L", 80.0, "")], 0.0, 0.0, 0.1)
    across = 80.0 * 0.1 / 66.0
    expected = np.diag([across**2, across**2, 0.05**2])
    np.testing.assert_allclose(holes.covariance_mm2, expected, atol=1e-9)

    # Cards of three sizes, dots strewn about their planes by 0.1 mm on an 80 mm card; exact dots.
    cards = tuple(range(0, 120)) + tuple(range(300, 420)) + tuple(range(450, 530))
    size = np.array([card_of(card).width_mm / 80.0 for card in cards])
    dots = np.array([np.column_stack([card_of(card).dots_mm, np.zeros(4)]) for card in cards])
    dots[:, :, 2] += 0.1 * size[:, None] * rng.standard_normal((len(cards), 4))
    strewn = solution_of(cards, dots, np.zeros((dots.size, dots.size)))
    # 320 twists tell it to 4 %.
    assert card_flatness_mm(strewn) == pytest.approx(0.1, rel=0.13)


def test_what_is_largest_dominates() -> None:
    """Bars at the far ends, seats near the middle; then seats, photos and the sheet everywhere."""
    rows = car((bar_of(0.4),), seat=0.1)
    assert rows[5].dominant == rows[6].dominant == "bar"
    assert rows[4].dominant == "seat across"
    wide = {row.dominant for row in car((bar_of(0.1),), seat=2.0)}
    assert wide == {"seat across", "seat along"}  # along where the pitch makes heights unsure
    assert {row.dominant for row in car((bar_of(0.1),), dots_sd=2.0)} == {"photos"}
    rows = car((bar_of(0.1),), seat=0.05, off_mm=5.0)
    assert {row.dominant for row in rows} == {"sheet"}
    assert {row.dominant for row in car((), dots_sd=0.01)[5:]} == {"print"}


def test_the_sentence_tells_what_decides() -> None:
    """Two causes of one remedy count together; a tenth from photos, and more of them would help."""

    def of(shares: Mapping[str, float]) -> str:
        u = {source: np.full(3, np.sqrt(shares.get(source, 0.0))) for source in SOURCES}
        return budget_sentence([BudgetRow("A", "L", u, "photos")])

    seats = {"seat across": 0.3, "seat along": 0.1, "stem": 0.1, "flatness": 0.1, "sheet": 0.4}
    assert of(seats) == (
        "The seat of the cards in their holes decides U (60 % of its square): better plugs and "
        "flat cards would make it smaller; more photos would not help."
    )
    assert of({"photos": 0.06, "camera": 0.03, "bar": 0.91}) == (
        "The certificate of the bars decides U (91 % of its square): longer bars or better "
        "certificates would make it smaller; more photos would not help."
    )
    assert "more photos" not in of({"photos": 0.06, "camera": 0.05, "bar": 0.89})
    assert of({"photos": 0.3, "camera": 0.3, "bar": 0.4}).startswith(
        "What the photos can tell decides U (60 % of its square): more photos from more sides"
    )
    assert budget_sentence([]) == ""


def test_conformity_of_the_published_example() -> None:
    """+-3 mm, u = 0.4 mm: accepted up to 2.20 mm with a guard band of U (references 1 g).

    A conformance probability of 95 % (later editions of ISO 14253-1, from memory) would accept
    3 - 1.645 x 0.4 = 2.34 mm: a guard band of 0.82 U, as the decision rule says.
    """
    assert verdict_of(2.19, 0.8, 3.0) == "within"
    assert verdict_of(2.21, 0.8, 3.0) == "undecided"
    assert verdict_of(2.34, 0.8, 3.0) == "undecided"
    assert verdict_of(3.81, 0.8, 3.0) == "out"
    one_sided = norm.ppf(0.95)
    assert 3.0 - one_sided * 0.4 == pytest.approx(2.34, abs=0.005)
    assert one_sided / 2.0 == pytest.approx(0.82, abs=0.005)


def test_page_and_file_tell_the_budget(tmp_path: Path) -> None:
    """Every point with its U and what decides it; squares of the file's u add up to U / 2."""
    rows = car((bar_of(0.4),), seat=0.1)
    result, sightings = invented_result(tmp_path)
    result = replace(result, budget=rows)
    page = page_html(result, sightings)
    section = page[page.index("What makes the figures unsure") :]
    section = section[: section.index("</section>")]
    assert budget_sentence(rows) in section
    assert "guard band" in section
    body = section[section.index("<tbody>") :]
    assert body.count("<tr>") == len(rows)
    assert f">{rows[5].U_mm[0]:.2f}</td>" in body
    assert body.count(SOURCES["bar"]) == sum(row.dominant == "bar" for row in rows) > 0
    assert "What makes the figures unsure" not in page_html(replace(result, budget=()), sightings)

    document = json.loads(json.dumps(result_document(result)))["budget"]
    assert document["coverage_factor"] == 2.0
    assert document["summary"] == budget_sentence(rows)
    for row, written in zip(rows, document["points"], strict=True):
        assert (written["point"], written["dominant"]) == (row.point, row.dominant)
        u = np.array(list(written["u_mm"].values()))
        np.testing.assert_allclose(2.0 * np.linalg.norm(u, axis=0), row.U_mm, atol=1e-5)
        assert set(written["u_mm"]) <= set(document["sources"])


def test_stated_uncertainty_holds_in_invented_jobs() -> None:
    """Ten jobs, weak ones of eight photos; fixed seeds, 99.9 % bounds.

    Errors of one job go together, so they are counted along the axes of their joint covariance:
    the share within two standard uncertainties is binomial about 95.45 %, and for the centres,
    where nothing but the variance factor is estimated, the sum of squares is chi-square. The large
    version with its table is ``tests/benchmarks/coverage.py``.
    """
    jobs: list[Outcome] = []
    for seed in range(100, 110):
        invented = invent(seed, photos=8)
        jobs.append(outcome(invented, measure(invented)))
    centres = np.concatenate([job.centres_apart.ravel() for job in jobs])
    assert len(centres) > 400
    assert chi2.ppf(0.0005, len(centres)) < (centres**2).sum() < chi2.ppf(0.9995, len(centres))
    _assert_share(centres)
    deviations = np.concatenate([job.deviations_apart.ravel() for job in jobs])
    assert len(deviations) > 300
    _assert_share(deviations)


def _assert_share(z: Array) -> None:
    """As many within 2 as a normal distribution has, to its binomial quantiles."""
    inside = int((np.abs(z) <= 2.0).sum())
    assert binom.ppf(0.0005, len(z), 0.9545) <= inside <= binom.ppf(0.9995, len(z), 0.9545)


def test_covariance_of_dots_is_carried_by_the_scale(rng: np.random.Generator) -> None:
    """A covariance of the network, times the maps that the scale gives, is what it states."""
    flat = np.column_stack([card_of(0).dots_mm, np.zeros(4)])
    dots = CENTRES[:, None] + flat
    covariance = covariance_like(rng, dots.size, 0.05)
    free = solution_of(range(len(CENTRES)), dots, covariance)
    one, other = bar_of(0.1, ALUMINIUM), Bar((1, 5), float(np.hypot(4500, 500)), 0.2, STEEL)
    for bars in ((one,), (one, other), ()):
        scaled = scale_network(free, bars, 31.0, STEEL)
        carried = scaled.by_dots @ covariance @ scaled.by_dots.T
        carried += sum(root @ root.T for root in scaled.roots_mm.values())
        stated = scaled.solution.covariance_mm2
        assert np.abs(carried - stated).max() < 1e-9 * np.abs(stated).max()
