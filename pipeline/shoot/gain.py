"""What one more photo would add, without adjusting anything again.

The unknowns that matter are six of each card (place and turn) and the camera constants; Q is their
covariance. A further photo brings rows B of derivatives, whitened, and its own unknowns A (pose,
drift, shift) with loose priors P, which act as noise: N = I + A P A^T. Then

    Q' = Q - Q B^T (N + B Q B^T)^-1 B Q

(the same update by which the bars give the scale, ``pipeline.adjustment.scale``). What is asked are
the holes in the vehicle frame, H Q H^T plus what no photo changes. Cards that were not seen yet
take part with the place that the sheet gives them, known to some centimetres.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from heapq import heapify, heappop, heappush

import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera
from calib.frames import Array, Pose, cross_matrix
from capture.sightings import Sighting
from pipeline.adjustment.bundle import Network, Observations, Priors, jacobians
from pipeline.adjustment.network import NetworkFound, whitening
from pipeline.adjustment.points import find_holes
from pipeline.adjustment.scale import scale_network
from pipeline.datum.datum import LEAST_BASE_POINTS, fit_frame, on_one_line
from pipeline.inputs.job import Job
from pipeline.shoot.planned_network import DOT_SD_PX, PlacedCards, dot_sd_px, see
from pipeline.shoot.point_precision import (
    Chain,
    PointPrecision,
    base_of,
    precision_of,
    within_reach_mm,
)
from targets.card import card_of
from targets.mark import is_mark

_POSE_SD = np.array([0.1] * 3 + [300.0] * 3)
"""Prior of a new photo's pose, rad and mm: so loose that it adds nothing."""
_UNSEEN_SD_MM = 30.0
_UNSEEN_SD_RAD = 0.15


@dataclass(frozen=True)
class GainModel:
    """The state of a shoot as far as one more photo can change it; C cards, N points.

    Attributes
    ----------
    cards : the cards, in the network frame, unseen ones last.
    unseen : ids of those.
    covariance : (9 + 6 C, 9 + 6 C) of camera constants and of cards' places (mm) and turns (rad).
    by_cards : (3 N, 6 C) derivative of the asked coordinates by the cards.
    names : (N,) of the points; fixed_mm2 (3 N,) variance that photos do not change.
    wanted_U_mm : expanded uncertainty asked of every coordinate.
    camera, constants_priors : the camera to shoot with; drift and shift of its photos.
    at_8_px : standard deviation of a dot of 8 px; weight (C,) how likely each card is found where
        it should be visible.
    """

    cards: PlacedCards
    unseen: frozenset[int]
    covariance: Array
    by_cards: Array
    names: tuple[str, ...]
    fixed_mm2: Array
    wanted_U_mm: float
    camera: Camera
    priors: Priors
    at_8_px: float
    weight: Array

    @property
    def wanted_u_mm(self) -> Array:
        """(3 N,) standard uncertainty that the photos' part is to come down to."""
        wanted = 0.5 * within_reach_mm(self.wanted_U_mm, 2.0 * np.sqrt(self.fixed_mm2))
        return np.asarray(np.sqrt(wanted**2 - self.fixed_mm2))

    @property
    def variances_mm2(self) -> Array:
        """(3 N,) the photos' part of the asked variances."""
        return np.asarray(((self.by_cards @ self.covariance[9:, 9:]) * self.by_cards).sum(axis=1))

    @property
    def U_mm(self) -> Array:
        """(N, 3) expanded uncertainty of the points."""
        whole = np.maximum(self.variances_mm2 + self.fixed_mm2, 0.0)
        return np.asarray(2.0 * np.sqrt(whole).reshape(-1, 3))

    def lacking(self, variances_mm2: Array) -> float:
        """Sum over all coordinates of log(u / wanted), as far as above it."""
        ratio = np.sqrt(np.maximum(variances_mm2, 1e-12)) / self.wanted_u_mm
        return float(np.log(np.maximum(ratio, 1.0)).sum() + 0.02 * np.log(ratio).sum())


