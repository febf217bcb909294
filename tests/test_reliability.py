"""What could go unseen, by planting just such errors and looking whether they are found."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import binom, chi2, norm

from calib.frames import Array
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Network, Observations, Priors, residuals_px
from pipeline.adjustment.covariance import Precision, outlier_statistics, precision
from pipeline.adjustment.reliability import (
    CardReliability,
    DotReliability,
    card_reliability,
    dot_reliability,
    least_noncentrality,
)
from pipeline.faults.diagnose import reliability_findings
from pipeline.report.page import page_html
from pipeline.results.result_document import result_document
from pipeline.results.result_json import json_text
from tests.dense import Dense
from tests.report_case import invented, without_sheet
from tests.scene import Scene, aligned, bundle, make_scene, nominal_layout

CONSTANTS_SD = np.array([10.0, 10.0, 5.0, 5.0, 0.05, 0.05, 1e-3, 1e-3, 0.05])
LAYOUT_SD = (0.03, 0.03, 0.15)
DRIFT_SD = np.repeat([2e-4, 0.15], 3)
KINDS = pytest.mark.parametrize(
    ("everything", "shift_sd_px"),
    [(False, 0.0), (True, 0.0), (True, 0.5)],
    ids=["dots alone", "layout and drift", "layout, drift and shift"],
)


def _case(
    everything: bool, shift_sd_px: float = 0.0
) -> tuple[Scene, Network, Observations, Priors]:
    """Six cards in six photos, exact; with layout and drift as in a job, or the dots alone.

    ``shift_sd_px`` lets each photo have its own principal point, too.
    """
    scene = make_scene(8, columns=3, rows=2, photos=6, extent_mm=(900.0, 600.0), noise_px=0.0)
    network, observations = bundle(scene)
    priors = replace(Priors.none(network.constants), information=np.diag(CONSTANTS_SD**-2)[None])
    if everything:
        priors = replace(priors, layout=nominal_layout(scene, LAYOUT_SD), drift_sd=DRIFT_SD)
    priors = replace(priors, shift_sd_px=shift_sd_px)
    return scene, network, observations, priors


def _reliability(
    network: Network, observations: Observations, priors: Priors
) -> tuple[Precision, DotReliability]:
    """With the variance factor that normal noise has; that of exact observations is 0."""
    found = replace(precision(network, observations, priors), variance_factor=1.0)
    return found, dot_reliability(network, observations, priors, found)


def test_noncentrality_is_what_a_draw_of_normal_numbers_needs(rng: np.random.Generator) -> None:
    """Two normal numbers moved by sqrt(lambda) leave the circle of 0.1 % in 80 % of draws.

    In one dimension the same sums give Baarda's 4.132 (references: z(0.9995) 3.29053 plus the 80 %
    quantile 0.84162, the far side being negligible); in two it takes a little more. With an
    estimated s of 20 degrees of freedom more still, and in a large job no more.
    """
    assert norm.isf(0.0005) + norm.isf(0.2) == pytest.approx(4.13215, abs=2e-5)
    assert 4.13215**2 < least_noncentrality() < 1.2 * 4.13215**2
    for freedom in (np.inf, 20.0):
        moved = rng.standard_normal((400_000, 2)) + [np.sqrt(least_noncentrality(freedom)), 0.0]
        squares = (moved**2).sum(axis=1)
        if np.isfinite(freedom):
            squares /= rng.chisquare(freedom, len(squares)) / freedom
        # Four standard deviations of the share of 400 000 draws.
        assert (squares > chi2.isf(0.001, 2)).mean() == pytest.approx(0.8, abs=0.0026)
    assert least_noncentrality(20.0) > 1.02 * least_noncentrality()
    assert least_noncentrality(9_999.0) == pytest.approx(least_noncentrality(), rel=2e-4)


@pytest.mark.parametrize("everything", [False, True], ids=["dots alone", "layout and drift"])
def test_redundancy_blocks_are_those_of_a_dense_solver(everything: bool) -> None:
    """I - A (A^T A)^+ A^T by singular values of numeric derivatives."""
    _, network, observations, priors = _case(everything)
    _, dots = _reliability(network, observations, priors)
    dense = Dense(network, observations, priors)
    x = dense.solve().x
    jacobian = dense.jacobian(x)
    count = len(observations.px)
    hat = (jacobian @ dense.cofactors(x) @ jacobian.T)[: 2 * count, : 2 * count]
    for n in range(0, count, 7):
        block = np.eye(2) - hat[2 * n : 2 * n + 2, 2 * n : 2 * n + 2]
        np.testing.assert_allclose(dots.room[n], block, atol=1e-4)
        assert dots.least[n] == pytest.approx(np.linalg.eigvalsh(block)[0], abs=1e-4)
    if not everything:
        # All that is left over is in the dots and in the nine constants known beforehand.
        total = np.trace(dots.room, axis1=1, axis2=2).sum()
        found = precision(network, observations, priors)
        assert found.redundancy - 9 < total < found.redundancy


@KINDS
def test_an_unseen_error_shifts_its_card_as_predicted(everything: bool, shift_sd_px: float) -> None:
    """The error of each card's most important dot planted and adjusted: its shift within 1 %.

    Both networks are laid onto the truth by a similarity (SciPy), which is what inner constraints
    mean. No other dot's error of the same power shifts that card more.
    """
    scene, network, observations, priors = _case(everything, shift_sd_px)
    _, dots = _reliability(network, observations, priors)
    rows = card_reliability(
        dots, observations, observations.point % 4, scene.photos, scene.cards, scale=1.0
    )
    assert [row.card for row in rows] == list(scene.cards)
    for i, row in enumerate(rows):
        at = _observation(scene, observations, row)
        assert row.error_px == pytest.approx(np.linalg.norm(dots.error_px[at]))
        assert row.error_px <= dots.detectable_px[at] * (1 + 1e-9)
        shift = _shift(network, observations, priors, at, dots.error_px[at])[i]
        np.testing.assert_allclose(shift, dots.shift_mm[at], atol=0.01 * row.shift_mm)
        assert np.linalg.norm(shift) == pytest.approx(row.shift_mm, rel=0.01)
        assert 0.005 < row.shift_mm < 0.05
        assert row.redundancy == dots.least[observations.point // 4 == i].min()

    # Another direction or another dot of that card, moved as far as it can be unseen, does less.
    row, i = rows[0], 0
    rng = np.random.default_rng(3)
    for at in rng.choice(np.flatnonzero(observations.point // 4 == i), 6, replace=False):
        white = rng.standard_normal(2)
        white *= np.sqrt(_noncentrality(dots) / (white @ dots.room[at] @ white))
        error = np.linalg.solve(observations.whitening[at], white)
        assert np.linalg.norm(error) <= dots.detectable_px[at] * (1 + 1e-9)
        shift = _shift(network, observations, priors, at, error)[i]
        assert np.linalg.norm(shift) < 1.01 * row.shift_mm


def _observation(scene: Scene, observations: Observations, row: CardReliability) -> int:
    point = 4 * scene.cards.index(row.card) + row.dot
    photo = scene.photos.index(row.photo)
    (at,) = np.flatnonzero((observations.point == point) & (observations.photo == photo))
    return int(at)


def _noncentrality(dots: DotReliability) -> float:
    """For s from all dots: a dot's worth of degrees of freedom for two redundancies."""
    return least_noncentrality(0.48 * float(np.trace(dots.room, axis1=1, axis2=2).sum()))


