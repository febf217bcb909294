"""From sightings to an adjusted network: one optimum, honest errors, strangers left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from calib.camera import Camera
from calib.frames import Array
from capture.sightings import Sighting
from pipeline.adjustment.network import CameraGuess, NetworkFound, find_network, whitening
from targets.errors import UserError
from tests.scene import CAMERA, MODEL_PX, Scene, aligned, layout_of, make_scene

LAYOUT_SD = np.array([0.03, 0.03, 0.15])
DRIFT_SD = np.repeat([2e-4, 0.15], 3)
NO_DRIFT = np.zeros(6)


def _scene(seed: int, **more: object) -> Scene:
    settings: dict = {
        "columns": 4,
        "rows": 2,
        "photos": 9,
        "extent_mm": (1800.0, 1000.0),
        "print_sd_mm": (0.03, 0.03, 0.15),
        "print_scale": (1.004, 0.997),
    }
    return make_scene(seed, **(settings | more))


def _guess() -> CameraGuess:
    """A phone of which EXIF tells the focal length to 6 %: 2 % off here, no distortion."""
    constants = np.array([2950.0, 2950.0, 1999.5, 1499.5, 0, 0, 0, 0, 0])
    sd = np.array([180.0, 180.0, 80.0, 80.0, 0.3, 0.5, 3e-3, 3e-3, 0.5])
    return CameraGuess(Camera(4000, 3000, constants), np.diag(sd**-2))


def _find(
    scene: Scene,
    sightings: Sequence[Sighting] | None = None,
    drift_sd: Array = NO_DRIFT,
    **more: object,
) -> NetworkFound:
    seen = scene.sightings if sightings is None else sightings
    groups = dict.fromkeys((s.photo for s in seen), 0)
    layout = {**layout_of(scene), **{s.card: layout_of(scene)[scene.cards[0]] for s in seen}}
    return find_network(seen, [_guess()], groups, layout, LAYOUT_SD, drift_sd, **more)


def _truth(found: NetworkFound, scene: Scene) -> Array:
    return scene.dots_mm[[scene.cards.index(c) for c in found.cards]].reshape(-1, 3)


def _errors(found: NetworkFound, scene: Scene) -> Array:
    """Dots minus truth, (4 C, 3), after the best similarity."""
    truth = _truth(found, scene)
    return aligned(found.network.points, truth) - truth


def _sd(found: NetworkFound) -> Array:
    """Standard deviations of the dots, (4 C, 3), as they are stated."""
    return np.sqrt(np.diag(found.found.points) * found.found.stated_factor).reshape(-1, 3)


@pytest.mark.parametrize("tilt_deg", [2.0, 40.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_errors_are_as_large_as_stated(seed: int, tilt_deg: float) -> None:
    """Rms of error over standard deviation between 0.7 and 1.3; variance factor about 1.

    Bounds from both sides: too good would be false, too. All photos and cards are there. The
    errors of one scene are few and correlated; test_covariance proves the covariance itself.
    """
    scene = _scene(seed, tilt_deg=tilt_deg, missing=0.04)
    found = _find(scene)
    assert found.photos == scene.photos
    assert found.cards == scene.cards
    assert found.adjusted.converged
    assert 0.7 < np.sqrt(((_errors(found, scene) / _sd(found)) ** 2).mean()) < 1.3
    assert 0.005 < np.sqrt((_errors(found, scene) ** 2).mean()) < 0.03
    assert 0.85 < found.found.variance_factor < 1.15
    sd = np.sqrt(np.diag(found.found.constants[0]))
    assert (np.abs(found.network.constants[0] - CAMERA.constants) < 4 * sd).all()


@pytest.mark.parametrize(("share", "least", "most"), [(2.0, 1.7, 2.05), (0.5, 0.9, 1.1)])
def test_stated_errors_grow_with_the_scatter_of_dots_and_never_shrink(
    share: float, least: float, most: float
) -> None:
    """Dots said to be half as sure as they scatter are believed; twice as sure, they are not."""
    scene = _scene(1, missing=0.04)
    said = [replace(s, covariance_px2=share**2 * s.covariance_px2) for s in scene.sightings]
    assert least < np.median(_sd(_find(scene, said)) / _sd(_find(scene))) < most


def test_every_start_reaches_the_same_optimum() -> None:
    """Grown from any card's photos, and from an independent pair: the same to 1e-3 mm.

    A hundredth of the standard deviation; dropped dots must be the same ones, too.
    """
    scene = _scene(4, tilt_deg=30.0)
    usual = _find(scene)
    assert usual.reproduced < 0.05
    for card in scene.cards[::2]:
        other = _find(scene, seed_card=card)
        assert other.photos == usual.photos
        assert other.rejected == usual.rejected
        moved = aligned(other.network.points, usual.network.points)
        assert np.abs(moved - usual.network.points).max() < 1e-3


def test_an_earlier_network_is_resumed_to_the_same_optimum() -> None:
    """Sightings added to a smaller network: as if they had been there from the beginning."""
    scene = _scene(5)
    few = [s for s in scene.sightings if s.card != 3 or s.photo in scene.photos[:2]]
    earlier = _find(scene, few)
    resumed = _find(scene, resume=earlier)
    fresh = _find(scene)
    assert len(resumed.observations.px) > len(earlier.observations.px) + 8
    moved = aligned(resumed.network.points, fresh.network.points)
    assert np.abs(moved - fresh.network.points).max() < 1e-3


def test_a_card_that_gross_errors_leave_to_one_photo_goes() -> None:
    """Two dots in one photo do not place a card; its other sightings are 300 px off."""
    scene = _scene(4)
    card = scene.cards[0]
    own = [s for s in scene.sightings if s.card == card]
    spoilt = [replace(s, dots_px=s.dots_px + 300.0) for s in own[1:]]
    spoilt.append(replace(own[0], measured=np.array([True, True, False, False])))
    others = [s for s in scene.sightings if s.card != card]
    found = _find(scene, others + spoilt, resume=_find(scene))
    assert set(found.cards) == set(scene.cards) - {card}
    assert found.photos == scene.photos
    assert (np.diag(found.found.points) > 0).all()


def test_of_two_clusters_the_larger_is_kept() -> None:
    """Photos of another corner of the car that share no card with the others are left out."""
    large = _scene(6, columns=6, photos=12, extent_mm=(3400.0, 1200.0))
    small = _scene(7, columns=3, rows=3, photos=4, extent_mm=(700.0, 600.0), first_card=50)
    # The smaller one hangs together better: nine cards in every photo.
    assert len(small.sightings) == 36
    both = [*small.sightings, *large.sightings]
    found = _find(large, both)
    assert found.cards == large.cards
    assert found.photos == large.photos
    alone = _find(large)
    moved = aligned(found.network.points, alone.network.points)
    assert np.abs(moved - alone.network.points).max() < 1e-3


def test_photos_that_share_nothing_are_an_error() -> None:
    scene = _scene(8)
    apart = [
        s
        for s in scene.sightings
        if (s.photo, s.card // 4) in ((scene.photos[0], 0), (scene.photos[1], 1))
    ]
    assert len(apart) > 4
    with pytest.raises(UserError, match="no two photos show enough of the same cards"):
        _find(scene, apart)


def test_gross_errors_are_found_and_hardly_anything_else() -> None:
    """Six scenes, four dots each 10 standard deviations off: all dropped, with 0.1 % of the good.

    The bound on good dots dropped is what 0.1 % of them allow (binomial, 0.1 %).
    """
    dropped = used = 0
    for seed in range(6):
        scene = _scene(20 + seed)
        rng = np.random.default_rng(seed)
        sightings, planted = list(scene.sightings), set()
        for i in rng.choice(len(sightings), 4, replace=False):
            k = int(rng.integers(4))
            sightings[i] = _with_error(sightings[i], k, 10.0, rng)
            planted.add((sightings[i].card, sightings[i].photo, k))
        found = _find(scene, sightings)
        assert planted <= set(found.rejected)
        dropped += len(set(found.rejected) - planted)
        used += len(found.observations.px)
        assert np.sqrt(((_errors(found, scene) / _sd(found)) ** 2).mean()) < 1.3
    assert dropped <= binom.isf(0.001, used, 0.001)


def _with_error(sighting: Sighting, dot: int, times: float, rng: np.random.Generator) -> Sighting:
    """A dot moved by so many of its standard deviations, in a random direction."""
    root = np.linalg.cholesky(sighting.covariance_px2[dot] + MODEL_PX**2 * np.eye(2))
    direction = rng.standard_normal(2)
    dots = sighting.dots_px.copy()
    dots[dot] += times * root @ direction / np.linalg.norm(direction)
    return replace(sighting, dots_px=dots)


def test_exchanged_ids_in_one_photo_do_no_harm() -> None:
    """Two sightings that are another card than they say are left out whole."""
    scene = _scene(9)
    wrong = scene.photos[4]
    exchange = {1: 6, 6: 1}
    swapped = [
        replace(s, card=exchange[s.card]) if s.photo == wrong and s.card in exchange else s
        for s in scene.sightings
    ]
    assert sum(a is not b for a, b in zip(swapped, scene.sightings, strict=True)) == 2
    found = _find(scene, swapped)
    used = {(swapped[i].photo, swapped[i].card) for i in found.sighting}
    assert {(wrong, 1), (wrong, 6)}.isdisjoint(used)
    assert found.cards == scene.cards
    # Two photos at most are lost by it: this one, and one that shows few other cards.
    assert len(found.photos) >= len(scene.photos) - 2
    assert np.sqrt(((_errors(found, scene) / _sd(found)) ** 2).mean()) < 1.3


SHAKEN: dict = {"drift_sd": (1e-4, 0.02), "photos": 14, "columns": 5}
STILL: dict = SHAKEN | {"drift_sd": (0.0, 0.0)}


def test_drift_of_the_hand_is_recognised_and_taken_away() -> None:
    """Turning by 1e-4 rad (0.3 px over the picture): found to within a third, errors a fifth less.

    14 photos give 42 rotations, whose standard deviation is sure to 11 %. Errors over three
    scenes, against those of the same photos adjusted as if the hand had held still.
    """
    with_drift, without = [], []
    for seed in (11, 12, 13):
        scene = _scene(seed, **SHAKEN)
        found, still = _find(scene, drift_sd=DRIFT_SD), _find(scene)
        assert 0.67e-4 < found.priors.drift_sd[0] < 1.5e-4
        assert 0.8 < found.found.variance_factor < 1.2
        assert still.found.variance_factor > 1.5
        assert np.sqrt(((_errors(found, scene) / _sd(found)) ** 2).mean()) < 1.3
        with_drift.append((_errors(found, scene) ** 2).mean())
        without.append((_errors(still, scene) ** 2).mean())
    assert np.sqrt(np.mean(with_drift)) < 0.8 * np.sqrt(np.mean(without))


@pytest.mark.parametrize("seed", [11, 12])
def test_a_hand_that_holds_still_is_given_hardly_any_drift(seed: int) -> None:
    """No drift in the photos: a quarter of what a shaking hand has, at most; no accuracy lost."""
    scene = _scene(seed, **STILL)
    found = _find(scene, drift_sd=DRIFT_SD)
    assert found.priors.drift_sd[0] < 0.25e-4
    still = np.sqrt((_errors(_find(scene), scene) ** 2).mean())
    assert np.sqrt((_errors(found, scene) ** 2).mean()) < 1.1 * still


def test_two_cameras_have_constants_of_their_own() -> None:
    """The same car by two phones in turn: constants of both within four standard deviations."""
    other = replace(
        CAMERA, constants=np.array([3200.0, 3195, 2030, 1480, -0.05, 0.08, -3e-4, 2e-4, -0.02])
    )
    one, two = _scene(13, photos=12), _scene(13, photos=12, camera=other)
    np.testing.assert_array_equal(one.dots_mm, two.dots_mm)
    mixed = [
        s
        for scene, odd in ((one, 0), (two, 1))
        for s in scene.sightings
        if int(s.photo[3]) % 2 == odd
    ]
    guess = _guess()
    groups = {p: int(p[3]) % 2 for p in one.photos}
    found = find_network(mixed, [guess, guess], groups, layout_of(one), LAYOUT_SD, NO_DRIFT)
    assert found.photos == one.photos
    for g, camera in enumerate((CAMERA, other)):
        sd = np.sqrt(np.diag(found.found.constants[g]) * found.found.variance_factor)
        assert (np.abs(found.network.constants[g] - camera.constants) < 4 * sd).all()
        assert sd[0] < 3.0
    assert 0.7 < np.sqrt(((_errors(found, one) / _sd(found)) ** 2).mean()) < 1.3


def test_whitening_is_the_root_of_the_inverse_covariance(rng: np.random.Generator) -> None:
    """W (C + floor) W^T = I; the floor is 0.015 px (assumed, as in the scenes)."""
    half = 0.1 * rng.standard_normal((5, 2, 2))
    covariance = half @ half.transpose(0, 2, 1)
    w = whitening(covariance)
    total = covariance + 0.015**2 * np.eye(2)
    np.testing.assert_allclose(
        w @ total @ w.transpose(0, 2, 1), np.tile(np.eye(2), (5, 1, 1)), atol=1e-9
    )
