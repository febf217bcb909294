"""What went wrong or is doubtful, in plain words: the one vocabulary of findings.

To add one: a line in ``CATALOGUE`` (a code of our own, the severities it may have, what it means,
what it does to the result), then ``Finding("the-code", "warning", ...)`` with the code and severity
written out where it is found, then ``python -m pipeline.findings > docs/findings.md``. Tests name a
code that is used and not listed, one that is listed and not used, and a document that is out of
date.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Severity = Literal["note", "warning", "fault"]
"""note: good to know. warning: a figure may be worse than it looks. fault: something is missing."""


@dataclass(frozen=True)
class Finding:
    """One thing the technician should know.

    Attributes
    ----------
    code : short stable name of our own, such as ``photo-unreadable``, listed in ``CATALOGUE``.
    severity : see ``Severity``.
    subject : the card, photo, bar or point concerned ("card 12", "IMG_0003.jpg"), or "".
    text : what was seen, with figures, in one sentence.
    remedy : what to do about it, in one sentence ("" when nothing needs doing).
    effect : what it does to this result, in one sentence ("" where the catalogue's says it all).
    """

    code: str
    severity: Severity
    subject: str
    text: str
    remedy: str = ""
    effect: str = ""

    @property
    def effect_told(self) -> str:
        """What it does to the result: its own words, else those of the catalogue."""
        return self.effect or (CATALOGUE[self.code].effect if self.code in CATALOGUE else "")


@dataclass(frozen=True)
class Kind:
    """A kind of finding.

    Attributes
    ----------
    severities : those it may have.
    meaning : what was seen, in one sentence.
    effect : what it does to the result in general, in one sentence ("" for nothing).
    """

    severities: tuple[Severity, ...]
    meaning: str
    effect: str = ""


_NOTE: tuple[Severity, ...] = ("note",)
_WARNING: tuple[Severity, ...] = ("warning",)
_FAULT: tuple[Severity, ...] = ("fault",)

CATALOGUE: Mapping[str, Kind] = MappingProxyType(
    {
        "bar-length-odd": Kind(
            _WARNING,
            "A bar's length in job.toml cannot be, by the size of the printed cards.",
            "The bar was left out, or there are no verdicts where no other bar is left.",
        ),
        "bar-not-seen": Kind(
            _WARNING,
            "A card of this bar was not measured.",
            "This bar gives no scale and checks no other.",
        ),
        "bars-disagree": Kind(
            _WARNING,
            "A bar is not as long as the other bars and the photos make it.",
            "All lengths may be off by the share by which the bars disagree; every uncertainty has "
            "been enlarged by it.",
        ),
        "bar-moved": Kind(
            _WARNING,
            "A card of this bar lies at two places: the bar was bumped or swung.",
            "The bar counts as it lay in the larger set of photos.",
        ),
        "base-misfit": Kind(
            ("note", "warning"),
            "The base points fit the sheet worse than the measurement explains.",
            "Every uncertainty has been enlarged accordingly.",
        ),
        "base-moved": Kind(
            _WARNING,
            "A base point disagrees with the others, which agree with the sheet.",
            "The point was left out of the vehicle frame.",
        ),
        "base-not-square": Kind(
            ("note", "warning"),
            "The diagonals between two base pairs are not as the sheet has them.",
            "The section that carries the vehicle frame may be a diamond, which bends all figures.",
        ),
        "base-on-a-line": Kind(
            _FAULT,
            "The measured base points lie nearly on one line.",
            "There is no vehicle frame and there are no deviations.",
        ),
        "base-too-few": Kind(
            _FAULT,
            "Fewer than three base points were measured.",
            "There is no vehicle frame and there are no deviations.",
        ),
        "base-twist": Kind(
            ("note", "warning"),
            "Base pairs do not sit equally high left and right.",
            "The section that carries the vehicle frame is twisted; all heights depend on which "
            "base points moved.",
        ),
        "base-unclear": Kind(
            _WARNING,
            "Base points disagree with the sheet, and it cannot be told which of them moved.",
            "All of them carry the vehicle frame, and every uncertainty has been enlarged.",
        ),
        "camera-weak": Kind(
            _WARNING,
            "The photos hardly determine the constants of this camera.",
            "The uncertainties contain it and are large.",
        ),
        "car-moved": Kind(
            _WARNING,
            "Several cards moved against the others at one time.",
            "Each card counts as it lay in the larger set of its photos.",
        ),
        "card-bent": Kind(
            _WARNING,
            "A card is bent, damaged or badly printed.",
            "Its normal is doubtful, and with it the hole at the end of its stem.",
        ),
        "card-doubled": Kind(
            _WARNING,
            "A card lies at two places in turn: two cards have its number, or it hangs loose.",
            "Its place is that of the larger set of photos, and its point gets no verdict.",
        ),
        "card-in-few-photos": Kind(
            _WARNING,
            "A card on a point was measured in fewer than four photos.",
            "A mistake in one of them could shift the point unseen.",
        ),
        "card-misprinted": Kind(
            _WARNING,
            "A card is printed at another size than the others, or stretched.",
            "Its own dots alone say where it lies and how it leans, and its uncertainty is that.",
        ),
        "card-moved": Kind(
            _WARNING,
            "A card lies elsewhere after a certain photo than before it.",
            "Its place is that of the larger set of photos, and its point gets no verdict.",
        ),
        "card-not-measured": Kind(
            _FAULT,
            "A card on a point could not be measured.",
            "This point is missing from the result.",
        ),
        "card-on-wrong-point": Kind(
            _FAULT,
            "A card lies far from the point that cards.csv names and near another one.",
            "Its point is missing from the result.",
        ),
        "card-tilted": Kind(
            _WARNING,
            "A card leans, and its point lies off as it would if the card sat askew on its stem.",
            "If the card sits askew on its stem, its point is off by the length of the stem times "
            "the sine of the lean.",
        ),
        "card-twice": Kind(
            _WARNING,
            "A photo shows a card's number at two places.",
            "This card was not used in this photo.",
        ),
        "card-unchecked": Kind(
            _WARNING,
            "An error in one photo could go unseen and shift this card by much of the tolerance.",
            "The point's uncertainty holds only if there is no such error.",
        ),
        "cards-swapped": Kind(
            _FAULT,
            "Two cards fit each other's points and not their own.",
            "Both points are missing from the result.",
        ),
        "focal-length-odd": Kind(
            _WARNING,
            "Photos show another focal length than their EXIF says.",
            "Their camera was worked out from the photos themselves.",
        ),
        "lens-not-applied": Kind(
            _WARNING,
            "Photos do not belong to the lens profile of the job.",
            "Their camera was calibrated from the photos themselves, which is less sure.",
        ),
        "no-scale": Kind(
            _FAULT,
            "No bar gives the scale.",
            "Millimetres are those of the printer, and there are no verdicts.",
        ),
        "no-sheet": Kind(
            _NOTE,
            "The job has no reference sheet.",
            "There are no deviations; cards are given in an arbitrary frame. Left is compared with "
            "right where three pairs or more were measured.",
        ),
        "not-converged": Kind(
            _FAULT,
            "The adjustment did not settle.",
            "No figure is to be trusted, so there are no verdicts.",
        ),
        "photo-astray": Kind(
            _WARNING,
            "Most cards in a photo lie elsewhere than the other photos have them.",
            "The photo was left out; its cards rest on fewer photos.",
        ),
        "photo-edited": Kind(
            _WARNING,
            "A photo was cropped, resized or made by another program.",
            "Its camera was worked out from this photo alone, or it was left out.",
        ),
        "photo-left-out": Kind(
            _WARNING,
            "It could not be told where this photo was taken.",
            "The photo adds nothing; its cards rest on fewer photos.",
        ),
        "photo-mirrored": Kind(
            _WARNING,
            "A photo is mirrored, as selfie cameras and some programs store it.",
            "The photo adds nothing; its cards rest on fewer photos.",
        ),
        "photos-contradict": Kind(
            _FAULT,
            "Photos contradict each other in ways that could not be told apart.",
            "No figure is to be trusted, so there are no verdicts.",
        ),
        "photo-unreadable": Kind(
            _WARNING,
            "A photo cannot be read.",
            "The photo adds nothing; its cards rest on fewer photos.",
        ),
        "photo-without-cards": Kind(
            _NOTE,
            "No card was found in this photo.",
            "The photo adds nothing.",
        ),
        "photos-from-one-place": Kind(
            ("warning", "fault"),
            "The photos show most cards from nearly the same direction.",
            "Uncertainties are large; where hardly anything tells which way cards lean, there are "
            "no verdicts.",
        ),
        "points-unclear": Kind(
            _FAULT,
            "No position of the sheet brings half of the holes near their points.",
            "No deviation is to be trusted, so there are no verdicts.",
        ),
        "print-odd": Kind(
            _WARNING,
            "The cards are printed too large, too small or stretched, by the bars.",
            "If a bar's length is mistyped instead, all lengths are off by that share.",
        ),
        "print-scale": Kind(_NOTE, "How large the printer printed, by the bars."),
        "second-look": Kind(_NOTE, "A second look at predicted places found more sightings."),
        "sheet-doubtful": Kind(
            _WARNING,
            "The sheet has a pair unlike left and right that is alike on the car.",
            "If a figure of the sheet is mistyped, what is told of that point is no damage.",
        ),
        "sheet-of-this-car": Kind(
            _WARNING,
            "The base points fit a measured sheet as only the car it was made from does.",
            "Verdicts say what has moved since the sheet was made, not whether the car is "
            "straight.",
        ),
        "sheet-one-side": Kind(_NOTE, "The sheet gives points on one side of the vehicle only."),
        "sides-exchanged": Kind(
            _FAULT,
            "The holes fit the sheet only with left and right exchanged.",
            "No deviation is to be trusted, so there are no verdicts.",
        ),
        "start-not-reproduced": Kind(
            _WARNING,
            "Two independent starts did not lead to the same places of the cards.",
            "Some cards may be misplaced by more than their uncertainty.",
        ),
        "stem-doubtful": Kind(
            _WARNING,
            "Another stem than cards.csv lists would bring a point to its place or base points to "
            "agree, or one pair alone has unlike stems.",
            "If the stem is wrong, so is the point, by that much.",
        ),
        "symmetry-none": Kind(
            _NOTE,
            "There is no sheet, and left and right cannot be compared either.",
            "Nothing is said about damage.",
        ),
        "symmetry-unclear": Kind(
            _WARNING,
            "Fewer than half of the left and right pairs share one centre plane.",
            "The plane was laid through all pairs, and their differences are very unsure.",
        ),
        "zoom-changed": Kind(
            ("note", "warning"),
            "Photos of one camera have another focal length than the others.",
            "They were given a camera of their own, calibrated from the photos themselves.",
        ),
    }
)
"""Every kind of finding there is, by code."""


def document() -> str:
    """The catalogue as a page of Markdown."""
    lines = [
        "# Findings",
        "",
        "What `datumshot solve` may find fault with. The terminal, the page and `result.json` say "
        "the same: a code, a severity, the card, photo, bar or point concerned, what was seen with "
        "figures, what it does to the result, and what to do. *note*: good to know; *warning*: a "
        "figure may be worse than it looks; *fault*: something is missing from the result.",
        "",
        "This page is made from the catalogue in `pipeline/findings.py`.",
        "",
        "| code | severity | meaning | effect on the result |",
        "|---|---|---|---|",
    ]
    for code, kind in sorted(CATALOGUE.items()):
        severity = " or ".join(kind.severities)
        lines.append(f"| `{code}` | {severity} | {kind.meaning} | {kind.effect or 'none'} |")
    return "\n".join([*lines, ""])


if __name__ == "__main__":
    print(document(), end="")
