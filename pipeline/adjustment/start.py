"""Starting poses that do not depend on luck.

One card seen in one photo gives the camera's pose twice: a square's image fits two tilts, and the
smaller residual proves nothing. What decides is whether several cards agree in several photos. So
a pair of photos with cards in common is resolved first, all combinations of tilts tried; then
photos and cards are added in turn, each only where one of its possible places fits clearly better
than every other. What stays ambiguous waits until more is known, or is left out and named.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera
from calib.frames import Array, Pose, rotations
from capture.plane import homography, projected
from capture.sightings import Sighting
from pipeline.adjustment.resection import resected
from targets.card import card_of
from targets.errors import UserError

_CAP_PX = 60.0
_CLEARLY = 1.6
"""The next best distinct place must fit this many times worse."""
_ALONE_CLEARLY = 4.0
"""The same where a single view decides."""
_FITS_PX = 12.0
_LIKE_PX = 6.0
"""A view is left out of a resection where it is this far beyond twice the typical error."""
_DISTINCT_RAD = np.radians(6.0)
_ONE_ASTRAY_IN = 5
"""One view of a card in so many may show another thing."""
_PAIRS_TRIED = 12
_PAIRS_REFINED = 8
_REFINED = 4
_STARTS = 2


@dataclass(frozen=True)
class View:
    """A card in a photo, prepared: where its dots are and the two poses that they allow.

    Attributes
    ----------
    photo, card : name and id.
    rays : (4, 2) undistorted directions of the dots, nan for one that is hidden.
    focal_px : to express errors in pixels.
    layout_mm : (4, 3) dots in the card frame.
    poses : camera_from_card, one to four.
    """

    photo: str
    card: int
    rays: Array
    focal_px: float
    layout_mm: Array
    poses: tuple[Pose, ...]


ViewsOf = Callable[[int], Sequence[View]]
"""Views of one card, prepared when they are asked for."""


@dataclass(frozen=True)
class Start:
    """Where photos and cards are, roughly: camera_from_network and network_from_card."""

    photos: Mapping[str, Pose]
    cards: Mapping[int, Pose]
    error_px: float

    @property
    def size(self) -> int:
        """How many photos and cards have a place."""
        return len(self.photos) + len(self.cards)


def prepare_views(
    sightings: Sequence[Sighting],
    camera_of_photo: Mapping[str, Camera],
    layout_mm: Mapping[int, Array],
) -> list[View]:
    """Views of all sightings; ``layout_mm`` gives (4, 2) per card.

    Three dots allow up to four poses, four dots two. With fewer measured, the others are put where
    the tag's rough corners have them: good enough to start. A camera whose distortion cannot be
    inverted gives no views; its photos stay without a place.
    """
    rays_of = np.empty((len(sightings), 4, 2))
    of_camera: dict[int, list[int]] = defaultdict(list)
    for i, sighting in enumerate(sightings):
        of_camera[id(camera_of_photo[sighting.photo])].append(i)
    for members in of_camera.values():
        camera = camera_of_photo[sightings[members[0]].photo]
        dots = [_filled(sightings[i], layout_mm[sightings[i].card]) for i in members]
        try:
            rays_of[members] = camera.rays(np.concatenate(dots)).reshape(-1, 4, 2)
        except UserError:
            # Constants that describe no lens, as those of a crop may come out.
            rays_of[members] = np.nan
    prepared: list[tuple[Sighting, Array, Array]] = []
    allowed: list[tuple[Array, Array]] = []
    for sighting, rays in zip(sightings, rays_of, strict=True):
        if not np.isfinite(rays).any():
            continue
        layout = np.zeros((4, 3))
        layout[:, :2] = layout_mm[sighting.card]
        if sighting.measured.sum() == 3:
            rays = np.where(sighting.measured[:, None], rays, np.nan)
            allowed.append(_three_point_poses(layout, rays))
        else:
            allowed.append(_plane_poses(layout, rays))
        prepared.append((sighting, rays, layout))
    focal_px = {id(c): float(c.constants[:2].mean()) for c in camera_of_photo.values()}
    return [
        View(s.photo, s.card, rays, focal_px[id(camera_of_photo[s.photo])], layout, poses)
        for (s, rays, layout), poses in zip(prepared, _facing_poses(allowed), strict=True)
        if poses
    ]


def start_network(views: Sequence[View], seed_card: int | None = None) -> list[Start]:
    """Starts grown from several pairs of photos, the largest and best-fitting first.

    Parameters
    ----------
    seed_card : take only pairs of photos that show this card (for tests of independence).
    """
    pairs = _seed_pairs(views, seed_card)
    starts: list[Start] = []
    taken: set[str] = set()
    for photos, poses, cards in pairs:
        # Seeds that share no photo are independent of each other.
        if taken & set(photos):
            continue
        taken |= set(photos)
        starts.append(_grow(views, dict(zip(photos, poses, strict=True)), cards))
        if len(starts) == _STARTS:
            break
    return sorted(starts, key=lambda s: (-s.size, s.error_px))


def locate_more(views: Sequence[View], start: Start) -> Start:
    """Add to a start whatever has become clear since (after an adjustment)."""
    return _grow(views, dict(start.photos), dict(start.cards))


Seed = tuple[tuple[str, str], tuple[Pose, Pose], dict[int, Pose]]


def _seed_pairs(views: Sequence[View], seed_card: int | None) -> list[Seed]:
    """Pairs of photos whose common cards agree on one relative pose, best first."""
    of_photo: dict[str, dict[int, View]] = defaultdict(dict)
    for view in views:
        of_photo[view.photo][view.card] = view
    names = sorted(of_photo)
    common = []
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            cards = sorted(set(of_photo[first]) & set(of_photo[second]))
            if len(cards) >= 2 and (seed_card is None or seed_card in cards):
                common.append((len(cards), first, second, cards))
    common.sort(key=lambda c: (-c[0], c[1], c[2]))
    resolved = []
    for _, first, second, cards in common[: _PAIRS_TRIED if seed_card is None else None]:
        pair = _resolve_pair(
            [of_photo[first][c] for c in cards], [of_photo[second][c] for c in cards]
        )
        if pair is not None:
            pose, places, error, margin = pair
            # Many cards in common, a clear decision, a small misfit.
            merit = len(places) * min(margin, 5.0) / (1.0 + error)
            resolved.append((merit, ((first, second), (Pose.identity(), pose), places)))
        if seed_card is not None and len(resolved) >= _PAIRS_TRIED:
            break
    resolved.sort(key=lambda r: -r[0])
    return [seed for _, seed in resolved]


def _resolve_pair(
    first: Sequence[View], second: Sequence[View]
) -> tuple[Pose, dict[int, Pose], float, float] | None:
    """Pose of the second camera in the first one's frame that most common cards agree on."""
    trials = [
        pose_b.compose(pose_a.inverse())
        for view_a, view_b in zip(first, second, strict=True)
        for pose_a in view_a.poses
        for pose_b in view_b.poses
    ]
    tilts = _Tilts(first, second)
    errors, chosen = tilts.best(trials)
    order = np.argsort(errors, kind="stable")[:_PAIRS_REFINED]
    (trials,) = _refined([([trials[i] for i in order], second, tilts.dots_mm[chosen[order]])])
    errors, chosen = tilts.best(trials)
    best = int(np.argmin(errors))
    relative, error = trials[best], float(errors[best])
    others = errors[_apart(trials, relative)]
    margin = float(others.min()) / max(error, 0.1) if len(others) else 10.0
    if error > _FITS_PX or margin < _CLEARLY:
        return None
    places = [tilts.poses[i] for i in chosen[best]]
    agree = _agreeing(view_errors_px([relative.compose(p) for p in places], second))
    seed = {v.card: p for v, p, fits in zip(first, places, agree, strict=True) if fits}
    return relative, seed, error, margin


