"""A network that is only planned: what each photo would show, and the covariance that follows.

Cards and stations are given in the vehicle frame. Which cards a photo shows follows from geometry
alone: the card faces the camera, lies wholly in the picture, is large enough there, and nothing
named stands between. The adjustment's own normal equations at the planned places then give the
covariance, without any photo having been taken. What plan, look and their benchmark have in common
stands here; hidden cards, glare and a hand that shakes more than usual are not foreseen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera
from calib.frames import Array, Pose
from capture.find import SEARCH_PX
from pipeline.adjustment.adjust import Adjusted
from pipeline.adjustment.bundle import Network, Observations, Priors
from pipeline.adjustment.covariance import precision
from pipeline.adjustment.job_network import DRIFT_SD, LAYOUT_SD_MM, SHIFT_SD_PX
from pipeline.adjustment.layout import Layout
from pipeline.adjustment.network import CameraGuess, NetworkFound, whitening
from targets.card import card_of

DOT_SD_PX = 0.05
"""Standard deviation of a dot of 8 px, each axis; it goes with the inverse of the diameter. Median
of sd x diameter / 8 over rendered photos, variance factor applied: 0.011 (demo), 0.060 and 0.080
(two independent scenes with more noise)."""
UNSTEADY = 0.5
"""Of the drift and shift that solve starts from: what its estimates come down to lies below (0.001
to 0.4 in three rendered scenes, none of them stabilised)."""
STEEPEST = float(np.cos(np.radians(76.0)))
"""Cards seen at a flatter angle are rarely found."""
_REFERENCE_PX = 8.0
_LEAST_TAG_PX = 10.0
"""Shorter extent of a tag that the search needs in its reduced image (98 % of those found in three
rendered scenes had more, but for one of 8 px)."""
_MARGIN_PX = 12.0
_NEAREST_MM = 200.0
_LEAST_SHARED = 2
"""Cards that a photo must share with the others to be tied to them."""


@dataclass(frozen=True)
class PlacedCards:
    """Cards and where their dots are: ids (C,), dots_mm (C, 4, 3), in one frame."""

    ids: tuple[int, ...]
    dots_mm: Array

    @property
    def centres_mm(self) -> Array:
        """(C, 3)."""
        return np.asarray(self.dots_mm.mean(axis=1))


@dataclass(frozen=True)
class Seen:
    """What photos of F stations show of C cards.

    Attributes
    ----------
    visible : (F, C).
    px : (F, C, 4, 2) dots, meaningful where visible.
    dot_px : (F, C) geometric mean diameter of a dot.
    """

    visible: NDArray[np.bool_]
    px: Array
    dot_px: Array


def card_dots(card: int, centre_mm: Array, normal: Array, spin_rad: float = 0.0) -> Array:
    """Dots (4, 3) of a card at ``centre_mm`` that faces along ``normal``."""
    z = -np.asarray(normal, dtype=float) / np.linalg.norm(normal)
    x = np.cross([0.0, 1.0, 0.0], z)
    if np.linalg.norm(x) < 0.1:
        x = np.cross([1.0, 0.0, 0.0], z)
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    cos, sin = np.cos(spin_rad), np.sin(spin_rad)
    axes = np.stack([cos * x + sin * y, cos * y - sin * x])
    return np.asarray(centre_mm + card_of(card).dots_mm @ axes)


def station_pose(position_mm: Array, aim_mm: Array, roll_rad: float) -> Pose:
    """camera_from_vehicle of a phone at a place, aimed at a point; roll 0 keeps rows level.

    A phone that looks straight up is level when its rows run across the car.
    """
    forward = np.asarray(aim_mm, dtype=float) - position_mm
    forward /= np.linalg.norm(forward)
    # Image y points down, so right = forward x up; seen from below, up is where the car's front is.
    right = np.cross(forward, [0.0, 0.0, 1.0])
    if np.linalg.norm(right) < 0.05:
        right = np.cross(forward, [1.0, 0.0, 0.0])
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    cos, sin = np.cos(roll_rad), np.sin(roll_rad)
    rotation = np.stack([cos * right + sin * down, cos * down - sin * right, forward])
    return Pose(rotation, -rotation @ position_mm)


def position_of(pose: Pose) -> Array:
    """(3,) where the camera of a pose stands, in the frame that it comes from."""
    return np.asarray(-pose.rotation.T @ pose.translation)


def see(
    cards: PlacedCards, stations: Sequence[Pose], camera: Camera, blockers: Array | None = None
) -> Seen:
    """Which cards each station's photo shows.

    Parameters
    ----------
    stations : (F,) camera_from_frame of the cards.
    blockers : (K, 3, 3) parallelograms that hide what is behind: a corner and two edges.
    """
    rotation = np.array([p.rotation for p in stations]).reshape(-1, 3, 3)
    translation = np.array([p.translation for p in stations]).reshape(-1, 3)
    local = np.einsum("fij,ckj->fcki", rotation, cards.dots_mm) + translation[:, None, None]
    into = np.cross(local[:, :, 1] - local[:, :, 0], local[:, :, 3] - local[:, :, 0])
    sight = local.mean(axis=2)
    distance = np.linalg.norm(sight, axis=2)
    cosine = (into * sight).sum(axis=2) / (np.linalg.norm(into, axis=2) * distance)
    diameter = np.array([card_of(c).dot_diameter_mm for c in cards.ids])
    head_on_px = diameter * camera.constants[0] / distance
    dot_px = head_on_px * np.sqrt(np.clip(cosine, 1e-6, 1.0))
    longest = max(camera.width_px, camera.height_px)
    least_px = _LEAST_TAG_PX * max(1, round(longest / SEARCH_PX))
    tag_share = np.array([card_of(c).tag_mm / card_of(c).dot_diameter_mm for c in cards.ids])
    visible = (cosine > STEEPEST) & (head_on_px * cosine * tag_share > least_px)
    visible &= local[..., 2].min(axis=2) > _NEAREST_MM

    size = np.array([camera.width_px, camera.height_px])
    ahead = np.where(visible[..., None, None], local, [0.0, 0.0, 1.0])
    # Far outside the picture a distortion polynomial means nothing.
    rough = ahead[..., :2] / ahead[..., 2:] * camera.constants[:2] + camera.constants[2:4]
    visible &= ((rough > -0.1 * size) & (rough < 1.1 * size)).all(axis=(2, 3))
    ahead = np.where(visible[..., None, None], local, [0.0, 0.0, 1.0])
    px = camera.project(ahead.reshape(-1, 3)).reshape(ahead.shape[:3] + (2,))
    visible &= ((px > _MARGIN_PX) & (px < size - 1 - _MARGIN_PX)).all(axis=(2, 3))
    if blockers is not None and len(blockers):
        places = np.array([position_of(p) for p in stations])
        visible &= ~_hidden(places, cards.centres_mm, blockers)
    return Seen(visible, px, dot_px)


def dot_sd_px(dot_px: Array, at_8_px: float = DOT_SD_PX) -> Array:
    """Standard deviation of dots of these diameters, px per axis."""
    return np.asarray(at_8_px * _REFERENCE_PX / np.maximum(dot_px, 1.0))


def plan_network(
    cards: PlacedCards,
    stations: Sequence[Pose],
    guess: CameraGuess,
    seen: Seen,
    at_8_px: float = DOT_SD_PX,
    found_share: float = 1.0,
) -> NetworkFound | None:
    """The network as the adjustment would find it, with its precision; None if nothing ties.

    Parameters
    ----------
    seen : of these stations and cards.
    at_8_px : standard deviation of a dot of 8 px.
    found_share : share of the visible cards that a photo will really show; it stands for things
        that nobody foresees, by giving each sighting that share of its weight.

    Returns
    -------
    The network of the photos and cards that hang together, variance factor 1.
    """
    photos, kept = _tied(seen.visible)
    if len(photos) < 2 or not len(kept):
        return None
    visible = seen.visible[np.ix_(photos, kept)]
    photo, card = np.nonzero(visible)
    where = photos[photo], kept[card]
    count = len(photo)
    px = seen.px[where].reshape(-1, 2)
    variance = dot_sd_px(seen.dot_px[where], at_8_px) ** 2
    white = whitening(np.repeat(variance, 4)[:, None, None] * np.eye(2)) * np.sqrt(found_share)
    observations = Observations(
        np.repeat(photo, 4),
        (4 * card[:, None] + np.arange(4)).ravel(),
        px,
        white,
        px[:, 1] / guess.camera.height_px - 0.5,
    )
    ids = [cards.ids[i] for i in kept]
    order = np.argsort(ids)
    rank = np.empty(len(ids), dtype=np.intp)
    rank[order] = np.arange(len(ids))
    point = 4 * rank[observations.point // 4] + observations.point % 4
    observations = replace(observations, point=point)
    dots = cards.dots_mm[kept][order]
    network = Network(
        rotation=np.array([stations[i].rotation for i in photos]),
        translation=np.array([stations[i].translation for i in photos]),
        drift=np.zeros((len(photos), 6)),
        constants=guess.camera.constants[None].copy(),
        group=np.zeros(len(photos), dtype=np.intp),
        points=dots.reshape(-1, 3).copy(),
    )
    nominal = [np.column_stack([card_of(ids[i]).dots_mm, np.zeros(4)]) for i in order]
    size = np.array([card_of(ids[i]).width_mm / 80.0 for i in order])
    priors = Priors(
        constants=guess.camera.constants[None],
        information=guess.information[None],
        fixed=np.zeros((1, 9), dtype=bool),
        drift_sd=UNSTEADY * DRIFT_SD,
        layout=Layout(np.array(nominal), size[:, None] * LAYOUT_SD_MM),
        shift_sd_px=UNSTEADY * SHIFT_SD_PX,
    )
    found = replace(precision(network, observations, priors), variance_factor=1.0)
    return NetworkFound(
        photos=tuple(f"{i:04d}" for i in photos),
        cards=tuple(ids[i] for i in order),
        network=network,
        observations=observations,
        priors=priors,
        adjusted=Adjusted(network, 0.0, np.zeros_like(px), True, 0),
        sighting=np.repeat(np.arange(count), 4),
        dot=np.tile(np.arange(4), count),
        rejected=(),
        found=found,
        reproduced=float("nan"),
    )


def _hidden(places: Array, centres: Array, blockers: Array) -> NDArray[np.bool_]:
    """(F, C) whether a blocker lies on the straight line from place to card."""
    hidden = np.zeros((len(places), len(centres)), dtype=bool)
    ray = centres[None] - places[:, None]
    for corner, one, other in blockers:
        normal = np.cross(one, other)
        rate = ray @ normal
        share = ((corner - places) @ normal)[:, None] / np.where(np.abs(rate) < 1e-9, np.nan, rate)
        hit = places[:, None] + share[..., None] * ray - corner
        along = hit @ one / (one @ one)
        across = hit @ other / (other @ other)
        with np.errstate(invalid="ignore"):
            inside = (along > 0) & (along < 1) & (across > 0) & (across < 1)
            hidden |= inside & (share > 0) & (share < 0.999)
    return hidden


def _tied(visible: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Photos and cards of the largest part that hangs together, every card in two photos."""
    visible = np.array(visible)
    while True:
        weak_cards = (visible.sum(axis=0) < 2) & visible.any(axis=0)
        weak_photos = (visible.sum(axis=1) < _LEAST_SHARED) & visible.any(axis=1)
        if not weak_cards.any() and not weak_photos.any():
            break
        visible[:, weak_cards] = False
        visible[weak_photos] = False
    rest: NDArray[np.bool_] = visible.sum(axis=1) > 0
    best = np.zeros(len(rest), dtype=bool), np.zeros(visible.shape[1], dtype=bool)
    while rest.any():
        photos: NDArray[np.bool_] = np.zeros(len(rest), dtype=bool)
        photos[np.argmax(np.where(rest, visible.sum(axis=1), -1))] = True
        while True:
            cards = visible[photos].sum(axis=0) > 0
            joined = photos | (rest & (visible[:, cards].sum(axis=1) >= _LEAST_SHARED))
            if (joined == photos).all():
                break
            photos = joined
        if photos.sum() > best[0].sum():
            best = photos, cards
        rest &= ~photos
    return np.flatnonzero(best[0]), np.flatnonzero(best[1])
