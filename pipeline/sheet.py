"""The reference sheet: the maker's dimensions of the points, typed in from licensed data."""

from __future__ import annotations

from dataclasses import dataclass

from calib.frames import Array


@dataclass(frozen=True)
class SheetPoint:
    """One reference point of one side.

    Attributes
    ----------
    point, side : name and L, R or C.
    position_mm : (3,) length, width (signed, left +), height in the vehicle frame.
    tol_mm : permitted deviation per axis (the job's tolerance where the sheet gives none).
    base : whether it may carry the datum.
    note : free text.
    """

    point: str
    side: str
    position_mm: Array
    tol_mm: float
    base: bool
    note: str


@dataclass(frozen=True)
class ReferenceSheet:
    """The rows of a sheet that hold for the job's state of the mechanical parts."""

    points: tuple[SheetPoint, ...]
