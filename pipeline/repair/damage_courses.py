"""Simple courses in which damage comes: what is tried one by one, as few unknowns tell more.

A term of front or rear grows from nothing at the points nearest the centre section, or is the same
all along; sway has a third course, the zone turned sideways as a whole, which sets one side back,
too. A change of the centre section has one: front and rear go with it as rigid bodies, as a car
whose centre is twisted carries sound ends at an angle to each other. What that is to an end is told
by the end's own terms: where the centre's end moves and turns, so does all that is fixed to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.frames import Array
from pipeline.repair.damage_car import Car, Section
from pipeline.repair.damage_terms import Frame


@dataclass(frozen=True)
class Course:
    """One course of one term.

    Attributes
    ----------
    section : the zone it belongs to.
    term : its name.
    kind : "growing", "all along", "turned" or "carried along".
    by_mm : (3 N,) changes of all points by 1 mm of it.
    """

    section: Section
    term: str
    kind: str
    by_mm: Array

    @property
    def name(self) -> tuple[str, str]:
        """(zone, term): what is named where it is kept."""
        return self.section.frame.zone, self.term


def courses_of(car: Car) -> list[Course]:
    """All that are tried."""
    found = []
    for section in car.sections:
        of = _columns(section)
        for term in dict.fromkeys(term for term, _ in section.unknowns):
            far = of[term, "far"]
            if section.frame.zone == "centre":
                along = _carried_along(car, term, section.frame)
                found.append(Course(section, term, "carried along", far + along))
                continue
            if (term, "near") in of:
                found.append(Course(section, term, "growing", far))
                far = far + of[term, "near"]
            found.append(Course(section, term, "all along", far))
        if ("sway", "near") in of:
            over = section.frame.width_mm / (section.frame.end_mm - section.frame.start_mm)
            set_back = of["diamond", "near"] + of["diamond", "far"]
            found.append(Course(section, "sway", "turned", of["sway", "far"] - over * set_back))
    return found


def carried(term: str, end: Frame, centre: Frame) -> dict[tuple[str, str], float]:
    """Amounts of front or rear, sound in itself, that 1 mm of a term of the centre carries along.

    By hand: a centre from x = -1000 to 1000, 800 wide, a front from 1200 to 2000, as wide. A bow
    of 1 mm upward, 1 - 4 v^2, falls by 4 mm over 2000 mm at its end: the front, fixed there, drops
    by 0.4 mm over the 200 mm to its nearest points and by 2 mm over the 1000 mm to its end.

    >>> centre = Frame("centre", -1000.0, 1000.0, 800.0, 0.0)
    >>> front = Frame("front", 1200.0, 2000.0, 800.0, 0.0)
    >>> carried("height", front, centre)
    {('height', 'near'): -0.4, ('height', 'far'): -2.0}

    Twist of 1 mm between its ends turns the front by half of it, left up, all along, and the rear
    the other way.

    >>> carried("twist", front, centre)
    {('twist', 'near'): 0.5, ('twist', 'far'): 0.5}
    """
    sign = 1.0 if end.zone == "front" else -1.0
    joint_mm = centre.end_mm if end.zone == "front" else centre.start_mm
    length = max(centre.end_mm - centre.start_mm, 1.0)
    wide = end.width_mm / centre.width_mm

    def same(what: str, amount: float) -> dict[tuple[str, str], float]:
        return {(what, "near"): amount, (what, "far"): amount}

    def sloping(what: str, slope: float) -> dict[tuple[str, str], float]:
        return {
            (what, "near"): slope * (end.start_mm - joint_mm),
            (what, "far"): slope * (end.end_mm - joint_mm),
        }

    def turned(slope: float) -> dict[tuple[str, str], float]:
        return sloping("sway", slope) | same("diamond", -slope * end.width_mm)

    return {
        "mash": same("mash", 0.5),
        "diamond": same("diamond", wide),
        "side mash": turned(-0.5 * sign / centre.width_mm),
        "sway": turned(-4.0 * sign / length),
        "width": {},
        "height": sloping("height", -4.0 * sign / length),
        "twist": same("twist", 0.5 * sign * wide),
    }[term]


def _carried_along(car: Car, term: str, centre: Frame) -> Array:
    """(3 N,) changes of front and rear by 1 mm of a term of the centre."""
    change = np.zeros(3 * len(car.rows))
    for section in car.sections:
        if section.frame.zone == "centre":
            continue
        of = _columns(section)
        for key, amount in carried(term, section.frame, centre).items():
            # A zone of one station has no amount but the one at its end.
            if key in of:
                change += amount * of[key]
    return change


def _columns(section: Section) -> Mapping[tuple[str, str], Array]:
    return {key: section.by_unknowns[:, k] for k, key in enumerate(section.unknowns)}
