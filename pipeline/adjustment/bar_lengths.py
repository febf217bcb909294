"""Bars whose length in job.toml cannot be, by the size of the printed cards.

A printer at actual size is hardly off by three percent; a length with exchanged digits or in
another unit is. Such a bar is left out where another one gives the scale.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from pipeline.adjustment.solution import Solution
from pipeline.findings import Finding
from targets.bar import Bar
from targets.said import say

_ODD_SHARE = 0.03
_IMPOSSIBLE_SHARE = 0.25
"""Pages are not fitted to paper by more than this (our choice)."""
_UNITS = {25.4: say("inches"), 10.0: say("centimetres"), 1000.0: say("metres")}


def plausible_bars(
    free: Solution, bars: Sequence[Bar], temperature_c: float
) -> tuple[tuple[Bar, ...], bool, list[Finding]]:
    """The bars that may give the scale, whether it is sure, a finding for each odd length.

    Parameters
    ----------
    free : before scaling, its millimetres those of the printed cards.

    Where every length is unlikely, those that pages printed to fit could explain are kept: then
    the prints may be at fault.
    """
    index = {card: i for i, card in enumerate(free.cards)}
    centres = free.centres_mm
    odd: dict[Bar, float] = {}
    seen = 0
    for bar in bars:
        if bar.cards[0] not in index or bar.cards[1] not in index:
            continue
        seen += 1
        ends = centres[[index[card] for card in bar.cards]]
        by_cards = float(np.linalg.norm(ends[1] - ends[0]))
        ratio = by_cards / bar.length_at_mm(temperature_c)
        if not 1.0 - _ODD_SHARE < ratio < 1.0 + _ODD_SHARE:
            odd[bar] = by_cards
    alone = len(odd) == seen

    def impossible(bar: Bar) -> bool:
        return abs(odd[bar] / bar.length_mm - 1.0) > _IMPOSSIBLE_SHARE

    findings = [
        Finding(
            "bar-length-odd",
            "warning",
            say("bar {first}-{second}", first=bar.cards[0], second=bar.cards[1]),
            say(
                "job.toml has it {length:.1f} mm long; by the size of the printed cards it is "
                "about {by_cards:.0f} mm, and no printer at actual size is that far off.{unit}",
                length=float(bar.length_mm),
                by_cards=float(by_cards),
                unit=_unit(by_cards / bar.length_mm),
            ),
            "Measure the bar again and correct length_mm in job.toml.",
            say("All lengths rest on it, so there are no verdicts.")
            if alone and not impossible(bar)
            else say("This bar was left out of the scale."),
        )
        for bar, by_cards in odd.items()
    ]
    kept = tuple(bar for bar in bars if bar not in odd or (alone and not impossible(bar)))
    return kept, not alone or not odd, findings


def _unit(ratio: float) -> str:
    for factor, name in _UNITS.items():
        if abs(ratio / factor - 1.0) < _ODD_SHARE:
            return say(" Was it typed in {unit}?", unit=name)
    return ""