@dataclass(frozen=True)
class Rows:
    """What one photo would bring: card indices (V,), B (n, 9 + 6 V) and N (n, n)."""

    cards: NDArray[np.intp]
    by_unknowns: Array
    noise: Array


def gain_model(
    network: NetworkFound,
    chain: Chain,
    job: Job,
    camera: Camera,
    unseen: Mapping[int, Array],
    wanted_U_mm: float,
    at_8_px: float = DOT_SD_PX,
    weight: Mapping[int, float] | None = None,
) -> GainModel:
    """The model of a network, real or planned.

    Parameters
    ----------
    unseen : dots (4, 3), network frame, of cards that are not in the network but should be.
    weight : how likely a card is found; 1 where nothing is said.
    """
    free = chain.free
    ids = (*free.cards, *unseen)
    count, seen = len(ids), len(free.cards)
    dots = np.concatenate([free.dots_mm, *(d[None] for d in unseen.values())])
    motions = _motions(dots)
    inverse: Array = np.asarray(np.linalg.pinv(motions), dtype=float)
    factor = network.found.stated_factor

    cofactors = network.found.cofactors
    covariance = np.zeros((9 + 6 * count, 9 + 6 * count))
    covariance[:9, :9] = cofactors.common[:9, :9] * factor
    mixed = cofactors.common_points[:9].reshape(9, seen, 12)
    known = slice(9, 9 + 6 * seen)
    covariance[:9, known] = np.einsum("aci,cki->ack", mixed, inverse[:seen]).reshape(9, -1) * factor
    covariance[known, :9] = covariance[:9, known].T
    covariance[known, known] = _both_sides(cofactors.points, inverse[:seen]) * factor
    own = np.diag(np.tile([_UNSEEN_SD_MM**2] * 3 + [_UNSEEN_SD_RAD**2] * 3, count - seen))
    covariance[9 + 6 * seen :, 9 + 6 * seen :] = own

    whole = np.zeros((12 * count, 12 * count))
    whole[: 12 * seen, : 12 * seen] = free.covariance_mm2
    placed = [_spread(m) for m in motions[seen:]]
    for n, block in enumerate(placed):
        at = slice(12 * (seen + n), 12 * (seen + n) + 12)
        whole[at, at] = block
    extended = replace(free, cards=ids, dots_mm=dots, covariance_mm2=whole)
    scaled = scale_network(extended, job.bars, job.temperature_c, job.body_alpha_per_k)
    rows = job.cards
    holes = find_holes(scaled.solution, rows, job.seating_u_mm, job.stem_u_mm, chain.flatness_mm)
    base, sheet_mm = base_of(job, holes.rows)
    turn = np.eye(3 * len(holes.rows))
    sheet_root = np.zeros((len(turn), 1))
    if len(base) >= LEAST_BASE_POINTS and not on_one_line(sheet_mm):
        scatter = chain.datum.scatter_mm if chain.datum else 0.0
        datum = fit_frame(
            holes.positions_mm, holes.covariance_mm2, base, sheet_mm, scatter_mm=scatter
        )
        turn, sheet_root = datum.by_holes, datum.sheet_root_mm
    by_dots = turn @ holes.by_dots @ scaled.by_dots
    by_cards = np.einsum("nci,cik->nck", by_dots.reshape(-1, count, 12), motions)
    roots = [turn @ holes.by_dots @ root for root in scaled.roots_mm.values()]
    roots += [turn @ root for root in holes.roots_mm.values()]
    fixed = sum(((r**2).sum(axis=1) for r in [*roots, sheet_root]), np.zeros(len(turn)))
    names = tuple(f"{r.point} {r.side}" for r in holes.rows)
    chances = weight or {}
    model = GainModel(
        PlacedCards(ids, dots),
        frozenset(unseen),
        0.5 * (covariance + covariance.T),
        by_cards.reshape(len(turn), 6 * count),
        names,
        fixed,
        wanted_U_mm,
        replace(camera, constants=network.network.constants[0]),
        network.priors,
        at_8_px,
        np.array([chances.get(c, 1.0) for c in ids]),
    )
    return _as_measured(model, precision_of(chain, job))