def _planted(observations: Observations, at: int, error_px: Array) -> Observations:
    px = observations.px.copy()
    px[at] += error_px
    return replace(observations, px=px)


def _shift(
    network: Network, observations: Observations, priors: Priors, at: int, error_px: Array
) -> Array:
    """Shift of all card centres (C, 3) by an error in one dot."""
    bent = adjust(network, _planted(observations, at, error_px), priors)
    assert bent.converged
    off = aligned(bent.network.points, network.points) - network.points
    return np.asarray(off.reshape(-1, 4, 3).mean(axis=1))


@KINDS
def test_an_error_of_the_least_detectable_size_is_found_four_times_out_of_five(
    everything: bool, shift_sd_px: float, rng: np.random.Generator
) -> None:
    """Planted in noise drawn anew: found in 80 % (binomial, 0.1 % on either side), shift as said.

    The test is the program's own, at the least squares optimum. An error of half that size is
    found far less often, one of twice the size always. What the error does to the card is the
    mean of the difference that it makes to the same noise, within 10 %.
    """
    scene, network, observations, priors = _case(everything, shift_sd_px)
    _, dots = _reliability(network, observations, priors)
    rows = card_reliability(
        dots, observations, observations.point % 4, scene.photos, scene.cards, scale=1.0
    )
    times, found, half, twice = 400, 0, 0, 0
    shifts: dict[int, list[Array]] = {row.card: [] for row in rows}
    for time in range(times):
        i = time % len(rows)
        at = _observation(scene, observations, rows[i])
        truth, seen, known = _drawn(network, observations, priors, rng)
        error = dots.error_px[at] * rng.choice([-1.0, 1.0])
        bent, statistic, critical = _tested(truth, _planted(seen, at, error), known)
        found += int(statistic[at] > critical)
        if time < 8 * len(rows):
            plain = adjust(truth, seen, known).network.points
            off = aligned(bent, plain) - plain
            sign = np.sign(error @ dots.error_px[at])
            shifts[rows[i].card].append(sign * off.reshape(-1, 4, 3).mean(axis=1)[i])
        if time < 100:
            _, statistic, _ = _tested(truth, _planted(seen, at, 0.5 * error), known)
            half += int(statistic[at] > critical)
            _, statistic, _ = _tested(truth, _planted(seen, at, 2.0 * error), known)
            twice += int(statistic[at] > critical)
    assert binom.ppf(0.001, times, 0.8) <= found <= binom.isf(0.001, times, 0.8)
    assert half < 0.25 * 100
    assert twice >= 99
    for row in rows:
        mean = np.mean(shifts[row.card], axis=0)
        assert np.linalg.norm(mean) == pytest.approx(row.shift_mm, rel=0.1)


