"""A car as damage is fitted to it: its points zone by zone, and what each amount does to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from calib.frames import Array, cross_matrix
from pipeline.datum.base_points import build_sd_mm
from pipeline.datum.deviation import DeviationRow
from pipeline.inputs.sheet import ZONES, SheetPoint
from pipeline.repair.damage_terms import Frame, centre_change, end_change, unknowns_of


@dataclass(frozen=True)
class Section:
    """A zone, its points (indices), and what each amount of 1 mm does to all points, (3 N, k)."""

    frame: Frame
    points: tuple[int, ...]
    unknowns: tuple[tuple[str, str], ...]
    by_unknowns: Array


@dataclass(frozen=True)
class Car:
    """What is fitted: (N,) points and the (3 N, 3 N) covariance of their measurement."""

    rows: Sequence[DeviationRow]
    points: Sequence[SheetPoint]
    covariance_mm2: Array
    sections: tuple[Section, ...]
    stated_sd_mm: float | None = None

    @property
    def base(self) -> list[int]:
        """Indices of the base points."""
        return [i for i, row in enumerate(self.rows) if row.base]

    @property
    def deviations_mm(self) -> Array:
        """(3 N,) measured minus sheet."""
        return np.concatenate([row.deviation_mm for row in self.rows])

    @property
    def build_mm(self) -> Array:
        """(3 N,) standard deviation of sound bodies about the sheet, as assumed."""
        if self.stated_sd_mm is not None:
            return np.full(3 * len(self.points), self.stated_sd_mm)
        return np.repeat([build_sd_mm(point.tol_mm) for point in self.points], 3)

    @property
    def by_frame(self) -> Array:
        """(3 N, 6) changes by a turn of 1 mm over a metre and a shift of 1 mm of the frame."""
        places = np.array([point.position_mm for point in self.points])
        places = places - places[self.base].mean(axis=0)
        turn = -cross_matrix(places) / 1000.0
        shift = np.broadcast_to(np.eye(3), turn.shape)
        return np.concatenate([turn, shift], axis=2).reshape(-1, 6)


def sections_of(rows: Sequence[DeviationRow], points: Sequence[SheetPoint]) -> tuple[Section, ...]:
    """Front, centre and rear as far as they have points; the centre is its base points."""
    places = np.array([point.position_mm for point in points])
    base = np.array([row.base for row in rows])
    datum_mm = float(places[base, 2].mean())
    sections = []
    for zone in ZONES:
        if zone == "centre":
            own = np.flatnonzero(base)
        else:
            own = np.flatnonzero([p.zone == zone for p in points] & ~base)
        if not len(own):
            continue
        lengths, sides = places[own, 0], np.abs(places[own, 1])
        ends = float(lengths.min()), float(lengths.max())
        frame = Frame(
            zone,
            *(ends[::-1] if zone == "rear" else ends),
            # A zone of points on the centreline has no width; then no difference shows anyhow.
            width_mm=2.0 * float(sides[sides > 0.0].mean()) if sides.any() else 1000.0,
            datum_mm=datum_mm,
        )
        unknowns = unknowns_of(frame)
        columns = np.zeros((3 * len(rows), len(unknowns)))
        for k, (term, where) in enumerate(unknowns):
            one = {term: 1.0}
            for i in own:
                columns[3 * i : 3 * i + 3, k] = (
                    centre_change(places[i], one, frame)
                    if zone == "centre"
                    else end_change(
                        places[i],
                        one if where == "near" else {},
                        one if where == "far" else {},
                        frame,
                    )
                )
        sections.append(Section(frame, tuple(int(i) for i in own), unknowns, columns))
    return tuple(sections)


def three_each(points: Sequence[int]) -> Array:
    """Indices of the coordinates of points."""
    return np.asarray((3 * np.asarray(points, dtype=int)[:, None] + np.arange(3)).ravel())