def _as_measured(model: GainModel, points: Sequence[PointPrecision]) -> GainModel:
    """The model with the fixed part such that measured points have the U that they really have.

    Base points that are still missing, and photos of more than one camera, make a difference.
    """
    own = {p.name: p.U_mm for p in points}
    now = np.array([own[name] for name in model.names]).ravel()
    excess = (0.5 * now) ** 2 - model.variances_mm2
    fixed = np.where(np.isfinite(now), np.maximum(excess, model.fixed_mm2), model.fixed_mm2)
    return replace(model, fixed_mm2=fixed)


def rows_of(
    model: GainModel, stations: Sequence[Pose], blockers: Array | None = None
) -> list[Rows | None]:
    """What a photo from each station (camera_from_network) brings; None for one card or none."""
    cards = model.cards
    found = see(cards, stations, model.camera, blockers)
    # Unseen cards tie nothing: a photo of nothing else would hang in the air.
    known = np.array([c not in model.unseen for c in cards.ids])
    usable = (found.visible & known).sum(axis=1) >= 2
    visible = found.visible & usable[:, None]
    photo, card = np.nonzero(visible)
    columns = model.priors.columns
    sd = [_POSE_SD]
    if columns.drifts:
        sd.append(model.priors.drift_sd)
    if columns.shifts:
        sd.append(np.full(2, model.priors.shift_sd_px))
    prior = np.concatenate(sd)
    network = Network(
        rotation=np.array([p.rotation for p in stations]),
        translation=np.array([p.translation for p in stations]),
        drift=np.zeros((len(stations), 6)),
        constants=model.camera.constants[None],
        group=np.zeros(len(stations), dtype=np.intp),
        points=cards.dots_mm.reshape(-1, 3),
    )
    px = found.px[photo, card].reshape(-1, 2)
    variance = dot_sd_px(found.dot_px[photo, card], model.at_8_px) ** 2
    white = whitening(np.repeat(variance, 4)[:, None, None] * np.eye(2))
    white = white * np.sqrt(np.repeat(model.weight[card], 4))[:, None, None]
    observations = Observations(
        np.repeat(photo, 4),
        (4 * card[:, None] + np.arange(4)).ravel(),
        px,
        white,
        px[:, 1] / model.camera.height_px - 0.5,
    )
    by_photo, by_constants, by_point, _ = jacobians(network, observations, model.priors)
    motions = _motions(cards.dots_mm)
    per_card = by_point.reshape(len(photo), 4, 2, 3)
    by_card = np.einsum("vkai,vkij->vkaj", per_card, motions.reshape(-1, 4, 3, 6)[card])
    rows: list[Rows | None] = []
    for i in range(len(stations)):
        at = np.flatnonzero(photo == i)
        if not len(at):
            rows.append(None)
            continue
        count = len(at)
        dots = (4 * at[:, None] + np.arange(4)).ravel()
        unknowns = np.zeros((count, 8, 9 + 6 * count))
        unknowns[:, :, :9] = by_constants[dots].reshape(count, 8, 9)
        for n in range(count):
            unknowns[n, :, 9 + 6 * n : 15 + 6 * n] = by_card[at[n]].reshape(8, 6)
        own = by_photo[dots].reshape(8 * count, -1) * prior
        rows.append(
            Rows(
                card[at],
                unknowns.reshape(8 * count, -1),
                np.eye(8 * count) + own @ own.T,
            )
        )
    return rows