def _drawn(
    network: Network, observations: Observations, priors: Priors, rng: np.random.Generator
) -> tuple[Network, Observations, Priors]:
    """A new truth and what is measured of it: print, drift, noise and known constants."""
    truth = network
    if priors.layout:
        dots = network.points.reshape(priors.layout.nominal_mm.shape)
        centre = dots.mean(axis=1, keepdims=True)
        turns, printed = [], []
        for nominal, sd in zip(priors.layout.nominal_mm, priors.layout.sd_mm, strict=True):
            printed.append(nominal + sd * rng.standard_normal(nominal.shape))
        for card, nominal in zip(dots - centre, priors.layout.nominal_mm, strict=True):
            turns.append(Rotation.align_vectors(card, nominal)[0].as_matrix())
        points = np.array(printed) @ np.array(turns).transpose(0, 2, 1) + centre
        truth = replace(truth, points=points.reshape(-1, 3))
    if priors.drift_sd.any():
        truth = replace(truth, drift=rng.standard_normal(network.drift.shape) * priors.drift_sd)
    if priors.shift_sd_px > 0:
        shift = rng.standard_normal((len(network.rotation), 2)) * priors.shift_sd_px
        truth = replace(truth, shift=shift)
    root = np.linalg.inv(observations.whitening)
    exact = observations.px - residuals_px(truth, observations)
    noise = np.einsum("nij,nj->ni", root, rng.standard_normal(exact.shape))
    known = network.constants + CONSTANTS_SD * rng.standard_normal((1, 9))
    return truth, replace(observations, px=exact + noise), replace(priors, constants=known)


def _tested(
    network: Network, observations: Observations, priors: Priors
) -> tuple[Array, Array, float]:
    adjusted = adjust(network, observations, priors).network
    statistic, critical = outlier_statistics(precision(adjusted, observations, priors))
    return adjusted.points, statistic, critical


def test_scatter_that_is_larger_lets_larger_errors_pass() -> None:
    """Four times the variance: twice the error, twice the shift; redundancy stays."""
    _, network, observations, priors = _case(everything=False)
    found, dots = _reliability(network, observations, priors)
    wide = dot_reliability(network, observations, priors, replace(found, variance_factor=4.0))
    np.testing.assert_allclose(wide.detectable_px, 2.0 * dots.detectable_px)
    np.testing.assert_allclose(np.abs(wide.shift_mm), 2.0 * np.abs(dots.shift_mm), rtol=1e-6)
    np.testing.assert_array_equal(wide.least, dots.least)