class _Tilts:
    """The tilts that cards may have by a first photo, to be confirmed by a second one.

    Attributes
    ----------
    poses : of all cards, those of one card after those of another; dots_mm (T, 4, 3) by each.
    """

    def __init__(self, first: Sequence[View], second: Sequence[View]) -> None:
        self.poses = [p for view in first for p in view.poses]
        self.dots_mm = np.array([p.apply(view.layout_mm) for view in first for p in view.poses])
        self._begin = np.cumsum([0, *(len(view.poses) for view in first)])
        self._seen = [s for s, view in zip(second, first, strict=True) for _ in view.poses]

    def best(self, relatives: Sequence[Pose]) -> tuple[Array, NDArray[np.intp]]:
        """Mean error over the cards of each relative pose (K,), and the tilts it takes (K, V)."""
        errors = _dot_errors_px(_moved(relatives, self.dots_mm[None]), self._seen)
        chosen = np.stack(
            [a + errors[:, a:b].argmin(axis=1) for a, b in pairwise(self._begin)], axis=1
        )
        return np.take_along_axis(errors, chosen, axis=1).mean(axis=1), chosen


def _grow(views: Sequence[View], photos: dict[str, Pose], cards: dict[int, Pose]) -> Start:
    """Add photos and cards in turn until nothing more is clear."""
    of_photo: dict[str, list[View]] = defaultdict(list)
    of_card: dict[int, list[View]] = defaultdict(list)
    for view in views:
        of_photo[view.photo].append(view)
        of_card[view.card].append(view)
    alone_allowed = False
    while True:
        before = len(photos) + len(cards)
        _add_cards(of_card, photos, cards, alone_allowed)
        _add_photos(of_photo, photos, cards, alone_allowed)
        if len(photos) + len(cards) > before:
            alone_allowed = False
        elif not alone_allowed:
            alone_allowed = True
        else:
            break
    placed = [v for v in views if v.photo in photos and v.card in cards]
    errors = view_errors_px([photos[v.photo].compose(cards[v.card]) for v in placed], placed)
    return Start(photos, cards, float(errors.mean()) if len(errors) else _CAP_PX)


