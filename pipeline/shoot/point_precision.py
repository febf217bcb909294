"""From a network to what each asked point's uncertainty is, and what of it photos can mend.

The same chain as in ``pipeline.solve``: bars, holes, vehicle frame, budget. Here the network may
be a planned one, or one that still grows while photos come in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.frames import Array
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.job_network import solution_of
from pipeline.adjustment.network import NetworkFound
from pipeline.adjustment.points import Holes, card_flatness_mm, find_holes
from pipeline.adjustment.scale import Scaled, scale_network
from pipeline.adjustment.solution import Solution
from pipeline.datum.budget import budget
from pipeline.datum.datum import (
    LEAST_BASE_POINTS,
    Datum,
    expected_scatter_mm,
    fit_frame,
    on_one_line,
)
from pipeline.datum.vehicle_frame import vehicle_frame
from pipeline.inputs.job import CardOnPoint, Job

CARD_FLATNESS_MM = 0.05
"""Standard deviation of the dots of an 80 mm card about their plane where it is glued to something
flat and stiff (assumed; solve finds it from the photos)."""


_WORTH = 1.05
"""Photos are worth taking until U is this many times what it would be with ever so many."""


def within_reach_mm(wanted_U_mm: float, fixed_mm: Array) -> Array:
    """The U that photos are asked for: the wanted one, or nearly that which no photo changes."""
    return np.maximum(wanted_U_mm, _WORTH * fixed_mm)


@dataclass(frozen=True)
class PointPrecision:
    """How sure one asked point is.

    Attributes
    ----------
    name : "A L".
    card : the card on it.
    U_mm : (3,) expanded uncertainty along length, width and height (along the axes of the network
        where there is no sheet); infinite where not measured.
    fixed_mm : (3,) the part of it that no photo changes: seat, stem, flatness, bars, sheet.
    """

    name: str
    card: int
    U_mm: Array
    fixed_mm: Array

    @property
    def worst_mm(self) -> float:
        """The largest of the three."""
        return float(self.U_mm.max())

    def photos_can_mend(self, wanted_U_mm: float) -> bool:
        """Whether the point lacks something that photos bring: see ``within_reach_mm``."""
        lacking = self.U_mm > within_reach_mm(wanted_U_mm, self.fixed_mm)
        return bool((lacking | ~np.isfinite(self.U_mm)).any())

    def is_held(self, wanted_U_mm: float) -> bool:
        """Whether what no photo changes keeps the point from the wanted U."""
        return bool(
            np.isfinite(self.fixed_mm).all()
            and (within_reach_mm(wanted_U_mm, self.fixed_mm) > wanted_U_mm).any()
        )


@dataclass(frozen=True)
class Chain:
    """Network, bars, holes and frame of one state of a shoot.

    Attributes
    ----------
    free, scaled, holes, datum : as in ``pipeline.solve``; no datum without three base points.
    camera_root_mm : see ``budget.covariances_by_source``.
    flatness_mm : of the cards, see ``points.card_flatness_mm``.
    """

    free: Solution
    scaled: Scaled
    holes: Holes
    datum: Datum | None
    camera_root_mm: Array
    flatness_mm: float


def chain_of(
    network: NetworkFound,
    groups: Sequence[PhotoGroup],
    job: Job,
    planned_flatness_mm: float | None = None,
    body_sd_mm: float = 0.0,
) -> Chain:
    """Bars, holes and vehicle frame of a network.

    Parameters
    ----------
    planned_flatness_mm : how flat the cards will be, for a network that is only planned; a real
        one shows it. Then the base points are taken to lie where the sheet says, but for
        ``body_sd_mm`` per axis.
    """
    free = solution_of(network, groups)
    scaled = scale_network(free, job.bars, job.temperature_c, job.body_alpha_per_k)
    planned = planned_flatness_mm is not None
    flatness_mm = (
        card_flatness_mm(scaled.solution) if planned_flatness_mm is None else planned_flatness_mm
    )
    holes = find_holes(scaled.solution, job.cards, job.seating_u_mm, job.stem_u_mm, flatness_mm)
    datum = _frame(job, holes, planned, body_sd_mm)
    return Chain(free, scaled, holes, datum, network.camera_root_mm, flatness_mm)


def base_of(job: Job, rows: Sequence[CardOnPoint]) -> tuple[NDArray[np.intp], Array]:
    """Which of these rows carry the datum, and where the sheet has them (B, 3)."""
    sheet = {(p.point, p.side): p for p in job.sheet.points} if job.sheet else {}
    wanted = None if job.base is None else set(job.base)
    chosen = []
    for i, row in enumerate(rows):
        point = sheet.get((row.point, row.side))
        named = wanted is not None and f"{row.point} {row.side}" in wanted
        if point and (named or (wanted is None and point.base)):
            chosen.append((i, point.position_mm))
    index = np.array([i for i, _ in chosen], dtype=np.intp)
    return index, np.array([p for _, p in chosen]).reshape(-1, 3)


def precision_of(chain: Chain, job: Job) -> tuple[PointPrecision, ...]:
    """U of every row of cards.csv; without a sheet, that of the hole among all that was measured.

    With a sheet and too few base points there is no U yet.
    """
    rows = {(r.point, r.side): i for i, r in enumerate(chain.holes.rows)}
    whole = np.full((len(chain.holes.rows), 3), np.inf)
    fixed = whole.copy()
    if chain.datum:
        for i, row in enumerate(
            budget(chain.free, chain.camera_root_mm, chain.scaled, chain.holes, chain.datum)
        ):
            whole[i] = row.U_mm
            mended = row.u_mm["photos"] ** 2 + row.u_mm["camera"] ** 2
            fixed[i] = np.sqrt(np.maximum(row.U_mm**2 - 4.0 * mended, 0.0))
    elif job.sheet is None:
        whole = 2.0 * np.sqrt(np.diag(chain.holes.covariance_mm2)).reshape(-1, 3)
        by_bars = [chain.holes.by_dots @ root for root in chain.scaled.roots_mm.values()]
        roots = [*by_bars, *chain.holes.roots_mm.values()]
        fixed = 2.0 * np.sqrt(sum((r**2).sum(axis=1) for r in roots)).reshape(-1, 3)
    never = np.full(3, np.inf)
    return tuple(
        PointPrecision(
            f"{row.point} {row.side}",
            row.card,
            whole[rows[row.point, row.side]] if (row.point, row.side) in rows else never,
            fixed[rows[row.point, row.side]] if (row.point, row.side) in rows else never,
        )
        for row in job.cards
    )


def _frame(job: Job, holes: Holes, planned: bool, body_sd_mm: float) -> Datum | None:
    if not planned:
        return vehicle_frame(job, holes).datum
    base, sheet_mm = base_of(job, holes.rows)
    if len(base) < LEAST_BASE_POINTS or on_one_line(sheet_mm):
        return None
    columns = (3 * base[:, None] + np.arange(3)).ravel()
    measured = holes.covariance_mm2[np.ix_(columns, columns)]
    scatter = expected_scatter_mm(sheet_mm, measured, body_sd_mm)
    return fit_frame(holes.positions_mm, holes.covariance_mm2, base, sheet_mm, scatter_mm=scatter)
