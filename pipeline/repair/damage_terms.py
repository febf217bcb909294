"""The trade's terms of damage as changes of points: sag, kick-up, sway, mash, diamond and twist.

Terms as in Goodheart-Willcox, *Auto Collision Repair and Refinishing* (2017), pp. 71 and 78, as
quoted in search results, the book not at hand: sag is down, kick-up up, mash a change of length,
sidesway (here sway) sideways, twist rails or rocker panels that are not level, diamond a centre
section that is no longer rectangular. The three sections with the centre as their base are from
memory.

Front and rear. The change (dx, dy, dz) of a point at x, y, z, with u from 0 at the points nearest
the centre section to 1 at the zone's end, y / w from -1/2 (right) to 1/2 (left) over the width w of
the zone, and z0 the height of the base points:

    dx = L(u) + D(u) y / w - (z - z0) dH/dx        L mash,          D diamond
    dy = S(u) + W(u) y / w - (z - z0) T(u) / w     S sway,          W width
    dz = H(u) + T(u) y / w                         H sag, kick-up,  T twist

Each of the six is a straight line in u, given by its amounts at the nearest points and at the end:
something bent from a point on grows with distance. D, W and T are left minus right over w. The
last terms of dx and dy are the tilt and roll that go with H and T in a rigid motion (small angles:
at 40 mm over 1 m the second order is 0.8 mm). So the twelve amounts hold the six of a rigid motion,
the shear that is diamond, and what grows along the zone. A zone turned sideways as a whole sets
one side back, too: D = -w dS/dx. That is sway alone, and not called diamond.

Centre. Its base points carry the frame, so its own change of shape is what no rigid motion takes
up. With v from -1/2 (rear) to 1/2 (front) of the base points:

    dx = L v + D y / w + E v y / w                 L mash, D diamond, E mash of the left side alone
    dy = S (1 - 4 v^2) + W y / w - (z - z0) T v / w    S sway (bow), W width
    dz = H (1 - 4 v^2) + T v y / w                 H sag or kick-up of the middle, T twist
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calib.frames import Array

_ONE_STATION_MM = 100.0
"""Points within this length cannot show anything growing along the zone."""
END_TERMS = ("mash", "diamond", "sway", "width", "height", "twist")
"""The six of front and rear; height is sag or kick-up."""
PLACES = ("near", "far")
"""Where amounts of front and rear hold: at the points nearest the centre, at the zone's end."""
CENTRE_TERMS = ("mash", "diamond", "side mash", "sway", "width", "height", "twist")


@dataclass(frozen=True)
class Frame:
    """What the amounts of a zone refer to, mm, vehicle frame.

    Attributes
    ----------
    zone : "front", "centre" or "rear".
    start_mm : length x of the points nearest the centre section (centre: of its rearmost points).
    end_mm : x of the zone's end (centre: of its foremost points).
    width_mm : w, over which left and right are compared.
    datum_mm : z0, mean height of the base points.
    """

    zone: str
    start_mm: float
    end_mm: float
    width_mm: float
    datum_mm: float

    @property
    def one_station(self) -> bool:
        """Whether its points are too close together to show anything growing along the zone."""
        return abs(self.end_mm - self.start_mm) < _ONE_STATION_MM


