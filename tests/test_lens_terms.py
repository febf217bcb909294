"""Terms of distortion are taken in where the photos ask for them, and only there.

The networks are invented (``tests.benchmarks.terms``); what decides is compared with whole
adjustments, with and without a term.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom, chi2

from calib.camera import Camera
from calib.lens_file import LensProfile
from calib.photo import read_header
from pipeline.adjustment.adjust import adjust
from pipeline.adjustment.bundle import Priors
from pipeline.adjustment.cameras import group_photos, loose_information
from pipeline.adjustment.covariance import precision
from pipeline.adjustment.lens_terms import EXTRA_CONSTANTS, EXTRA_TERMS, choose_terms
from pipeline.adjustment.network import CameraGuess, find_network
from tests.benchmarks.terms import PRINT_SD_MM, as_chosen, beyond_plain, invented, lens
from tests.scene import bundle, layout_of, make_scene, nominal_layout

SEEDS = range(15)


def test_what_a_term_is_worth_is_what_an_adjustment_without_it_costs() -> None:
    """Gain of k3 + ln n (Schwarz 1978, from memory) = rise of the cost when k3 is held, over s^2.

    The cost comes from two whole adjustments to the optimum; a percent is left to what the linear
    prediction leaves out.
    """
    scene = invented(4, lens("k3", 0.3 / beyond_plain("k3")))
    start, observations = bundle(scene)
    free = Priors(
        start.constants,
        loose_information(3007.0, 0.06, 4000)[None],
        np.zeros((1, 9), dtype=bool),
        np.zeros(6),
        nominal_layout(scene, PRINT_SD_MM),
    )
    with_it = adjust(start, observations, free)
    found = precision(with_it.network, observations, free)
    at_nought = with_it.network.constants.copy()
    at_nought[0, 8] = 0.0
    held = replace(free, fixed=np.arange(9)[None] == 8)
    without = adjust(replace(with_it.network, constants=at_nought), observations, held)

    only_k3 = np.arange(9) == 8
    coordinates = 2 * len(observations.px)
    terms = choose_terms(
        with_it.network.constants[0],
        found.constants[0],
        found.variance_factor,
        coordinates,
        only_k3,
    )
    assert terms.taken == ("k3",)
    rise = (without.cost - with_it.cost) / found.variance_factor
    assert rise > 20.0
    assert terms.gain["k3"] + np.log(coordinates) == pytest.approx(rise, rel=0.01)


@pytest.mark.parametrize(
    ("term", "corner_px", "expected"), [("k3", 0.0, 0.0), ("k3", 0.3, 1.0), ("p2", 0.3, 1.0)]
)
def test_terms_are_taken_in_where_they_matter(term: str, corner_px: float, expected: float) -> None:
    """What moves the corner of the image by 0.3 px is taken in, what is not there is left out.

    In 95 % of networks or more, each (binomial, 0.1 %, for the few that are tried). Errors of card
    centres are as large as their covariance says: chi-square of all of them, 0.01 % either way.
    """
    camera = lens(term, corner_px / beyond_plain(term))
    name = next(n for n in EXTRA_TERMS if term in n)
    taken = dict.fromkeys(EXTRA_TERMS, 0)
    apart = []
    for seed in SEEDS:
        trial, terms = as_chosen(invented(100 + seed, camera))
        apart.append(trial.apart)
        for one in terms.taken:
            taken[one] += 1
    least, most = binom.ppf(0.001, len(SEEDS), 0.95), binom.isf(0.001, len(SEEDS), 0.05)
    for other in ("p1, p2", "k3"):
        if other == name and expected:
            assert taken[other] >= least
        else:
            assert taken[other] <= most
    assert taken["k2"] == len(SEEDS)
    squares, freedom = float((np.array(apart) ** 2).sum()), np.size(apart)
    assert chi2.ppf(1e-4, freedom) < squares < chi2.isf(1e-4, freedom)


def test_each_camera_of_a_job_gets_its_own_terms() -> None:
    """Two lenses, one with decentring, in turn: told apart; what is left out stays near nought."""
    plain = lens("k2", 0.15)
    other = lens("p1", 1e-3)
    one, two = (
        make_scene(21, columns=4, photos=16, extent_mm=(2400.0, 1200.0), camera=camera)
        for camera in (plain, other)
    )
    np.testing.assert_array_equal(one.dots_mm, two.dots_mm)
    mixed = [
        s
        for scene, odd in ((one, 0), (two, 1))
        for s in scene.sightings
        if int(s.photo[3]) % 2 == odd
    ]
    constants = np.zeros(9)
    constants[:4] = 2950.0, 2950.0, 1999.5, 1499.5
    guess = CameraGuess(
        Camera(4000, 3000, constants), loose_information(2950.0, 0.06, 4000), EXTRA_CONSTANTS
    )
    groups = {p: int(p[3]) % 2 for p in one.photos}
    found = find_network(
        mixed, [guess, guess], groups, layout_of(one), np.array(PRINT_SD_MM), np.zeros(6)
    )
    assert "p1, p2" in found.terms[1].taken
    assert found.terms[0].left_out == ("k2", "p1, p2", "k3")
    for g in range(2):
        sd = np.sqrt(found.found.variance_factor * found.found.constants[g].diagonal())
        near_nought = found.terms[g].information > 0.0
        assert near_nought.sum() == sum(len(EXTRA_TERMS[n]) for n in found.terms[g].left_out)
        assert (np.abs(found.network.constants[g, near_nought]) < 4.0 * sd[near_nought]).all()
        assert (sd > 0.0).all()
        for name, gain in found.terms[g].gain.items():
            assert (gain > 0) == (name in found.terms[g].taken)
    assert found.adjusted.converged


def test_what_a_lens_profile_knows_is_not_in_question() -> None:
    """With a profile every term is in, with the profile's figures as prior."""
    photos = Path(__file__).parents[1] / "sample_images" / "job" / "photos"
    header = read_header(min(photos.glob("*.jpg")))
    constants = np.array([2500.0, 2500, 1600, 1200, 0.0, 0, 0, 0, 0])
    camera = Camera(header.identity.width_px, header.identity.height_px, constants)
    profile = LensProfile(camera, np.eye(9), header.identity, 0.2, 14, "good", ())
    (known,) = group_photos([header], profile)
    assert known.from_profile
    terms = choose_terms(constants, np.eye(9), 1.0, 100, known.guess.in_question)
    assert not terms.information.any()
    assert not terms.gain
    (unknown,) = group_photos([header], None)
    assert (unknown.guess.in_question == EXTRA_CONSTANTS).all()
