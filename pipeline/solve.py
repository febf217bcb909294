"""The whole measurement of a job: photos in, deviations out."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace

import numpy as np

from calib.frames import Pose
from calib.lens_file import LensProfile, read_profile
from calib.photo import photo_paths
from capture.cache import SightingCache
from capture.measure import CardPlace
from capture.photo_set import (
    GreyPhotos,
    PhotoSet,
    look_again,
    look_closer,
    mirrored_told,
    see_photos,
)
from capture.sightings import Sighting
from pipeline.adjustment.bar_lengths import plausible_bars
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.job_network import (
    HAND_HELD,
    STEADY,
    adjust_sightings,
    first_network,
    placed,
    posed,
    solution_of,
)
from pipeline.adjustment.looked_again import LookedAgain, looked_again
from pipeline.adjustment.marks import unknown_sides
from pipeline.adjustment.network import NetworkFound
from pipeline.adjustment.points import Holes, card_axes, card_flatness_mm, find_holes, upward
from pipeline.adjustment.printing import applied_scale, card_shapes, print_scale
from pipeline.adjustment.reliability import reliability_of
from pipeline.adjustment.scale import scale_network
from pipeline.adjustment.second_look import (
    confirm_led,
    confirm_pattern,
    expected_places,
    not_looked_at,
)
from pipeline.adjustment.solution import Solution
from pipeline.datum.base_points import build_sd_mm
from pipeline.datum.budget import budget
from pipeline.datum.datum import Datum
from pipeline.datum.deviation import DeviationTable, deviation_table, without_verdicts
from pipeline.datum.symmetry import symmetry_of_job
from pipeline.datum.vehicle_frame import VehicleFrame, base_points, vehicle_frame
from pipeline.faults.assignment import assignment, assignment_findings
from pipeline.faults.contradictions import contradiction_findings
from pipeline.faults.diagnose import (
    bar_findings,
    card_findings,
    network_findings,
    photo_findings,
    print_findings,
    reliability_findings,
    second_look_findings,
    symmetry_findings,
)
from pipeline.faults.leaning import leaning_findings
from pipeline.faults.mend import mend
from pipeline.faults.one_place import one_place_findings
from pipeline.faults.originals import edited_findings, focal_findings
from pipeline.faults.own_sheet import own_sheet_findings
from pipeline.faults.profile_check import without_contradicted_profiles
from pipeline.faults.sheet_doubt import sheet_findings
from pipeline.faults.stem_check import (
    PointOnStem,
    base_stem_findings,
    pair_stem_findings,
    stem_findings,
)
from pipeline.findings import Finding
from pipeline.inputs.job import Job
from pipeline.repair.correction import corrections
from pipeline.repair.damage import find_damage
from pipeline.repair.suspension import suspension_changes
from pipeline.results.result import BarCheck, CardRow, PhotoRow, Result
from targets.errors import UserError
from targets.mark import is_mark
from targets.said import say

_LOOKS = 2
"""Second looks: the first one's finds let the next one predict more."""

Progress = Callable[[str, int, int], None]


def solve(
    job: Job,
    progress: Progress,
    cache: SightingCache | None = None,
    when_measured: Callable[[Sequence[str]], None] = lambda names: None,
) -> tuple[Result, tuple[Sighting, ...]]:
    """Measure a job.

    Parameters
    ----------
    progress : called with the stage, how many are done, how many there are.
    cache : where measurements of photos are kept between runs; the result is the same without.
    when_measured : called with the names of all photos when these are measured; most of what
        follows leaves all processors but one idle.

    Raises
    ------
    UserError : there is nothing to measure (no photos, no cards, nothing hangs together), or a
        file of the job cannot be used.
    """
    clock = _Clock()
    profile = read_profile(job.lens) if job.lens else None
    paths = photo_paths(job.folder / "photos")
    if not paths:
        raise UserError(
            "there are no photos in this folder",
            str(job.folder / "photos"),
            "put JPEG, PNG, TIFF or HEIC files there",
        )
    greys = GreyPhotos()
    seen = see_photos(
        paths, greys, lambda i, n: progress("measuring photos", i, n), job.marks, cache
    )
    seen = mirrored_told(seen, greys)
    clock.stop("measuring photos")
    _require_cards(seen, job)
    when_measured([path.name for path in paths])

    groups, network = first_network(job, seen, profile)
    clock.stop("adjusting")
    added, first = 0, network
    if _incomplete(job, seen, network):
        seen, added = look_closer(
            seen, greys, lambda i, n: progress("looking closer", i, n), job.marks, cache
        )
        clock.stop("second look")
        if added:
            network = adjust_sightings(seen, groups, job.marks, STEADY)
            clock.stop("adjusting")
    looked: Mapping[str, Sequence[CardPlace]] = {}
    for _ in range(_LOOKS):
        expected = expected_places(posed(network, groups), placed(network), seen.sightings)
        places, looked = not_looked_at(expected, looked), expected
        seen, more = look_again(
            seen,
            places,
            confirm_pattern,
            confirm_led,
            greys,
            lambda i, n: progress("second look", i, n),
        )
        added += more
        clock.stop("second look")
        if not more:
            break
        network = adjust_sightings(seen, groups, job.marks, STEADY, network)
        clock.stop("adjusting")
    again = looked_again(first, network, added, {row.card for row in job.cards}) if added else None
    result = _evaluated(job, seen, groups, network, again, clock, progress)
    return result, tuple(seen.sightings)