def end_change(
    place_mm: Array, near_mm: Mapping[str, float], far_mm: Mapping[str, float], frame: Frame
) -> Array:
    """(3,) change of a point (3,) of front or rear by the amounts of ``END_TERMS``.

    The formula at the head of this file; mash + is longer, which is forward in front and rearward
    at the rear. Amounts that are left out are nought.

    By hand: the front from x = 1000 to 2000, w = 800, z0 = 100. Kick-up growing from 0 to 10 mm
    tilts it by 10 / 1000: a point at its end, 200 mm above z0, rises by 10 and goes back by
    200 x 0.01 = 2.

    >>> front = Frame("front", 1000.0, 2000.0, 800.0, 100.0)
    >>> end_change(np.array([2000.0, 400.0, 300.0]), {}, {"height": 10.0}, front).tolist()
    [-2.0, 0.0, 10.0]

    Diamond of -6 mm all along, left side behind: its left points, at y = w / 2, go back by 3.

    >>> back = {"diamond": -6.0}
    >>> end_change(np.array([1500.0, 400.0, 300.0]), back, back, front).tolist()
    [-3.0, 0.0, 0.0]

    Twist of 8 mm at the end, left side up: its right point, at y = -400, drops by 4, and, 200 mm
    above z0, the roll of 8 / 800 carries it 2 mm to the right.

    >>> end_change(np.array([2000.0, -400.0, 300.0]), {}, {"twist": 8.0}, front).tolist()
    [0.0, -2.0, -4.0]

    Mash, sway and width: 5 mm shorter, 3 mm to the right, 4 mm narrower; a left point at the end.

    >>> hit = {"mash": -5.0, "sway": -3.0, "width": -4.0}
    >>> end_change(np.array([2000.0, 400.0, 100.0]), {}, hit, front).tolist()
    [-5.0, -5.0, 0.0]
    """
    x, y, z = place_mm
    span = frame.end_mm - frame.start_mm
    u = 1.0 if frame.one_station else (x - frame.start_mm) / span
    mash, diamond, sway, width, height, twist = (
        (1.0 - u) * near_mm.get(term, 0.0) + u * far_mm.get(term, 0.0) for term in END_TERMS
    )
    rise = far_mm.get("height", 0.0) - near_mm.get("height", 0.0)
    tilt = 0.0 if frame.one_station else rise / span
    outward = -1.0 if frame.zone == "rear" else 1.0
    across, above = y / frame.width_mm, z - frame.datum_mm
    return np.array(
        [
            outward * mash + diamond * across - above * tilt,
            sway + width * across - above * twist / frame.width_mm,
            height + twist * across,
        ]
    )


def centre_change(place_mm: Array, amounts_mm: Mapping[str, float], frame: Frame) -> Array:
    """(3,) change of a point (3,) of the centre by the amounts of ``CENTRE_TERMS``.

    By hand: base points from x = -1000 to 1000, w = 1000. Twist of 6 mm: at the front (v = 1/2)
    the left one, at y = 500, stands 6 / 4 = 1.5 mm up and the right one 1.5 down, which is 3 mm of
    difference; at the rear it is 3 mm the other way, 6 mm in all.

    >>> centre = Frame("centre", -1000.0, 1000.0, 1000.0, 0.0)
    >>> centre_change(np.array([1000.0, 500.0, 0.0]), {"twist": 6.0}, centre).tolist()
    [0.0, 0.0, 1.5]
    >>> centre_change(np.array([-1000.0, 500.0, 0.0]), {"twist": 6.0}, centre).tolist()
    [0.0, 0.0, -1.5]

    Diamond of 4 mm puts the left side 2 mm ahead and the right side 2 mm behind, all along. Then
    the diagonals of the four corners, each sqrt(2000^2 + 1000^2) = 2236.1 mm, differ by 2 x 4 x
    2000 / 2236.1 = 7.16 mm (first order).

    >>> corners = np.array([[x, y, 0.0] for x in (1000.0, -1000.0) for y in (500.0, -500.0)])
    >>> corners += [centre_change(corner, {"diamond": 4.0}, centre) for corner in corners]
    >>> diagonals = [np.linalg.norm(corners[a] - corners[b]) for a, b in ((0, 3), (1, 2))]
    >>> round(float(diagonals[0] - diagonals[1]), 2)
    7.16

    Sag of 5 mm: the middle is 5 lower than the ends.

    >>> centre_change(np.array([0.0, 500.0, 0.0]), {"height": -5.0}, centre).tolist()
    [0.0, 0.0, -5.0]
    """
    x, y, z = place_mm
    v = (x - frame.start_mm) / max(frame.end_mm - frame.start_mm, 1.0) - 0.5
    across, above = y / frame.width_mm, z - frame.datum_mm
    bow = 1.0 - 4.0 * v**2
    mash, diamond, side_mash, sway, width, height, twist = (
        amounts_mm.get(term, 0.0) for term in CENTRE_TERMS
    )
    return np.array(
        [
            mash * v + diamond * across + side_mash * v * across,
            sway * bow + width * across - above * twist * v / frame.width_mm,
            height * bow + twist * v * across,
        ]
    )


def unknowns_of(frame: Frame) -> tuple[tuple[str, str], ...]:
    """Terms and where their amounts hold; growth along the zone needs two stations."""
    if frame.zone == "centre":
        return tuple((term, "far") for term in CENTRE_TERMS)
    places = PLACES[1:] if frame.one_station else PLACES
    return tuple((term, where) for term in END_TERMS for where in places)