def improved(
    model: GainModel, rows: Rows, now_mm2: Array | None = None
) -> tuple[Array, Array, Array]:
    """Asked variances (3 N,) after a photo, with Q B^T and the root of N + B Q B^T.

    ``now_mm2`` are the model's own variances where the caller has them already.
    """
    columns = np.concatenate(
        [np.arange(9), (9 + 6 * rows.cards[:, None] + np.arange(6)).ravel()]
    ).astype(np.intp)
    part = model.covariance[:, columns]
    carried = part @ rows.by_unknowns.T
    spread = rows.noise + rows.by_unknowns @ carried[columns]
    root: Array = np.asarray(np.linalg.cholesky(0.5 * (spread + spread.T)), dtype=float)
    asked = np.linalg.solve(root, (model.by_cards @ carried[9:]).T)
    now = model.variances_mm2 if now_mm2 is None else now_mm2
    return np.asarray(now - (asked**2).sum(axis=0)), carried, root


def with_photo(model: GainModel, rows: Rows) -> GainModel:
    """The model after a photo was taken."""
    _, carried, root = improved(model, rows)
    half = np.linalg.solve(root, carried.T)
    return replace(model, covariance=model.covariance - half.T @ half)


def best_photos(
    model: GainModel, rows: Sequence[Rows | None], count: int, least_gain: float = 1e-3
) -> tuple[list[int], GainModel]:
    """The next photos that help most, chosen one after the other, and the model after them.

    Each choice takes the one that lowers ``lacking`` most. Gains only shrink as photos are taken
    (nearly: Krause and others, JMLR 9:235, 2008, from memory), so an old gain bounds the new one
    and most need not be computed again.
    """
    variances = model.variances_mm2
    now = model.lacking(variances)

    def gain_of(own: Rows) -> float:
        return now - model.lacking(improved(model, own, variances)[0])

    heap = [(-gain_of(r), 0, i) for i, r in enumerate(rows) if r is not None]
    heapify(heap)
    chosen: list[int] = []
    while heap and len(chosen) < count:
        gain, age, i = heappop(heap)
        own = rows[i]
        if own is None or -gain < least_gain:
            break
        if age < len(chosen):
            heappush(heap, (-gain_of(own), len(chosen), i))
            continue
        chosen.append(i)
        model = with_photo(model, own)
        variances = model.variances_mm2
        now = model.lacking(variances)
    return chosen, model


def dot_noise_of(sightings: Sequence[Sighting], variance_factor: float) -> float:
    """Standard deviation of a dot of 8 px as these sightings show it, px."""
    shown = []
    for s in sightings:
        if not s.measured.all() or is_mark(s.card):
            continue
        one, other = s.dots_px[2] - s.dots_px[0], s.dots_px[3] - s.dots_px[1]
        area = 0.5 * abs(one[0] * other[1] - one[1] * other[0])
        card = card_of(s.card)
        dot_px = np.sqrt(area) / (2.0 * card.dots_mm[1, 0]) * card.dot_diameter_mm
        variance = np.median(np.trace(s.covariance_px2, axis1=1, axis2=2)) / 2.0
        shown.append(dot_px / 8.0 * np.sqrt(variance))
    return float(np.median(shown) * np.sqrt(variance_factor)) if shown else DOT_SD_PX


def _motions(dots_mm: Array) -> Array:
    """Derivative (C, 12, 6) of a card's dots by its place and its turn about its centre."""
    off = dots_mm - dots_mm.mean(axis=1, keepdims=True)
    shift = np.broadcast_to(np.eye(3), (*off.shape[:2], 3, 3))
    return np.concatenate([shift, -cross_matrix(off)], axis=3).reshape(len(dots_mm), 12, 6)


def _both_sides(points: Array, inverse: Array) -> Array:
    """Covariance (6 C, 6 C) of cards from that of their dots (12 C, 12 C)."""
    count = len(inverse)
    blocks = points.reshape(count, 12, count, 12)
    half = np.einsum("cki,cidj->ckdj", inverse, blocks)
    return np.asarray(np.einsum("ckdj,dlj->ckdl", half, inverse).reshape(6 * count, 6 * count))


def _spread(motions: Array) -> Array:
    """Covariance (12, 12) of the dots of a card whose place is only known from the sheet."""
    sd = np.array([_UNSEEN_SD_MM] * 3 + [_UNSEEN_SD_RAD] * 3)
    root = motions * sd
    return np.asarray(root @ root.T + 1e-4 * np.eye(12))
