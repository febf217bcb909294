"""A still picture of the plan and the side views, for where a page does not go."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.report import drawing, words
from pipeline.report.drawing import Drawing, Shape
from pipeline.results.result import Result
from targets.atomic import write_bytes
from targets.errors import UserError

_WIDTH_PX = 1100.0
_SCALE = 1.5  # pixels of the picture per px of the drawing

# What the plain font of matplotlib has no letters for would come out as boxes.
_DRAWABLE = re.compile(r"[^ -~\u00a0-\u024f\u0370-\u03ff\u0400-\u04ff\u2010-\u2027\u2212▲✓]")


def write_picture(result: Result, path: Path) -> None:
    """Write plan and side views with deviation arrows as one PNG.

    Parameters
    ----------
    result : with at least one measured reference point.
    path : of the picture.

    Raises
    ------
    UserError : there is no point to draw, or the file cannot be written.
    """
    rows = result.deviations.rows
    if not rows:
        raise UserError(
            "there is no measured reference point to draw",
            result.job.title,
            "give the job a sheet.csv and a cards.csv",
        )
    times = drawing.exaggeration(rows)
    views = [
        drawing.draw_view(rows, view, times, _WIDTH_PX)
        for view in (drawing.PLAN, *drawing.SIDES)
        if any(row.side in view.sides for row in rows)
    ]
    write_bytes(path, _png(_stacked(result, views, times)))


def _stacked(result: Result, views: list[Drawing], times: int) -> Drawing:
    """All views under one another, below the title and the answer."""
    sheet = Drawing(result.job.title, _WIDTH_PX, 0.0)
    first, second = words.answer(result)
    sheet.write((20, 34), _drawable(result.job.title), bold=True, size_px=20)
    colour = (
        words.LOOKS["out"].ink
        if any(row.verdict == "out" for row in result.deviations.rows)
        else drawing.INK
    )
    sheet.write((20, 62), _drawable(first), colour, bold=True, size_px=15)
    sheet.write((20, 84), _drawable(second), size_px=15)
    sheet.write(
        (20, 110),
        f"Arrows: from where a point belongs to where it is, drawn {times} times as large; "
        "grey square: tolerance, as large; black square: base point.",
        drawing.FAINT,
    )
    y = 116.0
    for view in views:
        sheet.write((20, y + 22), view.title, bold=True, size_px=14)
        y += 26.0
        sheet.shapes += [_moved_down(shape, y) for shape in view.shapes]
        y += view.height_px
    sheet.height_px = y
    return sheet


def _moved_down(shape: Shape, by_px: float) -> Shape:
    return replace(shape, points=shape.points + np.array([0.0, by_px]), text=_drawable(shape.text))


def _drawable(text: str) -> str:
    return _DRAWABLE.sub("\u00b7", text)


def _png(sheet: Drawing) -> bytes:
    # Not pyplot: it is slow to import and keeps every figure alive.
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    dpi = 100.0 * _SCALE
    figure = Figure(figsize=(sheet.width_px / 100.0, sheet.height_px / 100.0), dpi=dpi)
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0.0, sheet.width_px)
    axes.set_ylim(sheet.height_px, 0.0)
    axes.set_axis_off()
    for order, shape in enumerate(sheet.shapes):
        _add(axes, shape, order)
    stream = io.BytesIO()
    # No software name and no date in the file: the same result gives the same picture.
    canvas.print_figure(stream, format="png", metadata={"Software": None})
    return stream.getvalue()


def _add(axes: Any, shape: Shape, order: int) -> None:
    """Draw one mark; a px of the drawing is 0.72 points of matplotlib at 100 dpi."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Circle, Polygon
    from matplotlib.patheffects import withStroke

    width = shape.width_px * 0.72
    if shape.kind == "text":
        axes.text(
            *shape.points[0],
            # Without mathtext a dollar sign in a name is a dollar sign.
            shape.text,
            parse_math=False,
            color=shape.fill,
            fontsize=shape.size_px * 0.72,
            fontweight="bold" if shape.bold else "normal",
            ha={"start": "left", "middle": "center", "end": "right"}[shape.anchor],
            va="baseline",
            zorder=order,
            path_effects=[withStroke(linewidth=width, foreground=shape.stroke)],
        )
    elif shape.kind == "line":
        axes.add_line(
            Line2D(
                shape.points[:, 0],
                shape.points[:, 1],
                color=shape.stroke,
                linewidth=width,
                linestyle="--" if shape.dash else "-",
                zorder=order,
            )
        )
    else:
        patch = (
            Circle(tuple(shape.points[0]), shape.radius_px)
            if shape.kind == "circle"
            else Polygon(shape.points, closed=True)
        )
        patch.set(edgecolor=shape.stroke, facecolor=shape.fill, linewidth=width, zorder=order)
        axes.add_patch(patch)
