"""Doubts about the camera: each is raised by its cause and by nothing else."""

from dataclasses import replace

import numpy as np
import pytest

from calib.camera import Camera
from capture.photo_set import PhotoSeen, PhotoSet
from pipeline.adjustment.cameras import PhotoGroup, group_photos
from pipeline.adjustment.network import CameraGuess, NetworkFound
from pipeline.shoot.camera_check import camera_lines
from pipeline.shoot.look import network_so_far
from tests.shoot import Shoot, invented_shoot, photo_set, taken, walk_around

SD = np.array([6.0, 6.0, 3.0, 3.0, 0.002, 0.005, 1e-4, 1e-4, 0.005])


def group_of(camera: Camera, photos: PhotoSet, off: float = 0.0) -> PhotoGroup:
    """A group whose lens profile is the true camera but for its focal length."""
    constants = camera.constants.copy()
    constants[:2] *= 1.0 + off
    guess = CameraGuess(replace(camera, constants=constants), np.diag(SD**-2.0))
    return PhotoGroup("a phone", tuple(p.name for p in photos.photos), guess, True, "")


@pytest.fixture(scope="module")
def shot() -> tuple[Shoot, PhotoSet, NetworkFound]:
    shoot = invented_shoot(21, hidden=0.0)
    stations = walk_around(np.random.default_rng(21), 8)
    photos = photo_set([taken(shoot, pose, i, 21) for i, pose in enumerate(stations)])
    network = network_so_far(shoot.job, photos, [group_of(shoot.camera, photos)])
    assert network is not None
    return shoot, photos, network


def test_nothing_to_say_of_the_calibrated_lens(shot: tuple[Shoot, PhotoSet, NetworkFound]) -> None:
    shoot, photos, network = shot
    assert camera_lines(photos, [group_of(shoot.camera, photos)], network, True) == ()


def test_a_lens_that_drifted(shot: tuple[Shoot, PhotoSet, NetworkFound]) -> None:
    """A profile whose focal length is 1.5 % too long: five of its standard deviations and more."""
    shoot, photos, _ = shot
    groups = [group_of(shoot.camera, photos, 0.015)]
    network = network_so_far(shoot.job, photos, groups)
    lines = camera_lines(photos, groups, network, True)
    assert any("no longer as calibrated" in line for line in lines)


def test_another_lens_and_none(shot: tuple[Shoot, PhotoSet, NetworkFound]) -> None:
    shoot, photos, network = shot
    other = replace(group_of(shoot.camera, photos), from_profile=False, reason="other lens: tele")
    (line,) = camera_lines(photos, [other], network, True)
    assert "other lens: tele" in line
    assert "1x" in line
    (line,) = camera_lines(photos, [replace(other, reason="")], network, False)
    assert "No lens profile" in line


def test_each_edited_photo_is_told_with_its_own_reason(
    shot: tuple[Shoot, PhotoSet, NetworkFound],
) -> None:
    """The first photo is sound, two were cropped alike, one was turned; it was one phone."""
    _, photos, network = shot
    why = {1: "cropped or resized", 2: "turned by another program", 3: "cropped or resized"}
    edited = PhotoSet(
        tuple(
            replace(p, header=replace(p.header, edited=why.get(n, "")))
            for n, p in enumerate(photos.photos)
        ),
        {},
    )
    groups = group_photos([p.header for p in edited.photos], None)
    assert len(groups) == 3
    _, cropped, turned = camera_lines(edited, groups, network, False)
    assert cropped.startswith("0001.jpg and 1 more: cropped or resized; use the main lens")
    assert turned.startswith("0002.jpg: turned by another program; use the main lens")


def test_two_phones_are_told(shot: tuple[Shoot, PhotoSet, NetworkFound]) -> None:
    _, photos, network = shot
    first, *others = photos.photos
    phone = replace(first.header.identity, model="another")
    both = PhotoSet((replace(first, header=replace(first.header, identity=phone)), *others), {})
    lines = camera_lines(both, group_photos([p.header for p in both.photos], None), network, False)
    assert "The photos come from 2 cameras or lenses (1 with another, " in lines[-1]


def test_stabilisation_and_a_moving_hand(shot: tuple[Shoot, PhotoSet, NetworkFound]) -> None:
    shoot, photos, network = shot
    groups = [group_of(shoot.camera, photos)]
    shifting = replace(network, priors=replace(network.priors, shift_sd_px=2.5))
    assert "Stabilisation" in camera_lines(photos, groups, shifting, True)[0]
    drifting = replace(network, priors=replace(network.priors, drift_sd=np.full(6, 1e-3)))
    assert "hold it still" in camera_lines(photos, groups, drifting, True)[0]


def test_one_photo_is_less_sharp(shot: tuple[Shoot, PhotoSet, NetworkFound]) -> None:
    shoot, photos, network = shot

    def blurred(photo: PhotoSeen, factor: float) -> PhotoSeen:
        own = [replace(s, covariance_px2=factor**2 * s.covariance_px2) for s in photo.sightings]
        return replace(photo, sightings=tuple(own))

    one = PhotoSet((blurred(photos.photos[0], 6.0), *photos.photos[1:]), {})
    groups = [group_of(shoot.camera, photos)]
    (line,) = camera_lines(one, groups, network, True)
    assert line.startswith("0000.jpg: less sharp")
    every = PhotoSet(tuple(blurred(p, 6.0) for p in photos.photos), {})
    (line,) = camera_lines(every, groups, network, True)
    assert line.startswith("All photos are unsharp")
