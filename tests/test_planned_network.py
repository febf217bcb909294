"""Planned networks against the adjustment of simulated photos, and against plain geometry."""

import numpy as np
import pytest

from pipeline.adjustment.cameras import PhotoGroup, group_photos
from pipeline.shoot.gain import gain_model, rows_of, with_photo
from pipeline.shoot.look import network_so_far
from pipeline.shoot.planned_network import (
    PlacedCards,
    card_dots,
    plan_network,
    position_of,
    see,
    station_pose,
)
from pipeline.shoot.point_precision import CARD_FLATNESS_MM, chain_of, precision_of
from tests.scene import CAMERA, make_scene
from tests.shoot import invented_shoot, photo_set, taken, walk_around

DOWN = np.array([0.0, 0.0, -1.0])


def test_card_and_station_face_each_other() -> None:
    """Straight below a card that faces down, its centre falls on the principal point."""
    cards = PlacedCards((5,), card_dots(5, np.array([100.0, 200.0, 300.0]), DOWN, 0.4)[None])
    place = np.array([100.0, 200.0, -900.0])
    pose = station_pose(place, np.array([100.0, 200.0, 300.0]), 0.0)
    assert position_of(pose) == pytest.approx(place)
    seen = see(cards, [pose], CAMERA)
    assert seen.visible.all()
    assert seen.px[0, 0].mean(axis=0) == pytest.approx(CAMERA.constants[2:4], abs=1.0)
    # An 8 mm dot at 1200 mm under 3010 px of focal length.
    assert seen.dot_px[0, 0] == pytest.approx(8.0 * 3010.0 / 1200.0, rel=0.01)


def test_what_hides_a_card() -> None:
    """From above, from too far, out of the picture, or behind a runway."""
    cards = PlacedCards((5,), card_dots(5, np.zeros(3), DOWN)[None])
    below, aim = np.array([0.0, 0.0, -1000.0]), np.zeros(3)
    assert see(cards, [station_pose(below, aim, 0.3)], CAMERA).visible.all()
    hidden = [
        station_pose(-below, aim, 0.3),
        station_pose(below * 9.0, aim, 0.3),
        station_pose(below, np.array([1500.0, 0.0, 0.0]), 0.0),
    ]
    assert not see(cards, hidden, CAMERA).visible.any()
    runway = np.array([[[-500.0, -200.0, -400.0], [1000.0, 0.0, 0.0], [0.0, 400.0, 0.0]]])
    aside = station_pose(np.array([0.0, 900.0, -1000.0]), aim, 0.3)
    one, other = station_pose(below, aim, 0.3), aside
    assert see(cards, [one, other], CAMERA, runway).visible.ravel().tolist() == [False, True]


def test_cards_predicted_are_those_that_a_scene_shows() -> None:
    """The scene of ``scene.py`` has its own geometry; its cards reach a flatter angle."""
    scene = make_scene(3, columns=5, rows=4, photos=12)
    cards = PlacedCards(scene.cards, scene.dots_mm)
    told = see(cards, scene.camera_from_vehicle, CAMERA).visible
    shown = np.zeros_like(told)
    for s in scene.sightings:
        shown[scene.photos.index(s.photo), scene.cards.index(s.card)] = True
    assert (told & shown).sum() >= 0.97 * max(told.sum(), shown.sum()) > 50


def test_predicted_U_agrees_with_the_adjustment() -> None:
    """One walk around a car; many more in ``tests/benchmarks/plan.py``."""
    seed = 1
    shoot = invented_shoot(seed)
    stations = walk_around(np.random.default_rng(seed), 14)
    photos = [taken(shoot, pose, i, seed) for i, pose in enumerate(stations)]
    groups = group_photos([p.header for p in photos], None)
    network = network_so_far(shoot.job, photo_set(photos), groups)
    assert network is not None
    found = precision_of(chain_of(network, groups, shoot.job), shoot.job)
    guess = groups[0].guess
    seen = see(shoot.planned, stations, guess.camera)
    planned = plan_network(shoot.planned, stations, guess, seen, shoot.at_8_px, 0.82)
    assert planned is not None
    group = PhotoGroup("planned", planned.photos, guess, False, "")
    told = precision_of(chain_of(planned, [group], shoot.job, CARD_FLATNESS_MM), shoot.job)
    ratio = [
        a.U_mm / b.U_mm
        for a, b in zip(told, found, strict=True)
        if np.isfinite(a.worst_mm) and np.isfinite(b.worst_mm)
    ]
    assert len(ratio) >= 15
    assert 0.7 < np.median(ratio) < 1.4
    assert np.mean((np.array(ratio) > 0.5) & (np.array(ratio) < 2.0)) > 0.95


def test_one_more_photo_is_worth_what_the_update_says() -> None:
    """The update of ``gain`` against the whole network planned anew with one photo more."""
    shoot = invented_shoot(4)
    stations = walk_around(np.random.default_rng(4), 20)
    groups = group_photos([taken(shoot, stations[0], 0, 0).header], None)
    guess = groups[0].guess
    models = []
    for count in (19, 20):
        seen = see(shoot.planned, stations[:count], guess.camera)
        planned = plan_network(shoot.planned, stations[:count], guess, seen)
        assert planned is not None
        group = PhotoGroup("planned", planned.photos, guess, False, "")
        chain = chain_of(planned, [group], shoot.job, CARD_FLATNESS_MM)
        models.append(gain_model(planned, chain, shoot.job, guess.camera, {}, 0.3))
    assert models[0].cards.ids == models[1].cards.ids
    (rows,) = rows_of(models[0], [stations[19]])
    assert rows is not None
    updated = with_photo(models[0], rows)
    gain = 1.0 - models[1].U_mm / models[0].U_mm
    told = 1.0 - updated.U_mm / models[0].U_mm
    assert gain.max() > 0.01
    # The update does not weigh the base points anew.
    assert told == pytest.approx(gain, abs=0.3 * gain.max())


def test_photos_that_share_nothing_do_not_hang_together() -> None:
    shoot = invented_shoot(5)
    guess = group_photos(
        [taken(shoot, walk_around(np.random.default_rng(0), 1)[0], 0, 0).header], None
    )[0].guess
    apart = [
        station_pose(np.array([x, 300.0, -500.0]), np.array([x, 310.0, 200.0]), 0.0)
        for x in (1900.0, -1900.0)
    ]
    seen = see(shoot.planned, apart, guess.camera)
    assert plan_network(shoot.planned, apart, guess, seen) is None
