"""The vehicle frame of a job: which base points carry it, and what is doubtful about them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.adjustment.points import Holes
from pipeline.datum.base_points import (
    LEAST_TO_TELL,
    NAMED_FROM,
    NOTEWORTHY,
    TWIST_TOLD_MM,
    BaseChoice,
    BasePoints,
    PairCheck,
    agreeing,
    build_sd_mm,
    choose,
)
from pipeline.datum.datum import (
    LEAST_BASE_POINTS,
    Alternative,
    Datum,
    fit_frame,
    misfit_is_large,
    on_one_line,
    worst_base_point,
)
from pipeline.findings import Finding
from pipeline.inputs.job import Job
from pipeline.inputs.sheet import SheetPoint, one_sided
from pipeline.rounding import rounded_U
from targets.said import Said, listed, say, say_count

_ADD_POINTS = say(
    "Put cards on more undamaged base points, {count} or more in all, and photograph again, or "
    "name the sound ones under [datum] base.",
    count=LEAST_TO_TELL,
)


@dataclass(frozen=True)
class VehicleFrame:
    """The vehicle frame, or why there is none.

    Attributes
    ----------
    datum : the frame, None without one.
    base : indices of the holes that carried it.
    choice : the tests of the base points, None where there were too few.
    findings : what is doubtful.
    """

    datum: Datum | None
    base: tuple[int, ...]
    choice: BaseChoice | None
    findings: tuple[Finding, ...]


def vehicle_frame(job: Job, holes: Holes, moved: Collection[int] = ()) -> VehicleFrame:
    """Fit the measured base points to the sheet.

    With ``base = "auto"`` a base point that moved is left out, if it can be named; points that the
    job names itself all stay, and are tested all the same. Points whose card ``moved`` between
    photos carry the frame only where the others are too few.
    """
    if job.sheet is None:
        note = Finding(
            "no-sheet",
            "note",
            "sheet.csv",
            "There is no reference sheet, so cards are given in an arbitrary frame.",
            "Type in the maker's dimensions as sheet.csv to get deviations.",
        )
        return VehicleFrame(None, (), None, (note,))
    sheet = {p.name: p for p in job.sheet.points}
    measured = [(i, sheet.get(f"{r.point} {r.side}")) for i, r in enumerate(holes.rows)]
    known = [(i, p) for i, p in measured if p is not None]
    if job.base is not None:
        marked = [(i, p) for i, p in known if p.name in job.base]
    else:
        marked = [(i, p) for i, p in known if p.base]
    steady = [(i, p) for i, p in marked if holes.rows[i].card not in moved]
    if len(steady) >= LEAST_BASE_POINTS and not on_one_line(
        np.array([p.position_mm for _, p in steady])
    ):
        marked = steady
    if len(marked) < LEAST_BASE_POINTS:
        asked = len(job.base) if job.base is not None else sum(p.base for p in sheet.values())
        # Where too few were asked for, more cards on them are no help.
        if asked < LEAST_BASE_POINTS:
            text = _too_few(asked, named=job.base is not None)
            remedy = say("Choose more undamaged points as base points.")
        else:
            text = say(
                "Only {measured} of {asked} base points were measured; the vehicle frame needs "
                "three.",
                measured=len(marked),
                asked=asked,
            )
            remedy = say("Put cards on more undamaged base points and photograph them.")
        hint = _hint(job, holes)
        if hint:
            remedy = listed([remedy, hint], " ")
        return _without(Finding("base-too-few", "fault", "datum", text, remedy))
    if on_one_line(np.array([p.position_mm for _, p in marked])):
        text = say("The base points lie nearly on one line, so the frame can turn about it.")
        remedy = say("Add a base point on the other side of the car.")
        return _without(Finding("base-on-a-line", "fault", "datum", text, remedy))

    points = base_points(job, holes, marked)
    choice = choose(points)
    or_scatter = _or_scatter(choice, float(np.sqrt((points.build_mm**2).mean())))
    chosen = [marked[k] for k in choice.kept] if job.base is None else marked
    base = tuple(i for i, _ in chosen)
    index = np.array(base)
    reference_u_mm = np.array([p.u_mm if p is not None else np.zeros(3) for _, p in measured])
    datum = fit_frame(
        holes.positions_mm,
        holes.covariance_mm2,
        index,
        np.array([p.position_mm for _, p in chosen]),
        reference_u_mm,
        alternatives=_alternatives(choice, marked) if job.base is None else (),
    )
    findings = [
        *_moved(job, choice, marked, datum, or_scatter),
        *_unclear(choice, or_scatter),
        *_pair_findings(choice),
        *_one_sided(job.sheet.points),
    ]
    told = any(finding.severity == "warning" for finding in findings)
    if not told and misfit_is_large(datum, holes.covariance_mm2, index, reference_u_mm):
        worst, off = worst_base_point(datum, [p.name for _, p in chosen])
        severe = datum.rms_mm > 0.5 * job.tolerance_mm
        findings.append(
            Finding(
                "base-misfit",
                "warning" if severe else "note",
                "datum",
                say(
                    "The base points fit the sheet to {rms:.2f} mm rms, more than the measurement "
                    "explains; {worst} lies farthest off ({off:.2f} mm).",
                    rms=float(datum.rms_mm),
                    worst=worst,
                    off=float(off),
                ),
                "If one of them may be damaged, name the sound ones under [datum] base."
                if severe
                else "",
            )
        )
    return VehicleFrame(datum, base, choice, tuple(findings))


def base_points(job: Job, holes: Holes, marked: Sequence[tuple[int, SheetPoint]]) -> BasePoints:
    """Measured points with their places on the sheet; ``marked`` pairs index of hole and point."""
    points = [p for _, p in marked]
    everything = BasePoints(
        names=tuple(f"{r.point} {r.side}" for r in holes.rows),
        positions_mm=holes.positions_mm,
        covariance_mm2=holes.covariance_mm2,
        sheet_mm=np.zeros((len(holes.rows), 3)),
        sheet_u_mm=np.zeros((len(holes.rows), 3)),
        build_mm=np.zeros(len(holes.rows)),
    ).part([i for i, _ in marked])
    build = [build_sd_mm(p.tol_mm) if job.build_sd_mm is None else job.build_sd_mm for p in points]
    return BasePoints(
        everything.names,
        everything.positions_mm,
        everything.covariance_mm2,
        np.array([p.position_mm for p in points]),
        np.array([p.u_mm for p in points]),
        np.array(build),
    )


def _alternatives(
    choice: BaseChoice, marked: Sequence[tuple[int, SheetPoint]]
) -> list[Alternative]:
    """The sets of base points that may be the sound ones, where that is open."""
    whole = sum(one.probability for one in choice.explained)
    sets = [
        (one.probability / whole, [m for k, m in enumerate(marked) if k not in one.moved])
        for one in choice.explained
    ]
    return [
        Alternative(
            share, np.array([i for i, _ in kept]), np.array([p.position_mm for _, p in kept])
        )
        for share, kept in sets
    ]


def _without(finding: Finding) -> VehicleFrame:
    return VehicleFrame(None, (), None, (finding,))


def _hint(job: Job, holes: Holes) -> str:
    """Points that agree with the sheet among themselves, when too few are marked as base."""
    sheet = {p.name: p for p in job.sheet.points} if job.sheet else {}
    names = [f"{r.point} {r.side}" for r in holes.rows]
    known = [(i, sheet[n]) for i, n in enumerate(names) if n in sheet]
    known = [(i, p) for i, p in known if p.kind != "sill flange"]
    if len(known) < 4:
        return ""
    points = base_points(job, holes, known)
    found = agreeing(points)
    if not found:
        return ""
    return say(
        "Among themselves {points} agree with the sheet: mark as base those that the damage "
        "cannot have reached.",
        points=", ".join(points.names[k] for k in found),
    )


def _too_few(asked: int, named: bool) -> Said:
    """That fewer than three points are base points; ``named``: in job.toml, else in the sheet."""
    if not asked:
        return (
            say("No base points are named under [datum] base; the vehicle frame needs three.")
            if named
            else say("No base points are marked in the sheet; the vehicle frame needs three.")
        )
    if named:
        return say_count(
            asked,
            "Only {count} base point is named under [datum] base; the vehicle frame needs three.",
            "Only {count} base points are named under [datum] base; the vehicle frame needs three.",
        )
    return say_count(
        asked,
        "Only {count} base point is marked in the sheet; the vehicle frame needs three.",
        "Only {count} base points are marked in the sheet; the vehicle frame needs three.",
    )


def _moved(
    job: Job,
    choice: BaseChoice,
    marked: Sequence[tuple[int, SheetPoint]],
    datum: Datum,
    or_scatter: str,
) -> list[Finding]:
    findings = []
    for k in choice.left_out:
        i, point = marked[k]
        if job.base is not None:
            findings.append(
                Finding(
                    "base-moved",
                    "warning",
                    say("point {point}", point=point.name),
                    say(
                        "This base point disagrees with the others, which agree with the sheet "
                        "({test}).{twist}{scatter}",
                        test=_told(choice),
                        twist=_twist_with(choice, point),
                        scatter=or_scatter,
                    ),
                    say(
                        "Take {point} out of [datum] base unless it is known to be sound.",
                        point=point.name,
                    ),
                    "It still carries the vehicle frame, because job.toml names it.",
                )
            )
            continue
        off = datum.positions_mm[i] - point.position_mm
        U = 2.0 * np.sqrt(np.diag(datum.deviation_covariance_mm2)[3 * i : 3 * i + 3])
        U_off = float(np.linalg.norm(off * U) / max(float(np.linalg.norm(off)), 1e-9))
        findings.append(
            Finding(
                "base-moved",
                "warning",
                say("point {point}", point=point.name),
                say(
                    "This base point lies {off:.1f} mm (U {U:.1f}) from where the other {others} "
                    "put it (length {length:+.1f}, width {width:+.1f}, height {height:+.1f}); "
                    "they agree with the sheet ({test}).{twist}{scatter}",
                    off=float(np.linalg.norm(off)),
                    U=rounded_U(U_off, 1),
                    others=len(choice.kept),
                    length=float(off[0]),
                    width=float(off[1]),
                    height=float(off[2]),
                    test=_told(choice),
                    twist=_twist_with(choice, point),
                    scatter=or_scatter,
                ),
                "Check its card and stem; if both are right, the point has moved.",
            )
        )
    return findings


def _or_scatter(choice: BaseChoice, assumed_mm: float) -> str:
    """That a larger scatter of the build explains it as well, where the points cannot tell."""
    if choice.by_scatter < 1.0 - NAMED_FROM:
        return ""
    return say(
        " A body built to {found:.1f} mm (standard deviation), where {assumed:.1f} mm is assumed, "
        "would explain it as well; U allows for both.",
        found=choice.loose_mm,
        assumed=assumed_mm,
    )


def _unclear(choice: BaseChoice, or_scatter: str) -> list[Finding]:
    if not choice.doubtful:
        return []
    why = (
        say(
            "; {count} points cannot always tell which: of two pairs, one end of a diagonal gone "
            "up looks like one end of the other gone down",
            count=len(choice.names),
        )
        if len(choice.names) <= 4
        else ""
    )
    told = {
        "statistic": float(choice.all_points.statistic),
        "freedom": choice.all_points.freedom,
        "points": ", ".join(choice.names[k] for k in choice.doubtful),
        "scatter": or_scatter,
    }
    return [
        Finding(
            "base-unclear",
            "warning",
            "datum",
            say(
                "The base points do not agree with the sheet (chi-square {statistic:.0f} at "
                "{freedom} degrees of freedom), and it cannot be told which of {points} "
                "moved{why}.{scatter}",
                why=why,
                **told,
            )
            if len(choice.doubtful) > 1
            else say(
                "The base points do not agree with the sheet (chi-square {statistic:.0f} at "
                "{freedom} degrees of freedom), and it cannot be told whether {points} "
                "moved.{scatter}",
                **told,
            ),
            _ADD_POINTS,
        )
    ]


def _pair_findings(choice: BaseChoice) -> list[Finding]:
    findings = []
    twist, diagonals = choice.kept_twist, choice.kept_diagonals
    if twist is not None and twist.probability < NOTEWORTHY:
        findings.append(
            Finding(
                "base-twist",
                "warning" if twist.significant else "note",
                _pairs(twist),
                say(
                    "The section between these base pairs is twisted by {twist:.1f} mm "
                    "(U {U:.1f}) over their mean width of {width:.0f} mm: {pair} is higher on the "
                    "{side}, seen from {other}{build}",
                    twist=abs(float(twist.value_mm)),
                    U=rounded_U(twist.U_mm, 1),
                    width=float(np.mean(twist.widths_mm)),
                    pair=twist.pairs[0],
                    side=say("left") if twist.value_mm > 0 else say("right"),
                    other=twist.pairs[1],
                    build=_by_build(twist),
                ),
                _ADD_POINTS if twist.significant else "",
            )
        )
    elif twist is not None and abs(twist.value_mm) + twist.U_mm >= TWIST_TOLD_MM:
        findings.append(
            Finding(
                "base-twist",
                "note",
                _pairs(twist),
                say(
                    "The section between these base pairs may be twisted by {least:.0f} mm or "
                    "more: {twist:.1f} mm was measured, with U {U:.1f} mm.",
                    least=TWIST_TOLD_MM,
                    twist=abs(float(twist.value_mm)),
                    U=rounded_U(twist.U_mm, 1),
                ),
                "Take more photos of these base points, from both sides.",
                "A twist of that size would go unseen.",
            )
        )
    if diagonals is not None and diagonals.probability < NOTEWORTHY:
        findings.append(
            Finding(
                "base-not-square",
                "warning" if diagonals.significant else "note",
                _pairs(diagonals),
                say(
                    "The diagonals between these base pairs differ from the sheet by {off:.1f} mm "
                    "(U {U:.1f}): the centre section is not square{build}",
                    off=abs(float(diagonals.value_mm)),
                    U=rounded_U(diagonals.U_mm, 1),
                    build=_by_build(diagonals),
                ),
                _ADD_POINTS if diagonals.significant else "",
            )
        )
    return findings


def _by_build(check: PairCheck) -> str:
    if check.significant:
        return "."
    return say(", which the scatter of sound bodies may explain.")


def _one_sided(points: Sequence[SheetPoint]) -> list[Finding]:
    alone = one_sided(points)
    if not alone:
        return []
    return [
        Finding(
            "sheet-one-side",
            "note",
            "sheet.csv",
            say(
                "{points}: the sheet gives one side of these points only.",
                points=", ".join(p.name for p in alone),
            ),
            "Fine where the vehicle has them on one side; else add the row of the other side.",
        )
    ]


def _twist_with(choice: BaseChoice, point: SheetPoint) -> str:
    """How a point that was left out would twist the section, told at its own pair."""
    twist = choice.twist
    if twist is None or not twist.significant or point.point not in twist.pairs:
        return ""
    own = twist.pairs.index(point.point)
    left_up = twist.at_pair(point.point)
    U = twist.U_mm * twist.widths_mm[own] / float(np.mean(twist.widths_mm))
    figures = {
        "pair": point.point,
        "height": abs(left_up),
        "U": rounded_U(U, 1),
        "other": twist.pairs[1 - own],
    }
    if left_up > 0:
        return say(
            " With it the base pair {pair} stands {height:.1f} mm (U {U:.1f}) higher on the left "
            "than on the right, seen from {other}.",
            **figures,
        )
    return say(
        " With it the base pair {pair} stands {height:.1f} mm (U {U:.1f}) lower on the left than "
        "on the right, seen from {other}.",
        **figures,
    )


def _told(choice: BaseChoice) -> str:
    kept = choice.kept_points
    return say(
        "chi-square {statistic:.0f} at {freedom} degrees of freedom",
        statistic=float(kept.statistic),
        freedom=kept.freedom,
    )


def _pairs(check: PairCheck) -> str:
    return say("base pairs {one} and {other}", one=check.pairs[0], other=check.pairs[1])