def solve_sightings(job: Job, seen: PhotoSet, profile: LensProfile | None = None) -> Result:
    """Measure a job from what its photos show, without a second look at them.

    Raises
    ------
    UserError : there is nothing to measure, see ``solve``.
    """
    _require_cards(seen, job)
    groups, network = first_network(job, seen, profile)
    return _evaluated(job, seen, groups, network, None, _Clock(), lambda stage, done, count: None)


def _evaluated(
    job: Job,
    seen: PhotoSet,
    groups: Sequence[PhotoGroup],
    network: NetworkFound,
    again: LookedAgain | None,
    clock: _Clock,
    progress: Progress,
) -> Result:
    """From a network on the way to the result; ``again`` is what second looks were worth."""
    network = adjust_sightings(seen, groups, job.marks, HAND_HELD, network)
    groups, contradicted = without_contradicted_profiles(network, groups)
    if contradicted:
        network = adjust_sightings(seen, groups, job.marks, HAND_HELD, network)
    mended = mend(
        seen,
        groups,
        network,
        [bar.cards for bar in job.bars],
        lambda s, g, n, own: adjust_sightings(s, g, job.marks, HAND_HELD, n, own),
    )
    seen, groups, network = mended.seen, mended.groups, mended.network
    if mended.found:
        # The starts were compared while what is mended now was in them.
        network = replace(network, reproduced=float("nan"))
    clock.stop("adjusting")

    progress("scale, datum, deviations", 0, 1)
    free = solution_of(network, groups)
    any_known = not set(network.cards) <= unknown_sides(network.cards, job.marks)
    bars, scale_sure, length_findings = (
        plausible_bars(free, job.bars, job.temperature_c) if any_known else (job.bars, True, [])
    )
    scaled = scale_network(free, bars, job.temperature_c, job.body_alpha_per_k)
    solution, readings = scaled.solution, scaled.readings
    if not readings and not any_known:
        raise UserError(
            "nothing in these photos has a known size",
            "job.toml",
            "give the side_mm of the marks, or a [[bar]] between two of them",
        )
    flatness_mm = card_flatness_mm(solution)
    holes = find_holes(solution, job.cards, job.seating_u_mm, job.stem_u_mm, flatness_mm)
    assigned = assignment(job, holes, upward(holes, solution))
    if assigned.wrong:
        listed = {w.row.card for w in assigned.wrong}
        rows = [row for row in job.cards if row.card not in listed]
        holes = find_holes(solution, rows, job.seating_u_mm, job.stem_u_mm, flatness_mm)
    moved = {card.card for card in mended.moved}
    # Laid over a sheet that has left and right the other way round, all would look bent.
    frame = (
        VehicleFrame(None, (), None, ()) if assigned.exchanged else vehicle_frame(job, holes, moved)
    )
    symmetry = symmetry_of_job(job, holes, solution) if job.sheet is None else None
    datum, base = frame.datum, frame.base
    deviations = _deviations(job, holes, datum, base, solution)
    from_one_place = one_place_findings(solution)
    sure = (
        bool(readings)
        and scale_sure
        and not assigned.unclear
        and mended.settled
        and network.adjusted.converged
        and not any(finding.severity == "fault" for finding in from_one_place)
    )
    deviations = without_verdicts(deviations, moved if sure else None)
    damage = find_damage(deviations, job.sheet, job.build_sd_mm) if sure and job.sheet else None
    scale = applied_scale(free, solution)
    reliability = reliability_of(network, scale)
    paper = any(not is_mark(card) for card in network.cards)
    printed = print_scale(network, solution) if readings and paper else None
    progress("scale, datum, deviations", 1, 1)
    clock.stop("scale, datum, deviations")

    findings = [
        *photo_findings(seen, network, groups, mended.left_out),
        *edited_findings([p.header for p in seen.photos], groups),
        *focal_findings(network, groups),
        *network_findings(network, solution),
        *from_one_place,
        *second_look_findings(job, again),
        *contradiction_findings(
            mended,
            [bar.cards for bar in job.bars],
            {row.card: f"{row.point} {row.side}" for row in job.cards},
            scale,
        ),
        *length_findings,
        *bar_findings(replace(job, bars=bars), readings),
        *card_findings(job, solution, seen),
        *reliability_findings(job, reliability),
        *print_findings(printed, card_shapes(network, scale)),
        *frame.findings,
        *assignment_findings(assigned),
        *sheet_findings(job.sheet, deviations.rows),
        *own_sheet_findings(job, holes, base),
        *_stems(job, solution, holes, frame, deviations),
        *symmetry_findings(job, symmetry),
    ]
    order = {"fault": 0, "warning": 1, "note": 2}
    return Result(
        job=job,
        solution=solution,
        scaled=bool(readings),
        vehicle_from_network=datum.vehicle_from_network if datum else None,
        base=tuple(f"{holes.rows[i].point} {holes.rows[i].side}" for i in base),
        datum_rms_mm=datum.rms_mm if datum else float("nan"),
        cards=_card_rows(job, solution, datum, holes, base),
        bars=tuple(BarCheck(r.bar.cards, r.bar.length_mm, r.measured_mm, r.U_mm) for r in readings),
        photos=_photo_rows(seen, solution, mended.left_out),
        deviations=deviations,
        budget=budget(free, network.camera_root_mm, scaled, holes, datum) if datum else (),
        findings=tuple(sorted(findings, key=lambda f: order[f.severity])),
        seconds=clock.seconds,
        reliability=reliability,
        print_scale=printed,
        base_choice=frame.choice,
        symmetry=symmetry,
        second_look=again,
        damage=damage,
        corrections=corrections(deviations),
        suspension=suspension_changes(deviations, job.sheet, damage.scatter_mm)
        if damage and job.sheet
        else (),
    )


