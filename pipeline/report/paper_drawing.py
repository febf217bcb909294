"""A drawing as lines and letters on a page of a PDF: the same marks that the page shows as SVG."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from calib.frames import Array
from pipeline.report.drawing import Drawing, Shape
from pipeline.report.letters import Letters

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_DASH_PX = (5.0, 4.0)


def draw(
    canvas: Canvas,
    drawing: Drawing,
    letters: Letters,
    scale: float,
    put: Callable[[str], str] = str,
) -> None:
    """Draw with the drawing's top left corner at the canvas' origin.

    Parameters
    ----------
    scale : points of the page per px of the drawing; y runs up on the page.
    put : puts a text into the language of the page.
    """
    canvas.saveState()
    canvas.setLineJoin(1)
    for shape in drawing.shapes:
        points = shape.points * [scale, -scale]
        if shape.kind == "text":
            _text(canvas, shape, put(shape.text), points[0], letters, scale)
            continue
        canvas.setLineWidth(shape.width_px * scale)
        canvas.setDash(*([d * scale for d in _DASH_PX],) if shape.dash else ())
        if shape.stroke != "none":
            canvas.setStrokeColor(shape.stroke)
        if shape.fill != "none":
            canvas.setFillColor(shape.fill)
        paint = {"stroke": int(shape.stroke != "none"), "fill": int(shape.fill != "none")}
        if shape.kind == "circle":
            canvas.circle(*points[0], shape.radius_px * scale, **paint)
            continue
        path = canvas.beginPath()
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        if shape.kind == "polygon":
            path.close()
        canvas.drawPath(path, **paint)
    canvas.restoreState()


def _text(
    canvas: Canvas, shape: Shape, told: str, at: Array, letters: Letters, scale: float
) -> None:
    """Letters over a halo, so that lines may pass under them."""
    size = shape.size_px * scale
    width = letters.width(told, size, shape.bold)
    start = at[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[shape.anchor] * width
    canvas.setDash()
    canvas.setLineWidth(shape.width_px * scale)
    canvas.setStrokeColor(shape.stroke)
    canvas.setFillColor(shape.fill)
    for mode in (1, 0):  # outlines of the halo, then the letters
        # Each in a state of its own: reportlab takes mode 0 for what a text begins with.
        canvas.saveState()
        text = canvas.beginText(start, at[1])
        text.setTextRenderMode(mode)
        for font, part in letters.runs(told, shape.bold):
            text.setFont(font, size)
            text.textOut(part)
        canvas.drawText(text)
        canvas.restoreState()
