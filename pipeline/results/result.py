"""The result of a job: everything the files, the page and the terminal say."""

from __future__ import annotations

from dataclasses import dataclass

from calib.frames import Array, Pose
from pipeline.adjustment.looked_again import LookedAgain
from pipeline.adjustment.printing import PrintScale
from pipeline.adjustment.reliability import CardReliability
from pipeline.adjustment.solution import Solution
from pipeline.datum.base_points import BaseChoice
from pipeline.datum.budget import BudgetRow
from pipeline.datum.deviation import DeviationTable
from pipeline.datum.symmetry import Symmetry
from pipeline.findings import Finding
from pipeline.inputs.job import Job
from pipeline.repair.correction import Correction
from pipeline.repair.damage import Damage
from pipeline.repair.suspension import SuspensionChange


@dataclass(frozen=True)
class CardRow:
    """One measured card; (3,) arrays in the vehicle frame (network frame without a sheet), mm.

    Attributes
    ----------
    card : id.
    role : "base", "point", "bar" or "tie".
    centre_mm : mean of its four dots.
    normal : unit vector out of the printed face.
    U_mm : expanded uncertainty (k = 2) of the centre.
    photos : in how many photos it was measured.
    """

    card: int
    role: str
    centre_mm: Array
    normal: Array
    U_mm: Array
    photos: int


@dataclass(frozen=True)
class BarCheck:
    """One bar after scaling: what the photos say of its length, against its certificate, mm.

    ``U_mm`` is the expanded uncertainty of the difference.
    """

    cards: tuple[int, int]
    length_mm: float
    measured_mm: float
    U_mm: float


@dataclass(frozen=True)
class PhotoRow:
    """What became of one photo.

    Attributes
    ----------
    name : file name inside ``photos/``.
    cards : ids measured in it.
    used : whether it took part in the adjustment; ``reason`` says why not.
    rms_px : rms of its residuals per coordinate (nan when not used).
    sha256 : of the file that was measured ("" when it could not be read).
    """

    name: str
    cards: tuple[int, ...]
    used: bool
    reason: str
    rms_px: float
    sha256: str = ""


@dataclass(frozen=True)
class Result:
    """Everything one ``solve`` found.

    Attributes
    ----------
    job : settings and files.
    solution : the adjusted, scaled network (network frame).
    scaled : whether a bar gave the scale; without one millimetres are those of the printer.
    vehicle_from_network : the vehicle frame, None when there is no sheet or no datum.
    base : names "POINT SIDE" of the base points that carried the frame.
    datum_rms_mm : rms of the base points' misfit to the sheet (nan without).
    cards, bars, photos : tables.
    deviations : reference points; empty rows without a datum.
    findings : what the technician should know, worst first.
    seconds : wall time of each stage, in order.
    budget : where the uncertainty of each deviation comes from, in the order of its rows.
    reliability : how far each card could be off without the photos showing it.
    print_scale : size of the printed cards, None where no bar gave the scale.
    base_choice : which base points agree with the sheet, and what the tests say.
    symmetry : left against right, for a job without a sheet.
    damage : what happened to each zone, None without base points or without a scale.
    corrections : the way back of each point that is out.
    suspension : what moved pick-up points mean for camber, caster and wheelbase.
    second_look : what a second look at predicted places was worth, None where it found nothing.
    """

    job: Job
    solution: Solution
    scaled: bool
    vehicle_from_network: Pose | None
    base: tuple[str, ...]
    datum_rms_mm: float
    cards: tuple[CardRow, ...]
    bars: tuple[BarCheck, ...]
    photos: tuple[PhotoRow, ...]
    deviations: DeviationTable
    findings: tuple[Finding, ...]
    seconds: dict[str, float]
    budget: tuple[BudgetRow, ...] = ()
    reliability: tuple[CardReliability, ...] = ()
    print_scale: PrintScale | None = None
    base_choice: BaseChoice | None = None
    symmetry: Symmetry | None = None
    damage: Damage | None = None
    corrections: tuple[Correction, ...] = ()
    suspension: tuple[SuspensionChange, ...] = ()
    second_look: LookedAgain | None = None
