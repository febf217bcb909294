"""A planned shoot on paper and as a page: cautions, drawing, cards to fix, photos to tick off."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import Array
from pipeline.plan import ShootPlan, cards_of_size
from pipeline.report.drawing import FAINT, GRID, INK, Drawing, svg
from pipeline.report.letters import letters_for
from pipeline.report.paper_drawing import draw
from pipeline.report.templates import templates
from pipeline.rounding import rounded_U
from pipeline.safety import Cautions
from targets.atomic import replacing, write_text

_WIDTH_PX = 760.0
_EDGE_PX = 46.0
_ROLE_FILL = {"base": "#1b1f24", "point": "#5b636d", "tie": "#ffffff", "bar": "#aab2bb"}
_SHOT = "#0b62a4"


def plan_drawing(plan: ShootPlan) -> Drawing:
    """Plan view from above, front to the left: cards, bars, and where to stand, numbered."""
    places = np.array([s.station.position_mm[:2] for s in plan.shots])
    cards = np.array([c.centre_mm[:2] for c in plan.cards])
    every = np.concatenate([places, cards])
    low, high = every.min(axis=0), every.max(axis=0)
    scale = (_WIDTH_PX - 2.0 * _EDGE_PX) / (high[0] - low[0])
    height = (high[1] - low[1]) * scale + 2.0 * _EDGE_PX

    def at(place: Array) -> Array:
        # Front (+x) to the left; left (+y) of the car then lies at the bottom, seen from above.
        return np.array(
            [_EDGE_PX + (high[0] - place[0]) * scale, _EDGE_PX + (place[1] - low[1]) * scale]
        )

    sheet = Drawing("Plan of the shoot, seen from above, front to the left", _WIDTH_PX, height)
    e = plan.extent
    corners = [
        (x, y)
        for x, y in (
            (e.front_mm, e.half_mm),
            (e.rear_mm, e.half_mm),
            (e.rear_mm, -e.half_mm),
            (e.front_mm, -e.half_mm),
        )
    ]
    sheet.polygon([at(np.array(c)) for c in corners], FAINT, "#f6f7f8")
    for corner, one, other in plan.blockers:
        ring = [corner, corner + one, corner + one + other, corner + other]
        sheet.polygon([at(p[:2]) for p in ring], GRID, GRID)
    sheet.write(at(np.array([high[0], 0.0])) + [-30.0, 4.0], "front", FAINT, size_px=12.0)
    ends: dict[str, list[Array]] = {}
    for card in plan.cards:
        if card.role == "bar":
            ends.setdefault(card.where, []).append(at(card.centre_mm[:2]))
    for pair in ends.values():
        sheet.line(pair[:2], FAINT, 3.0)
    for card in plan.cards:
        place = at(card.centre_mm[:2])
        r = 4.0
        square = [place + [dx * r, dy * r] for dx, dy in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        sheet.polygon(square, INK, _ROLE_FILL[card.role])
        sheet.write(place + [6.0, -5.0], str(card.card), INK, size_px=9.5)
    for number, shot in enumerate(plan.shots, 1):
        place = at(shot.station.position_mm[:2])
        aim = at(shot.station.aim_mm[:2])
        way = aim - place
        length = float(np.linalg.norm(way))
        if length > 1.0:
            tip = place + way / length * min(34.0, length)
            side = np.array([-way[1], way[0]]) / length
            back = tip - way / length * 7.0
            sheet.line([place, tip], _SHOT, 1.4)
            sheet.polygon([tip, back + 3.0 * side, back - 3.0 * side], _SHOT, _SHOT)
        sheet.circle(place, 8.5, _SHOT, "#ffffff", 1.4)
        sheet.write(place + [0.0, 3.5], str(number), _SHOT, "middle", True, 10.0)
    return sheet


def write_plan_page(plan: ShootPlan, cautions: Cautions, path: Path) -> None:
    """The plan as one self-contained HTML file; the cautions are always on it.

    Raises
    ------
    UserError : the file cannot be written.
    """
    from markupsafe import Markup

    page = (
        templates()
        .get_template("plan.html")
        .render(drawing=Markup(svg(plan_drawing(plan))), **_told(plan, cautions))
    )
    write_text(path, page)


def write_plan_paper(plan: ShootPlan, cautions: Cautions, path: Path, paper: str = "A4") -> None:
    """The same as a PDF to take along.

    Raises
    ------
    UserError : there is no such paper, or the file cannot be written.
    """
    data = plan_pdf(plan, cautions, paper)
    with replacing(path) as beside:
        beside.write_bytes(data)


def plan_pdf(plan: ShootPlan, cautions: Cautions, paper: str = "A4") -> bytes:
    """The PDF; every box on it is there to be ticked with a pen."""
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.pdfgen.canvas import Canvas

    told = _told(plan, cautions)
    drawing = plan_drawing(plan)
    width, height = LETTER if paper.lower() == "letter" else A4
    edge = 42.0
    texts = [*cautions.lines, *(s.text for s in drawing.shapes), plan.title, "\u25a1"]
    texts += [str(value) for row in (*told["shots"], *told["points"]) for value in row.values()]
    letters = letters_for(texts)
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(width, height), invariant=1)
    canvas.setTitle(f"{plan.title}: plan of the shoot")
    y = height - edge

    def write(text: str, size: float = 9.0, bold: bool = False, box: bool = False) -> None:
        nonlocal y
        indent = 16.0 if box else 0.0
        for n, line in enumerate(letters.lines(text, size, width - 2 * edge - indent, bold)):
            if y < edge + size:
                canvas.showPage()
                y = height - edge
            y -= size * 1.35
            if box and n == 0:
                canvas.setLineWidth(0.7)
                canvas.rect(edge, y - 1.0, 8.0, 8.0)
            part = canvas.beginText(edge + indent, y)
            for font, run in letters.runs(line, bold):
                part.setFont(font, size)
                part.textOut(run)
            canvas.drawText(part)

    write(f"{plan.title}: plan of the shoot", 15.0, True)
    write(told["summary"], 9.0)
    y -= 6.0
    write("First", 11.0, True)
    for line in cautions.lines:
        write(line, 8.5, box=True)
    y -= 8.0
    scale = (width - 2 * edge) / drawing.width_px
    if y - drawing.height_px * scale < edge:
        canvas.showPage()
        y = height - edge
    canvas.saveState()
    canvas.translate(edge, y)
    draw(canvas, drawing, letters, scale)
    canvas.restoreState()
    y -= drawing.height_px * scale + 6.0
    write(told["key"], 8.0)
    y -= 6.0
    write("Cards to fix", 11.0, True)
    for row in told["cards"]:
        write(f"{row['card']}  {row['where']}  ({row['role']})", 8.5, box=True)
    y -= 6.0
    write("Photos to take", 11.0, True)
    for row in told["shots"]:
        write(f"{row['number']}. {row['text']}; should show {row['cards']}", 8.5, box=True)
    y -= 6.0
    write("How sure it will be (U, k = 2, mm)", 11.0, True)
    for row in told["points"]:
        write(
            f"{row['name']}: length {row['length']}, width {row['width']}, height {row['height']}"
        )
    for note in plan.notes:
        write(note, 8.5)
    canvas.save()
    return buffer.getvalue()


def _told(plan: ShootPlan, cautions: Cautions) -> dict[str, Any]:
    worst = max(plan.points, key=lambda p: p.worst_mm)
    prints = "; ".join(
        f"{size:.0f} mm wide: {', '.join(map(str, ids))}"
        for size, ids in cards_of_size(plan).items()
    )
    return {
        "title": plan.title,
        "cautions": cautions.lines,
        "summary": (
            f"{plan.place}, datum plane {plan.clearance_mm:.0f} mm above the floor, {plan.lens}. "
            f"{len(plan.cards)} cards, {len(plan.shots)} photos. Expected U at most "
            f"{_mm(worst.worst_mm)} mm ({worst.name}); asked {plan.wanted_U_mm:.2f} mm."
        ),
        "reached": plan.reached,
        "key": (
            "Squares are cards (black: base points, grey: points, white: ties, light: bars); "
            "numbered circles are places of the phone, arrows where it looks."
        ),
        "proposed": plan.proposed,
        "prints": prints,
        "notes": plan.notes,
        "cards": [{"card": c.card, "role": c.role, "where": c.where} for c in plan.cards],
        "shots": [
            {"number": n, "text": s.text[0].upper() + s.text[1:], "cards": f"{len(s.cards)} cards"}
            for n, s in enumerate(plan.shots, 1)
        ],
        "points": [
            {
                "name": p.name,
                "card": p.card,
                "length": _mm(p.U_mm[0]),
                "width": _mm(p.U_mm[1]),
                "height": _mm(p.U_mm[2]),
                "good": p.worst_mm <= plan.wanted_U_mm,
            }
            for p in plan.points
        ],
    }


def _mm(value: float) -> str:
    return f"{rounded_U(value, 2):.2f}" if np.isfinite(value) else "unknown"
