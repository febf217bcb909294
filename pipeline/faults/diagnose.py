"""What a measurement leaves to tell: photos, cards, bars and cameras that fell short."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence

import numpy as np

from capture.photo_set import PhotoSet
from pipeline.adjustment.cameras import PhotoGroup
from pipeline.adjustment.looked_again import LookedAgain
from pipeline.adjustment.network import NetworkFound
from pipeline.adjustment.printing import CardShape, PrintScale
from pipeline.adjustment.reliability import CardReliability
from pipeline.adjustment.scale import BarReading
from pipeline.adjustment.solution import Solution
from pipeline.datum.symmetry import LEAST_PAIRS, Symmetry
from pipeline.faults.originals import named
from pipeline.findings import Finding
from pipeline.inputs.job import Job
from pipeline.rounding import rounded_U
from targets.said import Said, listed, say

_FEW_PHOTOS = 4
_ENOUGH_CARDS = 4
"""So many known cards place any photo of this car that was taken with this camera."""
_UNSEEN_SHARE = 1.0 / 3.0
"""Of a point's tolerance: what an unseen error may take of it (our choice)."""
_ODD_SCALE = 0.03
_ODD_DIFFERENCE = 0.01
"""A printer at "actual size" is hardly farther off than this (our choice): something else is."""


def photo_findings(
    seen: PhotoSet,
    network: NetworkFound,
    groups: Sequence[PhotoGroup],
    told: Collection[str] = (),
) -> list[Finding]:
    """Photos that add nothing, but for those ``told`` elsewhere, and cameras without a profile."""
    findings = [
        Finding(
            "photo-unreadable",
            "warning",
            name,
            say("This photo cannot be used: {why}.", why=why),
            "Copy it from the phone again, or take it again.",
        )
        for name, why in seen.unreadable.items()
    ]
    used, known = set(network.photos), set(network.cards)
    for photo in seen.photos:
        if photo.name in told:
            continue
        if photo.mirrored:
            findings.append(
                Finding(
                    "photo-mirrored",
                    "warning",
                    photo.name,
                    "This photo is mirrored: its cards can be read only after turning it over.",
                    "Use the original file, and the camera at the back of the phone.",
                )
            )
        elif not photo.sightings:
            findings.append(
                Finding(
                    "photo-without-cards",
                    "note",
                    photo.name,
                    "No card was found in this photo.",
                    "Sharper or nearer, or without glare, if a card should be in it.",
                )
            )
        elif (
            photo.name not in used
            and (fits := sum(s.card in known for s in photo.sightings)) >= _ENOUGH_CARDS
        ):
            findings.append(
                Finding(
                    "photo-astray",
                    "warning",
                    photo.name,
                    say(
                        "{fits} of its {all} cards are known from other photos, but they fit "
                        "together from no place: another car, another zoom, or an edited photo.",
                        fits=fits,
                        all=len(photo.sightings),
                    ),
                    "Take it out if it does not belong to this job, else take it again.",
                )
            )
        elif photo.name not in used:
            findings.append(
                Finding(
                    "photo-left-out",
                    "warning",
                    photo.name,
                    say(
                        "Only {known} of its {all} cards are known from other photos, too few to "
                        "tell beyond doubt where it was taken.",
                        known=sum(s.card in known for s in photo.sightings),
                        all=len(photo.sightings),
                    ),
                    "Take it again with at least three cards that other photos show, too.",
                )
            )
        for card in photo.repeated:
            findings.append(
                Finding(
                    "card-twice",
                    "warning",
                    say("card {card}", card=card),
                    say("{photo} shows card {card} at two places.", photo=photo.name, card=card),
                    "Take one of the two cards with this number off the car.",
                )
            )
    for group in groups:
        if group.reason:
            findings.append(
                Finding(
                    "lens-not-applied",
                    "warning",
                    group.name,
                    say(
                        "The lens profile was not applied to {photos} ({reason}).",
                        photos=named(group.photos),
                        reason=group.reason,
                    ),
                    "Shoot with the lens and zoom that were calibrated.",
                )
            )
    return findings


