"""Which terms are named: those that differ from nought beyond measurement and build scatter."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from calib.frames import Array
from pipeline.damage_car import Car, Section, three_each
from pipeline.damage_fit import FALSE_ALARMS, Fit
from pipeline.damage_terms import PLACES


@dataclass(frozen=True)
class _Pattern:
    """A simple way in which a term comes: it grows from nothing, or is the same all along."""

    section: Section
    term: str
    by_mm: Array


def _patterns(car: Car) -> list[_Pattern]:
    """All that may be picked, each (3 N,) the changes by 1 mm of it.

    Sway has a third: the zone turned sideways as a whole, which sets one side back, too.
    """
    found = []
    for section in car.sections:
        of = {key: section.by_unknowns[:, k] for k, key in enumerate(section.unknowns)}
        for term in dict.fromkeys(term for term, _ in section.unknowns):
            far = of[term, "far"]
            found.append(_Pattern(section, term, far))
            if (term, "near") in of:
                found.append(_Pattern(section, term, far + of[term, "near"]))
        if ("sway", "near") in of:
            over = section.frame.width_mm / (section.frame.end_mm - section.frame.start_mm)
            set_back = of["diamond", "near"] + of["diamond", "far"]
            found.append(_Pattern(section, "sway", of["sway", "far"] - over * set_back))
    return found


def picked_terms(fit: Fit) -> set[tuple[str, str]]:
    """(zone, term) of the simple patterns that explain the deviations, picked one after another.

    Each time the pattern that explains most, as long as it explains more than chance does of any of
    them (stepwise regression, Efroymson 1960, from memory); at last those that the later ones have
    made needless are dropped. Few unknowns are told better than the twelve of a zone.
    """
    car = fit.car
    root = np.linalg.cholesky(car.covariance_mm2 + np.diag(fit.scatter_mm**2))
    own = np.zeros((3 * len(car.rows), 3 * len(fit.odd)))
    own[three_each(fit.odd), np.arange(3 * len(fit.odd))] = 1.0
    always = np.linalg.solve(root, np.hstack([car.by_frame, own]))
    patterns = _patterns(car)
    columns = np.linalg.solve(root, np.column_stack([p.by_mm for p in patterns]))
    observed = np.linalg.solve(root, car.deviations_mm)
    limit = fit.limit(0.5 * FALSE_ALARMS / len(patterns), 1)

    def gains(kept: Sequence[int]) -> Array:
        """(P,) what each pattern explains beside those kept, in chi-squared."""
        basis = np.linalg.qr(np.hstack([always, columns[:, list(kept)]]))[0]
        rest = columns - basis @ (basis.T @ columns)
        size = (rest**2).sum(axis=0)
        free = size > 1e-6 * (columns**2).sum(axis=0)
        return np.where(free, (rest.T @ observed) ** 2 / np.where(free, size, 1.0), 0.0)

    kept: list[int] = []
    while True:
        gain = gains(kept)
        best = int(gain.argmax())
        if gain[best] <= limit:
            break
        kept.append(best)
    while kept:
        own_gain = [float(gains([k for k in kept if k != one])[one]) for one in kept]
        least = int(np.argmin(own_gain))
        if own_gain[least] > limit:
            break
        del kept[least]
    return {(patterns[k].section.frame.zone, patterns[k].term) for k in kept}


def is_turn(
    fit: Fit,
    section: Section,
    at: Mapping[tuple[str, str], int],
    misfit: float,
    level: float,
) -> bool:
    """Whether the zone went sideways and diamond is no more than that turn: D + w dS/dx = 0.

    Sway counts here at 5 % already: what is small and looks like a turn is not called diamond.
    """
    frame = section.frame
    if frame.one_station:
        return False
    sway = [at["sway", where] for where in PLACES]
    if fit.squares(sway) / misfit**2 < chi2.isf(0.05, 2):
        return False
    over = frame.width_mm / (frame.end_mm - frame.start_mm)
    contrasts = np.zeros((2, len(fit.found_mm)))
    for row, where in zip(contrasts, PLACES, strict=True):
        row[at["diamond", where]] = 1.0
        row[sway] = -over, over
    off = contrasts @ fit.found_mm
    spread = contrasts @ fit.covariance_mm2 @ contrasts.T
    return bool(off @ np.linalg.solve(spread, off) / misfit**2 <= fit.limit(level, 2))
