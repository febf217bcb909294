"""The second session of the demo: what is different after the first pull.

The front left corner has come back about half way, which brought some points within tolerance; the
pull has also drawn the right front mount of the subframe forward. The van was set down and lifted
again, some points carry other cards, and the bars hang elsewhere. The van as built is the same.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

import scenario
from scenario import Station, rotation

DAMAGE_MM = {
    "A": ((-7.9, -3.6, 4.2), (0.2, -2.1, 0.2)),
    "B": ((-5.4, -2.4, 2.9), (0.0, 0.0, 0.0)),
    "C": ((-1.9, -1.2, 1.6), (4.7, 0.8, -0.3)),
    "D": ((-1.3, -0.2, 0.3), (0.0, 0.0, 0.0)),
    "M": ((-1.4, -1.1, 1.3), (0.0, 0.0, 0.0)),
    "N": ((-6.1, -2.6, 3.1), (0.0, 0.0, 0.0)),
}
"""Left and right, what is left of the damage, mm."""

OTHER_CARDS = {11: 14, 23: 26, 302: 303, 51: 53, 88: 89, 111: 113, 141: 151, 145: 155, 148: 158}
"""Card of the first session: the one that took its place."""

BARS = (
    ((90, 91), 1200.418, (700.0, 10.0, 21.0), 84.0, -1.2, -2.0),
    ((92, 93), 1399.763, (-430.0, 25.0, 6.0), -7.0, 1.6, 3.0),
)

STATIONS = (
    Station((2550, 720, -830), (1500, 80, 220), 1, False, 1.00),
    Station((2480, -760, -900), (1480, -50, 220), 6, True, 0.95),
    Station((2040, 1010, -880), (1480, 80, 200), 8, False, 1.04),
    Station((1790, -1090, -980), (1430, 0, 200), 1, True, 1.00),
    Station((1620, 160, -1280), (1500, 0, 230), 6, False, 0.96),
    Station((1050, -210, -1300), (1130, 10, 180), 1, True, 1.00),
    Station((820, 1170, -890), (700, 120, 150), 1, False, 1.06),
    Station((700, -1210, -910), (620, -160, 150), 8, False, 0.97),
    Station((330, 110, -1280), (360, 0, 130), 1, True, 0.95),
    Station((-90, 1210, -900), (-110, 120, 140), 6, True, 1.00),
    Station((-120, -1210, -890), (-100, -140, 140), 1, False, 1.03),
    Station((-640, 120, -1280), (-620, 0, 140), 1, True, 0.98),
    Station((-1330, 800, -1080), (-1330, 0, 220), 1, False, 1.02),
    Station((-1380, -820, -1080), (-1360, -60, 220), 8, False, 0.97),
    Station((-2640, 540, -810), (-1620, 20, 240), 1, True, 1.00),
    Station((-2620, -620, -820), (-1580, -60, 240), 1, False, 1.00),
)


def set_scene() -> None:
    """Put the second session in place of the first in ``scenario``."""
    scenario.PAIRS = tuple(
        replace(
            pair,
            damage_left_mm=DAMAGE_MM.get(pair.name, ((0.0,) * 3,) * 2)[0],
            damage_right_mm=DAMAGE_MM.get(pair.name, ((0.0,) * 3,) * 2)[1],
        )
        for pair in scenario.PAIRS
    )
    scenario.POINT_CARDS = {
        name: (OTHER_CARDS.get(card, card), stem)
        for name, (card, stem) in scenario.POINT_CARDS.items()
    }
    scenario.TIES = {OTHER_CARDS.get(card, card): at for card, at in scenario.TIES.items()}
    scenario.BARS = BARS
    scenario.STATIONS = STATIONS
    scenario.WORLD_FROM_VEHICLE_R = rotation("z", -1.9) @ rotation("y", 1.3) @ rotation("x", -0.6)
    scenario.WORLD_FROM_VEHICLE_T = np.array([60.0, 35.0, 1775.0])
    scenario.JOB = "pulled"
    scenario.TITLE = "Demo van, after the first pull (rendered)"
    scenario.TRUTH = "truth-pulled.json"
    scenario.LENS = "../job/phone.toml"
    scenario.HOUR = 15
    scenario.FIRST_PHOTO = 41
    scenario.HANDS_SEED = scenario.SEED + 5
    scenario.JPEG_QUALITY = 60
