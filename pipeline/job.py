"""The job: a folder, its settings and its files, strictly read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.sheet import ReferenceSheet
from targets.bar import Bar


@dataclass(frozen=True)
class CardOnPoint:
    """A row of cards.csv: which card sits in which reference hole, on what stem."""

    card: int
    point: str
    side: str
    stem_mm: float
    note: str


@dataclass(frozen=True)
class Job:
    """A job folder, read and checked.

    Attributes
    ----------
    folder : the job folder.
    title : as the customer reads it.
    parts : "in" or "out", the state of the mechanical parts.
    temperature_c : of the car and the bars when shooting.
    tolerance_mm : where the sheet gives none.
    lens : path of the lens profile, or None for "self".
    seating_u_mm : standard uncertainty of a card's seat in its hole, per axis.
    body_alpha_per_k : linear expansion of the body.
    bars : the bars.
    base : names "POINT SIDE" of the base points, or None for "auto".
    cards : rows of cards.csv, empty when there is none.
    sheet : the reference sheet, None when there is none.
    """

    folder: Path
    title: str
    parts: str
    temperature_c: float
    tolerance_mm: float
    lens: Path | None
    seating_u_mm: float
    body_alpha_per_k: float
    bars: tuple[Bar, ...]
    base: tuple[str, ...] | None
    cards: tuple[CardOnPoint, ...]
    sheet: ReferenceSheet | None