def network_findings(network: NetworkFound, solution: Solution) -> list[Finding]:
    findings = []
    if not network.adjusted.converged:
        findings.append(
            Finding(
                "not-converged",
                "fault",
                "adjustment",
                "The adjustment did not settle.",
                "Take more photos from other directions, some with the phone rolled by 90 degrees.",
            )
        )
    if np.isfinite(network.reproduced) and network.reproduced > 1.0:
        findings.append(
            Finding(
                "start-not-reproduced",
                "warning",
                "adjustment",
                say(
                    "Started from another pair of photos the cards came out {apart:.1f} mm (rms) "
                    "apart.",
                    apart=float(network.reproduced),
                ),
                "Take more photos that share cards.",
            )
        )
    for group in solution.groups:
        focal = float(group.camera.constants[0])
        weak = []
        if group.sd_constants[0] > 0.003 * focal:
            weak.append(say("focal length to {sd:.0f} px", sd=float(group.sd_constants[0])))
        if max(group.sd_constants[2:4]) > 0.004 * group.camera.width_px:
            sd = float(max(group.sd_constants[2:4]))
            weak.append(say("principal point to {sd:.0f} px", sd=sd))
        if weak:
            findings.append(
                Finding(
                    "camera-weak",
                    "warning",
                    group.name,
                    say("The photos hardly determine this camera: {weak}.", weak=listed(weak)),
                    "Calibrate it with the board (datumshot lens), and roll the phone by 90 "
                    "degrees for a third of the photos.",
                )
            )
    return findings


def second_look_findings(job: Job, again: LookedAgain | None) -> list[Finding]:
    """That a second look found more, and what it did to the weakest point."""
    if again is None:
        return []
    text = say(
        "A second look at predicted places added or completed {added} sightings.",
        added=again.added,
    )
    told = weakest_told(job, again)
    return [Finding("second-look", "note", "photos", listed([text, told], " ") if told else text)]


def weakest_told(job: Job, again: LookedAgain) -> Said | None:
    """The weakest point before and after a second look, in a sentence."""
    if again.weakest is None or again.weakest_after is None:
        return None
    places = {row.card: f"{row.point} {row.side}" for row in job.cards}

    def where(card: int) -> str:
        return places.get(card) or say("card {card}", card=card)

    figures: dict[str, object] = {
        "weakest": where(again.weakest),
        "before": float(again.U_before_mm),
        "after": float(again.U_after_mm),
    }
    if again.weakest_after == again.weakest:
        return say(
            "The weakest place among the cards is {weakest}, before and after: U {before:.2f} mm, "
            "then {after:.2f} mm.",
            **figures,
        )
    return say(
        "The weakest place among the cards was {weakest}: U {before:.2f} mm, then {after:.2f} mm; "
        "now it is {other}: U {largest:.2f} mm.",
        other=where(again.weakest_after),
        largest=float(again.U_weakest_after_mm),
        **figures,
    )


def bar_findings(job: Job, readings: Sequence[BarReading]) -> list[Finding]:
    findings = []
    measured = {r.bar.cards for r in readings}
    for bar in job.bars:
        if bar.cards not in measured:
            findings.append(
                Finding(
                    "bar-not-seen",
                    "warning",
                    _bar(bar.cards),
                    "One of its cards was not measured.",
                    "Photograph both of its cards from several sides.",
                )
            )
    if not readings:
        findings.append(
            Finding(
                "no-scale",
                "fault",
                "bars",
                "No bar gives the scale, and a printer may scale cards by a percent.",
                "Lay a bar of known length under the car and enter it as [[bar]] in job.toml.",
            )
        )
    for r in readings:
        if np.isfinite(r.measured_mm) and abs(r.measured_mm - r.bar.length_mm) > 1.5 * r.U_mm:
            findings.append(
                Finding(
                    "bars-disagree",
                    "warning",
                    _bar(r.bar.cards),
                    say(
                        "By the other bars it is {measured:.2f} mm long (U {U:.2f}), by job.toml "
                        "{length:.2f} mm.",
                        measured=float(r.measured_mm),
                        U=rounded_U(r.U_mm, 2),
                        length=float(r.bar.length_mm),
                    ),
                    "Check the length in job.toml, and whether a bar was bumped while shooting.",
                )
            )
    return findings


def _bar(cards: tuple[int, int]) -> Said:
    return say("bar {first}-{second}", first=cards[0], second=cards[1])


def card_findings(job: Job, solution: Solution, seen: PhotoSet) -> list[Finding]:
    findings = []
    count = Counter(s.card for s in seen.sightings)
    index = {card: i for i, card in enumerate(solution.cards)}
    for row in job.cards:
        name = say("card {card}", card=row.card)
        point = f"{row.point} {row.side}"
        if row.card not in index:
            where = (
                say(
                    "The card on point {point} was seen in {count} photos, but not tied to the "
                    "others.",
                    point=point,
                    count=count[row.card],
                )
                if count[row.card]
                else say("The card on point {point} was not found in any photo.", point=point)
            )
            findings.append(
                Finding(
                    "card-not-measured",
                    "fault",
                    name,
                    where,
                    "Photograph it from at least four sides, with other cards in the picture.",
                )
            )
        elif solution.sightings_of_card[index[row.card]] < _FEW_PHOTOS:
            findings.append(
                Finding(
                    "card-in-few-photos",
                    "warning",
                    name,
                    say(
                        "The card on point {point} was measured in only {count} photos.",
                        point=point,
                        count=int(solution.sightings_of_card[index[row.card]]),
                    ),
                    "Photograph it from more sides.",
                )
            )
    return findings