def test_a_dot_in_two_photos_may_be_off_along_a_ray_by_anything() -> None:
    """Two rays, four coordinates, three unknowns: one condition, which no error along a ray breaks.

    Without the layout, that is. Baarda's numbers say so by a redundancy of 0 in one direction.
    """
    scene, network, observations, priors = _case(everything=False)
    own = np.flatnonzero(observations.point == 4 * 5)
    kept = ~np.isin(np.arange(len(observations.px)), own[2:])
    observations = observations.subset(kept)
    _, dots = _reliability(network, observations, priors)
    pair = np.flatnonzero(observations.point == 4 * 5)
    assert 0.5 < np.trace(dots.room[pair], axis1=1, axis2=2).sum() < 1.0
    np.testing.assert_allclose(dots.least[pair], 0.0, atol=1e-9)
    assert np.isinf(dots.detectable_px[pair]).all()
    assert np.isfinite(dots.detectable_px[observations.point // 4 != 5]).all()
    rows = card_reliability(dots, observations, observations.point % 4, scene.photos, scene.cards)
    assert (rows[5].card, rows[5].dot, rows[5].shift_mm) == (5, 0, np.inf)
    assert rows[5].redundancy == pytest.approx(0.0, abs=1e-9)

    # The layout checks it: a dot that lies off its card shows.
    layout = replace(priors, layout=nominal_layout(scene, LAYOUT_SD))
    _, dots = _reliability(network, observations, layout)
    assert (dots.least[pair] > 0.01).all()
    assert np.isfinite(dots.detectable_px).all()


ROWS = (
    CardReliability(1, 0.31, "IMG_0002.jpg", 0, 0.21, 0.99),
    CardReliability(2, 0.12, "IMG_0003.jpg", 3, 1.74, 1.01),
    CardReliability(3, 0.0, "IMG_0004.jpg", 1, np.inf, np.inf),
    CardReliability(20, 0.05, "IMG_0005.jpg", 2, 2.5, 40.0),
)


def test_a_card_on_a_point_that_could_be_a_third_of_its_tolerance_off_is_named(
    tmp_path: Path,
) -> None:
    """Tolerance 3 mm: 0.99 mm passes, 1.01 mm and a dot that nothing checks do not; ties may."""
    result, _ = invented(tmp_path)
    findings = reliability_findings(result.job, ROWS)
    assert [(f.code, f.severity, f.subject) for f in findings] == [
        ("card-unchecked", "warning", "card 2"),
        ("card-unchecked", "warning", "card 3"),
    ]
    assert "up to 1.74 px in one photo (IMG_0003.jpg)" in findings[0].text
    assert "by 1.01 mm" in findings[0].text
    assert "point A R" in findings[0].text
    assert "Nothing checks dot 2 of this card in IMG_0004.jpg" in findings[1].text
    assert all("inf" not in f.text for f in findings)
    # Where there is no sheet the job's own tolerance counts.
    wider = replace(result.job, sheet=None, tolerance_mm=3.1)
    assert [f.subject for f in reliability_findings(wider, ROWS)] == ["card 3"]
    assert reliability_findings(without_sheet(result).job, ROWS) == []


def test_it_stands_in_the_file_and_on_the_page(tmp_path: Path) -> None:
    """Worst first on the page; in the file in the order of the cards, None without bound."""
    result, sightings = invented(tmp_path)
    document = json.loads(json_text(result_document(replace(result, reliability=ROWS))))
    assert document["reliability"][1] == {
        "card": 2,
        "redundancy": 0.12,
        "photo": "IMG_0003.jpg",
        "dot": 3,
        "error_px": 1.74,
        "shift_mm": 1.01,
    }
    assert document["reliability"][2]["shift_mm"] is None
    assert json.loads(json_text(result_document(result)))["reliability"] == []

    page = page_html(replace(result, reliability=ROWS), sightings)
    section = page[page.index("<h2>What could go unseen</h2>") :]
    section = section[: section.index("</section>")]
    assert "Nothing checks dot 2 of card 3 in <bdi>IMG_0004.jpg</bdi>" in section
    places = [section.index(f'class="num">{card}</th>') for card in (3, 20, 2, 1)]
    assert places == sorted(places)
    assert "inf" not in section
    page = page_html(replace(result, reliability=ROWS[:2]), sightings)
    assert (
        "An error in one photo of up to 1.74 px could go unseen and would shift card 2 by 1.010 mm."
        in page
    )
    assert "What could go unseen" not in page_html(result, sightings)