def _add_cards(
    of_card: Mapping[int, list[View]],
    photos: Mapping[str, Pose],
    cards: dict[int, Pose],
    alone_allowed: bool,
) -> None:
    for card, seen in of_card.items():
        posed = [v for v in seen if v.photo in photos]
        if card in cards or len(posed) < (1 if alone_allowed else 2):
            continue
        candidates = [photos[v.photo].inverse().compose(p) for v in posed for p in v.poses]
        # The mean of most: a card tilted the wrong way fits half of its views well enough, and one
        # view that shows another thing must not make all places alike.
        errors = np.sort(_place_errors(candidates, posed, photos), axis=1)
        errors = errors[:, : len(posed) - len(posed) // _ONE_ASTRAY_IN].mean(axis=1)
        best = _clear_best(candidates, errors, len(posed))
        if best is not None:
            cards[card] = candidates[best]


def _place_errors(
    network_from_card: Sequence[Pose], views: Sequence[View], photos: Mapping[str, Pose]
) -> Array:
    """Error of each view of a card from each place that the card might have, (K, V)."""
    dots = _moved(network_from_card, np.array([v.layout_mm for v in views])[None])
    turned, moved = _stacked([photos[v.photo] for v in views])
    return _dot_errors_px(dots @ turned.transpose(0, 2, 1) + moved[:, None], views)


def _add_photos(
    of_photo: Mapping[str, list[View]],
    photos: dict[str, Pose],
    cards: Mapping[int, Pose],
    alone_allowed: bool,
) -> None:
    waiting = []
    for photo, seen in of_photo.items():
        known = [v for v in seen if v.card in cards]
        if photo not in photos and len(known) >= (1 if alone_allowed else 2):
            waiting.append((len(known), photo, known))
    waiting.sort(key=lambda w: (-w[0], w[1]))
    # Half at a time: the best-connected photos first, the others profit from the cards they add.
    waiting = waiting[: max(1, (len(waiting) + 1) // 2)]
    asked = []
    for _, _, known in waiting:
        dots_mm = np.array([cards[v.card].apply(v.layout_mm) for v in known])
        rough = [p.compose(cards[v.card].inverse()) for v in known for p in v.poses]
        order = np.argsort(_typical_errors(rough, known, dots_mm), kind="stable")
        asked.append((_different([rough[i] for i in order]), known, dots_mm[None]))
    refined = _refined(asked)
    for (_, photo, known), (_, _, dots_mm), candidates in zip(waiting, asked, refined, strict=True):
        errors = _typical_errors(candidates, known, dots_mm[0])
        best = _clear_best(candidates, errors, len(known))
        if best is not None:
            photos[photo] = candidates[best]


def _different(poses: Sequence[Pose]) -> list[Pose]:
    """The first few poses that are different places."""
    kept: list[Pose] = []
    left = list(poses)
    while left and len(kept) < _REFINED:
        first = left[0]
        kept.append(first)
        left = [pose for pose, apart in zip(left, _apart(left, first), strict=True) if apart]
    return kept


def _typical_errors(
    camera_from_network: Sequence[Pose], views: Sequence[View], dots_mm: Array
) -> Array:
    """Median over the views, whose dots lie at (V, 4, 3), of their error from each pose, (K,).

    Not the mean: a card that was moved must not cost the photo its place.
    """
    errors = _dot_errors_px(_moved(camera_from_network, dots_mm[None]), views)
    return np.asarray(np.median(errors, axis=1))


def _moved(poses: Sequence[Pose], dots_mm: Array) -> Array:
    """Dots (K or 1, V, 4, 3) moved by each pose, (K, V, 4, 3)."""
    rotation, translation = _stacked(poses)
    return np.asarray(
        dots_mm @ rotation[:, None].transpose(0, 1, 3, 2) + translation[:, None, None]
    )


def _stacked(poses: Sequence[Pose]) -> tuple[Array, Array]:
    """(K, 3, 3) and (K, 3)."""
    return np.array([p.rotation for p in poses]), np.array([p.translation for p in poses])


def _agreeing(errors: Array) -> NDArray[np.bool_]:
    """Which errors (..., V) are like those of most views."""
    return np.asarray(errors <= 2.0 * np.median(errors, axis=-1, keepdims=True) + _LIKE_PX)


def view_errors_px(camera_from_card: Sequence[Pose], views: Sequence[View]) -> Array:
    """Error of each view from its own pose, (V,)."""
    if not views:
        return np.zeros(0)
    rotation, translation = _stacked(camera_from_card)
    layout = np.array([v.layout_mm for v in views])
    dots = layout @ rotation.transpose(0, 2, 1) + translation[:, None]
    return _dot_errors_px(dots, views)


def _dot_errors_px(dots: Array, views: Sequence[View]) -> Array:
    """Mean distance of each view's dots from where they should be, at most the cap.

    ``dots`` (..., V, 4, 3) in the camera's frame; the result is (..., V).
    """
    rays = np.array([v.rays for v in views])
    seen = np.isfinite(rays[:, :, 0])
    off = dots[..., :2] / np.maximum(dots[..., 2:], 1.0) - np.where(seen[..., None], rays, 0.0)
    each = np.where(seen, np.sqrt((off**2).sum(axis=-1)), 0.0)
    errors = each.sum(axis=-1) / seen.sum(axis=1) * np.array([v.focal_px for v in views])
    behind = dots[..., 2].min(axis=-1) <= 1.0
    return np.asarray(np.where(behind, _CAP_PX, np.minimum(errors, _CAP_PX)))


def _clear_best(candidates: Sequence[Pose], errors: Array, votes: int) -> int | None:
    """Index of the best candidate if it fits and no distinct one comes near it."""
    best = int(np.argmin(errors))
    others = errors[_apart(candidates, candidates[best])]
    clearly = _ALONE_CLEARLY if votes == 1 else _CLEARLY
    rival = others.min(initial=np.inf)
    if errors[best] > _FITS_PX or rival < clearly * max(errors[best], 0.1):
        return None
    return best


def _apart(poses: Sequence[Pose], other: Pose) -> NDArray[np.bool_]:
    """Which poses (K,) are different places from the other one and not the same found twice."""
    turn = ((np.array([p.rotation for p in poses]) * other.rotation).sum(axis=(1, 2)) - 1.0) / 2.0
    return np.asarray(np.arccos(np.clip(turn, -1.0, 1.0)) > _DISTINCT_RAD)


Candidates = tuple[Sequence[Pose], Sequence[View], Array]
"""Poses of a camera (K), its views (V), and where their dots lie: (K, V, 4, 3), or (1, V, 4, 3) if
that is the same for all."""


def _refined(asked: Sequence[Candidates]) -> list[list[Pose]]:
    """Each pose of each camera resected over the views that agree with it, all at once."""
    if not asked:
        return []
    count = sum(len(poses) for poses, _, _ in asked)
    most = 4 * max(len(views) for _, views, _ in asked)
    points, rays = np.zeros((count, most, 3)), np.zeros((count, most, 2))
    used = np.zeros((count, most), dtype=bool)
    ends = np.cumsum([0, *(len(poses) for poses, _, _ in asked)])
    for (poses, views, dots_mm), (a, b) in zip(asked, pairwise(ends), strict=True):
        own = slice(a, b), slice(4 * len(views))
        agree = _agreeing(_dot_errors_px(_moved(poses, dots_mm), views))
        seen = np.array([v.rays for v in views])
        points[own] = dots_mm.reshape(len(dots_mm), -1, 3)
        rays[own] = seen.reshape(-1, 2)
        used[own] = (agree[:, :, None] & np.isfinite(seen[:, :, 0])).reshape(b - a, -1)
    begun = [pose for poses, _, _ in asked for pose in poses]
    turned, moved = resected(*_stacked(begun), points, rays, used)
    refined = [Pose(r, t) for r, t in zip(turned, moved, strict=True)]
    return [refined[a:b] for a, b in pairwise(ends)]


def _filled(sighting: Sighting, layout_mm: Array) -> Array:
    """Dots (4, 2) px, those not measured from the tag's corners, shifted as the others are."""
    if sighting.measured.all():
        return sighting.dots_px
    corners_mm = card_of(sighting.card).corners_mm
    rough = projected(homography(corners_mm, sighting.corners_px), layout_mm)
    if sighting.measured.any():
        rough = rough + np.nanmean(sighting.dots_px - rough, axis=0)
    return np.where(sighting.measured[:, None], sighting.dots_px, rough)


def _three_point_poses(layout_mm: Array, rays: Array) -> tuple[Array, Array]:
    """The up to four camera_from_card poses of three dots (Grunert's problem, OpenCV's AP3P).

    Rotation vectors and translations, (k, 3) each.
    """
    seen = np.isfinite(rays[:, 0])
    _, turned, moved = cv2.solveP3P(
        layout_mm[seen], rays[seen].reshape(3, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_AP3P
    )
    return np.reshape(turned, (-1, 3)), np.reshape(moved, (-1, 3))


def _plane_poses(layout_mm: Array, rays: Array) -> tuple[Array, Array]:
    """The same of the one or two camera_from_card poses of four coplanar dots, best first.

    Collins and Bartoli, Infinitesimal plane-based pose estimation, 2014 (as OpenCV has it).
    """
    _, turned, moved, _ = cv2.solvePnPGeneric(
        layout_mm, rays.reshape(4, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    return np.reshape(turned, (-1, 3)), np.reshape(moved, (-1, 3))


def _facing_poses(allowed: Sequence[tuple[Array, Array]]) -> list[tuple[Pose, ...]]:
    """Of the poses of each view those that put the card's face before the camera."""
    if not allowed:
        return []
    ends = np.cumsum([0, *(len(turned) for turned, _ in allowed)])
    moved = np.concatenate([moved for _, moved in allowed])
    rotation = rotations(np.concatenate([turned for turned, _ in allowed]))
    facing = np.isfinite(rotation).all(axis=(1, 2)) & np.isfinite(moved).all(axis=1)
    facing &= (moved[:, 2] > 0) & ((rotation[:, :, 2] * moved).sum(axis=1) > 0)
    return [
        tuple(Pose(rotation[i], moved[i]) for i in range(a, b) if facing[i])
        for a, b in pairwise(ends)
    ]
