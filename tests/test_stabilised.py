"""Phones that stabilise by moving the lens: each photo's principal point shifted a little."""

from dataclasses import replace

import numpy as np
import pytest

from calib.camera import Camera
from calib.frames import Array
from pipeline.adjustment.bundle import Priors, jacobians
from pipeline.adjustment.network import CameraGuess, NetworkFound, find_network
from tests.scene import CAMERA, Scene, aligned, bundle, layout_of, make_scene

LAYOUT_SD = np.array([0.03, 0.03, 0.15])


@pytest.fixture(scope="module")
def scene() -> Scene:
    return make_scene(
        5, columns=5, rows=2, photos=14, extent_mm=(2400.0, 1200.0), print_sd_mm=(0.02, 0.02, 0.1)
    )


def shifted(scene: Scene, shift_px: Array) -> Scene:
    """The scene with every photo's image shifted, (F, 2)."""
    by_photo = dict(zip(scene.photos, shift_px, strict=True))
    sightings = tuple(
        replace(
            s, dots_px=s.dots_px + by_photo[s.photo], corners_px=s.corners_px + by_photo[s.photo]
        )
        for s in scene.sightings
    )
    return replace(scene, sightings=sightings)


def network_of(scene: Scene, shift_sd_px: float) -> NetworkFound:
    sd = np.array([60.0, 60.0, 40.0, 40.0, 0.1, 0.2, 1e-3, 1e-3, 0.2])
    guess = CameraGuess(
        Camera(CAMERA.width_px, CAMERA.height_px, CAMERA.constants), np.diag(sd**-2)
    )
    return find_network(
        scene.sightings,
        [guess],
        dict.fromkeys(scene.photos, 0),
        layout_of(scene),
        LAYOUT_SD,
        np.zeros(6),
        shift_sd_px,
    )


def rms_mm(found: NetworkFound, scene: Scene) -> float:
    truth = scene.dots_mm[[scene.cards.index(c) for c in found.cards]].reshape(-1, 3)
    errors = aligned(found.network.points, truth) - truth
    return float(np.sqrt((errors**2).sum(axis=1).mean()))


def test_shifts_are_recognised_and_taken_away(scene: Scene, rng: np.random.Generator) -> None:
    shift_px = rng.normal(0.0, 2.0, (len(scene.photos), 2))
    moved = shifted(scene, shift_px)
    plain, aware = network_of(moved, 0.0), network_of(moved, 0.5)
    assert 0.6 * 2.0 < aware.priors.shift_sd_px < 1.4 * 2.0
    assert rms_mm(aware, scene) < 0.6 * rms_mm(plain, scene)
    # What all photos share belongs to the principal point itself.
    found = aware.network.shift_px - aware.network.shift_px.mean(axis=0)
    assert np.corrcoef(found.ravel(), (shift_px - shift_px.mean(axis=0)).ravel())[0, 1] > 0.9


def test_a_lens_that_stays_put_is_given_hardly_any_shift(scene: Scene) -> None:
    plain, aware = network_of(scene, 0.0), network_of(scene, 0.5)
    assert aware.priors.shift_sd_px < 0.1
    assert rms_mm(aware, scene) < 1.1 * rms_mm(plain, scene)


def test_derivative_by_the_shift_equals_the_difference(scene: Scene) -> None:
    network, observations = bundle(scene)
    priors = replace(Priors.none(network.constants), shift_sd_px=1.0, drift_sd=np.ones(6))
    by_photo, _, _, residual = jacobians(network, observations, priors)
    assert by_photo.shape[2] == priors.columns.count == 14
    for axis in range(2):
        step = np.zeros((len(network.rotation), 2))
        step[:, axis] = 1e-3
        moved = replace(network, shift=step)
        difference = (residual - jacobians(moved, observations, priors)[3]) / 1e-3
        np.testing.assert_allclose(by_photo[:, :, 12 + axis], difference, atol=1e-6)