class _Clock:
    """Wall time of the stages, in order."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._since = time.perf_counter()

    def stop(self, stage: str) -> None:
        """End a stage here."""
        now = time.perf_counter()
        self.seconds[stage] = self.seconds.get(stage, 0.0) + now - self._since
        self._since = now


def _require_cards(seen: PhotoSet, job: Job) -> None:
    where = str(job.folder / "photos")
    if not seen.photos:
        name, why = next(iter(seen.unreadable.items()))
        raise UserError(
            say(
                "none of the {photos} photos can be read ({name}: {why})",
                photos=len(seen.unreadable),
                name=name,
                why=why,
            ),
            where,
            "copy them from the phone again",
        )
    if not seen.sightings:
        raise UserError(
            say("no card was found in {photos} photos", photos=len(seen.photos)),
            where,
            "check that the printed cards of datumshot are in the pictures, sharp and well lit",
        )
    if sum(bool(p.sightings) for p in seen.photos) < 2:
        raise UserError(
            "only one photo shows cards, and one photo cannot be measured",
            where,
            "take the cards from all sides, every card in four photos or more",
        )


def _incomplete(job: Job, seen: PhotoSet, network: NetworkFound) -> bool:
    """Whether a photo or a card that the job lists has no place yet."""
    listed = {row.card for row in job.cards} | {card for bar in job.bars for card in bar.cards}
    return len(network.photos) < len(seen.photos) or not listed <= set(network.cards)


def _stems(
    job: Job, solution: Solution, holes: Holes, frame: VehicleFrame, deviations: DeviationTable
) -> list[Finding]:
    """Doubts about the lengths of stems, each card named once."""
    found = pair_stem_findings(job, deviations.rows)
    if frame.datum is None or job.sheet is None:
        return found
    index = {card: i for i, card in enumerate(solution.cards)}
    z = card_axes(solution.dots_mm)[[index[row.card] for row in holes.rows], 2]
    spread = deviations.deviation_covariance_mm2
    points = []
    for i, (listed, row) in enumerate(zip(holes.rows, deviations.rows, strict=True)):
        if np.isfinite(row.deviation_mm).all():
            build = build_sd_mm(row.tol_mm) if job.build_sd_mm is None else job.build_sd_mm
            own = spread[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] + build**2 * np.eye(3)
            normal = frame.datum.vehicle_from_network.rotation @ z[i]
            points.append(PointOnStem(listed, row, own, normal))
    if frame.choice is None or not frame.choice.doubtful:
        found = [*stem_findings(job, points), *found]
    if points:
        found += leaning_findings(
            [p.listed for p in points],
            np.array([p.row.deviation_mm for p in points]),
            np.array([p.normal for p in points]),
        )
    if frame.choice is not None:
        sheet = {p.name: p for p in job.sheet.points}
        at = {f"{row.point} {row.side}": i for i, row in enumerate(holes.rows)}
        marked = [at[name] for name in frame.choice.names]
        tested = base_points(job, holes, [(at[name], sheet[name]) for name in frame.choice.names])
        rows = [holes.rows[i] for i in marked]
        found += base_stem_findings(job, tested, rows, z[marked], frame.choice)
    return found


def _deviations(
    job: Job, holes: Holes, datum: Datum | None, base: Sequence[int], solution: Solution
) -> DeviationTable:
    if datum is None or job.sheet is None:
        return DeviationTable((), np.zeros((0, 0)))
    photos = dict(zip(solution.cards, map(int, solution.sightings_of_card), strict=True))
    return deviation_table(
        holes.rows,
        datum.positions_mm,
        datum.covariance_mm2,
        job.sheet,
        set(base),
        photos,
        datum.deviation_covariance_mm2,
    )


def _card_rows(
    job: Job, solution: Solution, datum: Datum | None, holes: Holes, base: Sequence[int]
) -> tuple[CardRow, ...]:
    frame = datum.vehicle_from_network if datum else Pose.identity()
    centres = frame.apply(solution.centres_mm)
    normals = -card_axes(solution.dots_mm)[:, 2] @ frame.rotation.T
    covariance = solution.centres_covariance_mm2
    role = {card: "bar" for bar in job.bars for card in bar.cards}
    role |= {row.card: "point" for row in job.cards}
    role |= {holes.rows[i].card: "base" for i in base}
    rows = []
    for i, card in enumerate(solution.cards):
        own = covariance[3 * i : 3 * i + 3, 3 * i : 3 * i + 3]
        turned = frame.rotation @ own @ frame.rotation.T
        rows.append(
            CardRow(
                card=card,
                role=role.get(card, "tie"),
                centre_mm=centres[i],
                normal=normals[i],
                U_mm=2.0 * np.sqrt(np.diag(turned)),
                photos=int(solution.sightings_of_card[i]),
            )
        )
    return tuple(rows)


def _photo_rows(
    seen: PhotoSet, solution: Solution, left_out: Collection[str]
) -> tuple[PhotoRow, ...]:
    index = {name: i for i, name in enumerate(solution.photos)}
    rows = [PhotoRow(n, (), False, why, float("nan")) for n, why in seen.unreadable.items()]
    for photo in seen.photos:
        cards = tuple(s.card for s in photo.sightings)
        used = photo.name in index
        rms = float("nan")
        reason = ""
        if used:
            own = solution.residuals_px[solution.sighting_photo == index[photo.name]]
            if np.isfinite(own).any():
                rms = float(np.sqrt(np.nanmean(own**2)))
        elif photo.name in left_out:
            reason = "left out, since it does not fit the others"
        else:
            reason = "no card found" if not cards else "too few cards shared with other photos"
        rows.append(PhotoRow(photo.name, cards, used, reason, rms, photo.sha256))
    return tuple(sorted(rows, key=lambda r: r.name))
