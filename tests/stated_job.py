"""A job as a technician might state it, for tests that say only what matters to them."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.inputs.job import CardOnPoint, Job
from pipeline.inputs.sheet import ReferenceSheet, SheetPoint

_PLAIN = Job(
    folder=Path("invented"),
    title="Invented",
    parts="in",
    temperature_c=20.0,
    tolerance_mm=3.0,
    lens=None,
    seating_u_mm=0.2,
    body_alpha_per_k=11.5e-6,
    bars=(),
    base=None,
    cards=(),
    sheet=None,
)


def job_of(cards: Sequence[CardOnPoint], sheet: Sequence[SheetPoint], **stated: Any) -> Job:
    """A job of these cards and this sheet; ``stated`` are other fields of ``Job``."""
    return replace(_PLAIN, cards=tuple(cards), sheet=ReferenceSheet(tuple(sheet)), **stated)
