"""Plan and side views to scale, with exaggerated deviation arrows, as simple marks on paper.

A drawing is laid out once as lines, polygons, circles and texts, and then written as SVG (here,
for the page) or with matplotlib (``pictures``). Both views have the front at the left: the plan is
seen from above, the side views from the left, so that lengths stand over one another.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from calib.frames import Array
from pipeline.datum.deviation import DeviationRow
from pipeline.report.words import LOOKS, number
from targets.said import listed, say

INK, FAINT, GRID = "#1b1f24", "#5b636d", "#e3e6ea"
_TOLERANCE_FILL, _TOLERANCE_EDGE = "#eceff2", "#aab2bb"
_FONT_PX = 13.0
_NARROW_PX = 500.0  # sheets below this break their lines of text
_LEAST_SHRUNK = 0.75
_LEAST_LENGTH_MM, _LEAST_WIDTH_MM = 1200.0, 400.0
_GLYPH_WIDTH = 0.58  # of the font size, mean of a plain sans serif; measured on none in particular


@dataclass(frozen=True)
class Shape:
    """One mark, px from the top left of the drawing.

    Attributes
    ----------
    kind : "line" (open), "polygon" (closed), "circle" or "text".
    points : (N, 2) vertices; (1, 2) for a circle's centre and a text's anchor.
    stroke, fill : colours, "none" for none; a text takes ``fill``.
    width_px : of the stroke.
    dash : whether the stroke is broken.
    radius_px : of a circle.
    text, anchor, bold, size_px : of a text; anchor "start", "middle" or "end"; y is the baseline.
        Its stroke is a halo behind the letters, so that lines may pass under them.
    """

    kind: str
    points: Array
    stroke: str = "none"
    fill: str = "none"
    width_px: float = 1.0
    dash: bool = False
    radius_px: float = 0.0
    text: str = ""
    anchor: str = "start"
    bold: bool = False
    size_px: float = _FONT_PX


@dataclass
class Drawing:
    """Marks on a sheet of ``width_px`` x ``height_px``; ``title`` says what it shows.

    ``spots`` are where a point can be asked for its figures: its index in the rows, and px.
    """

    title: str
    width_px: float
    height_px: float
    shapes: list[Shape] = field(default_factory=list)
    spots: list[tuple[int, Array]] = field(default_factory=list)

    def line(
        self,
        points: Iterable[Iterable[float]],
        stroke: str,
        width_px: float = 1.0,
        dash: bool = False,
    ) -> None:
        """Add an open line."""
        self.shapes.append(Shape("line", _xy(points), stroke, "none", width_px, dash))

    def polygon(
        self, points: Iterable[Iterable[float]], stroke: str, fill: str, width_px: float = 1.0
    ) -> None:
        """Add a closed polygon."""
        self.shapes.append(Shape("polygon", _xy(points), stroke, fill, width_px))

    def circle(
        self, at: Iterable[float], radius_px: float, stroke: str, fill: str, width_px: float = 1.0
    ) -> None:
        """Add a circle."""
        self.shapes.append(Shape("circle", _xy([at]), stroke, fill, width_px, radius_px=radius_px))

    def write(
        self,
        at: Iterable[float],
        text: str,
        fill: str = INK,
        anchor: str = "start",
        bold: bool = False,
        size_px: float = _FONT_PX,
    ) -> None:
        """Add a text; ``at`` is on its baseline."""
        self.shapes.append(
            Shape(
                "text",
                _xy([at]),
                stroke="#ffffff",
                fill=fill,
                width_px=3.0,
                text=text,
                anchor=anchor,
                bold=bold,
                size_px=size_px,
            )
        )


@dataclass(frozen=True)
class View:
    """Which way a view looks.

    Attributes
    ----------
    title : its heading.
    across, down : vehicle axis that runs right and down the sheet, with the sign.
    sides : sides of the points shown.
    """

    title: str
    across: tuple[int, int]
    down: tuple[int, int]
    sides: str


PLAN = View(say("Plan, seen from above, front to the left"), (0, -1), (1, 1), "LRC")
PLAN_UPRIGHT = View(say("Plan, seen from above, front up"), (1, -1), (0, -1), "LRC")
SIDES = (
    View(say("Left side, front to the left"), (0, -1), (2, -1), "LC"),
    View(say("Right side, seen through from the left, front to the left"), (0, -1), (2, -1), "RC"),
)
_AXIS_NAMES = (
    say("length in mm, + forward"),
    say("width in mm, + left"),
    say("height in mm, + up"),
)
_POSITIVE = ("forward", "left", "up")
_ON_THE_SHEET = {
    "left": say("(left on the sheet)"),
    "right": say("(right on the sheet)"),
    "up": say("(up on the sheet)"),
    "down": say("(down on the sheet)"),
}


def exaggeration(rows: Iterable[DeviationRow]) -> int:
    """How many times larger than the car deviations are drawn: 1, 2, 3 or 5, 10, 20 ...

    The largest deviation, or twice the tolerance where all are smaller, fills about a tenth of
    the sheet; without the second part the noise of a sound car would look like damage.
    """
    rows = list(rows)
    if not rows:
        return 1
    lengths = _sheet_positions(rows)[:, 0]
    span_mm = max(float(np.ptp(lengths)), 1000.0)
    known = [float(np.abs(row.deviation_mm).max()) for row in rows if _known(row)]
    limits = [2.0 * row.tol_mm for row in rows if math.isfinite(row.tol_mm)]
    largest_mm = max([*known, *limits, 0.1])
    return max(1, int(nice_below(0.1 * span_mm / largest_mm, STEPS)))


STEPS = (1.0, 2.0, 3.0, 5.0)
"""Steps of an exaggeration within a power of ten."""


def nice_below(value: float, steps: tuple[float, ...] = (1.0, 2.0, 5.0)) -> float:
    """The largest of ``steps`` times a power of ten that is not above ``value``.

    >>> [nice_below(v) for v in (7.0, 1999.0, 0.03)]
    [5.0, 1000.0, 0.02]
    """
    power = 10.0 ** math.floor(math.log10(value))
    step = max(s for s in steps if s * power <= value * (1 + 1e-12))
    return step * power


def draw_view(
    rows: Iterable[DeviationRow], view: View, times: int, width_px: float = 1100.0
) -> Drawing:
    """Lay a view out.

    Parameters
    ----------
    rows : measured points; those of other sides than the view's are left out.
    view : which way it looks.
    times : exaggeration of deviations.
    width_px : width of the sheet; its height follows from the scale.

    Returns
    -------
    drawing : ladder of symmetrical pairs, tolerance squares, arrows, labels, axes and scale bars.
    """
    rows = list(rows)
    turn = to_sheet(view)
    is_shown = np.array([row.side in view.sides for row in rows], dtype=bool)
    shown = [row for row, here in zip(rows, is_shown, strict=True) if here]
    all_sheet_mm = _sheet_positions(rows) @ turn
    all_shift_mm = np.array(
        [row.deviation_mm if _known(row) else np.zeros(3) for row in rows]
    ).reshape(-1, 3) @ (turn * times)
    all_reach_mm = np.array(
        [row.tol_mm * times if _known(row) and math.isfinite(row.tol_mm) else 0.0 for row in rows]
    ).reshape(-1, 1)
    places = np.stack(
        [
            all_sheet_mm - all_reach_mm,
            all_sheet_mm + all_reach_mm,
            all_sheet_mm + all_shift_mm,
        ]
    )
    sheet_mm, shift_mm, reach_mm = (
        values[is_shown] for values in (all_sheet_mm, all_shift_mm, all_reach_mm)
    )
    layout = lay_out(view, places, is_shown, width_px)
    drawing, px, box, scale = layout.drawing, layout.px, layout.box, layout.scale
    ladder(drawing, shown, px(sheet_mm))
    starts, tips = px(sheet_mm), px(sheet_mm + shift_mm)
    for row, start, reach in zip(shown, starts, reach_mm[:, 0] * scale, strict=True):
        place(drawing, row, start, reach)
    for row, start, tip in zip(shown, starts, tips, strict=True):
        _arrow(drawing, row, start, tip)
    labels(drawing, shown, starts, tips, reach_mm[:, 0] * scale, box)
    drawing.spots = list(zip(np.flatnonzero(is_shown).tolist(), starts, strict=True))
    scale_bars(drawing, scale, times, box)
    return drawing


@dataclass(frozen=True)
class Layout:
    """A view on its sheet: axes are drawn, points may be added.

    Attributes
    ----------
    drawing : the sheet.
    low_mm : what lies at ``origin_px``; ``scale`` px are a millimetre.
    box : left, top, right, bottom of the frame, px.
    """

    drawing: Drawing
    low_mm: Array
    origin_px: Array
    scale: float
    box: tuple[float, float, float, float]

    def px(self, points_mm: Array) -> Array:
        """Where points (..., 2), already turned to the sheet, lie on it."""
        return np.asarray((points_mm - self.low_mm) * self.scale + self.origin_px)


def to_sheet(view: View) -> Array:
    """(3, 2) turns vehicle axes into right and down on the sheet."""
    turn = np.zeros((3, 2))
    turn[view.across[0], 0], turn[view.down[0], 1] = view.across[1], view.down[1]
    return turn


def lay_out(view: View, places_mm: Array, is_shown: Array, width_px: float) -> Layout:
    """Choose a scale that shows what belongs to a view, and draw the axes.

    Parameters
    ----------
    places_mm : (K, N, 2) K places of each of N points, turned to the sheet.
    is_shown : (N,) whether the point belongs to this view. Lengths reach as far as those of all
        points, so that all views have one scale.
    """
    # The zero of heights and widths belongs into the picture: the datum plane, the centreline.
    low, high = np.full(2, -1.0), np.full(2, 1.0)
    for index, axis in enumerate((view.across[0], view.down[0])):
        within = places_mm[:, :, index] if axis == 0 else places_mm[:, is_shown, index]
        if within.size:
            low[index], high[index] = within.min(), within.max()
        if axis != 0:
            low[index], high[index] = min(low[index], -1.0), max(high[index], 1.0)

    left, right, top = 64.0, 40.0, 62.0
    foot = 126.0 if width_px < _NARROW_PX else 96.0
    # A job of few points is not blown up until a single one fills a page.
    least_mm = _LEAST_LENGTH_MM if view.across[0] == 0 else _LEAST_WIDTH_MM
    scale = (width_px - left - right) / max(high[0] - low[0], least_mm)
    span_px = (high - low) * scale
    drawing = Drawing(view.title, width_px, top + span_px[1] + foot)
    origin = np.array([left, top])
    # What does not fill the width (few points) stands in its middle.
    origin[0] += (width_px - left - right - span_px[0]) / 2
    box = (left - 14, top - 10, width_px - right + 14, top + span_px[1] + 10)
    layout = Layout(drawing, low, origin, float(scale), box)
    _axes(drawing, view, box, layout.px, low, high)
    return layout


def svg(
    drawing: Drawing, put: Callable[[str], str] = str, telling: Sequence[str] | None = None
) -> str:
    """The drawing as one inline SVG element.

    Parameters
    ----------
    put : puts a text into the language of the page.
    telling : what each row's point has to say; with it, its spot can be pointed at or reached by
        keyboard (the first by tab, the others from there).
    """
    body = "".join(_svg_shape(shape, put, drawing.width_px) for shape in drawing.shapes)
    role, spots = "img", ""
    if telling is not None and drawing.spots:
        role = "group"
        spots = "".join(
            f'<g class="spot" role="img" tabindex="{-1 if n else 0}" data-point="{index}" '
            f'aria-label="{escape(telling[index])}"><title>{escape(telling[index])}</title>'
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="13"/></g>'
            for n, (index, (x, y)) in enumerate(drawing.spots)
        )
    return (
        f'<svg class="drawing" role="{role}" aria-label="{escape(put(drawing.title))}" '
        f'viewBox="0 0 {drawing.width_px:.0f} {drawing.height_px:.0f}" '
        f'font-family="system-ui, sans-serif">{body}{spots}</svg>'
    )


def legend_svg(verdict_css: str, put: Callable[[str], str] = str) -> str:
    """The arrow of one verdict as a small SVG for the legend."""
    verdict = next(v for v, look in LOOKS.items() if look.css == verdict_css)
    return svg(legend_arrow(verdict), put).replace(
        'class="drawing"', 'class="key" width="46" height="16"'
    )


def legend_arrow(verdict: str) -> Drawing:
    """The arrow of one verdict for the legend."""
    drawing = Drawing(say("arrow of a point that is {verdict}", verdict=say(verdict)), 46.0, 16.0)
    _arrow_of(drawing, verdict, np.array([4.0, 8.0]), np.array([40.0, 8.0]))
    return drawing


def _svg_shape(shape: Shape, put: Callable[[str], str], sheet_px: float) -> str:
    points = shape.points
    if shape.kind == "text":
        told = put(shape.text)
        # A language may need more words than the sheet was laid out for.
        room_px = sheet_px - points[0, 0] if shape.anchor == "start" else math.inf
        wide_px = len(told) * _GLYPH_WIDTH * shape.size_px
        size_px = shape.size_px * max(_LEAST_SHRUNK, min(1.0, room_px / max(wide_px, 1.0)))
        weight = ' font-weight="700"' if shape.bold else ""
        return (
            f'<text x="{points[0, 0]:.1f}" y="{points[0, 1]:.1f}" fill="{shape.fill}" '
            f'font-size="{size_px:.3g}" text-anchor="{shape.anchor}"{weight} '
            f'paint-order="stroke" stroke="{shape.stroke}" stroke-width="{shape.width_px:g}" '
            f'stroke-linejoin="round">'
            f"{escape(told)}</text>"
        )
    dash = ' stroke-dasharray="5 4"' if shape.dash else ""
    paint = f'stroke="{shape.stroke}" fill="{shape.fill}" stroke-width="{shape.width_px:g}"{dash}'
    if shape.kind == "circle":
        x, y = points[0]
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{shape.radius_px:g}" {paint}/>'
    tag = "polyline" if shape.kind == "line" else "polygon"
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    return f'<{tag} points="{path}" {paint}/>'


def _xy(points: Iterable[Iterable[float]]) -> Array:
    return np.array([list(p) for p in points], dtype=float).reshape(-1, 2)


def _known(row: DeviationRow) -> bool:
    return bool(np.isfinite(row.deviation_mm).all())


def _sheet_positions(rows: list[DeviationRow]) -> Array:
    """Where the points belong, (N, 3) mm; where they are, if the sheet does not know them."""
    return np.array(
        [row.position_mm - (row.deviation_mm if _known(row) else 0.0) for row in rows], dtype=float
    ).reshape(-1, 3)


def _axes(
    drawing: Drawing,
    view: View,
    box: tuple[float, float, float, float],
    px: Callable[[Array], Array],
    low: Array,
    high: Array,
) -> None:
    """Grid, tick figures, names of the axes, the zero lines and the mark of the front."""
    x0, y0, x1, y1 = box
    for index, (axis, sign) in enumerate((view.across, view.down)):
        step = nice_below(max(high[index] - low[index], 400.0) / (4.0 if axis == 0 else 2.0))
        first = math.ceil(low[index] / step)
        for tick in range(first, math.floor(high[index] / step) + 1):
            at = np.zeros(2)
            at[index] = tick * step
            x, y = px(at)
            value = number(sign * tick * step, 0)
            zero = tick == 0 and axis != 0
            stroke = FAINT if zero else GRID
            if index == 0:
                drawing.line([(x, y0), (x, y1)], stroke, 1.2 if zero else 1.0, zero)
                drawing.write((x, y1 + 17), value, FAINT, "middle", size_px=12)
            else:
                drawing.line([(x0, y), (x1, y)], stroke, 1.2 if zero else 1.0, zero)
                drawing.write((x0 - 6, y + 4), value, FAINT, "end", size_px=12)
            if zero:
                name = say("datum plane") if axis == 2 else say("centreline")
                if index == 1:
                    drawing.write((x1 - 4, y - 5), name, FAINT, "end", size_px=12)
                else:
                    drawing.write((x + 4, y1 - 5), name, FAINT, "start", size_px=12)
    names = []
    for (axis, sign), ways in ((view.across, ("right", "left")), (view.down, ("down", "up"))):
        way = ways[sign < 0]
        towards = [] if way == _POSITIVE[axis] else [_ON_THE_SHEET[way]]
        names.append(listed([_AXIS_NAMES[axis], *towards], " "))
    if drawing.width_px < _NARROW_PX:
        for line, name in enumerate(names):
            drawing.write((x0, y1 + 36 + 16 * line), name, FAINT, size_px=12)
    else:
        drawing.write((x0, y1 + 36), listed(names, "; "), FAINT, size_px=12)
    if view.across[0] == 0:
        y = y0 - 26.0
        drawing.polygon([(x0, y), (x0 + 16, y - 7), (x0 + 16, y + 7)], INK, INK)
        drawing.write((x0 + 22, y + 5), say("FRONT"), bold=True)
        drawing.write((x1, y + 5), say("REAR"), FAINT, "end")
    else:
        x = (x0 + x1) / 2
        y = y0 - 36.0
        drawing.polygon([(x, y), (x - 7, y + 14), (x + 7, y + 14)], INK, INK)
        drawing.write((x + 12, y + 12), say("FRONT"), bold=True)
    if view.across[0] == 0 and view.down[0] == 1:
        middle = float(px(np.zeros((1, 2)))[0, 1])
        if middle - y0 > 34.0:  # else it would stand on the centreline's name
            drawing.write((x1 - 4, y0 + 13), say("right side of the car"), FAINT, "end", size_px=12)
        if y1 - middle > 24.0:
            drawing.write((x1 - 4, y1 - 5), say("left side of the car"), FAINT, "end", size_px=12)
    if view.across[0] == 1:
        drawing.write((x0, y0 - 28), say("left side"), FAINT, size_px=12)
        drawing.write((x1, y0 - 28), say("right side"), FAINT, "end", size_px=12)


def ladder(drawing: Drawing, rows: list[DeviationRow], starts: Array) -> None:
    """A faint rung between the two sides of each symmetrical pair."""
    by_name: dict[str, list[Array]] = {}
    for row, start in zip(rows, starts, strict=True):
        if row.side in ("L", "R"):
            by_name.setdefault(row.point, []).append(start)
    for pair in by_name.values():
        if len(pair) == 2:
            drawing.line(pair, "#cfd5db", 1.5)


def place(drawing: Drawing, row: DeviationRow, start: Array, reach_px: float) -> None:
    """Where the point belongs: its tolerance square, and a filled square if it is a base point."""
    x, y = start
    if reach_px > 1.0:
        r = reach_px
        drawing.polygon(
            [(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r)],
            _TOLERANCE_EDGE,
            _TOLERANCE_FILL,
        )
    if row.base:
        drawing.polygon([(x - 5, y - 5), (x + 5, y - 5), (x + 5, y + 5), (x - 5, y + 5)], INK, INK)
    else:
        drawing.circle(start, 3.0, INK, "#ffffff", 1.2)


def _arrow(drawing: Drawing, row: DeviationRow, start: Array, tip: Array) -> None:
    if not _known(row):
        drawing.circle(start, 6.0, LOOKS["no reference"].ink, "none", 1.5)
        return
    _arrow_of(drawing, row.verdict, start, tip)


def _arrow_of(drawing: Drawing, verdict: str, start: Array, tip: Array) -> None:
    """An arrow whose shape alone tells the verdict: filled head, open head and dashes, or a dot."""
    look = next(look for name, look in LOOKS.items() if name == verdict)
    length = float(np.linalg.norm(tip - start))
    along = (tip - start) / length if length > 0 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    if verdict == "no reference":
        drawing.circle((start + tip) / 2, 6.0, look.ink, "none", 1.5)
    elif verdict == "within":
        drawing.line([start, tip], look.ink, 2.0)
        drawing.circle(tip, 3.0, look.ink, look.ink)
    else:
        out = verdict == "out"
        head_px = min(14.0 if out else 12.0, max(length, 7.0))
        neck = tip - along * head_px
        drawing.line([start, neck], look.ink, 3.5 if out else 2.2, not out)
        half = head_px * (0.5 if out else 0.45)
        drawing.polygon(
            [tip, neck + across * half, neck - across * half],
            look.ink,
            look.ink if out else "#ffffff",
            1.0 if out else 2.0,
        )


def labels(
    drawing: Drawing,
    rows: list[DeviationRow],
    starts: Array,
    tips: Array,
    reaches_px: Array,
    box: tuple[float, float, float, float],
) -> None:
    """Names beside the points, where they cover the least of arrows, places and other names."""
    shafts = starts[:, None] + np.linspace(0.0, 1.0, 9)[:, None] * (tips - starts)[:, None]
    marks = shafts.reshape(-1, 2)
    r = np.maximum(reaches_px, 6.0)[:, None]
    squares = np.hstack([starts - r, starts + r])
    taken = np.zeros((0, 4))
    order = sorted(range(len(rows)), key=lambda i: rows[i].verdict != "out")
    for i in order:
        row = rows[i]
        out = row.verdict == "out"
        text = f"{row.point} {row.side}"
        size_px = 15.0 if out else _FONT_PX
        size = np.array([len(text) * size_px * _GLYPH_WIDTH + 2, size_px])
        gap = max(float(reaches_px[i]), 6.0) + 4.0
        far = np.repeat([gap, gap + 14.0, gap + 30.0], len(_WAYS))[:, None]
        ways = np.tile(_WAYS, (3, 1))
        middles = starts[i] + ways * (far + size / 2 * np.abs(ways))
        places = np.hstack([middles - size / 2, middles + size / 2])
        covers = _overlaps(places, taken)
        cost = np.repeat([0.0, 3.0, 6.0], len(_WAYS)) + np.tile(0.2 * np.arange(len(_WAYS)), 3)
        cost += 12.0 * covers
        cost += 4.0 * _overlaps(places, np.hstack([marks - 5.0, marks + 5.0]))
        cost += 3.0 * _overlaps(places, squares)
        inside = np.all(
            np.hstack(
                [
                    places[:, :2] >= [box[0] - 50, box[1] - 16],
                    places[:, 2:] <= [box[2] + 24, box[3] + 4],
                ]
            ),
            axis=1,
        )
        cost += np.where(inside, 0.0, 40.0)
        best = int(cost.argmin())
        if (covers[best] or not bool(inside[best])) and not out:
            continue  # a name that hides another, or a figure of the axes, tells less than none
        taken = np.vstack([taken, places[best]])
        drawing.write(
            (middles[best, 0], places[best, 3] - 0.2 * size_px),
            text,
            LOOKS["out"].ink if out else INK,
            "middle",
            out,
            size_px,
        )


_WAYS = np.array([(0, -1), (0, 1), (1, 0), (-1, 0), (1, -1), (-1, -1), (1, 1), (-1, 1)])
"""Where a name may stand from its point, best first."""


def _overlaps(places: Array, others: Array) -> Array:
    """How many of the other boxes (x0, y0, x1, y1) each place overlaps."""
    x0, y0, x1, y1 = places.T[:, :, None]
    left, top, right, bottom = others.T
    return np.asarray(((x0 < right) & (left < x1) & (y0 < bottom) & (top < y1)).sum(axis=1))


def scale_bars(
    drawing: Drawing, scale: float, times: int, box: tuple[float, float, float, float]
) -> None:
    """One bar for the car, one for the deviations."""
    x0, _, _, y1 = box
    narrow = drawing.width_px < _NARROW_PX
    y = y1 + (80.0 if narrow else 66.0)
    room_px = drawing.width_px / 3.5
    car_mm = nice_below(0.7 * room_px / scale)
    off_mm = nice_below(0.7 * room_px / (scale * times))
    second = x0 + car_mm * scale + max(150.0, drawing.width_px * 0.12)
    if narrow:
        second = x0 + drawing.width_px / 2 - 20
    for x, length_mm, factor, texts in (
        (x0, car_mm, 1, [say("{length_mm:g} mm on the car", length_mm=car_mm)]),
        (
            second,
            off_mm,
            times,
            [
                say("{length_mm:g} mm of deviation", length_mm=off_mm),
                say("(drawn {times} times as large)", times=times),
            ],
        ),
    ):
        end = x + length_mm * scale * factor
        drawing.line([(x, y - 5), (x, y), (end, y), (end, y - 5)], INK, 1.5)
        for line, text in enumerate(texts if narrow else [listed(texts, " ")]):
            drawing.write((x, y + 16 + 15 * line), text, size_px=12)