def symmetry_findings(job: Job, symmetry: Symmetry | None) -> list[Finding]:
    """That left and right could not be compared, where there is nothing else to compare with."""
    sided = [row for row in job.cards if row.side != "C"]
    if job.sheet is not None or not sided:
        return []
    if symmetry is not None:
        if symmetry.agree:
            return []
        return [
            Finding(
                "symmetry-unclear",
                "warning",
                "cards.csv",
                "Fewer than half of the pairs share one centre plane, so which of them moved "
                "cannot be told; the diagonals do not depend on it.",
                "Check that left and right are not swapped in cards.csv; put cards on more pairs "
                "far from the damage.",
            )
        ]
    return [
        Finding(
            "symmetry-none",
            "note",
            "cards.csv",
            say(
                "Left and right cannot be compared: fewer than {least} pairs were measured.",
                least=LEAST_PAIRS,
            ),
            "Put cards on both sides of more points, far from the damage.",
        )
    ]


def reliability_findings(job: Job, reliability: Sequence[CardReliability]) -> list[Finding]:
    """Cards on points that one unseen error could shift by a good part of the tolerance."""
    tolerance = {(p.point, p.side): p.tol_mm for p in job.sheet.points} if job.sheet else {}
    by_card = {r.card: r for r in reliability}
    findings = []
    for row in job.cards:
        own = by_card.get(row.card)
        allowed_mm = _UNSEEN_SHARE * tolerance.get((row.point, row.side), job.tolerance_mm)
        if own is None or own.shift_mm <= allowed_mm:
            continue
        if np.isfinite(own.shift_mm):
            text = say(
                "An error of up to {error:.2f} px in one photo ({photo}) could go unseen and would "
                "shift this card by {shift:.2f} mm, more than a third of the tolerance of point "
                "{point}.",
                error=float(own.error_px),
                photo=own.photo,
                shift=float(own.shift_mm),
                point=f"{row.point} {row.side}",
            )
        else:
            text = say(
                "Nothing checks dot {dot} of this card in {photo}: an error there would shift "
                "point {point} unseen.",
                dot=own.dot + 1,
                photo=own.photo,
                point=f"{row.point} {row.side}",
            )
        findings.append(
            Finding(
                "card-unchecked",
                "warning",
                say("card {card}", card=row.card),
                text,
                "Photograph it from more sides.",
            )
        )
    return findings


def print_findings(printed: PrintScale | None, shapes: Sequence[CardShape]) -> list[Finding]:
    """What the printer and the paper did; ``printed`` is None where no bar gave the scale."""
    findings = []
    if printed is not None:
        across, up = 100.0 * printed.scale
        percent = {"across": float(across), "up": float(up)}
        beyond = (np.abs(printed.scale - 1.0) > _ODD_SCALE + printed.U).any()
        apart = abs(printed.scale[0] - printed.scale[1]) > _ODD_DIFFERENCE + printed.U_difference
        if beyond or apart:
            findings.append(
                Finding(
                    "print-odd",
                    "warning",
                    "cards",
                    say(
                        "Your printer prints at {across:.1f} % across and {up:.1f} % up, by the "
                        "bars. That is far from actual size, or the length of a bar is not what "
                        "job.toml says.",
                        **percent,
                    )
                    if beyond
                    else say(
                        "Your printer prints at {across:.1f} % across and {up:.1f} % up, by the "
                        "bars. No sound print is stretched so much more one way.",
                        **percent,
                    ),
                    "Check length_mm of the bars, and print cards at actual size (100 %), never "
                    '"fit to page"; the check lines on the page show what the printer did.',
                )
            )
        else:
            findings.append(
                Finding(
                    "print-scale",
                    "note",
                    "cards",
                    say(
                        "Your printer prints at {across:.1f} % across and {up:.1f} % up: harmless, "
                        "since only the bar gives the scale.",
                        **percent,
                    ),
                )
            )
    for shape in shapes:
        if shape.bent:
            findings.append(
                Finding(
                    "card-bent",
                    "warning",
                    say("card {card}", card=shape.card),
                    say(
                        "This card is bent, damaged or badly printed: a dot lies {off:.2f} mm off "
                        "where a flat card has it.",
                        off=float(shape.off_mm),
                    ),
                    "Glue a new print to something flat and stiff, and photograph it again.",
                )
            )
    return findings
