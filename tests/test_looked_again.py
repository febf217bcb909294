"""What a second look was worth: the weakest card before and after, in one datum and stage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calib.camera import Camera
from capture.sightings import Sighting
from pipeline.adjustment.cameras import loose_information
from pipeline.adjustment.looked_again import largest_U_mm, looked_again
from pipeline.adjustment.network import CameraGuess, NetworkFound, find_network
from pipeline.faults.diagnose import second_look_findings
from pipeline.summary import summary_lines
from tests.report_case import invented, with_second_look
from tests.scene import Scene, aligned, layout_of, make_scene

HARD_TO_SEE, MISSED = 5, 11
"""A card that the first search finds in two photos, and one that it finds in none."""


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(
        31,
        columns=4,
        rows=3,
        photos=12,
        extent_mm=(2000.0, 1200.0),
        print_sd_mm=(0.03, 0.03, 0.15),
    )


def found(scene: Scene, sightings: Sequence[Sighting]) -> NetworkFound:
    constants = np.zeros(9)
    constants[:4] = 2950.0, 2950.0, 1999.5, 1499.5
    guess = CameraGuess(Camera(4000, 3000, constants), loose_information(2950.0, 0.06, 4000))
    groups = dict.fromkeys(scene.photos, 0)
    layout_sd = np.array([0.03, 0.03, 0.15])
    return find_network(sightings, [guess], groups, layout_of(scene), layout_sd, np.zeros(6))


@pytest.fixture(scope="module")
def networks(scene: Scene) -> tuple[NetworkFound, NetworkFound]:
    """Before and after the second look."""
    two = [s.photo for s in scene.sightings if s.card == HARD_TO_SEE][:2]
    first = [
        s for s in scene.sightings if s.card != MISSED and (s.card != HARD_TO_SEE or s.photo in two)
    ]
    return found(scene, first), found(scene, scene.sightings)


def test_the_weakest_card_is_named_with_both_figures(
    networks: tuple[NetworkFound, NetworkFound],
) -> None:
    again = looked_again(*networks, 14, ())
    assert again.added == 14
    assert again.new_cards == (MISSED,)
    assert again.weakest == HARD_TO_SEE
    assert again.U_after_mm < 0.7 * again.U_before_mm
    assert again.U_after_mm <= again.U_weakest_after_mm < again.U_before_mm
    # Of the others, none has become weaker: the second look only adds.
    others = [c for c in networks[0].cards if c != HARD_TO_SEE]
    before, after = (largest_U_mm(n, others) for n in networks)
    assert (after < 1.1 * before).all()


def test_only_cards_on_points_are_asked(networks: tuple[NetworkFound, NetworkFound]) -> None:
    again = looked_again(*networks, 14, {2, 3, MISSED})
    assert again.weakest in (2, 3)
    assert again.weakest_after in (2, 3)
    assert looked_again(*networks, 14, {MISSED}).weakest is None


def test_U_is_that_of_cards_laid_over_each_other(
    networks: tuple[NetworkFound, NetworkFound], rng: np.random.Generator
) -> None:
    """Networks drawn from the covariance of the dots, each laid on the mean one by SciPy's best
    similarity over the common cards: twice the largest spread of each, to 8 % (600 draws)."""
    cards = networks[0].cards
    for network in networks:
        count = len(network.cards)
        factor = network.found.variance_factor
        values, vectors = np.linalg.eigh(factor * network.found.points)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        at = [network.cards.index(card) for card in cards]
        mean = network.network.points.reshape(count, 4, 3).mean(axis=1)[at]
        off = (root @ rng.standard_normal((root.shape[1], 600))).T.reshape(600, count, 4, 3)
        drawn = mean + off.mean(axis=2)[:, at]
        laid = np.array([aligned(one, mean) for one in drawn]) - mean
        expected = [
            2.0 * np.sqrt(np.linalg.eigvalsh(np.cov(laid[:, i].T))[-1]) for i in range(len(cards))
        ]
        np.testing.assert_allclose(largest_U_mm(network, cards), expected, rtol=0.08)


def test_it_is_told(tmp_path: Path) -> None:
    """On the terminal and as a finding, by the names of the points; nothing where nothing was."""
    result, _ = invented(tmp_path)
    card, other = result.job.cards[0], result.job.cards[1]
    assert not any("Second look" in line for line in summary_lines(result, tmp_path))
    assert second_look_findings(result.job, None) == []

    again = with_second_look(result).second_look
    assert again is not None
    lines = summary_lines(replace(result, second_look=again), tmp_path)
    assert (
        "Second look: 14 sightings more or more complete; weakest place among the cards: "
        "U 0.42 mm before, 0.19 mm after"
    ) in lines
    (finding,) = second_look_findings(result.job, again)
    assert finding.text == (
        "A second look at predicted places added or completed 14 sightings. The weakest place "
        f"among the cards was {card.point} {card.side}: U 0.42 mm, then 0.13 mm; now it is "
        f"{other.point} {other.side}: U 0.19 mm."
    )
    (same,) = second_look_findings(result.job, replace(again, weakest_after=card.card))
    assert "before and after: U 0.42 mm, then 0.13 mm." in same.text
    (few,) = second_look_findings(result.job, replace(again, weakest=None))
    assert few.text.endswith("14 sightings.")
