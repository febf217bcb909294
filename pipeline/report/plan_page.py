"""A planned shoot on paper and as a page: cautions, drawing, cards to fix, photos to tick off."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np

from calib.frames import Array
from pipeline.language import Language, language_of
from pipeline.report.drawing import FAINT, GRID, INK, Drawing, svg
from pipeline.report.letters import letters_for
from pipeline.report.paper_drawing import draw
from pipeline.report.templates import templates
from pipeline.report.words import AXIS_WORDS, ROLES, uncertainty
from pipeline.shoot.plan import ShootPlan, cards_of_size
from pipeline.shoot.safety import Cautions
from targets.atomic import replacing, write_text
from targets.said import fixed, listed, say, say_count

_WIDTH_PX = 760.0
_EDGE_PX = 46.0
_ROLE_FILL = {"base": "#1b1f24", "point": "#5b636d", "tie": "#ffffff", "bar": "#aab2bb"}
_SHOT = "#0b62a4"
_RING_PX = 8.5
_PLACES = {
    "two-post": say("Two-post lift"),
    "four-post": say("Four-post lift"),
    "yard": say("Yard"),
    "arches": say("Wheel arches"),
}


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

    title = say("Plan of the shoot, seen from above, front to the left")
    sheet = Drawing(title, _WIDTH_PX, height)
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
    sheet.write(at(np.array([high[0], 0.0])) + [-30.0, 4.0], say("front"), FAINT, size_px=12.0)
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
    stands = np.array([at(shot.station.position_mm[:2]) for shot in plan.shots])
    shown = _side_by_side(stands, 2.0 * _RING_PX + 1.0)
    for stand, place in zip(stands, shown, strict=True):
        sheet.line([stand, place], _SHOT, 0.8)
    for number, (shot, place) in enumerate(zip(plan.shots, shown, strict=True), 1):
        aim = at(shot.station.aim_mm[:2])
        way = aim - place
        length = float(np.linalg.norm(way))
        if length > 1.0:
            tip = place + way / length * min(34.0, length)
            side = np.array([-way[1], way[0]]) / length
            back = tip - way / length * 7.0
            sheet.line([place, tip], _SHOT, 1.4)
            sheet.polygon([tip, back + 3.0 * side, back - 3.0 * side], _SHOT, _SHOT)
        sheet.circle(place, _RING_PX, _SHOT, "#ffffff", 1.4)
        sheet.write(place + [0.0, 3.5], str(number), _SHOT, "middle", True, 10.0)
    return sheet


def _side_by_side(places: Array, apart_px: float) -> Array:
    """The same places (N, 2), those that would cover one before them moved beside it."""
    shown: list[Array] = []
    turns = [np.array([np.cos(a), np.sin(a)]) for a in np.arange(12) * np.pi / 6.0]
    for place in places:
        tried = [place] + [place + ring * apart_px * t for ring in (1.0, 2.0, 3.0) for t in turns]
        free = (p for p in tried if all(np.linalg.norm(p - q) >= apart_px - 1e-6 for q in shown))
        shown.append(next(free, place))
    return np.array(shown)


def write_plan_page(plan: ShootPlan, cautions: Cautions, path: Path, language: str = "en") -> None:
    """The plan as one self-contained HTML file; the cautions are always on it.

    Raises
    ------
    UserError : the file cannot be written.
    """
    from markupsafe import Markup

    told_in = language_of(language)
    sketch = Markup(svg(plan_drawing(plan), told_in.put))
    template = templates(told_in).get_template("plan.html")
    write_text(path, template.render(drawing=sketch, **_told(plan, cautions, told_in)))


def write_plan_paper(
    plan: ShootPlan, cautions: Cautions, path: Path, paper: str = "A4", language: str = "en"
) -> None:
    """The same as a PDF to take along.

    Raises
    ------
    UserError : there is no such paper, or the file cannot be written.
    """
    data = plan_pdf(plan, cautions, paper, language)
    with replacing(path) as beside:
        beside.write_bytes(data)


def plan_pdf(plan: ShootPlan, cautions: Cautions, paper: str = "A4", language: str = "en") -> bytes:
    """The PDF; every box on it is there to be ticked with a pen."""
    from reportlab.lib.pagesizes import A4, LETTER
    from reportlab.pdfgen.canvas import Canvas

    told_in = language_of(language)
    put, told = told_in.put, _told(plan, cautions, told_in)
    drawing = plan_drawing(plan)
    width, height = LETTER if paper.lower() == "letter" else A4
    edge = 42.0
    texts = [*told["cautions"], *(put(s.text) for s in drawing.shapes), plan.title, "\u25a1"]
    texts += [
        str(value)
        for row in (*told["shots"], *told["points"], *told["cards"])
        for value in row.values()
    ]
    letters = letters_for(texts)
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(width, height), invariant=1)
    heading = put(say("{title}: plan of the shoot", title=plan.title))
    canvas.setTitle(heading)
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

    write(heading, 15.0, True)
    write(told["summary"], 9.0)
    y -= 6.0
    write(put(say("First")), 11.0, True)
    for line in told["cautions"]:
        write(line, 8.5, box=True)
    y -= 8.0
    scale = (width - 2 * edge) / drawing.width_px
    if y - drawing.height_px * scale < edge:
        canvas.showPage()
        y = height - edge
    canvas.saveState()
    canvas.translate(edge, y)
    draw(canvas, drawing, letters, scale, put)
    canvas.restoreState()
    y -= drawing.height_px * scale + 6.0
    write(told["key"], 8.0)
    y -= 6.0
    write(put(say("Cards to fix")), 11.0, True)
    for row in told["cards"]:
        write(f"{row['card']}  {row['where']}  ({row['role']})", 8.5, box=True)
    y -= 6.0
    write(put(say("Photos to take")), 11.0, True)
    for row in told["shots"]:
        shown = say(
            "{number}. {text}; should show {cards}",
            number=row["number"],
            text=row["text"],
            cards=row["cards"],
        )
        write(put(shown), 8.5, box=True)
    y -= 6.0
    write(put(say("How sure it will be (U, k = 2, mm)")), 11.0, True)
    for row in told["points"]:
        figures = {key: row[key] for key in ("name", "length", "width", "height")}
        write(put(say("{name}: length {length}, width {width}, height {height}", **figures)), 8.5)
    for note in told["notes"]:
        write(note, 8.5)
    canvas.save()
    return buffer.getvalue()


def _told(plan: ShootPlan, cautions: Cautions, told_in: Language) -> dict[str, Any]:
    """What page and paper say, in their language."""
    told: dict[str, Any] = told_in.put_all(_words(plan, cautions))
    for shot in told["shots"]:
        shot["text"] = shot["text"][0].upper() + shot["text"][1:]
    return told


def _words(plan: ShootPlan, cautions: Cautions) -> dict[str, Any]:
    worst = max(plan.points, key=lambda p: p.worst_mm)
    prints = listed(
        [
            say("{size:.0f} mm wide: {cards}", size=float(size), cards=", ".join(map(str, ids)))
            for size, ids in cards_of_size(plan).items()
        ],
        "; ",
    )
    return {
        "title": plan.title,
        "cautions": [fixed(line) for line in cautions.lines],
        "summary": say(
            "{place}, datum plane {clearance:.0f} mm above the floor, {lens}. {cards} cards, "
            "{photos} photos. Expected U at most {most} mm ({worst}); asked {asked:.2f} mm.",
            place=_PLACES[plan.place],
            clearance=float(plan.clearance_mm),
            lens=plan.lens,
            cards=len(plan.cards),
            photos=len(plan.shots),
            most=_mm(worst.worst_mm),
            worst=worst.name,
            asked=float(plan.wanted_U_mm),
        ),
        "reached": plan.reached,
        "axes": AXIS_WORDS,
        "key": say(
            "Squares are cards (black: base points, grey: points, white: ties, light: bars); "
            "numbered circles are places of the phone, arrows where it looks."
        ),
        "proposed": plan.proposed,
        "prints": prints,
        "notes": plan.notes,
        "cards": [{"card": c.card, "role": ROLES[c.role], "where": c.where} for c in plan.cards],
        "shots": [
            {
                "number": n,
                "text": s.text,
                "cards": say_count(len(s.cards), "{count} card", "{count} cards"),
            }
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
    return uncertainty(value, 2) if np.isfinite(value) else say("unknown")
