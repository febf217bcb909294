"""The path of each point over the sessions: where it belongs, where it was, where it is."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from calib.frames import Array
from pipeline.datum.deviation import DeviationRow
from pipeline.report import drawing
from pipeline.report.drawing import INK, Drawing, View
from pipeline.report.words import LOOKS
from pipeline.sessions.compare import Comparison

_LINE_PX, _STOP_PX = 2.6, 7.5


@dataclass(frozen=True)
class Path:
    """One point over the sessions, mm in the vehicle frame of the first.

    Attributes
    ----------
    row : as the last session that saw it has it, its deviation told in the first one's frame.
    off_mm : (K, 3) from its sheet place, one for each session that saw it; from its first place
        where the sheet does not know it.
    sessions : numbers of these sessions, from 1.
    moved : whether it moved at all beyond its uncertainty.
    """

    row: DeviationRow
    off_mm: Array
    sessions: tuple[int, ...]
    moved: bool


def paths(comparison: Comparison) -> list[Path]:
    """The path of every point that the first session and a later one saw."""
    found = []
    for row in comparison.sessions[0].points:
        name = f"{row.point} {row.side}"
        known = bool(np.isfinite(row.deviation_mm).all())
        start = row.deviation_mm if known else np.zeros(3)
        off, sessions, moved, verdict = [start], [1], False, row.verdict
        for step in comparison.from_first:
            for point in step.points:
                if point.name == name:
                    off.append(start + point.shift_mm)
                    sessions.append(step.later + 1)
                    moved = moved or point.state != "unmoved"
                    verdict = point.verdict_after
        if len(off) > 1:
            place = row.position_mm - start
            last = replace(row, position_mm=place + off[-1], deviation_mm=off[-1], verdict=verdict)
            found.append(Path(last, np.array(off), tuple(sessions), moved))
    return found


def exaggeration(all_paths: list[Path]) -> int:
    """How many times larger than the car movements are drawn."""
    widest = [
        replace(p.row, deviation_mm=p.off_mm[np.abs(p.off_mm).max(axis=1).argmax()])
        for p in all_paths
    ]
    return drawing.exaggeration(widest)


def draw_paths(all_paths: list[Path], view: View, times: int, width_px: float = 1100.0) -> Drawing:
    """Lay a view out: tolerance squares where points belong, and from stop to stop their paths.

    Each stop is a numbered ring, the last one filled; dashes lead on to where the point belongs.
    Points that did not move show their last place alone.
    """
    turn = drawing.to_sheet(view)
    is_shown = np.array([p.row.side in view.sides for p in all_paths], dtype=bool)
    shown = [p for p, here in zip(all_paths, is_shown, strict=True) if here]
    sheet = np.array([p.row.position_mm - p.row.deviation_mm for p in all_paths]).reshape(-1, 3)
    reach = np.array(
        [p.row.tol_mm * times if math.isfinite(p.row.tol_mm) else 0.0 for p in all_paths]
    ).reshape(-1, 1)
    most = max((len(p.off_mm) for p in all_paths), default=1)
    stops = np.array(
        [np.vstack([p.off_mm, np.repeat(p.off_mm[-1:], most - len(p.off_mm), axis=0)])
         for p in all_paths]
    ).reshape(-1, most, 3)  # fmt: skip
    at = sheet @ turn
    stops_at = at[:, None] + times * (stops @ turn)
    places = np.concatenate([[at - reach, at + reach], stops_at.transpose(1, 0, 2)])
    layout = drawing.lay_out(view, places, is_shown, width_px)
    sheet_drawing = layout.drawing

    starts = layout.px(at[is_shown])
    all_stops = layout.px(stops_at[is_shown])
    reaches_px = reach[is_shown, 0] * layout.scale
    rows = [p.row for p in shown]
    drawing.ladder(sheet_drawing, rows, starts)
    for row, start, reach_px in zip(rows, starts, reaches_px, strict=True):
        drawing.place(sheet_drawing, row, start, reach_px)
    for path, start, own in zip(shown, starts, all_stops, strict=True):
        _path(sheet_drawing, path, start, own[: len(path.off_mm)])
    far = np.array(
        [own[np.linalg.norm(own - start, axis=1).argmax()]
         for own, start in zip(all_stops, starts, strict=True)]
    ).reshape(-1, 2)  # fmt: skip
    drawing.labels(sheet_drawing, rows, starts, far, reaches_px, layout.box)
    drawing.scale_bars(sheet_drawing, layout.scale, times, layout.box)
    return sheet_drawing


def _path(sheet: Drawing, path: Path, place: Array, stops: Array) -> None:
    ink = LOOKS[path.row.verdict].ink
    if not path.moved:
        sheet.circle(stops[-1], 3.0, ink, ink)
        return
    sheet.line([stops[-1], place], drawing.FAINT, 1.3, dash=True)
    for start, end in itertools.pairwise(stops):
        length = float(np.linalg.norm(end - start))
        if length > 2.2 * _STOP_PX:
            along = (end - start) / length
            across = np.array([-along[1], along[0]])
            tip = end - along * _STOP_PX
            neck = tip - along * min(9.0, length - 2.0 * _STOP_PX)
            sheet.line([start + along * _STOP_PX, neck], INK, _LINE_PX)
            sheet.polygon([tip, neck + 4.5 * across, neck - 4.5 * across], INK, INK)
    for n, (stop, session) in enumerate(zip(stops, path.sessions, strict=True)):
        last = n == len(stops) - 1
        sheet.circle(stop, _STOP_PX, ink if last else INK, ink if last else "#ffffff", 1.8)
        sheet.shapes.append(
            drawing.Shape(
                "text",
                np.array([stop + [0.0, 4.0]]),
                stroke="none",
                fill="#ffffff" if last else INK,
                text=str(session),
                anchor="middle",
                bold=True,
                size_px=11.0,
            )
        )
