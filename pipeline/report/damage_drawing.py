"""Two small drawings of the damage: the zones from above, and the heights of both sides."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calib.frames import Array
from pipeline.repair.damage import Damage, Zone
from pipeline.repair.damage_terms import end_change
from pipeline.report import drawing
from pipeline.report.damage_words import SECTIONS, told, zone_verdict
from pipeline.report.words import LOOKS, VERDICTS
from pipeline.results.result import Result
from targets.said import say


def draw_zones(
    result: Result, damage: Damage, times: int, width_px: float = 1000.0
) -> drawing.Drawing:
    """Plan of the zones as they should be (grey) and are, and the way back of points that are out.

    Front to the left, seen from above; all changes ``times`` as large.
    """
    rows = [row for row in result.deviations.rows if np.isfinite(row.deviation_mm).all()]
    sheet = np.array([row.position_mm - row.deviation_mm for row in rows])
    seen = sheet + times * np.array([row.deviation_mm for row in rows])
    px, low, high, scale = _plan(result, times, width_px)
    margin = 46.0
    sketch = drawing.Drawing(
        say("Plan of the zones, front to the left"), width_px, (high[1] - low[1]) * scale + 74.0
    )

    for zone in damage.zones:
        corners = [
            np.array([x, side * 0.5 * zone.frame.width_mm, zone.frame.datum_mm])
            for x, side in (
                (zone.frame.start_mm, 1.0),
                (zone.frame.end_mm, 1.0),
                (zone.frame.end_mm, -1.0),
                (zone.frame.start_mm, -1.0),
            )
        ]
        look = LOOKS[zone_verdict(zone)]
        sketch.polygon([px(c) for c in corners], "#aab2bb", "#eceff2", 1.0)
        near = {term.term: term.near_mm for term in zone.terms}
        far = {term.term: term.far_mm for term in zone.terms}
        if zone.zone != "centre" and not zone.frame.one_station and told(zone):
            moved = [c + times * end_change(c, near, far, zone.frame) for c in corners]
            sketch.polygon([px(c) for c in moved], look.ink, "none", 2.5)
        middle = px(np.mean(corners, axis=0))
        sketch.write(
            (middle[0], 18.0),
            say(
                "{section}: {mark} {verdict}",
                section=SECTIONS[zone.zone],
                mark=look.mark,
                verdict=VERDICTS[zone_verdict(zone)],
            ),
            look.ink,
            "middle",
            True,
        )
    out = {(one.point, one.side) for one in result.corrections}
    for row, place, now in zip(rows, sheet, seen, strict=True):
        start, tip = np.array(px(now)), np.array(px(place))
        if row.base:
            x, y = tip
            square = [(x - 4, y - 4), (x + 4, y - 4), (x + 4, y + 4), (x - 4, y + 4)]
            sketch.polygon(square, drawing.INK, drawing.INK)
        else:
            sketch.circle(tip, 3.0, drawing.INK, "#ffffff", 1.2)
        way_px = float(np.linalg.norm(tip - start))
        if (row.point, row.side) in out and way_px > 3.0:
            along = (tip - start) / way_px
            across = np.array([-along[1], along[0]])
            neck = tip - along * min(9.0, way_px)
            sketch.line([start, neck], drawing.INK, 2.0)
            sketch.polygon([tip, neck + 4 * across, neck - 4 * across], drawing.INK, drawing.INK)
            label = start - along * 12.0
            sketch.write((label[0], label[1] + 5.0), f"{row.point} {row.side}", anchor="middle")
    foot = sketch.height_px - 12.0
    sketch.write((margin, foot), say("◀ FRONT"), bold=True)
    sketch.write((width_px - margin, foot), say("left side of the car"), drawing.FAINT, "end")
    return sketch


def draw_heights(
    result: Result, damage: Damage, times: int, width_px: float = 1000.0
) -> drawing.Drawing:
    """Heights of both sides of front and rear against a level line, front to the left.

    Lengths as in ``draw_zones``; changes of height ``times`` as large. The centre is the line.
    """
    place, low, high, scale = _plan(result, times, width_px)
    shown = [zone for zone in damage.zones if zone.corners and told(zone)]
    ends = [
        (zone, corner.side, corner.change_mm[2], _near_height_mm(zone, corner.side))
        for zone in shown
        for corner in zone.corners
    ]
    reach_px = max([30.0, *(abs(v) * times * scale for _, _, *both in ends for v in both)])
    level = reach_px + 24.0
    sketch = drawing.Drawing(
        say("Heights of both sides, front to the left"), width_px, 2.0 * reach_px + 60.0
    )
    left, right = place(np.array([high[0], 0.0]))[0], place(np.array([low[0], 0.0]))[0]
    sketch.line([(left, level), (right, level)], "#aab2bb", 2.0)
    for zone, side, far_mm, near_mm in ends:
        look = LOOKS[zone_verdict(zone)]
        points = [
            (place(np.array([x, 0.0]))[0], level - height * times * scale)
            for x, height in ((zone.frame.start_mm, near_mm), (zone.frame.end_mm, far_mm))
        ]
        sketch.line(points, look.ink, 3.0 if side == "L" else 2.0, side == "R")
        front = zone.zone == "front"
        sketch.write(
            (
                points[1][0] + (-8.0 if front else 8.0),
                points[1][1] + (4.0 if side == "L" else 17.0),
            ),
            say("left") if side == "L" else say("right"),
            look.ink,
            "end" if front else "start",
        )
    foot = sketch.height_px - 10.0
    sketch.write((46.0, foot), say("◀ FRONT"), bold=True)
    sketch.write(
        (width_px - 46.0, foot),
        say("left side drawn full, right side broken"),
        drawing.FAINT,
        "end",
    )
    return sketch


def _near_height_mm(zone: Zone, side: str) -> float:
    """Change of height of one side at the points nearest the centre section."""
    near = {term.term: term.near_mm for term in zone.terms}
    if zone.frame.one_station:
        near = {term.term: term.far_mm for term in zone.terms}
    return near["height"] + (0.5 if side == "L" else -0.5) * near["twist"]


def _plan(
    result: Result, times: int, width_px: float
) -> tuple[Callable[[Array], tuple[float, float]], Array, Array, float]:
    """Vehicle places to px of a plan; its least and largest length and width, mm; px per mm.

    The left side of the car is below, as in the plan of the points.
    """
    rows = [row for row in result.deviations.rows if np.isfinite(row.deviation_mm).all()]
    sheet = np.array([row.position_mm - row.deviation_mm for row in rows])
    seen = sheet + times * np.array([row.deviation_mm for row in rows])
    everything = np.vstack([sheet, seen])[:, :2]
    low, high = everything.min(axis=0) - 120.0, everything.max(axis=0) + 120.0
    margin = 46.0
    scale = (width_px - 2.0 * margin) / float(high[0] - low[0])

    def px(place: Array) -> tuple[float, float]:
        return (
            margin + (high[0] - float(place[0])) * scale,
            34.0 + (float(place[1]) - low[1]) * scale,
        )

    return px, low, high, scale
